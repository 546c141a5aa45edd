//! The worker on a clock that is moved minute by minute, with scripted channels and an outbox in memory that keeps
//! what the recorder would keep.

use std::sync::Mutex;

use heapward_rules::finding::{Change, Kind, Level};

use super::*;
use crate::clock::{Clock, ManualClock};
use crate::model::time::local;
use crate::summary::{Summary, schedule};
use crate::telling::channel::{Failure, Letter, Sending};
use crate::telling::fixture::{ZONE, at, site, telling};
use crate::telling::policy::{Scene, Teller, Told};
use crate::telling::topic::{Matter, Topic, Trouble};
use crate::telling::unwritten::{Unwritten, WithUnwritten};
use crate::telling::wording;

#[derive(Clone, Default)]
struct MemoryOutbox {
    state: Arc<Mutex<State>>,
}

#[derive(Default)]
struct State {
    messages: BTreeMap<String, OutboxMessage>,
    incidents: BTreeMap<String, Incident>,
    /// The recorder takes no results at the moment.
    refuses: bool,
    /// Results written.
    commits: usize,
}

impl MemoryOutbox {
    fn with<T>(&self, work: impl FnOnce(&mut State) -> T) -> T {
        work(&mut self.state.lock().unwrap())
    }

    fn keep(&self, told: Told) {
        self.with(|state| {
            state.incidents.insert(told.incident.id.clone(), told.incident);
            state.messages.extend(told.messages.into_iter().map(|message| (message.id.clone(), message)));
        });
    }

    fn write(&self, work: impl FnOnce(&mut State)) -> Result<(), Refusal> {
        self.with(|state| {
            if state.refuses {
                return Err(Refusal::Unavailable("the card is slow".to_owned()));
            }
            state.commits += 1;
            work(state);
            Ok(())
        })
    }
}

impl Outbox for MemoryOutbox {
    fn waiting(&self, limit: usize) -> Result<Vec<OutboxMessage>, Refusal> {
        let mut waiting: Vec<OutboxMessage> = self.with(|state| {
            state.messages.values().filter(|message| due_at(message).is_some()).cloned().collect()
        });
        waiting.sort_by_key(due_at);
        waiting.truncate(limit);
        Ok(waiting)
    }

    fn incident(&self, id: &str) -> Result<Option<Incident>, Refusal> {
        Ok(self.with(|state| state.incidents.get(id).cloned()))
    }

    async fn delivered(&self, message: String, delivery: Delivery, tries: u32) -> Result<(), Refusal> {
        self.write(|state| {
            let message = state.messages.get_mut(&message).unwrap();
            assert!(due_at(message).is_some(), "{} was settled before", message.id);
            (message.delivery, message.tries) = (delivery, tries);
        })
    }

    async fn merged(&self, merged: OutboxMessage, superseded: Vec<String>) -> Result<(), Refusal> {
        self.write(|state| {
            for id in superseded {
                let message = state.messages.get_mut(&id).unwrap();
                assert!(due_at(message).is_some(), "{id} was settled before");
                message.delivery = Delivery::Superseded { by: merged.id.clone() };
            }
            state.messages.insert(merged.id.clone(), merged);
        })
    }
}

/// What a channel answers, by the time.
type Script = Box<dyn Fn(At, &Letter) -> Result<(), Failure> + Send + Sync>;

struct ScriptedChannel {
    clock: Arc<ManualClock>,
    script: Script,
    tries: Mutex<Vec<(At, Letter, bool)>>,
}

impl Channel for ScriptedChannel {
    fn send<'a>(&'a self, letter: &'a Letter) -> Sending<'a> {
        Box::pin(async move {
            let now = self.clock.now();
            let answer = (self.script)(now, letter);
            self.tries.lock().unwrap().push((now, letter.clone(), answer.is_ok()));
            answer
        })
    }
}

