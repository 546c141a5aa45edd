//! The demo's lines on the terminal: one for each event, dated in the farm's local time.

use std::fmt::Write as _;
use std::io::Write as _;
use std::net::SocketAddr;

use chrono_tz::Tz;
use heapward_rules::units::{At, Celsius, Span};
use heapward_rules::verdict::{Judgement, Status, Verdict};

use super::farm::Farm;
use super::mishaps::Mishap;
use super::probes::Fault;
use crate::model::time::local;
use crate::model::words;

/// Columns of a line: a terminal of 80.
const WIDTH: usize = 79;
/// Column at which a line's text begins.
const INDENT: usize = 19;

/// Prints lines at once. A terminal that is gone ends nothing: the demo is stopped by a signal.
pub fn print(text: &str) {
    let mut out = std::io::stdout().lock();
    let _ = writeln!(out, "{text}").and_then(|()| out.flush());
}

pub fn opening(page: SocketAddr, mqtt: SocketAddr, speed: u32) -> String {
    let day = 86_400 / speed.max(1);
    format!(
        "Quillback Farm, an invented farm, {speed} times as fast as a clock: a day in {day} s.\n\
         Everything goes the real way: MQTT message, record, verdict, text.\n\n  \
         page   http://{page}/\n  \
         MQTT   {mqtt} (the probes publish here)\n\n\
         Ctrl-C stops it; nothing is kept.\n"
    )
}

/// What a bystander would see of a mishap. A dying probe shows only in what it says.
pub fn mishap(mishap: &Mishap) -> Option<String> {
    Some(match mishap {
        Mishap::Probe { probe, fault: Fault::PowerOn { .. } } => {
            format!("({probe}'s plug gets wet: it says 185 F now and then)")
        }
        Mishap::Probe { probe, fault: Fault::Silent } => format!("({probe} dies)"),
        Mishap::Probe { probe, fault: Fault::Stuck } => format!("({probe} repeats its last reading)"),
        Mishap::Probe { probe, fault: Fault::PulledOut } => format!("(a dog pulls {probe} out of its pile)"),
        Mishap::Breaker { bay } => format!("(the breaker of the blower in bay {} trips)", bay + 1),
        Mishap::NetworkDown => "(the barn's network is down)".to_owned(),
        Mishap::NetworkUp => "(the network is back; the gateways send what they kept)".to_owned(),
    })
}

pub fn day_and_time(at: At, zone: Tz) -> String {
    local(at, zone).format("%a %-d %b %H:%M").to_string()
}

/// The same in one row, cut where it is too long.
pub fn row(at: At, zone: Tz, text: &str) -> String {
    let room = WIDTH - INDENT;
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let cut = if text.chars().count() > room {
        format!("{}..", text.chars().take(room - 2).collect::<String>().trim_end())
    } else {
        text
    };
    format!("{:<INDENT$}{cut}", day_and_time(at, zone))
}

/// `5 days and 3 hours`.
pub fn days_and_hours(span: Span) -> String {
    let hours = span.0 / 3_600_000;
    let unit = |n: i64, one: &str| if n == 1 { format!("1 {one}") } else { format!("{n} {one}s") };
    format!("{} and {}", unit(hours / 24, "day"), unit(hours % 24, "hour"))
}

/// `Mon 20 Apr 06:40  text`, wrapped under its beginning.
pub fn line(at: At, zone: Tz, text: &str) -> String {
    let mut out = format!("{:<INDENT$}", day_and_time(at, zone));
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

/// `2026-03: 141/150/138 F, 31 of 72 h proven`: core, middle, outer layer.
pub fn pile(farm: &Farm, bay: usize, judgement: &Judgement) -> Option<String> {
    let standing = farm.bay(bay)?;
    let heap = standing.heap()?;
    let degrees = heap.temperatures().map(|t_c| format!("{:.0}", Celsius(t_c).to_f())).join("/");
    let verdict = judgement.verdicts.first()?;
    Some(format!("{}: {degrees} F, {}", standing.pile()?, proven(verdict)))
}

/// How far the first of a pile's standards has got.
pub fn proven(verdict: &Verdict) -> String {
    let doubt = words::short_doubt(verdict.verified);
    let what = match verdict.status {
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
    };
    what + doubt
}

#[cfg(test)]
mod tests {
    use heapward_rules::ids::StandardId;

    use super::*;
    use crate::demo::farm::BEGINS;

    #[test]
    fn a_verdict_by_figures_from_memory_says_so() {
        let mut verdict = Verdict {
            standard: StandardId::new("eu-cmc3"),
            verified: false,
            status: Status::Qualified,
            at: Some(BEGINS),
            held_up_by: None,
            cautions: Vec::new(),
            spots: Vec::new(),
            breaks: Vec::new(),
            required: None,
        };
        assert_eq!(proven(&verdict), "qualified (rule from memory)");
        verdict.verified = true;
        assert_eq!(proven(&verdict), "qualified");
    }

    #[test]
    fn a_line_is_dated_and_wrapped_under_its_text() {
        let text = "reads 2026-04 by hand: core 131 F, middle 133 F, outer-north 120 F, outer-south 121 F";
        let wanted = "Mon 20 Apr 07:00   reads 2026-04 by hand: core 131 F, middle 133 F, outer-north\n                   \
                      120 F, outer-south 121 F";
        assert_eq!(line(BEGINS, chrono_tz::America::New_York, text), wanted);
    }
}
