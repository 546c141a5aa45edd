//! Instants, temperatures and judgements in the words of the record.

use heapward_rules::ids::SpotName;
use heapward_rules::pile::{Material, Spot};
use heapward_rules::reading::Source;
use heapward_rules::recipe::dates::Date;
use heapward_rules::standard::Standard;
use heapward_rules::units::{At, Celsius, Span};
use heapward_rules::verdict::{Break, BreakReason, Class, SpotVerdict, Status, Verdict};

use super::facts::{Facts, Farm};
use crate::config::DisplayUnit;
use crate::model::time::local;
use crate::model::words::zone_word;

// === impl Farm ===

impl Farm {
    /// `2026-05-02 14:05`, on the farm's clock.
    pub(super) fn when(&self, at: At) -> String {
        local(at, self.zone).format("%Y-%m-%d %H:%M").to_string()
    }

    /// `2026-05-02 14:05:10`, on the farm's clock.
    pub(super) fn to_the_second(&self, at: At) -> String {
        local(at, self.zone).format("%Y-%m-%d %H:%M:%S").to_string()
    }

    /// `2026-05-02 14:05:10 -04:00`: the offset from UTC makes it one instant for everybody.
    pub(super) fn exactly(&self, at: At) -> String {
        local(at, self.zone).format("%Y-%m-%d %H:%M:%S %:z").to_string()
    }

    pub(super) fn date(&self, at: At) -> Option<Date> {
        Date::parse(&local(at, self.zone).format("%Y-%m-%d").to_string())
    }

    pub(super) fn degrees(&self, c: Celsius) -> f64 {
        match self.shows {
            DisplayUnit::Fahrenheit => c.to_f(),
            DisplayUnit::Celsius => c.0,
        }
    }

    pub(super) fn sign(&self) -> &'static str {
        match self.shows {
            DisplayUnit::Fahrenheit => "°F",
            DisplayUnit::Celsius => "°C",
        }
    }

    /// `142.3 °F`.
    pub(super) fn temperature(&self, c: Celsius) -> String {
        format!("{:.1} {}", self.degrees(c), self.sign())
    }

    /// A limit without decimals where it has none: `131`.
    pub(super) fn limit(&self, c: Celsius) -> String {
        let degrees = self.degrees(c);
        if (degrees - degrees.round()).abs() < 0.05 {
            format!("{degrees:.0}")
        } else {
            format!("{degrees:.1}")
        }
    }
}

/// `36.37`: to the hundredth; the exact one stands in pile.toml.
pub(super) fn ratio(cn: f64) -> String {
    ((cn * 100.0).round() / 100.0).to_string()
}

/// `72 h 05 min 10 s`: to the second, cut off, so that 71 h 59 min 59 s never reads as 72 h.
pub(super) fn counted(span: Span) -> String {
    let seconds = span.0.max(0) / 1_000;
    match (seconds / 3_600, seconds / 60 % 60, seconds % 60) {
        (0, 0, s) => format!("{s} s"),
        (0, m, 0) => format!("{m} min"),
        (0, m, s) => format!("{m} min {s:02} s"),
        (h, 0, 0) => format!("{h} h"),
        (h, m, 0) => format!("{h} h {m:02} min"),
        (h, m, s) => format!("{h} h {m:02} min {s:02} s"),
    }
}

/// `US organic, 7 CFR 205.203(c)(2)`.
pub(super) fn standard_name(standard: &Standard) -> String {
    // A title may end in the clause's number, which follows anyway.
    let name = standard.title.split_once(", ").filter(|(_, end)| standard.clause.contains(end));
    format!("{}, {}", name.map_or(standard.title.as_str(), |(name, _)| name), standard.clause)
}

