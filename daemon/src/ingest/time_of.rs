//! A message's own time, as the message says it. Whether it is believed is decided in [`super::date`].

use chrono::offset::LocalResult;
use chrono::{NaiveDateTime, TimeZone};
use chrono_tz::Tz;
use heapward_rules::units::At;

use super::json::Json;
use super::reason::Reason;
use crate::config::TimeFormat;
use crate::model::time::parse_rfc3339;

/// What a message says about its instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OwnTime {
    /// The mapping names no time.
    None,
    At(At),
    /// A local time that happens twice, when clocks go back.
    Twice {
        first: At,
        second: At,
    },
    /// A time is named, but can't be read.
    Flawed(Reason),
}

const NAIVE_FORMATS: [&str; 2] = ["%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%d %H:%M:%S%.f"];

pub fn of_json(json: &Json<'_>, format: TimeFormat, zone: Tz) -> OwnTime {
    match (json, format) {
        (Json::Text(text), _) => of_text(text, format, zone),
        (Json::Null, _) => OwnTime::Flawed(Reason::TimeMissing),
        (Json::Whole(number), TimeFormat::EpochSeconds) => whole(number.checked_mul(1_000)),
        (Json::Whole(number), TimeFormat::EpochMillis) => whole(Some(*number)),
        (Json::Float(number), TimeFormat::EpochSeconds) => fraction(*number * 1_000.0),
        (Json::Float(number), TimeFormat::EpochMillis) => fraction(*number),
        _ => OwnTime::Flawed(Reason::TimeUnreadable),
    }
}

pub fn of_text(text: &str, format: TimeFormat, zone: Tz) -> OwnTime {
    let text = text.trim();
    let unreadable = OwnTime::Flawed(Reason::TimeUnreadable);
    match format {
        TimeFormat::Rfc3339 => {
            // RFC 3339, 5.6: applications may put a space for the T.
            let joined = text.replacen(' ', "T", 1);
            parse_rfc3339(&joined).map_or(unreadable, OwnTime::At)
        }
        TimeFormat::EpochSeconds => seconds(text).map_or(unreadable, OwnTime::At),
        TimeFormat::EpochMillis => text.parse().map_or(unreadable, |millis| OwnTime::At(At(millis))),
        TimeFormat::Naive => naive(text, zone),
    }
}

fn whole(millis: Option<i128>) -> OwnTime {
    let millis = millis.and_then(|millis| i64::try_from(millis).ok());
    millis.map_or(OwnTime::Flawed(Reason::TimeUnreadable), |millis| OwnTime::At(At(millis)))
}

/// Fractions below 1 ms are cut off. 1777713300.123 is a little less than that in binary, hence the millionth.
fn fraction(millis: f64) -> OwnTime {
    #[expect(clippy::cast_possible_truncation, reason = "the bound is checked, and cutting is wanted")]
    if millis.abs() < 9e15 {
        OwnTime::At(At((millis + 1e-3).floor() as i64))
    } else {
        OwnTime::Flawed(Reason::TimeUnreadable)
    }
}

/// `1777713300` or `1777713300.25`, cut to milliseconds.
fn seconds(text: &str) -> Option<At> {
    let (whole, fraction) = text.split_once('.').unwrap_or((text, "0"));
    if fraction.is_empty() || !fraction.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let millis: i64 = format!("{fraction:0<3}").get(..3)?.parse().ok()?;
    whole.parse::<u32>().ok().map(|whole| At(i64::from(whole) * 1_000 + millis))
}

fn naive(text: &str, zone: Tz) -> OwnTime {
    let parsed = NAIVE_FORMATS.iter().find_map(|format| NaiveDateTime::parse_from_str(text, format).ok());
    // chrono takes a second of 60; no reading has one.
    let Some(local) = parsed.filter(|_| text.get(17..19) != Some("60")) else {
        return OwnTime::Flawed(Reason::TimeUnreadable);
    };
    match zone.from_local_datetime(&local) {
        LocalResult::Single(time) => OwnTime::At(At(time.timestamp_millis())),
        LocalResult::Ambiguous(a, b) => {
            let (a, b) = (At(a.timestamp_millis()), At(b.timestamp_millis()));
            OwnTime::Twice { first: a.min(b), second: a.max(b) }
        }
        LocalResult::None => OwnTime::Flawed(Reason::TimeNeverWas),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::time::rfc3339;

    const NEW_YORK: Tz = chrono_tz::America::New_York;

    fn said(time: OwnTime) -> String {
        match time {
            OwnTime::None => "none".to_owned(),
            OwnTime::At(at) => rfc3339(at),
            OwnTime::Twice { first, second } => format!("{} or {}", rfc3339(first), rfc3339(second)),
            OwnTime::Flawed(reason) => reason.word().to_owned(),
        }
    }

    #[test]
    fn texts_in_every_format() {
        use TimeFormat::{EpochMillis, EpochSeconds, Naive, Rfc3339};
        let table = [
            (Rfc3339, "2026-05-02T06:12:44-04:00", "2026-05-02T10:12:44.000Z"),
            (Rfc3339, "2026-05-02 10:12:44.1239Z", "2026-05-02T10:12:44.123Z"),
            (Rfc3339, "2026-05-02T10:12:44", "time-unreadable"),
            (Rfc3339, "2026-05-02T10:12:60Z", "time-unreadable"),
            (EpochSeconds, "1777716900", "2026-05-02T10:15:00.000Z"),
            (EpochSeconds, "1777716900.2509", "2026-05-02T10:15:00.250Z"),
            (EpochSeconds, "1777716900.", "time-unreadable"),
            (EpochSeconds, "-5", "time-unreadable"),
            (EpochMillis, "1777716900250", "2026-05-02T10:15:00.250Z"),
            (Naive, "2026-05-02T06:15:00", "2026-05-02T10:15:00.000Z"),
            (Naive, "2026-05-02 06:15:00.5", "2026-05-02T10:15:00.500Z"),
            (Naive, "2026-05-02T06:15:00Z", "time-unreadable"),
            (Naive, "2026-05-02T06:15:60", "time-unreadable"),
            (Naive, "2026-03-08T02:30:00", "time-never-was"),
            (Naive, "2026-11-01T01:30:00", "2026-11-01T05:30:00.000Z or 2026-11-01T06:30:00.000Z"),
            (Naive, "", "time-unreadable"),
        ];
        for (format, text, expected) in table {
            assert_eq!(said(of_text(text, format, NEW_YORK)), expected, "{text}");
        }
    }

    #[test]
    fn numbers_in_json() {
        let at = |json, format| said(of_json(&json, format, NEW_YORK));
        assert_eq!(at(Json::Whole(1_777_716_900), TimeFormat::EpochSeconds), "2026-05-02T10:15:00.000Z");
        assert_eq!(at(Json::Float(1_777_716_900.123), TimeFormat::EpochSeconds), "2026-05-02T10:15:00.123Z");
        assert_eq!(at(Json::Whole(1_777_716_900_123), TimeFormat::EpochMillis), "2026-05-02T10:15:00.123Z");
        assert_eq!(at(Json::Whole(i128::MAX), TimeFormat::EpochSeconds), "time-unreadable");
        assert_eq!(at(Json::Float(1e300), TimeFormat::EpochSeconds), "time-unreadable");
        assert_eq!(at(Json::Whole(5), TimeFormat::Rfc3339), "time-unreadable");
        assert_eq!(at(Json::Null, TimeFormat::EpochSeconds), "time-missing");
    }
}
