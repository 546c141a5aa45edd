//! Calendar dates of rules: harvest after raw manure, and how long records are kept. Plain arithmetic of the Gregorian
//! calendar, without time zones.

use std::fmt;

/// A date of the calendar.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Date {
    year: i32,
    month: u8,
    day: u8,
}

/// Days from incorporating raw manure to harvest, 7 CFR 205.203(c)(1)(ii) and (iii).
const DAYS_SOIL_CONTACT: i64 = 120;
const DAYS_NO_CONTACT: i64 = 90;

// === impl Date ===

impl Date {
    /// `None` for a date that the calendar does not have.
    pub fn new(year: i32, month: u8, day: u8) -> Option<Date> {
        let good = (1..=12).contains(&month)
            && (1..=days_in(year, month)).contains(&day)
            && (-9999..=9999).contains(&year);
        good.then_some(Date { year, month, day })
    }

    /// From `2026-05-01`.
    pub fn parse(text: &str) -> Option<Date> {
        let mut parts = text.split('-');
        let (year, month, day) = (parts.next()?, parts.next()?, parts.next()?);
        let digits = |part: &str, length| part.len() == length && part.bytes().all(|b| b.is_ascii_digit());
        if parts.next().is_some() || !digits(year, 4) || !digits(month, 2) || !digits(day, 2) {
            return None;
        }
        Date::new(year.parse().ok()?, month.parse().ok()?, day.parse().ok()?)
    }

    pub fn year(self) -> i32 {
        self.year
    }

    pub fn month(self) -> u8 {
        self.month
    }

    pub fn day(self) -> u8 {
        self.day
    }

    /// Days since 1970-01-01.
    pub fn number(self) -> i64 {
        // Years begin in March, so that the leap day is the last of its year.
        let year = i64::from(self.year) - i64::from(self.month <= 2);
        let month = (i64::from(self.month) + 9) % 12;
        let leaps = year.div_euclid(4) - year.div_euclid(100) + year.div_euclid(400);
        365 * year + leaps + (153 * month + 2) / 5 + i64::from(self.day) - 1 - 719_468
    }

    /// The date so many days after 1970-01-01; `None` beyond the years -9999 to 9999.
    pub fn from_number(number: i64) -> Option<Date> {
        let days = number + 719_468;
        let era = days.div_euclid(146_097);
        let of_era = days.rem_euclid(146_097);
        let year_of_era = (of_era - of_era / 1_460 + of_era / 36_524 - of_era / 146_096) / 365;
        let of_year = of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
        let shifted = (5 * of_year + 2) / 153;
        let day = u8::try_from(of_year - (153 * shifted + 2) / 5 + 1).ok()?;
        let month = u8::try_from(if shifted < 10 { shifted + 3 } else { shifted - 9 }).ok()?;
        let year = i32::try_from(400 * era + year_of_era + i64::from(month <= 2)).ok()?;
        Date::new(year, month, day)
    }

    pub fn plus_days(self, days: i64) -> Option<Date> {
        Date::from_number(self.number().checked_add(days)?)
    }

    /// The same date some years later; 29 February becomes 1 March, never a day less.
    pub fn plus_years(self, years: i32) -> Option<Date> {
        let year = self.year.checked_add(years)?;
        Date::new(year, self.month, self.day).or_else(|| Date::new(year, 3, 1))
    }
}

impl fmt::Display for Date {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04}-{:02}-{:02}", self.year, self.month, self.day)
    }
}

/// Days between incorporating raw manure and harvest: 120 if the edible part touches soil or soil particles, else 90.
pub fn days_before_harvest(soil_contact: bool) -> i64 {
    if soil_contact { DAYS_SOIL_CONTACT } else { DAYS_NO_CONTACT }
}

/// First date of harvest after raw manure was incorporated (not delivered): not less than 120 or 90 days. The day of
/// incorporation does not count.
pub fn earliest_harvest(incorporated: Date, soil_contact: bool) -> Option<Date> {
    incorporated.plus_days(days_before_harvest(soil_contact))
}

/// Last date to incorporate raw manure for a harvest.
pub fn latest_incorporation(harvest: Date, soil_contact: bool) -> Option<Date> {
    harvest.plus_days(-days_before_harvest(soil_contact))
}

/// Until when an organic grower keeps a record at least: 5 years beyond its making, 7 CFR 205.103(b)(3).
pub fn keep_organic_until(made: Date) -> Option<Date> {
    made.plus_years(5)
}

/// Until when a farm under the produce rule keeps a record at least: 2 years past its making, 21 CFR 112.164(a)(1) (from
/// memory).
pub fn keep_produce_until(made: Date) -> Option<Date> {
    made.plus_years(2)
}

fn days_in(year: i32, month: u8) -> u8 {
    match month {
        2 if year % 4 == 0 && (year % 100 != 0 || year % 400 == 0) => 29,
        2 => 28,
        4 | 6 | 9 | 11 => 30,
        _ => 31,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn leap_years_and_what_is_no_date() {
        assert!(Date::parse("2028-02-29").is_some() && Date::parse("2000-02-29").is_some());
        for text in [
            "2026-02-29",
            "1900-02-29",
            "2026-13-01",
            "2026-00-10",
            "2026-4-01",
            "2026-04-31",
            "2026-04-01-",
            "x",
        ] {
            assert_eq!(Date::parse(text), None, "{text}");
        }
        assert_eq!(Date::parse("1970-01-01").map(Date::number), Some(0));
        assert_eq!(
            Date::parse("2028-02-28").and_then(|d| d.plus_days(2)).map(|d| d.to_string()),
            Some("2028-03-01".into())
        );
        assert_eq!(
            Date::parse("2028-02-29").and_then(|d| d.plus_years(5)).map(|d| d.to_string()),
            Some("2033-03-01".into())
        );
    }

    proptest! {
        #[test]
        fn number_and_date_are_two_names_of_a_day(number in -1_000_000_i64..2_000_000) {
            let date = Date::from_number(number).expect("within the calendar");
            prop_assert_eq!(date.number(), number);
            prop_assert_eq!(Date::parse(&date.to_string()).filter(|_| date.year() >= 0), Some(date).filter(|d| d.year() >= 0));
            prop_assert!(date < Date::from_number(number + 1).expect("within the calendar"));
        }

        #[test]
        fn harvest_and_incorporation_are_inverse(number in 0_i64..60_000, contact: bool) {
            let date = Date::from_number(number).expect("a date");
            let harvest = earliest_harvest(date, contact).expect("a date");
            prop_assert_eq!(latest_incorporation(harvest, contact), Some(date));
        }
    }
}
