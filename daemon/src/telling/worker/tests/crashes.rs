//! Crashes between sending and marking, and a store that takes nothing.

use super::*;

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
    let told = barn.teller.take(&matter, Scene { now, recent: &[], mutes: &[], unreached: &[] }).unwrap();
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