struct Barn {
    clock: Arc<ManualClock>,
    outbox: MemoryOutbox,
    teller: Teller,
    wake: Arc<Notify>,
    phone: Arc<ScriptedChannel>,
    mail: Arc<ScriptedChannel>,
    board: Board,
    stop: Option<tokio::sync::oneshot::Sender<()>>,
}

#[expect(clippy::unnecessary_wraps, reason = "a script answers with a result")]
fn up(_: At, _: &Letter) -> Result<(), Failure> {
    Ok(())
}

/// Down until an instant.
fn down_until(then: At) -> Script {
    Box::new(
        move |now, _| if now < then { Err(Failure::Later("no route to host".to_owned())) } else { Ok(()) },
    )
}

impl Barn {
    fn at(now: &str, phone: Script, mail: Script) -> Barn {
        let clock = Arc::new(ManualClock::new(at(now)));
        let channel =
            |script| Arc::new(ScriptedChannel { clock: Arc::clone(&clock), script, tries: Mutex::default() });
        let (phone, mail) = (channel(phone), channel(mail));
        let mut barn = Barn {
            clock,
            outbox: MemoryOutbox::default(),
            teller: Teller::new(site(), &telling()),
            wake: Arc::default(),
            phone,
            mail,
            board: Board::default(),
            stop: None,
        };
        barn.start();
        barn
    }

    /// Starts the worker, or starts it again as after a crash.
    fn start(&mut self) {
        let channels: [(String, Arc<dyn Channel>); 2] = [
            ("phone".to_owned(), Arc::clone(&self.phone) as Arc<dyn Channel>),
            ("mail".to_owned(), Arc::clone(&self.mail) as Arc<dyn Channel>),
        ];
        self.start_with(channels.into());
    }

    fn start_with(&mut self, channels: BTreeMap<String, Arc<dyn Channel>>) {
        self.start_on(self.outbox.clone(), channels);
    }

    fn start_on(&mut self, outbox: impl Outbox, channels: BTreeMap<String, Arc<dyn Channel>>) {
        let deps = Deps {
            outbox,
            channels,
            book: AddressBook::new(&telling()),
            site: site(),
            clock: Arc::clone(&self.clock) as SharedClock,
            wake: Arc::clone(&self.wake),
            jitter: || 0.0,
            board: self.board.clone(),
        };
        let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
        self.stop = Some(stop);
        tokio::spawn(run(deps, async move {
            let _ = stopped.await;
        }));
    }

    fn now(&self) -> At {
        self.clock.now()
    }

    async fn take(&self, matter: &Matter) {
        let recent = self.outbox.with(|state| state.incidents.values().cloned().collect::<Vec<_>>());
        let scene = Scene { now: self.now(), recent: &recent, mutes: &[] };
        if let Some(told) = self.teller.take(matter, scene) {
            self.outbox.keep(told);
        }
        self.wake.notify_one();
        settle().await;
    }

    async fn summary(&self) {
        let day = local(self.now(), ZONE).date_naive();
        let summary = Summary { subject: format!("summary {day}"), ..Summary::default() };
        let messages = self.teller.summary(&summary, day, self.now());
        self.outbox.with(|s| s.messages.extend(messages.into_iter().map(|m| (m.id.clone(), m))));
        self.wake.notify_one();
        settle().await;
    }

    async fn until(&self, then: &str) {
        self.until_instant(at(then)).await;
    }

    /// Minute by minute, with the teller's tick.
    async fn until_instant(&self, then: At) {
        settle().await;
        while self.now() < then {
            self.clock.advance(Span::minutes(1).min(then - self.now()));
            let recent = self.outbox.with(|state| state.incidents.values().cloned().collect::<Vec<_>>());
            let scene = Scene { now: self.now(), recent: &recent, mutes: &[] };
            for told in self.teller.due(scene) {
                self.outbox.keep(told);
                self.wake.notify_one();
            }
            settle().await;
        }
    }

