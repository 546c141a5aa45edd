//! What waited, was overtaken or is over.

use super::*;

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
    assert!(texts[1].starts_with("13 01:00 odile: Reminder, pile "), "{texts:#?}");
    assert!(texts[2].starts_with("13 03:00 odile: Reminder, pile "), "{texts:#?}");
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
        let told =
            barn.teller.take(matter, Scene { now: barn.now(), recent: &recent, mutes: &[], unreached: &[] });
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
