//! The demo's lines on the terminal: one for each event, dated in the farm's local time.

use std::fmt::Write as _;

use chrono_tz::Tz;
use heapward_rules::units::{At, Celsius};
use heapward_rules::verdict::{Judgement, Status, Verdict};

use super::farm::Farm;
use crate::model::time::local;

/// Columns of a line: a terminal of 80.
const WIDTH: usize = 79;
/// Column at which a line's text begins.
const INDENT: usize = 19;

/// `Mon 20 Apr 06:40  text`, wrapped under its beginning.
pub fn line(at: At, zone: Tz, text: &str) -> String {
    let mut out = format!("{:<INDENT$}", local(at, zone).format("%a %-d %b %H:%M").to_string());
    let mut used = INDENT;
    for word in text.split_whitespace() {
        if used > INDENT && used + 1 + word.chars().count() > WIDTH {
            let _ = write!(out, "\n{:INDENT$}", "");
            used = INDENT;
        }
        if used > INDENT {
            out.push(' ');
            used += 1;
        }
        out.push_str(word);
        used += word.chars().count();
    }
    out
}

/// `2026-03 in bay 1: 141 150 138 140 F; 31 of 72 h proven`.
pub fn pile(farm: &Farm, bay: usize, judgement: &Judgement) -> Option<String> {
    let standing = farm.bay(bay)?;
    let heap = standing.heap()?;
    let degrees = heap.temperatures().map(|t_c| format!("{:.0}", Celsius(t_c).to_f())).join("/");
    let verdict = judgement.verdicts.first()?;
    Some(format!("{}  {degrees} F  {}", standing.pile()?, proven(verdict)))
}

/// How far the first of a pile's standards has got.
fn proven(verdict: &Verdict) -> String {
    match verdict.status {
        Status::Qualified => "qualified".to_owned(),
        Status::TemperatureMet => "hot long enough, but the recipe is not recorded".to_owned(),
        Status::NotRequired => "plants only: no heat asked for".to_owned(),
        Status::Running | Status::NotMet => {
            let required = verdict.required.map_or(0, |required| required.time.0 / 3_600_000);
            let least = verdict
                .spots
                .iter()
                .filter(|spot| spot.required && spot.given_up.is_none())
                .map(|spot| {
                    let run = if spot.qualified_at.is_some() { &spot.longest_run } else { &spot.open_run };
                    run.as_ref().map_or(0, |run| run.counted.0 / 3_600_000)
                })
                .min();
            format!("{} of {required} h proven", least.unwrap_or(0).min(required))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::farm::BEGINS;

    #[test]
    fn a_line_is_dated_and_wrapped_under_its_text() {
        let text = "reads 2026-04 by hand: core 131 F, middle 133 F, outer-north 120 F, outer-south 121 F";
        let wanted = "Mon 20 Apr 06:00   reads 2026-04 by hand: core 131 F, middle 133 F, outer-north\n                   \
                      120 F, outer-south 121 F";
        assert_eq!(line(BEGINS, chrono_tz::America::New_York, text), wanted);
    }
}
