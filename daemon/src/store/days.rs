//! The day table: what each series did on each local day of the site.
//!
//! Key (series, day as days since 1970-01-01), value:
//!
//! | bytes | meaning |
//! | --- | --- |
//! | 1 | version, 1 |
//! | varint | readings without conflict; a day without any has no row |
//! | 1 | decimals of smallest and largest, or 255 if they are floats |
//! | 2 varints or 2 floats | smallest, and how much larger the largest is (zigzag whole numbers of 10^-decimals), or both |
//! | float | sum |

use chrono::{Duration, NaiveDate, NaiveDateTime, Offset, TimeZone};
use chrono_tz::Tz;
use heapward_rules::units::At;

use super::bits::{Malformed, Source, put_varint, zigzag};
use super::error::StoreError;
use super::types::Summary;
use crate::model::time;

const VERSION: u8 = 1;
const AS_FLOATS: u8 = 255;

/// A local day with its bounds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Day {
    pub(super) date: NaiveDate,
    pub(super) from: At,
    pub(super) to: At,
}

/// Local days one after the other.
#[derive(Debug)]
pub(super) struct Days {
    zone: Tz,
    next: Day,
}

// === impl Day ===

impl Day {
    pub(super) fn of(at: At, zone: Tz) -> Day {
        let (from, to) = time::local_day(at, zone);
        Day { date: time::local(from, zone).date_naive(), from, to }
    }

    /// Key of the day in the table.
    pub(super) fn number(self) -> i32 {
        let days = self.date.signed_duration_since(NaiveDate::default()).num_days();
        i32::try_from(days).unwrap_or(i32::MAX)
    }

    pub(super) fn numbered(number: i32, zone: Tz) -> Option<Day> {
        let date = NaiveDate::default().checked_add_signed(Duration::days(number.into()))?;
        // Noon is in the day, whatever its midnight does.
        let noon = time::from_local(date.and_hms_opt(12, 0, 0)?, zone)?;
        Some(Day::of(noon, zone))
    }
}

// === impl Days ===

impl Days {
    pub(super) fn starting(day: Day, zone: Tz) -> Days {
        Days { zone, next: day }
    }
}

impl Iterator for Days {
    type Item = Day;

    fn next(&mut self) -> Option<Day> {
        let day = self.next;
        let date = day.date.succ_opt()?;
        let to = midnight_after(date, day.from, day.to, self.zone)?;
        self.next = Day { date, from: day.to, to };
        Some(day)
    }
}

/// First instant of the day after `date`. Mostly the clock's offset is what it was a day before, and one look at the
/// zone is enough.
fn midnight_after(date: NaiveDate, before: At, start: At, zone: Tz) -> Option<At> {
    let midnight: NaiveDateTime = date.succ_opt()?.and_hms_opt(0, 0, 0)?;
    let of_start = date.and_hms_opt(0, 0, 0)?.and_utc().timestamp_millis();
    let offset_ms = of_start.checked_sub(start.0)?;
    let guess = midnight.and_utc().timestamp_millis().checked_sub(offset_ms)?;
    let at_guess = zone.offset_from_utc_datetime(&(midnight - Duration::milliseconds(offset_ms))).fix();
    if i64::from(at_guess.local_minus_utc()) * 1_000 == offset_ms {
        return Some(At(guess));
    }
    debug_assert!(before < start);
    Some(time::local_day(start, zone).1)
}

// === rows ===

pub(super) fn encode(summary: &Summary) -> Vec<u8> {
    let mut out = Vec::with_capacity(32);
    out.push(VERSION);
    put_varint(summary.count, &mut out);
    if let Some(((min_decimals, _), (max_decimals, _))) = decimal(summary.min).zip(decimal(summary.max)) {
        let decimals = min_decimals.max(max_decimals);
        let (min, max) = (whole(summary.min, decimals), whole(summary.max, decimals));
        out.push(decimals);
        put_varint(zigzag(min), &mut out);
        put_varint(zigzag(max - min), &mut out);
    } else {
        out.push(AS_FLOATS);
        out.extend(summary.min.to_le_bytes());
        out.extend(summary.max.to_le_bytes());
    }
    out.extend(summary.sum.to_le_bytes());
    out
}

pub(super) fn decode(bytes: &[u8]) -> Result<Summary, StoreError> {
    parse(bytes).map_err(|error| StoreError::encoding("a row of the day table", error))
}

fn parse(bytes: &[u8]) -> Result<Summary, Malformed> {
    let mut source = Source::new(bytes);
    if source.byte()? != VERSION {
        return Err(Malformed("its version is unknown"));
    }
    let count = source.varint()?;
    let decimals = source.byte()?;
    let (min, max) = if decimals == AS_FLOATS {
        (source.float()?, source.float()?)
    } else {
        let min = source.signed()?;
        let max = min.wrapping_add(source.signed()?);
        (fraction(min, decimals), fraction(max, decimals))
    };
    Ok(Summary { count, min, max, sum: source.float()? })
}

/// Decimals up to 4 (a sixteenth of a degree) with which a value is a whole number bit for bit.
fn decimal(value: f64) -> Option<(u8, i64)> {
    (0..=4).find_map(|decimals| {
        let n = whole(value, decimals);
        let exact = n.unsigned_abs() < 1 << 40 && fraction(n, decimals).to_bits() == value.to_bits();
        exact.then_some((decimals, n))
    })
}

#[expect(clippy::cast_possible_truncation, reason = "the way back is checked")]
fn whole(value: f64, decimals: u8) -> i64 {
    (value * 10_f64.powi(decimals.into())).round() as i64
}

#[expect(clippy::cast_precision_loss, reason = "below 2^40 times 10^4 in what was written here")]
fn fraction(n: i64, decimals: u8) -> f64 {
    n as f64 / 10_f64.powi(decimals.into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_come_back_bit_for_bit_and_are_short() {
        let cases = [
            (Summary { count: 1440, min: 55.0625, max: 71.9375, sum: 86_400.123 }, 18),
            (Summary { count: 1, min: -40.0, max: -40.0, sum: -40.0 }, 14),
            (Summary { count: 3, min: 0.1, max: 0.25, sum: 0.5 }, 15),
            (Summary { count: 9, min: 1.0 / 3.0, max: 1e300, sum: 1e300 }, 27),
        ];
        for (summary, length) in cases {
            let bytes = encode(&summary);
            assert_eq!(decode(&bytes).unwrap(), summary);
            assert!(bytes.len() <= length, "{summary:?}: {}", bytes.len());
            assert!((0..bytes.len()).all(|n| decode(&bytes[..n]).is_err()));
        }
    }

    /// The quick way from midnight to midnight finds what the calendar says, in zones that make it hard.
    #[test]
    fn days_follow_each_other_as_the_calendar_says() {
        let zones = [
            chrono_tz::America::New_York,
            chrono_tz::America::Santiago,
            chrono_tz::Africa::Casablanca,
            chrono_tz::Australia::Lord_Howe,
            chrono_tz::Asia::Kathmandu,
            chrono_tz::Atlantic::Azores,
        ];
        for zone in zones {
            let mut day = Day::of(At(1_700_000_000_000), zone);
            for quick in Days::starting(day, zone).take(1_200) {
                assert_eq!(quick, day, "{zone}");
                assert_eq!(Day::of(At(day.to.0 - 1), zone), day);
                day = Day::of(day.to, zone);
            }
        }
    }
}
