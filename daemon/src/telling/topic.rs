//! What an incident is about, and the words under which that is stored and shown.

use std::collections::BTreeMap;

use heapward_rules::finding::{Change, Circumstance, Figures, Finding, Kind, Level};
use heapward_rules::units::At;

use crate::model::incident::Incident;

/// Something watched in a pile, or something about the farm's own equipment and plans.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Topic {
    Pile(Kind),
    Farm(Trouble),
}

/// What can go wrong around the piles.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Trouble {
    /// Readings can't be kept: card full, read-only or broken.
    StoreFailing,
    DiskLow,
    /// The MQTT broker can't be reached.
    BrokerAway,
    /// The system clock isn't trusted: readings without a time of their own are held.
    ClockUntrusted,
    /// Messages can't be sent by a channel.
    ChannelFailing,
    /// No copy of the records was made for days.
    BackupFailing,
    /// At its start the daemon found the records damaged, or older than they should be, and went on without a part.
    RecordsDamaged,
    /// A harvest is planned too early after unqualified manure was spread (90 or 120 days).
    HarvestTooSoon,
}

/// One change of one topic: the common shape of a rule's finding and of trouble around the piles.
#[derive(Clone, Debug, PartialEq)]
pub struct Matter {
    pub topic: Topic,
    pub level: Level,
    pub change: Change,
    /// The instant that decided.
    pub at: At,
    /// With topic, pile, spot and probe the identity of the incident.
    pub opened: At,
    pub pile: Option<String>,
    /// The spot; for a harvest the bed, for a channel its name.
    pub spot: Option<String>,
    /// The spot of the temperature in the figures, where that may be another one.
    pub read_spot: Option<String>,
    pub probe: Option<String>,
    /// By name with their unit, as in the stored incident.
    pub figures: BTreeMap<String, f64>,
}

const KINDS: [(Kind, &str); 22] = [
    (Kind::Overheating, "overheating"),
    (Kind::OverheatingAhead, "overheating-ahead"),
    (Kind::RunAtRisk, "run-at-risk"),
    (Kind::SlowToHeat, "slow-to-heat"),
    (Kind::Stalled, "stalled"),
    (Kind::SpotShort, "spot-short"),
    (Kind::FellOutEarly, "fell-out-early"),
    (Kind::Drying, "drying"),
    (Kind::ProbeSilent, "probe-silent"),
    (Kind::ProbeStuck, "probe-stuck"),
    (Kind::ProbeFaulty, "probe-faulty"),
    (Kind::ProbePulledOut, "probe-pulled-out"),
    (Kind::ProbeMoved, "probe-moved"),
    (Kind::WrongUnit, "wrong-unit"),
    (Kind::AllSilent, "all-silent"),
    (Kind::BatteryLow, "battery-low"),
    (Kind::BlowerOff, "blower-off"),
    (Kind::BlowerStuckOn, "blower-stuck-on"),
    (Kind::Reheating, "reheating"),
    (Kind::Qualified, "qualified"),
    (Kind::ReadyToMove, "ready-to-move"),
    (Kind::Cured, "cured"),
];

const TROUBLES: [(Trouble, &str); 8] = [
    (Trouble::StoreFailing, "store-failing"),
    (Trouble::DiskLow, "disk-low"),
    (Trouble::BrokerAway, "broker-away"),
    (Trouble::ClockUntrusted, "clock-untrusted"),
    (Trouble::ChannelFailing, "channel-failing"),
    (Trouble::BackupFailing, "backup-failing"),
    (Trouble::RecordsDamaged, "records-damaged"),
    (Trouble::HarvestTooSoon, "harvest-too-soon"),
];

const LEVELS: [(Level, &str); 4] =
    [(Level::Note, "note"), (Level::Act, "act"), (Level::Urgent, "urgent"), (Level::Danger, "danger")];

// === impl Topic ===

impl Topic {
    /// All of them, for tables and tests.
    pub fn all() -> impl Iterator<Item = Topic> {
        let kinds = KINDS.iter().map(|(kind, _)| Topic::Pile(*kind));
        kinds.chain(TROUBLES.iter().map(|(trouble, _)| Topic::Farm(*trouble)))
    }

    pub fn word(self) -> &'static str {
        match self {
            Topic::Pile(kind) => KINDS.iter().find(|(k, _)| *k == kind).map_or("", |(_, word)| word),
            Topic::Farm(trouble) => TROUBLES.iter().find(|(t, _)| *t == trouble).map_or("", |(_, word)| word),
        }
    }

    pub fn parse(word: &str) -> Option<Topic> {
        Topic::all().find(|topic| topic.word() == word)
    }
}

