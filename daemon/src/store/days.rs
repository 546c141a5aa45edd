//! The day table: what each series did on each local day of the site.
//!
//! Key (series, stretch of 128 days since 1970-01-01), value: a version byte, 1, and for each day that has readings
//! without conflict, in order:
//!
//! | bytes | meaning |
//! | --- | --- |
//! | varint | days left out since the one before, or since the beginning of the stretch |
//! | varint | readings without conflict |
//! | 1 | decimals of smallest and largest, 16 more if the sum is a whole number of them too; 255: all are floats |
//! | 2 varints | smallest, and how much larger the largest is: zigzag whole numbers of 10^-decimals |
//! | varint or float | sum, less the smallest times the readings: zigzag, likewise; or the sum as a float |
//!
//! A row for each day would cost twice as much: the pages of a table that grows in its middle are half empty, and each
//! row has its key.

use chrono::{Duration, NaiveDate, NaiveDateTime, Offset, TimeZone};
use chrono_tz::Tz;
use heapward_rules::units::At;

use super::bits::{Malformed, Source, put_varint, zigzag};
use super::error::StoreError;
use super::types::Summary;
use crate::model::time;

const VERSION: u8 = 1;
const AS_FLOATS: u8 = 255;
const SUM_IS_WHOLE: u8 = 16;
const DECIMALS_MAX: u8 = 4;
/// Days of one row: two such rows of a probe that reports each minute fill a page.
const DAYS_PER_ROW: i32 = 128;

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

    /// Days since 1970-01-01.
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

/// The row in which a day stands.
pub(super) fn row_of(day: i32) -> i32 {
    day.div_euclid(DAYS_PER_ROW)
}

/// Encodes the days of one row, in order.
pub(super) fn encode(row: i32, days: &[(i32, Summary)]) -> Vec<u8> {
    let mut out = Vec::with_capacity(1 + days.len() * 16);
    out.push(VERSION);
    let mut next = row.saturating_mul(DAYS_PER_ROW);
    for (day, summary) in days {
        put_varint(u64::from(day.abs_diff(next)), &mut out);
        put_summary(summary, &mut out);
        next = day.saturating_add(1);
    }
    out
}

fn put_summary(summary: &Summary, out: &mut Vec<u8>) {
    put_varint(summary.count, out);
    let Some(((min_decimals, _), (max_decimals, _))) = decimal(summary.min).zip(decimal(summary.max)) else {
        out.push(AS_FLOATS);
        for x in [summary.min, summary.max, summary.sum] {
            out.extend(x.to_le_bytes());
        }
        return;
    };
    let decimals = min_decimals.max(max_decimals);
    let (min, max, sum) =
        (whole(summary.min, decimals), whole(summary.max, decimals), whole(summary.sum, decimals));
    let above_min =
        i64::try_from(summary.count).ok().and_then(|count| sum.checked_sub(count.checked_mul(min)?));
    let is_exact = sum.unsigned_abs() < 1 << 52 && fraction(sum, decimals).to_bits() == summary.sum.to_bits();
    let above_min = above_min.filter(|_| is_exact);
    out.push(decimals | if above_min.is_some() { SUM_IS_WHOLE } else { 0 });
    put_varint(zigzag(min), out);
    put_varint(zigzag(max - min), out);
    match above_min {
        Some(above_min) => put_varint(zigzag(above_min), out),
        None => out.extend(summary.sum.to_le_bytes()),
    }
}

/// The days of a row, in order.
pub(super) fn decode(row: i32, bytes: &[u8]) -> Result<Vec<(i32, Summary)>, StoreError> {
    parse(row, bytes).map_err(|error| StoreError::encoding("a row of the day table", error))
}

fn parse(row: i32, bytes: &[u8]) -> Result<Vec<(i32, Summary)>, Malformed> {
    let mut source = Source::new(bytes);
    if source.byte()? != VERSION {
        return Err(Malformed("its version is unknown"));
    }
    let mut days = Vec::new();
    let (mut next, end) =
        (i64::from(row) * i64::from(DAYS_PER_ROW), (i64::from(row) + 1) * i64::from(DAYS_PER_ROW));
    while !source.rest().is_empty() {
        let skipped = source.varint()?;
        let day = next.saturating_add_unsigned(skipped);
        let number = i32::try_from(day).ok().filter(|_| day < end);
        days.push((number.ok_or(Malformed("a day lies behind its row"))?, summary(&mut source)?));
        next = day + 1;
    }
    Ok(days)
}

fn summary(source: &mut Source) -> Result<Summary, Malformed> {
    let count = source.varint()?;
    let flags = source.byte()?;
    if flags == AS_FLOATS {
        return Ok(Summary { count, min: source.float()?, max: source.float()?, sum: source.float()? });
    }
    let (decimals, whole_sum) = (flags & !SUM_IS_WHOLE, flags & SUM_IS_WHOLE != 0);
    if decimals > DECIMALS_MAX {
        return Err(Malformed("it has too many decimals"));
    }
    let min = source.signed()?;
    let max = min.wrapping_add(source.signed()?);
    let sum = if whole_sum {
        let above_min = source.signed()?;
        fraction(count.cast_signed().wrapping_mul(min).wrapping_add(above_min), decimals)
    } else {
        source.float()?
    };
    Ok(Summary { count, min: fraction(min, decimals), max: fraction(max, decimals), sum })
}

/// Decimals up to 4 (a sixteenth of a degree) with which a value is a whole number bit for bit.
fn decimal(value: f64) -> Option<(u8, i64)> {
    (0..=DECIMALS_MAX).find_map(|decimals| {
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
        let of = |count, min, max, sum| Summary { count, min, max, sum };
        let cases = [
            (vec![(20_574, of(1440, 55.0625, 71.9375, 86_400.062_5))], 15),
            (vec![(20_574, of(1440, 55.0625, 71.9375, 86_400.123))], 20),
            (vec![(20_574, of(1440, 38.1, 58.4, 70_013.8)), (20_575, of(1439, 38.0, 58.4, 70_013.7))], 28),
            (vec![(20_480, of(1, -40.0, -40.0, -40.0)), (20_607, of(3, 0.1, 0.25, 0.5))], 20),
            (vec![(20_480, of(9, 1.0 / 3.0, 1e300, 1e300))], 28),
            (vec![(-3, of(1, 1.0, 1.0, 1.0))], 8),
            (vec![], 1),
        ];
        for (days, length) in cases {
            let row = days.first().map_or(0, |(day, _)| row_of(*day));
            let bytes = encode(row, &days);
            assert_eq!(decode(row, &bytes).unwrap(), days);
            assert!(bytes.len() <= length, "{days:?}: {}", bytes.len());
            let whole = |n: usize| decode(row, &bytes[..n]).is_ok_and(|cut| cut == days);
            assert!((0..bytes.len()).all(|n| !whole(n)));
        }
        let far = encode(0, &[(128, Summary { count: 1, min: 1.0, max: 1.0, sum: 1.0 })]);
        assert!(decode(0, &far).is_err());
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