    fn sent(channel: &ScriptedChannel) -> Vec<(At, Letter)> {
        let tries = channel.tries.lock().unwrap();
        tries.iter().filter(|(_, _, ok)| *ok).map(|(at, letter, _)| (*at, letter.clone())).collect()
    }

    /// What arrived: `12 14:20 odile: text`.
    fn arrived(channel: &ScriptedChannel) -> Vec<String> {
        let sent = Barn::sent(channel).into_iter();
        sent.map(|(at, letter)| {
            format!("{} {}: {}", local(at, ZONE).format("%-d %H:%M"), letter.to, letter.text)
        })
        .collect()
    }
}

/// Lets the worker and its jobs run until nothing moves.
async fn settle() {
    for _ in 0..30 {
        tokio::task::yield_now().await;
    }
}

fn matter(kind: Kind, spot: &str, level: Level, change: Change, at: At, opened: At) -> Matter {
    Matter {
        topic: Topic::Pile(kind),
        level,
        change,
        at,
        opened,
        pile: Some("2026-03".to_owned()),
        spot: Some(spot.to_owned()),
        probe: None,
        figures: BTreeMap::new(),
    }
}

fn opened(kind: Kind, level: Level, when: &str) -> Matter {
    matter(kind, "core-north", level, Change::Opened, at(when), at(when))
}

fn closed(kind: Kind, level: Level, opened: &str, when: &str) -> Matter {
    matter(kind, "core-north", level, Change::Closed, at(when), at(opened))
}

#[tokio::test]
async fn one_text_and_one_mail_at_once() {
    let barn = Barn::at("12 14:20", Box::new(up), Box::new(up));
    barn.take(&opened(Kind::Overheating, Level::Act, "12 14:20")).await;
    assert_eq!(
        Barn::arrived(&barn.phone),
        [
            "12 14:20 odile: Pile 2026-03: core-north, above 160 F since 14:20. Run the air longer or more often; water \
          it if it is dry. Steam scalds."
        ]
    );
    let mails = Barn::sent(&barn.mail);
    assert_eq!(mails.len(), 1);
    assert_eq!(mails[0].1.subject, "Quillback Farm: pile 2026-03, core-north above 160 F");
    assert_eq!(mails[0].1.address, "odile@quillback.example");
    barn.until("12 15:00").await;
    assert_eq!(Barn::sent(&barn.mail).len(), 1);
}

#[tokio::test]
async fn held_messages_come_as_one_with_what_is_over_marked() {
    let barn = Barn::at("12 22:00", Box::new(up), Box::new(up));
    barn.take(&opened(Kind::Overheating, Level::Act, "12 22:00")).await;
    barn.until("12 23:00").await;
    barn.take(&opened(Kind::Stalled, Level::Act, "12 23:00")).await;
    barn.until("13 01:00").await;
    barn.take(&closed(Kind::Overheating, Level::Act, "12 22:00", "13 01:00")).await;
    barn.until("13 07:00").await;
    assert_eq!(
        Barn::arrived(&barn.phone),
        [
            "13 06:30 odile: Heapward, what waited: 1 open, 1 over. 2026-03 core-north stalled since Tue 23:00; 2026-03 \
          core-north above 160 F Tue 22:00-01:00, over (sent 06:30)"
        ]
    );
    let mail = &Barn::sent(&barn.mail)[0].1.text;
    assert!(mail.contains("Now:\n* Pile 2026-03: core-north is stuck since Tue 23:00"), "{mail}");
    assert!(
        mail.contains("Was, and is over:\n* 2026-03 core-north above 160 F Tue 22:00-01:00, over"),
        "{mail}"
    );
}

