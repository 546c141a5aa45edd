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

/// How a pile's heat is later: the newest figure, the worst, and where it is now.
async fn goes_on(barn: &Barn, now_f: f64, worst_f: f64, spot: &str, when: &str) {
    let c = |f: f64| heapward_rules::units::Celsius::from_f(f).0;
    #[expect(clippy::cast_precision_loss, reason = "instants of a test")]
    let figures = [("temperature_c", c(now_f)), ("read_ms", at(when).0 as f64), ("worst_c", c(worst_f))];
    let mut present = opened(Kind::Overheating, Level::Act, when);
    present.read_spot = Some(spot.to_owned());
    present.figures = figures.map(|(name, value)| (name.to_owned(), value)).into();
    barn.outbox.with(|state| {
        for incident in state.incidents.values_mut() {
            *incident = barn.teller.follow(incident, &present).unwrap();
        }
    });
    settle().await;
}

fn hot(when: &str) -> Matter {
    let mut matter = opened(Kind::Overheating, Level::Act, when);
    matter.figures.insert("temperature_c".to_owned(), heapward_rules::units::Celsius::from_f(163.0).0);
    matter
}

#[tokio::test]
async fn a_text_that_waited_says_how_it_is_when_it_is_sent() {
    let wanted = "outer-south 166 F, peak 168 F, hot since ";
    // Held in quiet hours.
    let barn = Barn::at("12 22:00", Box::new(up), Box::new(up));
    barn.take(&hot("12 22:00")).await;
    barn.until("13 06:20").await;
    goes_on(&barn, 166.0, 168.0, "outer-south", "13 06:20").await;
    barn.until("13 06:50").await;
    assert_eq!(
        Barn::arrived(&barn.phone),
        [format!(
            "13 06:30 odile: Pile 2026-03: {wanted}Tue 22:00. Run the air longer or more often; water it if it is dry. \
             Over when below 155 F. (sent 06:30)"
        )]
    );
    let mail = &Barn::sent(&barn.mail)[0].1.text;
    assert!(
        mail.contains(wanted) && mail.contains("Where: core-north, now hottest at outer-south"),
        "{mail}"
    );

    // The link was down.
    let barn = Barn::at("12 14:00", down_until(at("12 15:30")), Box::new(up));
    barn.take(&hot("12 14:00")).await;
    barn.until("12 15:20").await;
    goes_on(&barn, 166.0, 168.0, "outer-south", "12 15:20").await;
    barn.until("12 15:55").await;
    let texts = Barn::arrived(&barn.phone);
    assert_eq!(texts.len(), 1, "{texts:#?}");
    assert!(texts[0].contains(&format!("Pile 2026-03: {wanted}14:00.")), "{texts:#?}");
}

#[tokio::test]
async fn lines_of_what_waited_have_their_figures_where_there_is_room() {
    let barn = Barn::at("12 22:00", Box::new(up), Box::new(up));
    barn.take(&hot("12 22:00")).await;
    barn.until("13 06:20").await;
    goes_on(&barn, 166.0, 168.0, "outer-south", "13 06:20").await;
    barn.take(&opened(Kind::Stalled, Level::Act, "13 06:20")).await;
    barn.until("13 06:40").await;
    assert_eq!(
        Barn::arrived(&barn.phone),
        [
            "13 06:30 odile: Heapward, what waited: 2 open, 0 over. 2026-03 core-north above 160 F since Tue 22:00, now \
             166 F at outer-south; 2026-03 core-north stalled since 06:20"
        ]
    );
}

/// The hours of the example: quiet until 06:00, the summary at 06:30.
fn early_quiet() -> TellingConfig {
    let early = chrono::NaiveTime::from_hms_opt(6, 0, 0).unwrap();
    TellingConfig { quiet_until: early, ..telling() }
}

#[tokio::test]
async fn what_was_held_comes_with_the_summary_in_one_mail() {
    let barn = Barn::with(early_quiet(), "12 22:00", Box::new(up), Box::new(up));
    barn.take(&hot("12 22:00")).await;
    barn.take(&opened(Kind::Stalled, Level::Act, "12 22:00")).await;
    barn.until("13 03:00").await;
    barn.take(&closed(Kind::Stalled, Level::Act, "12 22:00", "13 03:00")).await;
    barn.until("13 06:30").await;
    barn.summary().await;
    barn.until("13 07:00").await;
    let texts = Barn::arrived(&barn.phone);
    assert_eq!(texts.len(), 1, "{texts:#?}");
    assert!(texts[0].starts_with("13 06:30 odile: Heapward, what waited: 1 open, 1 over."), "{texts:#?}");
    let mails = Barn::sent(&barn.mail);
    assert_eq!(mails.len(), 1);
    let (when, mail) = &mails[0];
    assert_eq!((*when, mail.subject.as_str()), (at("13 06:30"), "summary 2026-05-13"));
    let held =
        "What was held overnight:\n\nNow:\n* Pile 2026-03: core-north 163 F, above 160 F since Tue 22:00.";
    assert!(mail.text.starts_with(held), "{}", mail.text);
    assert!(mail.text.contains("* 2026-03 core-north stalled Tue 22:00-03:00, over"), "{}", mail.text);
    barn.outbox.with(|state| {
        let of_mail = state.messages.values().filter(|message| message.channel == "mail");
        for message in of_mail {
            match &message.incident {
                None => assert!(matches!(message.delivery, Delivery::Sent { .. }), "{message:?}"),
                Some(_) => assert_eq!(message.delivery, Delivery::Superseded { by: mail.id.clone() }),
            }
        }
    });
}