/// The verdict in one sentence, with its clause.
pub(super) fn verdict(facts: &Facts, verdict: &Verdict) -> String {
    let standard = facts.standard(&verdict.standard);
    let clause = standard.map_or(verdict.standard.to_string(), standard_name);
    let at = verdict.at.map(|at| facts.farm.exactly(at)).unwrap_or_default();
    let pile = &facts.record.id;
    match verdict.status {
        Status::Qualified => {
            let last = verdict.held_up_by.as_ref();
            let last =
                last.map(|spot| format!("; the last spot to get there was {spot}")).unwrap_or_default();
            format!("Pile {pile} qualified under {clause} on {at}{last}.")
        }
        Status::TemperatureMet => format!(
            "Pile {pile} is not qualified under {clause}: it was hot enough for long enough on {at}, but the initial \
             carbon to nitrogen ratio is {}.",
            facts.record.initial_cn.map_or("not recorded".to_owned(), |cn| format!("{}:1", ratio(cn)))
        ),
        Status::Running => {
            format!("Pile {pile} is not qualified yet under {clause}: {}, still counting.", progress(verdict))
        }
        Status::NotMet => format!("Pile {pile} is not qualified under {clause}: {}.", progress(verdict)),
        Status::NotRequired => {
            format!("Pile {pile} needs no heat under {clause}: it holds plant material only.")
        }
    }
}

fn progress(verdict: &Verdict) -> String {
    let Some(required) = verdict.required else {
        return "the rule knows no way for this method".to_owned();
    };
    let Some(holder) = &verdict.held_up_by else {
        return format!("nothing of {} is proven", required.time);
    };
    let run = verdict
        .spots
        .iter()
        .find(|spot| spot.spot == *holder)
        .and_then(|spot| spot.open_run.or(spot.longest_run));
    let proven = counted(run.map_or(Span::ZERO, |run| run.counted));
    let turns = match required.turns {
        0 => String::new(),
        turns => format!(" and {} of {turns} turns", run.map_or(0, |run| run.turns)),
    };
    if run.is_none_or(|run| run.counted == Span::ZERO) {
        return format!("nothing of {}{turns} is proven at {holder}, which holds it up", required.time);
    }
    format!("{proven} of {}{turns} are proven at {holder}, which holds it up", required.time)
}

/// `core, 24 in`.
pub(super) fn place(spot: &Spot) -> String {
    let depth = spot.depth_in.map(|depth| format!(", {depth} in")).unwrap_or_default();
    format!("{}{depth}", zone_word(spot.zone))
}

/// What became of a spot.
pub(super) fn outcome(farm: &Farm, spot: &SpotVerdict) -> String {
    match (&spot.given_up, spot.qualified_at, spot.required) {
        (Some(given_up), Some(at), _) => {
            format!("{}; given up {}: {}", farm.exactly(at), farm.when(given_up.at), given_up.reason)
        }
        (Some(given_up), None, _) => format!("given up {}: {}", farm.when(given_up.at), given_up.reason),
        (None, Some(at), _) => farm.exactly(at),
        (None, None, true) => "no".to_owned(),
        (None, None, false) => "watched only".to_owned(),
    }
}

/// Why a run ended.
pub(super) fn broken(farm: &Farm, one: &Break) -> String {
    let reason = match one.reason {
        BreakReason::TooCold => "then it was too cold",
        BreakReason::TooHot => "then it was too hot",
        BreakReason::NoEvidence => "then no reading proves anything for too long",
        BreakReason::Turned => "then the pile was turned",
        BreakReason::MaterialAdded => "then fresh material was added",
    };
    format!(
        "{}: a run ended at {} with {} proven; {reason}.",
        one.spot,
        farm.exactly(one.at),
        counted(one.counted)
    )
}

/// Why readings do not count.
pub(super) fn class(class: Class) -> &'static str {
    match class {
        Class::Counts => "counts",
        Class::Conflict => "two values for one instant",
        Class::Fault => "a fault value, a jump, or outside the sensor's range",
        Class::Unplaced => "no probe was placed there then",
        Class::WarmingUp => "the probe had just been placed",
        Class::Held => "a jump that no later reading confirmed",
    }
}

/// `k1`, or `by hand`.
pub(super) fn source(source: &Source) -> String {
    match source {
        Source::Probe(probe) => probe.to_string(),
        Source::Hand(_) => "by hand".to_owned(),
    }
}

pub(super) fn material(material: Material) -> &'static str {
    match material {
        Material::Plant => "plant material only",
        Material::Animal => "animal material, no manure",
        Material::Manure => "with manure",
    }
}

/// Name of a spot by its place in the pile's list.
pub(super) fn spot_name(facts: &Facts, index: usize) -> &str {
    facts.pile.spots.get(index).map_or("", |spot| SpotName::as_str(&spot.name))
}