pub fn level_word(level: Level) -> &'static str {
    LEVELS.iter().find(|(l, _)| *l == level).map_or("", |(_, word)| word)
}

/// The level of a stored word; an unknown one is the least.
pub fn parse_level(word: &str) -> Level {
    LEVELS.iter().find(|(_, w)| *w == word).map_or(Level::Note, |(level, _)| *level)
}

// === impl Matter ===

impl Matter {
    /// A rule's finding about a pile, or about all of them (`None`).
    pub fn of_finding(pile: Option<&str>, finding: &Finding) -> Matter {
        Matter {
            topic: Topic::Pile(finding.kind),
            level: finding.level,
            change: finding.change,
            at: finding.at,
            opened: finding.opened,
            pile: pile.map(str::to_owned),
            spot: finding.spot.as_ref().map(ToString::to_string),
            read_spot: finding.figures.read_spot.as_ref().map(ToString::to_string),
            probe: finding.probe.as_ref().map(ToString::to_string),
            figures: figures(&finding.figures),
        }
    }

    /// Trouble of the daemon itself; `figures` by name with their unit (`free_mb`, `since_ms`).
    pub fn of_farm(trouble: Trouble, level: Level, change: Change, at: At, opened: At) -> Matter {
        Matter {
            topic: Topic::Farm(trouble),
            level,
            change,
            at,
            opened,
            pile: None,
            spot: None,
            read_spot: None,
            probe: None,
            figures: BTreeMap::new(),
        }
    }

    /// The end of a stored incident that no rule holds open any more. `None` for a kind that is not known.
    pub fn closing(incident: &Incident, at: At) -> Option<Matter> {
        Some(Matter {
            topic: Topic::parse(&incident.kind)?,
            level: parse_level(&incident.level),
            change: Change::Closed,
            at,
            opened: At(incident.opened_ms),
            pile: incident.pile.clone(),
            spot: incident.spot.clone(),
            read_spot: None,
            probe: incident.probe.clone(),
            figures: BTreeMap::new(),
        })
    }

    #[must_use]
    pub fn with(mut self, figure: &str, value: f64) -> Matter {
        self.figures.insert(figure.to_owned(), value);
        self
    }

    /// `{pile}/{kind}/{spot or probe or -}/{opened_ms}`: the same after any replay.
    pub fn incident_id(&self) -> String {
        let pile = self.pile.as_deref().unwrap_or("-");
        let place = self.spot.as_deref().or(self.probe.as_deref()).unwrap_or("-");
        format!("{pile}/{}/{place}/{}", self.topic.word(), self.opened.0)
    }
}

#[expect(clippy::cast_precision_loss, reason = "instants and spans of a farm are below 2^52 ms")]
fn figures(figures: &Figures) -> BTreeMap<String, f64> {
    let is = |circumstance| (figures.circumstance == Some(circumstance)).then_some(1.0);
    let all = [
        ("temperature_c", figures.temperature.map(|c| c.0)),
        ("read_ms", figures.read_at.map(|at| at.0 as f64)),
        ("worst_c", figures.worst.map(|c| c.0)),
        ("slope_c_per_h", figures.slope_c_per_h),
        ("expected_at_ms", figures.expected_at.map(|at| at.0 as f64)),
        ("counted_ms", figures.counted.map(|span| span.0 as f64)),
        ("required_ms", figures.required.map(|span| span.0 as f64)),
        ("moisture_percent", figures.moisture_percent),
        ("water_litres", figures.water_litres),
        ("battery_percent", figures.battery_percent),
        ("from_memory", figures.from_memory.then_some(1.0)),
        ("run_near_limit", is(Circumstance::RunNearItsLimit)),
        ("run_open", is(Circumstance::RunOpen)),
        ("in_core", is(Circumstance::InTheCore)),
        ("since_ms", figures.since.map(|at| at.0 as f64)),
    ];
    all.into_iter()
        .filter_map(|(name, value)| value.filter(|v| v.is_finite()).map(|v| (name.to_owned(), v)))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_topic_has_a_word_of_its_own() {
        for topic in Topic::all() {
            assert_eq!(Topic::parse(topic.word()), Some(topic));
        }
        for (level, word) in LEVELS {
            assert_eq!(parse_level(word), level);
            assert_eq!(level_word(level), word);
        }
    }
}