#[tokio::test]
async fn a_held_message_that_was_overtaken_is_not_sent() {
    let barn = Barn::at("12 22:00", Box::new(up), Box::new(up));
    barn.take(&opened(Kind::Overheating, Level::Act, "12 22:00")).await;
    barn.until("12 23:00").await;
    barn.take(&matter(
        Kind::Overheating,
        "core-north",
        Level::Urgent,
        Change::Worsened,
        at("12 23:00"),
        at("12 22:00"),
    ))
    .await;
    barn.until("13 06:50").await;
    let texts = Barn::arrived(&barn.phone);
    assert_eq!(texts.len(), 4, "{texts:#?}");
    assert!(texts[0].starts_with("12 23:00 odile: Pile 2026-03: core-north, above 170 F"), "{texts:#?}");
    assert!(texts[1].starts_with("13 01:00 odile: Reminder: "), "{texts:#?}");
    assert!(texts[2].starts_with("13 03:00 odile: Reminder: "), "{texts:#?}");
    assert!(texts[3].starts_with("13 05:00 bram: Nobody answered. "), "{texts:#?}");
}

#[tokio::test]
async fn an_all_clear_comes_in_its_own_words_to_who_was_woken() {
    let barn = Barn::at("12 22:00", Box::new(up), Box::new(up));
    barn.take(&opened(Kind::Overheating, Level::Act, "12 22:00")).await;
    barn.until("12 23:00").await;
    let worse = matter(
        Kind::Overheating,
        "core-north",
        Level::Urgent,
        Change::Worsened,
        at("12 23:00"),
        at("12 22:00"),
    );
    barn.take(&worse).await;
    barn.until("13 00:30").await;
    barn.take(&closed(Kind::Overheating, Level::Urgent, "12 22:00", "13 00:30")).await;
    barn.until("13 06:50").await;
    let texts = Barn::arrived(&barn.phone);
    assert_eq!(texts.len(), 2, "{texts:#?}");
    assert!(
        texts[1].starts_with("13 06:30 odile: Pile 2026-03: heat is over: below 155 F at 00:30."),
        "{texts:#?}"
    );
}

#[tokio::test]
async fn a_late_batch_that_is_over_is_left_to_the_summary() {
    let barn = Barn::at("12 14:00", Box::new(up), Box::new(up));
    let begin = opened(Kind::BlowerStuckOn, Level::Act, "12 13:55");
    let end = closed(Kind::BlowerStuckOn, Level::Act, "12 13:55", "12 13:59");
    // Both are committed before the worker gets to look.
    for matter in [&begin, &end] {
        let recent = barn.outbox.with(|state| state.incidents.values().cloned().collect::<Vec<_>>());
        let told = barn.teller.take(matter, Scene { now: barn.now(), recent: &recent, mutes: &[] });
        barn.outbox.keep(told.unwrap());
    }
    barn.wake.notify_one();
    barn.until("12 15:00").await;
    assert_eq!(Barn::arrived(&barn.phone), Vec::<String>::new());
    barn.outbox.with(|state| {
        for message in state.messages.values() {
            assert_eq!(message.delivery, Delivery::Superseded { by: "summary".to_owned() });
        }
    });
}

#[tokio::test]
async fn a_dead_channel_holds_up_no_other() {
    let barn = Barn::at("12 14:20", down_until(at("12 14:26")), Box::new(up));
    barn.take(&opened(Kind::Overheating, Level::Act, "12 14:20")).await;
    assert_eq!(Barn::sent(&barn.mail).len(), 1);
    let state = barn.board.states()["phone"].clone();
    assert_eq!(state.failing_since, Some(at("12 14:20")));
    barn.until("12 14:40").await;
    let tries: Vec<i64> =
        barn.phone.tries.lock().unwrap().iter().map(|(t, _, _)| (*t - at("12 14:20")).0 / 1_000).collect();
    // 30 s, 2 min and 5 min later; the clock of this test moves in whole minutes.
    assert_eq!(tries, [0, 60, 180, 480]);
    assert!(Barn::arrived(&barn.phone)[0].starts_with("12 14:28 odile: Pile 2026-03"));
    assert_eq!(barn.board.states()["phone"].failing_since, None);
}