#[tokio::test]
async fn without_a_summary_what_was_held_for_it_goes_out_by_itself() {
    let barn = Barn::with(early_quiet(), "12 22:00", Box::new(up), Box::new(up));
    barn.take(&hot("12 22:00")).await;
    barn.until("13 07:00").await;
    let mails = Barn::sent(&barn.mail);
    assert_eq!((mails.len(), mails[0].0), (1, at("13 06:35")));
    // A summary at noon is no reason to wait.
    let noon = chrono::NaiveTime::from_hms_opt(12, 0, 0).unwrap();
    let late = TellingConfig { summary_at: noon, ..early_quiet() };
    let barn = Barn::with(late, "12 22:00", Box::new(up), Box::new(up));
    barn.take(&hot("12 22:00")).await;
    barn.until("13 07:00").await;
    let sent = |channel: &ScriptedChannel| Barn::sent(channel).iter().map(|(at, _)| *at).collect::<Vec<_>>();
    assert_eq!(sent(&barn.phone), [at("13 06:00")]);
    assert_eq!(sent(&barn.mail), [at("13 06:00")]);
}

#[tokio::test]
async fn what_somebody_has_seen_meanwhile_is_not_told_any_more_unless_it_is_dangerous() {
    for (level, wanted) in [(Level::Act, 0), (Level::Danger, 1)] {
        let barn = Barn::at("12 14:00", down_until(at("12 14:20")), Box::new(up));
        barn.take(&opened(Kind::Overheating, level, "12 14:00")).await;
        barn.until("12 14:05").await;
        barn.outbox.with(|state| {
            for incident in state.incidents.values_mut() {
                *incident = barn.teller.seen(incident, at("12 14:05"));
            }
        });
        barn.until("12 14:50").await;
        let texts = Barn::arrived(&barn.phone).into_iter().filter(|text| text.contains("odile")).count();
        assert_eq!(texts, wanted, "{level:?}");
    }
}

#[tokio::test]
async fn after_an_outage_the_gravest_is_told_in_full_and_what_nobody_heard_of_is_no_all_clear() {
    let barn = Barn::at("12 14:00", down_until(at("12 15:30")), Box::new(up));
    barn.take(&opened(Kind::Stalled, Level::Act, "12 14:00")).await;
    barn.take(&opened(Kind::Overheating, Level::Urgent, "12 14:00")).await;
    barn.until("12 16:10").await;
    let texts = Barn::arrived(&barn.phone);
    assert!(
        texts[0].contains(" odile: Pile 2026-03: core-north, above 170 F since 14:00. Too hot"),
        "{texts:#?}"
    );
    assert!(texts[0].contains(" if dry. (+1 more) (sent "), "{texts:#?}");

    let barn = Barn::at("12 14:00", down_until(at("12 15:30")), Box::new(up));
    barn.take(&opened(Kind::Overheating, Level::Act, "12 14:00")).await;
    barn.until("12 15:00").await;
    barn.take(&closed(Kind::Overheating, Level::Act, "12 14:00", "12 15:00")).await;
    barn.until("12 16:10").await;
    let texts = Barn::arrived(&barn.phone);
    assert_eq!(texts.len(), 1, "{texts:#?}");
    assert!(
        texts[0].contains(
            "Heapward, what waited: 0 open, 1 over. 2026-03 core-north above 160 F 14:00-15:00, over"
        ),
        "{texts:#?}"
    );
}

/// Who gets no summary by mail reads of it in the text, however long ago it was.
#[tokio::test]
async fn a_text_that_is_old_and_over_is_left_to_the_summary_of_who_gets_one() {
    for (summary_by, wanted) in [(Some("mail"), 0), (None, 1)] {
        let mut telling = telling();
        telling.contacts[0].summary_by = summary_by.map(str::to_owned);
        let barn = Barn::with(telling, "12 07:00", down_until(at("12 20:10")), Box::new(up));
        barn.take(&opened(Kind::Stalled, Level::Act, "12 07:00")).await;
        barn.take(&opened(Kind::Overheating, Level::Act, "12 07:00")).await;
        barn.until("12 07:30").await;
        barn.take(&closed(Kind::Overheating, Level::Act, "12 07:00", "12 07:30")).await;
        barn.until("12 20:50").await;
        let texts = Barn::arrived(&barn.phone);
        assert_eq!(texts.len(), 1, "{texts:#?}");
        assert_eq!(texts[0].matches("above 160 F").count(), wanted, "{texts:#?}");
        assert!(texts[0].contains("stuck") || texts[0].contains("stalled"), "{texts:#?}");
    }
}

#[tokio::test]
async fn what_waited_for_the_start_of_heapward_says_when_it_was_sent() {
    let mut barn = Barn::at("12 14:00", Box::new(up), Box::new(up));
    barn.stop = None;
    settle().await;
    barn.take(&hot("12 14:00")).await;
    barn.until("12 15:00").await;
    barn.start();
    barn.until("12 15:05").await;
    let texts = Barn::arrived(&barn.phone);
    assert_eq!(texts.len(), 1, "{texts:#?}");
    assert!(texts[0].ends_with("(sent 15:00)"), "{texts:#?}");
}
