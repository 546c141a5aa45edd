//! What a probe's messages say beside its readings: its clock, and whether its device is there.

use heapward_rules::units::{At, Span};
use maud::{Markup, html};

use super::frame::ago;
use crate::http::words::{Style, about};
use crate::ingest::status::ProbeStatus;
use crate::model::reading::unit_word;

/// So much is the way of a message, and no word about the clock.
const WAY_OF_A_MESSAGE: Span = Span::seconds(30);

/// Lines for the page of probes; `newest` is the instant of the newest reading.
pub(super) fn of(probe: &ProbeStatus, newest: Option<At>, now: At, style: Style) -> Markup {
    let without_value = probe.no_value.filter(|at| newest.is_none_or(|newest| *at > newest));
    html! {
        @if let Some(clock) = probe.skew.and_then(clock) { p.aside { (clock) } }
        @if let Some(at) = without_value {
            p.aside { "Its device is alive and had no value " (ago(at, now, style)) ". Look at its cable." }
        }
        @if probe.available == Some(false) { p.aside { "Its device says that it is off line." } }
        @if let Some((value, unit)) = probe.last_known {
            p.aside { "Last known, of unknown age and no reading: " (value) " " (unit_word(unit)) }
        }
    }
}

/// How far the device's clock is off, as far as its messages tell: one that is late may also have been sent late.
fn clock(behind: Span) -> Option<String> {
    if behind >= WAY_OF_A_MESSAGE {
        let late = Span(behind.0.max(60_000));
        Some(format!(
            "What it says comes {} after its own time: its clock is behind, or it sends late.",
            about(late)
        ))
    } else if behind.0 <= -WAY_OF_A_MESSAGE.0 {
        Some(format!("Its clock is {} ahead.", about(Span((-behind.0).max(60_000)))))
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_is_told_when_it_is_off_by_more_than_the_way_of_a_message() {
        let table = [
            (0, None),
            (29, None),
            (-29, None),
            (30, Some("What it says comes 1 min after its own time: its clock is behind, or it sends late.")),
            (
                2_700,
                Some("What it says comes 45 min after its own time: its clock is behind, or it sends late."),
            ),
            (-240, Some("Its clock is 4 min ahead.")),
        ];
        for (seconds, expected) in table {
            assert_eq!(clock(Span::seconds(seconds)).as_deref(), expected, "{seconds}");
        }
    }
}