#[tokio::test]
async fn what_can_not_wait_is_tried_at_once_though_the_channel_was_down() {
    let barn = Barn::at("12 09:00", down_until(at("12 14:25")), Box::new(up));
    barn.take(&opened(Kind::Stalled, Level::Act, "12 09:00")).await;
    barn.until("12 14:29").await;
    let before = barn.phone.tries.lock().unwrap().len();
    barn.take(&opened(Kind::Overheating, Level::Danger, "12 14:29")).await;
    let tries = barn.phone.tries.lock().unwrap().len() - before;
    // One text to Odile with what waited in it, and Bram's.
    assert_eq!(tries, 2);
    let texts = Barn::arrived(&barn.phone);
    assert!(texts.iter().any(|t| t.starts_with("12 14:29 odile: FIRE RISK pile 2026-03")), "{texts:#?}");
    assert!(texts.iter().any(|t| t.starts_with("12 14:29 bram: FIRE RISK pile 2026-03")), "{texts:#?}");
    // While it stays down, a grave message too keeps the pauses.
    let barn = Barn::at("12 14:20", down_until(At::MAX), Box::new(up));
    barn.take(&opened(Kind::Overheating, Level::Urgent, "12 14:20")).await;
    barn.until("12 15:20").await;
    let tries = barn.phone.tries.lock().unwrap().len();
    assert!(tries <= 7, "{tries}");
}

/// Real channels and servers that refuse, hang, put off, and drop the line after taking the message.
#[tokio::test]
async fn servers_that_fail_in_every_way_lose_nothing() {
    use crate::config::{MailConfig, MailSecurity, RequestConfig};
    use crate::telling::mail::MailChannel;
    use crate::telling::request::RequestChannel;
    use crate::telling::scripted::{Act, Server};

    let mails = Server::smtp(&[
        Act::Hang,
        Act::Answer("greeting", "554 not today"),
        Act::Answer("rcpt", "451 try later"),
        Act::DropAfterTaking,
    ])
    .await;
    let texts = Server::http(&[
        Act::Hang,
        Act::Answer("500 Oops", ""),
        Act::Answer("429 Slow", ""),
        Act::DropAfterTaking,
    ])
    .await;
    let patience = std::time::Duration::from_millis(200);
    let mail = MailChannel::new(&MailConfig {
        host: "127.0.0.1".to_owned(),
        port: mails.address.port(),
        security: MailSecurity::Plain,
        user: None,
        password: None,
        from: "barn@quillback.example".to_owned(),
        ca_file: None,
        as_text: false,
    });
    let phone = RequestChannel::new(&RequestConfig {
        method: "POST".to_owned(),
        url: format!("http://{}/", texts.address),
        headers: vec![],
        body: "{{text}}".to_owned(),
        content_type: "text/plain".to_owned(),
        secrets: vec![],
        ca_file: None,
    });
    let channels: [(String, Arc<dyn Channel>); 2] = [
        ("phone".to_owned(), Arc::new(phone.ok().unwrap().with_patience(patience))),
        ("mail".to_owned(), Arc::new(mail.ok().unwrap().with_patience(patience))),
    ];
    let mut barn = Barn::at("12 09:00", Box::new(up), Box::new(up));
    barn.stop = None;
    settle().await;
    barn.start_with(channels.into());
    barn.take(&opened(Kind::Stalled, Level::Act, "12 09:00")).await;
    for _ in 0..300 {
        if barn.outbox.waiting(10).unwrap().is_empty() {
            break;
        }
        tokio::time::sleep(std::time::Duration::from_millis(20)).await;
        barn.clock.advance(Span::minutes(1));
    }
    barn.outbox.with(|state| {
        assert!(state.messages.values().all(|message| matches!(message.delivery, Delivery::Sent { .. })));
    });
    // The one that was dropped after it was taken came a second time, under the same id.
    let id_of = |server: &Server, header: &str| {
        let of_one = |received: &String| {
            let line = received.lines().find(|line| line.to_ascii_lowercase().starts_with(header));
            line.map(str::to_owned)
        };
        server.received().iter().filter_map(of_one).collect::<Vec<_>>()
    };
    let ids = id_of(&mails, "message-id:");
    assert_eq!(ids.len(), 2);
    assert_eq!(ids[0], ids[1]);
    let keys = id_of(&texts, "idempotency-key:");
    assert_eq!(keys.len(), 5);
    assert!(keys.iter().all(|key| *key == keys[0]), "{keys:?}");
}

