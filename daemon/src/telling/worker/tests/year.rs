//! A year of summaries.

use super::*;

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
