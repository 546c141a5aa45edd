//! Three days without a link.

use super::*;

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
    assert!(texts[0].1.text.starts_with("Heapward, what waited: 7 open, 3 over. "), "{}", texts[0].1.text);
    // Nothing waits, nothing is lost: everything was sent or stands in something that was.
    barn.outbox.with(|state| {
        for message in state.messages.values() {
            let mut last = message;
            while let Delivery::Superseded { by } = &last.delivery {
                // A text of what was over long ago: the mail and the page have it.
                if by == "summary" {
                    let over = state.incidents[message.incident.as_ref().unwrap()].closed_ms.unwrap();
                    assert!(message.channel == "phone" && back - At(over) > Span::hours(8), "{message:?}");
                    break;
                }
                last = &state.messages[by];
            }
            if matches!(last.delivery, Delivery::Superseded { .. }) {
                continue;
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