#[tokio::test]
async fn a_refusal_for_good_is_not_repeated() {
    let refused: Script = Box::new(|_, letter| match letter.to.as_str() {
        "odile" => Err(Failure::Never("550 no such user".to_owned())),
        _ => Ok(()),
    });
    let barn = Barn::at("12 14:20", refused, Box::new(up));
    barn.take(&opened(Kind::Overheating, Level::Danger, "12 14:20")).await;
    barn.until("12 14:30").await;
    assert_eq!(barn.phone.tries.lock().unwrap().len(), 2);
    assert_eq!(Barn::sent(&barn.phone)[0].1.to, "bram");
    assert_eq!(Barn::sent(&barn.mail).len(), 1);
    barn.outbox.with(|state| {
        let failed = state.messages.values().filter(|m| matches!(m.delivery, Delivery::Failed { .. }));
        assert_eq!(failed.count(), 1);
    });
}

#[tokio::test]
async fn what_went_out_is_not_sent_again_while_the_recorder_takes_no_result() {
    let barn = Barn::at("12 14:20", Box::new(up), Box::new(up));
    barn.outbox.with(|state| state.refuses = true);
    barn.take(&opened(Kind::Overheating, Level::Act, "12 14:20")).await;
    barn.until("12 14:40").await;
    assert_eq!(Barn::sent(&barn.phone).len(), 1);
    barn.outbox.with(|state| state.refuses = false);
    barn.until("12 14:45").await;
    assert_eq!(barn.outbox.waiting(10).unwrap(), []);
    assert_eq!(Barn::sent(&barn.phone).len(), 1);
}

/// The card is full: nothing can be written, and that is what has to be told.
#[tokio::test]
async fn what_the_store_can_not_take_goes_out_once_all_the_same() {
    let mut barn = Barn::at("12 14:20", down_until(at("12 14:22")), Box::new(up));
    barn.stop = None;
    settle().await;
    let unwritten = Unwritten::default();
    let outbox = WithUnwritten { stored: barn.outbox.clone(), unwritten: unwritten.clone() };
    barn.outbox.with(|state| state.refuses = true);
    let channels: [(String, Arc<dyn Channel>); 2] = [
        ("phone".to_owned(), Arc::clone(&barn.phone) as Arc<dyn Channel>),
        ("mail".to_owned(), Arc::clone(&barn.mail) as Arc<dyn Channel>),
    ];
    barn.start_on(outbox, channels.into());
    let (now, trouble) = (barn.now(), Trouble::StoreFailing);
    let matter = Matter::of_farm(trouble, Level::Urgent, Change::Opened, now, now - limits::STORE_SETTLE);
    let told = barn.teller.take(&matter, Scene { now, recent: &[], mutes: &[] }).unwrap();
    unwritten.set(std::slice::from_ref(&told));
    barn.wake.notify_one();
    for minute in 21..40 {
        barn.clock.advance(Span::minutes(1));
        settle().await;
        if minute == 35 {
            // There is room again: it is written as if it still waited.
            barn.outbox.with(|state| state.refuses = false);
            barn.outbox.keep(told.clone());
            unwritten.clear();
            barn.wake.notify_one();
        }
    }
    assert_eq!(Barn::sent(&barn.phone).len(), 1);
    assert_eq!(Barn::sent(&barn.mail).len(), 1);
    assert!(Barn::sent(&barn.phone)[0].1.text.starts_with("Heapward can't keep readings since 14:19"));
    barn.outbox.with(|state| {
        assert_eq!(state.messages.len(), 2);
        assert!(state.messages.values().all(|message| matches!(message.delivery, Delivery::Sent { .. })));
    });
}

