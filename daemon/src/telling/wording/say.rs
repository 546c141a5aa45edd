//! Figures in words, as they stand in a text: rounded for the eye, never so that a figure seems to lie on the other
//! side of a limit.

use chrono::{Datelike, Timelike};
use chrono_tz::Tz;
use heapward_rules::units::{At, Celsius, Span};

use crate::config::DisplayUnit;
use crate::model::time::local;

/// Limits (in °F) next to which a temperature is shown with a decimal.
const LIMITS_F: [f64; 7] = [131.0, 136.0, 155.0, 160.0, 170.0, 180.0, 185.0];

/// Litres in a US gallon, by definition.
const LITRES_PER_GALLON: f64 = 3.785_411_784;

/// `163 F`, `131.4 F` next to a limit, `72.8 C`. No degree sign: it isn't in the basic set.
pub(super) fn temperature(c: Celsius, shows: DisplayUnit) -> String {
    match shows {
        DisplayUnit::Celsius => format!("{:.1} C", c.0),
        DisplayUnit::Fahrenheit => {
            let f = c.to_f();
            let is_close = LIMITS_F.iter().any(|limit| (f - limit).abs() < 1.0);
            if is_close { format!("{f:.1} F") } else { format!("{f:.0} F") }
        }
    }
}

/// A limit that is a whole number of degrees Fahrenheit: `160 F` or `71 C`.
pub(super) fn limit(f: f64, shows: DisplayUnit) -> String {
    match shows {
        DisplayUnit::Fahrenheit => format!("{f:.0} F"),
        DisplayUnit::Celsius => format!("{:.0} C", Celsius::from_f(f).0),
    }
}

/// `falling 1.2 F/h`, `rising 0.6 C/h`.
pub(super) fn slope(c_per_h: f64, shows: DisplayUnit) -> String {
    let way = if c_per_h < 0.0 { "falling" } else { "rising" };
    match shows {
        DisplayUnit::Fahrenheit => format!("{way} {:.1} F/h", (c_per_h * 1.8).abs()),
        DisplayUnit::Celsius => format!("{way} {:.1} C/h", c_per_h.abs()),
    }
}

/// Water to the nearest 5 gallons or 10 litres, at least that much.
pub(super) fn water(litres: f64, shows: DisplayUnit) -> String {
    match shows {
        DisplayUnit::Fahrenheit => {
            format!("{:.0} gal", (litres / LITRES_PER_GALLON / 5.0).round().max(1.0) * 5.0)
        }
        DisplayUnit::Celsius => format!("{:.0} L", (litres / 10.0).round().max(1.0) * 10.0),
    }
}

/// A depth given in inches: `6-12 in` or `15-30 cm`.
pub(super) fn depth(from_in: f64, to_in: f64, shows: DisplayUnit) -> String {
    match shows {
        DisplayUnit::Fahrenheit => format!("{from_in:.0}-{to_in:.0} in"),
        DisplayUnit::Celsius => format!("{:.0}-{:.0} cm", from_in * 2.5, to_in * 2.5),
    }
}

/// A forecast is no appointment: to the nearest quarter of an hour.
pub(super) fn about(at: At) -> At {
    let quarter = Span::minutes(15).0;
    At(at.0.saturating_add(quarter / 2).div_euclid(quarter).saturating_mul(quarter))
}

/// A day of the calendar: `Jul 20`.
pub(super) fn day(at: At, zone: Tz) -> String {
    local(at, zone).format("%b %-d").to_string()
}

/// When it was, seen from `now`: `14:20`, `Tue 14:20`, `May 3`.
pub(super) fn when(at: At, now: At, zone: Tz) -> String {
    let (then, today) = (local(at, zone), local(now, zone));
    let days = (today.date_naive() - then.date_naive()).num_days();
    match days {
        0 => format!("{:02}:{:02}", then.hour(), then.minute()),
        -6..=6 => format!("{} {:02}:{:02}", then.format("%a"), then.hour(), then.minute()),
        _ => format!("{} {}", then.format("%b"), then.day()),
    }
}

/// `02:10-03:40` on one day of this week, else both ends with their days.
pub(super) fn stretch(from: At, to: At, now: At, zone: Tz) -> String {
    let same_day = local(from, zone).date_naive() == local(to, zone).date_naive();
    let end = if same_day { when(to, to, zone) } else { when(to, now, zone) };
    format!("{}-{end}", when(from, now, zone))
}

/// `Tuesday 12 May 2026, 14:20`.
pub(super) fn full_time(at: At, zone: Tz) -> String {
    local(at, zone).format("%A %-d %B %Y, %H:%M %Z").to_string()
}

/// Whole hours, cut off; days from five days on.
pub(super) fn hours(span: Span) -> String {
    let hours = span.0 / 3_600_000;
    if hours >= 120 && hours % 24 == 0 { format!("{} days", hours / 24) } else { format!("{hours} h") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_stays_on_its_side_of_a_limit() {
        for (f, wanted) in
            [(163.2, "163 F"), (160.3, "160.3 F"), (130.94, "130.9 F"), (131.4, "131.4 F"), (-5.4, "-5 F")]
        {
            assert_eq!(temperature(Celsius::from_f(f), DisplayUnit::Fahrenheit), wanted);
        }
        assert_eq!(temperature(Celsius(55.04), DisplayUnit::Celsius), "55.0 C");
        assert_eq!(limit(170.0, DisplayUnit::Celsius), "77 C");
        assert_eq!(water(230.0, DisplayUnit::Fahrenheit), "60 gal");
        assert_eq!(slope(-0.6, DisplayUnit::Fahrenheit), "falling 1.1 F/h");
        assert_eq!(hours(Span::days(15)), "15 days");
        assert_eq!(hours(Span::minutes(41 * 60 + 59)), "41 h");
    }
}
