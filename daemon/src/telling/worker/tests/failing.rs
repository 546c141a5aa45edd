//! Channels and servers that fail.

use super::*;

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
