//! Another way and another person, when the first doesn't work: minute by minute on the clock of the test.

use super::*;

/// Odile by telephone alone; Bram, the second person, by mail.
fn one_way_each() -> TellingConfig {
    let mut telling = telling();
    telling.contacts[0].addresses.retain(|(channel, _)| channel == "phone");
    telling.contacts[1].addresses = vec![("mail".to_owned(), "bram@quillback.example".to_owned())];
    telling
}

/// When a message first went out by a channel, in minutes after the first try of all.
fn first(channel: &ScriptedChannel, to: &str, begins: &str) -> Option<i64> {
    let sent = Barn::sent(channel);
    sent.iter().find(|(_, letter)| letter.to == to).map(|(when, _)| (*when - at(begins)).0 / 60_000)
}

/// Both ways to a person are used at once: the one that works does not wait for the one that is down.
#[tokio::test]
async fn a_persons_other_channel_has_it_at_once_whichever_is_down() {
    for level in [Level::Act, Level::Urgent, Level::Danger] {
        let barn = Barn::at("12 14:20", down_until(At::MAX), Box::new(up));
        barn.take(&opened(Kind::Overheating, level, "12 14:20")).await;
        barn.until("12 14:31").await;
        assert_eq!(first(&barn.mail, "odile", "12 14:20"), Some(0), "{level:?}");
        let barn = Barn::at("12 14:20", Box::new(up), down_until(At::MAX));
        barn.take(&opened(Kind::Overheating, level, "12 14:20")).await;
        barn.until("12 14:31").await;
        assert_eq!(first(&barn.phone, "odile", "12 14:20"), Some(0), "{level:?}");
    }
}

#[tokio::test]
async fn what_is_grave_and_reaches_nobody_for_ten_minutes_goes_to_the_second_person_by_another_way() {
    let down: [fn() -> Script; 3] = [
        || down_until(At::MAX),
        // A number that doesn't exist is no reason to wait either.
        || Box::new(|_, _| Err(Failure::Never("no such number".to_owned()))),
        // It comes back after a while: Odile is told then as well.
        || down_until(at("12 23:00")),
    ];
    for (number, script) in down.into_iter().enumerate() {
        // In the quiet hours, too.
        let barn = Barn::with(one_way_each(), "12 22:20", script(), Box::new(up));
        barn.take(&opened(Kind::Overheating, Level::Urgent, "12 22:20")).await;
        barn.until("12 22:29").await;
        assert_eq!(first(&barn.mail, "bram", "12 22:20"), None);
        barn.until("12 23:59").await;
        assert_eq!(first(&barn.mail, "bram", "12 22:20"), Some(10), "{number}");
        let mails = Barn::sent(&barn.mail);
        assert_eq!(mails.len(), 1, "{number}");
        assert!(
            mails[0].1.text.starts_with("Nobody answered. Pile 2026-03: core-north"),
            "{}",
            mails[0].1.text
        );
        let odile = first(&barn.phone, "odile", "12 22:20");
        assert_eq!(odile.is_some(), number == 2, "{odile:?}");
    }
}

#[tokio::test]
async fn what_is_not_grave_waits_for_the_first_person_and_danger_waits_for_nobody() {
    let barn = Barn::with(one_way_each(), "12 14:20", down_until(At::MAX), Box::new(up));
    barn.take(&opened(Kind::Overheating, Level::Act, "12 14:20")).await;
    barn.until("12 20:59").await;
    assert_eq!(first(&barn.mail, "bram", "12 14:20"), None);

    let barn = Barn::with(one_way_each(), "12 02:20", down_until(At::MAX), Box::new(up));
    barn.take(&opened(Kind::Overheating, Level::Danger, "12 02:20")).await;
    assert_eq!(first(&barn.mail, "bram", "12 02:20"), Some(0));
}

/// With a link, the second person is asked when the first has seen it after two reminders no more than at the
/// beginning; once it is seen, nobody is.
#[tokio::test]
async fn two_reminders_unseen_and_the_second_person_is_asked() {
    let barn = Barn::with(one_way_each(), "12 08:00", Box::new(up), Box::new(up));
    barn.take(&opened(Kind::Overheating, Level::Urgent, "12 08:00")).await;
    barn.until("12 20:00").await;
    assert_eq!(first(&barn.mail, "bram", "12 08:00"), Some(360));
    let texts = Barn::arrived(&barn.phone);
    assert_eq!(texts.len(), 3, "{texts:#?}");

    let barn = Barn::with(one_way_each(), "12 08:00", Box::new(up), Box::new(up));
    barn.take(&opened(Kind::Overheating, Level::Urgent, "12 08:00")).await;
    barn.until("12 11:00").await;
    let now = barn.now();
    barn.outbox.with(|state| {
        for incident in state.incidents.values_mut() {
            *incident = barn.teller.seen(incident, now);
        }
    });
    barn.until("12 20:00").await;
    assert_eq!(first(&barn.mail, "bram", "12 08:00"), None);
}

/// What the pages say of the messages out.
#[tokio::test]
async fn what_went_out_and_what_was_given_up_is_counted() {
    let refused: Script = Box::new(|_, letter| match letter.to.as_str() {
        "bram" => Err(Failure::Never("no such number".to_owned())),
        _ => Ok(()),
    });
    let barn = Barn::at("12 14:20", refused, Box::new(up));
    barn.take(&opened(Kind::Overheating, Level::Danger, "12 14:20")).await;
    // Odile by telephone and by mail.
    assert_eq!(barn.board.counts(), (2, 1));
}

/// A card that fills up is no reason to wake the second person.
#[tokio::test]
async fn what_wakes_nobody_wakes_the_second_person_neither() {
    let barn = Barn::at("12 20:55", down_until(At::MAX), down_until(At::MAX));
    let full =
        Matter::of_farm(Trouble::DiskLow, Level::Urgent, Change::Opened, at("12 20:55"), at("12 20:55"));
    barn.take(&full).await;
    let asked = || barn.outbox.with(|state| state.messages.values().any(|message| message.contact == "bram"));
    barn.until("13 06:20").await;
    assert!(!asked());
    barn.until("13 06:40").await;
    assert!(asked());
}