#[tokio::test]
async fn after_a_crash_between_sending_and_marking_the_repeat_bears_the_same_id() {
    let mut barn = Barn::at("12 14:20", Box::new(up), Box::new(up));
    barn.outbox.with(|state| state.refuses = true);
    barn.take(&opened(Kind::Overheating, Level::Act, "12 14:20")).await;
    barn.stop = None;
    settle().await;
    barn.outbox.with(|state| state.refuses = false);
    barn.start();
    barn.until("12 14:30").await;
    let ids: Vec<String> = Barn::sent(&barn.phone).into_iter().map(|(_, letter)| letter.id).collect();
    assert_eq!(ids.len(), 2);
    assert_eq!(ids[0], ids[1]);
}

/// A hundred crashes between sending and marking: one repeat at most for each, under the same id, and none lost.
#[tokio::test]
async fn a_hundred_crashes_repeat_at_most_once_and_lose_nothing() {
    let mut barn = Barn::at("12 07:00", Box::new(up), Box::new(up));
    for round in 0..100 {
        let kind = [Kind::Stalled, Kind::SpotShort, Kind::FellOutEarly, Kind::ProbeMoved][round % 4];
        barn.outbox.with(|state| state.refuses = true);
        let now = barn.now();
        barn.take(&matter(kind, &format!("spot-{round}"), Level::Act, Change::Opened, now, now)).await;
        // Killed: what the worker knew is gone.
        barn.stop = None;
        settle().await;
        barn.outbox.with(|state| state.refuses = false);
        barn.start();
        barn.until_instant(now + Span::minutes(2)).await;
    }
    for channel in [&barn.phone, &barn.mail] {
        let mut times: BTreeMap<String, usize> = BTreeMap::new();
        for (_, letter) in Barn::sent(channel) {
            *times.entry(letter.id).or_default() += 1;
        }
        assert_eq!(times.len(), 100);
        assert!(times.values().all(|times| *times <= 2), "{times:?}");
    }
    barn.outbox.with(|state| {
        assert!(state.messages.values().all(|message| matches!(message.delivery, Delivery::Sent { .. })));
    });
}

/// A year of summaries through outbox and worker, both changes of the clock included.
#[tokio::test]
async fn a_year_brings_365_summaries_one_each_local_day() {
    for zone in [chrono_tz::America::New_York, chrono_tz::Europe::Berlin] {
        let barn = Barn::at("1 12:00", Box::new(up), Box::new(up));
        let (time, end) = (telling().summary_at, barn.now() + Span::days(365));
        let mut last = Some(local(barn.now(), zone).date_naive());
        while barn.now() < end {
            let now = barn.now();
            if let Some(day) = schedule::due_day(last, now, time, zone) {
                let summary = Summary { subject: day.to_string(), ..Summary::default() };
                let messages = barn.teller.summary(&summary, day, now);
                barn.outbox.with(|s| s.messages.extend(messages.into_iter().map(|m| (m.id.clone(), m))));
                barn.wake.notify_one();
                settle().await;
                last = Some(day);
            }
            barn.clock.advance(schedule::next_due(last, now, time, zone).min(end) - now);
        }
        let mut days: Vec<String> = Vec::new();
        for (at, letter) in Barn::sent(&barn.mail) {
            let local = local(at, zone);
            assert_eq!(letter.subject, local.date_naive().to_string());
            assert_eq!(local.time(), time);
            days.push(letter.subject);
        }
        days.sort();
        days.dedup();
        assert_eq!((days.len(), Barn::sent(&barn.mail).len()), (365, 365), "{zone}");
    }
}

