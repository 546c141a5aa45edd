//! Words for people and words for scripts: what the judge and the watchers say, as sentences and as fixed terms.

pub(crate) mod incident;
pub(crate) mod log;
pub(crate) mod steering;
pub(super) mod today;
pub(super) mod verdict;

use chrono_tz::Tz;
use heapward_rules::finding::{Kind, Level};
use heapward_rules::units::{At, Celsius, Span};

use crate::config::{Config, DisplayUnit};
use crate::model::time::local;

/// How this farm writes instants and temperatures.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Style {
    pub(crate) zone: Tz,
    pub(crate) unit: DisplayUnit,
}

pub(super) fn kind(kind: Kind) -> &'static str {
    match kind {
        Kind::Overheating => "overheating",
        Kind::OverheatingAhead => "overheating-ahead",
        Kind::RunAtRisk => "run-at-risk",
        Kind::SlowToHeat => "slow-to-heat",
        Kind::Stalled => "stalled",
        Kind::SpotShort => "spot-short",
        Kind::FellOutEarly => "fell-out-early",
        Kind::Drying => "drying",
        Kind::ProbeSilent => "probe-silent",
        Kind::ProbeStuck => "probe-stuck",
        Kind::ProbeFaulty => "probe-faulty",
        Kind::ProbePulledOut => "probe-pulled-out",
        Kind::ProbeMoved => "probe-moved",
        Kind::WrongUnit => "wrong-unit",
        Kind::AllSilent => "all-silent",
        Kind::BatteryLow => "battery-low",
        Kind::BlowerOff => "blower-off",
        Kind::BlowerStuckOn => "blower-stuck-on",
        Kind::Reheating => "reheating",
        Kind::Qualified => "qualified",
        Kind::ReadyToMove => "ready-to-move",
        Kind::Cured => "cured",
    }
}

pub(super) fn level(level: Level) -> &'static str {
    match level {
        Level::Note => "note",
        Level::Act => "act",
        Level::Urgent => "urgent",
        Level::Danger => "danger",
    }
}

/// `aerated-static` as people say it.
pub(super) fn method(method: &str) -> &str {
    match method {
        "aerated-static" => "aerated static pile",
        "in-vessel" => "in a vessel",
        other => other,
    }
}

/// `manure` as people say it.
pub(super) fn material(material: &str) -> &str {
    match material {
        "plant" => "plant material only",
        "animal" => "animal material, no manure",
        "manure" => "with manure",
        other => other,
    }
}

/// `8 min`, `3 h`, `2 days`: how long ago or how long.
pub(super) fn about(span: Span) -> String {
    match span.0.max(0) / 60_000 {
        0 => "less than a minute".to_owned(),
        minutes @ 1..=119 => format!("{minutes} min"),
        minutes @ 120..=2_879 => format!("{} h", minutes / 60),
        minutes => format!("{} days", minutes / 1_440),
    }
}

/// Whole hours and minutes as people count a run: `41 h`, `71 h 55 min`.
pub(super) fn hours(span: Span) -> String {
    span.to_string()
}

// === impl Style ===

impl Style {
    pub(super) fn of(config: &Config) -> Style {
        Style { zone: config.farm.timezone, unit: config.farm.shows }
    }

    /// `Tue 5 May, 14:30`, on the farm's clock.
    pub(super) fn when(self, at: At) -> String {
        local(at, self.zone).format("%a %-d %b, %H:%M").to_string()
    }

    /// `5 May 2026`.
    pub(super) fn day(self, at: At) -> String {
        local(at, self.zone).format("%-d %b %Y").to_string()
    }

    /// In the unit that the farm shows, to a tenth.
    pub(super) fn number(self, temperature: Celsius) -> f64 {
        match self.unit {
            DisplayUnit::Fahrenheit => temperature.to_f(),
            DisplayUnit::Celsius => temperature.0,
        }
    }

    /// Degrees of the farm's unit in one of Celsius, for differences.
    pub(super) fn degrees_in_c(self) -> f64 {
        match self.unit {
            DisplayUnit::Fahrenheit => 1.8,
            DisplayUnit::Celsius => 1.0,
        }
    }

    pub(super) fn sign(self) -> &'static str {
        match self.unit {
            DisplayUnit::Fahrenheit => "°F",
            DisplayUnit::Celsius => "°C",
        }
    }

    /// `142.3 °F`.
    pub(super) fn temperature(self, temperature: Celsius) -> String {
        format!("{:.1} {}", self.number(temperature), self.sign())
    }

    /// A limit as a figure of an axis, without decimals where it has none: `131`.
    pub(super) fn limit(self, temperature: Celsius) -> String {
        let number = self.number(temperature);
        if (number - number.round()).abs() < 0.05 { format!("{number:.0}") } else { format!("{number:.1}") }
    }
}
