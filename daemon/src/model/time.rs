//! Instants as text: RFC 3339 in UTC with milliseconds, and local time of the site.

use chrono::{DateTime, Offset, SecondsFormat, TimeZone, Utc};
use chrono_tz::Tz;
use heapward_rules::units::At;

/// `2026-05-01T15:00:00.000Z`. An instant beyond what a calendar can show is printed as its number.
pub fn rfc3339(at: At) -> String {
    utc(at).map_or_else(|| at.0.to_string(), |t| t.to_rfc3339_opts(SecondsFormat::Millis, true))
}

/// Reads RFC 3339 with an offset; fractions below 1 ms are cut off. `None` for anything else, a second of 60 included.
pub fn parse_rfc3339(text: &str) -> Option<At> {
    // chrono takes a leap second, a space for the `T` and a typographic minus sign before the offset; none of them is
    // an instant that a reading may have. Small letters are RFC 3339 too.
    let time = text.get(11..19).filter(|_| text.is_ascii())?;
    if !matches!(text.as_bytes().get(10), Some(b'T' | b't')) || time.ends_with("60") || time.starts_with("24")
    {
        return None;
    }
    DateTime::parse_from_rfc3339(text).ok().map(|t| At(t.timestamp_millis()))
}

/// The instant as a calendar time in UTC.
pub fn utc(at: At) -> Option<DateTime<Utc>> {
    DateTime::<Utc>::from_timestamp_millis(at.0)
}

/// The instant on the site's wall clock; UTC for an instant beyond the calendar.
pub fn local(at: At, zone: Tz) -> DateTime<Tz> {
    utc(at).unwrap_or_default().with_timezone(&zone)
}

/// Local wall time to an instant. Of an hour that happens twice the first; of one that does not happen the first
/// minute after it (`America/Santiago` has days without midnight).
pub fn from_local(naive: chrono::NaiveDateTime, zone: Tz) -> Option<At> {
    (0..=180).find_map(|minutes| {
        let later = naive.checked_add_signed(chrono::TimeDelta::minutes(minutes))?;
        zone.from_local_datetime(&later).earliest().map(|t| At(t.timestamp_millis()))
    })
}

/// First instant of the local day in which `at` lies, and of the next one: 23, 24 or 25 hours apart.
pub fn local_day(at: At, zone: Tz) -> (At, At) {
    let date = local(at, zone).date_naive();
    let start = |date: chrono::NaiveDate| date.and_hms_opt(0, 0, 0).and_then(|t| from_local(t, zone));
    let from = start(date).unwrap_or(at);
    let next = date.succ_opt().and_then(start).unwrap_or(At::MAX);
    (from, next)
}

/// Offset of the site's clock from UTC at an instant, in seconds.
pub fn offset_seconds(at: At, zone: Tz) -> i32 {
    local(at, zone).offset().fix().local_minus_utc()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_instant_is_rfc_3339_with_an_offset_cut_off_at_the_millisecond() {
        let noon = At(1_777_651_200_000 - 3 * 3_600_000);
        for text in [
            "2026-05-01T13:00:00Z",
            "2026-05-01t13:00:00z",
            "2026-05-01T09:00:00-04:00",
            "2026-05-01T13:00:00.000999999Z",
            "2026-05-01T13:00:00.0009999999999999Z",
            "2026-05-02T12:59:00+23:59",
        ] {
            assert_eq!(parse_rfc3339(text), Some(noon), "{text}");
        }
        for text in [
            "",
            "2026-05-01",
            "2026-05-01T13:00:00",
            "2026-05-01 13:00:00Z",
            "2026-05-01T13:00Z",
            "2026-05-01T13:00:60Z",
            "2026-05-01T24:00:00Z",
            "2026-02-30T13:00:00Z",
            "2026-05-01T13:00:00.Z",
            "2026-05-01T13:00:00-0400",
            "2026-05-01T13:00:00-04",
            "2026-05-01T13:00:00+24:00",
            "2026-05-01T09:00:00\u{2212}04:00",
            " 2026-05-01T13:00:00Z",
            "2026-05-01T13:00:00Z ",
            "26-05-01T13:00:00Z",
            "2026-5-1T13:00:00Z",
        ] {
            assert_eq!(parse_rfc3339(text), None, "{text}");
        }
    }
}