#[tokio::test]
async fn a_message_is_given_up_after_three_days() {
    let barn = Barn::at("12 14:20", down_until(At::MAX), Box::new(up));
    barn.take(&opened(Kind::Stalled, Level::Act, "12 14:20")).await;
    barn.until("15 14:59").await;
    assert_eq!(barn.outbox.waiting(10).unwrap(), []);
    let tries = barn.phone.tries.lock().unwrap().len();
    assert!((140..=160).contains(&tries), "{tries}");
    barn.outbox.with(|state| {
        let message = state.messages.values().find(|message| message.channel == "phone").unwrap();
        let Delivery::Failed { at_ms, reason } = &message.delivery else { panic!("{message:?}") };
        assert_eq!(reason, "no route to host");
        assert!((at("15 14:20").0..=at("15 14:50").0).contains(at_ms), "{at_ms}");
    });
}

/// 72 h without a link, some sixty events; then one message to each channel and today's summary.
#[tokio::test]
async fn three_days_without_a_link_lose_nothing_and_flood_nobody() {
    let back = at("15 09:00");
    let barn = Barn::at("12 09:00", down_until(back), down_until(back));
    let kinds = [Kind::Overheating, Kind::RunAtRisk, Kind::BlowerStuckOn, Kind::FellOutEarly, Kind::Stalled];
    let mut findings = 0;
    for round in 0..30_i64 {
        let begin = at("12 09:20") + Span::minutes(round * 140);
        let summary_at = at(&format!("{} 06:30", local(begin, ZONE).format("%-d")));
        if barn.now() < summary_at && summary_at <= begin {
            barn.until_instant(summary_at).await;
            barn.summary().await;
        }
        barn.until_instant(begin).await;
        let kind = kinds[usize::try_from(round).unwrap() % kinds.len()];
        let spot = ["core-north", "outer-south", "base", "middle"][usize::try_from(round).unwrap() % 4];
        barn.take(&matter(kind, spot, Level::Act, Change::Opened, begin, begin)).await;
        findings += 1;
        if round % 4 != 3 {
            let end = begin + Span::minutes(110);
            barn.until_instant(end).await;
            barn.take(&matter(kind, spot, Level::Act, Change::Closed, end, begin)).await;
            findings += 1;
        }
    }
    barn.until("15 07:00").await;
    barn.summary().await;
    let events = barn.outbox.with(|state| state.messages.values().filter(|m| m.channel == "mail").count());
    barn.until_instant(back).await;
    let tries = barn.phone.tries.lock().unwrap().len();
    barn.until_instant(back + Span::minutes(40)).await;

    let (texts, mails) = (Barn::sent(&barn.phone), Barn::sent(&barn.mail));
    eprintln!("findings {findings}, messages by mail {events}, tries by phone in 72 h {tries}");
    eprintln!("{}\n{}", texts[0].1.text, mails[0].1.text);
    assert!((50..=90).contains(&events), "{events}");
    assert!(tries <= 160, "{tries}");
    // One text, one mail, one summary: in the first ten minutes and after.
    assert_eq!((texts.len(), mails.len()), (1, 2));
    assert!(mails[1].1.subject.starts_with("summary 2026-05-15"), "{}", mails[1].1.subject);
    assert!(texts[0].1.text.chars().count() <= 160);
    // Nothing waits, nothing is lost: everything was sent or stands in something that was.
    barn.outbox.with(|state| {
        for message in state.messages.values() {
            let mut last = message;
            while let Delivery::Superseded { by } = &last.delivery {
                last = &state.messages[by];
            }
            assert!(matches!(last.delivery, Delivery::Sent { .. }), "{last:?}");
        }
        for incident in state.incidents.values() {
            let open = incident.closed_ms.is_none();
            let line = wording::line(incident, &site(), mails[0].0);
            let words =
                wording::words(incident, crate::telling::step::Step::Opened, &site(), mails[0].0).unwrap();
            let named = mails[0].1.text.contains(if open { &words.text } else { &line });
            assert!(named, "{line} is missing");
        }
    });
}
