//! An incident as it is told at an instant, and the pieces that sentences are made of.

use heapward_rules::finding::{Kind, Level};
use heapward_rules::units::{At, Celsius, Span};

use super::{Site, say};
use crate::limits;
use crate::model::incident::Incident;
use crate::model::words;
use crate::telling::gsm;
use crate::telling::step::Step;
use crate::telling::topic::{Topic, Trouble, parse_level};

/// An incident as it is told at an instant.
#[derive(Clone, Copy)]
pub(super) struct View<'a> {
    pub(super) incident: &'a Incident,
    pub(super) topic: Topic,
    pub(super) level: Level,
    pub(super) step: Step,
    pub(super) site: &'a Site,
    pub(super) now: At,
    /// Longest name shown.
    pub(super) name_chars: usize,
}

// === impl View ===

impl<'a> View<'a> {
    pub(super) fn new(incident: &'a Incident, step: Step, site: &'a Site, now: At) -> Option<View<'a>> {
        let topic = Topic::parse(&incident.kind)?;
        Some(View {
            incident,
            topic,
            level: parse_level(&incident.level),
            step,
            site,
            now,
            name_chars: limits::NAME_CHARS_SHOWN,
        })
    }

    /// `Pile 2026-03:`, or the farm where no pile is meant.
    pub(super) fn about(self) -> String {
        match (&self.incident.pile, self.step) {
            (Some(pile), Step::Reminder(_)) => format!("Reminder, pile {}:", self.name(pile)),
            (Some(pile), _) => format!("Pile {}:", self.name(pile)),
            (None, _) => "Heapward:".to_owned(),
        }
    }

    /// `Pile 2026-03: core-north`, or `Pile 2026-03` where it is about the pile as a whole.
    pub(super) fn whom(self) -> String {
        match &self.incident.spot {
            Some(spot) => format!("{} {}", self.about(), self.name(spot)),
            None => self.about().trim_end_matches(':').to_owned(),
        }
    }

    /// What follows a verdict where the standard's figures are from memory.
    pub(super) fn doubt(self) -> &'static str {
        words::short_doubt(self.figure("from_memory").is_none())
    }

    /// The spot, else the probe.
    pub(super) fn place(self) -> Option<String> {
        let place = self.incident.spot.as_deref().or(self.incident.probe.as_deref());
        place.map(|place| self.name(place))
    }

    /// The spot, or a word for the pile as a whole.
    pub(super) fn spot(self) -> String {
        self.named(self.incident.spot.as_deref(), "the pile")
    }

    /// `probe k1 at core-north`.
    pub(super) fn probe(self) -> String {
        let probe = self.named(self.incident.probe.as_deref(), "");
        match (&self.incident.spot, probe.is_empty()) {
            (Some(spot), false) => {
                format!("probe {probe} at {}", self.name(spot))
            }
            (Some(spot), true) => format!("the probe at {}", self.name(spot)),
            (None, false) => format!("probe {probe}"),
            (None, true) => "a probe".to_owned(),
        }
    }

    /// The spot of the temperature: in an overheating the hottest may be another than the one at which it opened.
    pub(super) fn hot_spot(self) -> String {
        let spot = self.incident.read_spot.as_deref().or(self.incident.spot.as_deref());
        self.named(spot, "the pile")
    }

    pub(super) fn named(self, name: Option<&str>, otherwise: &str) -> String {
        name.map_or_else(|| otherwise.to_owned(), |name| self.name(name))
    }

    pub(super) fn name(self, name: &str) -> String {
        gsm::clip(&gsm::one_line(name), self.name_chars)
    }

    pub(super) fn figure(self, name: &str) -> Option<f64> {
        self.incident.figures.get(name).copied()
    }

    pub(super) fn instant(self, name: &str) -> Option<At> {
        #[expect(
            clippy::cast_possible_truncation,
            reason = "stored instants are whole milliseconds below 2^52"
        )]
        self.figure(name).map(|ms| At(ms as i64))
    }

    pub(super) fn span(self, name: &str) -> Option<Span> {
        self.instant(name).map(|at| Span(at.0))
    }

    /// Since when: what the finding says, else when this level began, else the opening.
    pub(super) fn since(self) -> At {
        let level_began = self.instant("level_ms");
        self.instant("since_ms").or(level_began).unwrap_or(At(self.incident.opened_ms))
    }

    pub(super) fn closed(self) -> At {
        self.incident.closed_ms.map_or(self.now, At)
    }

    pub(super) fn when(self, at: At) -> String {
        say::when(at, self.now, self.site.zone)
    }

    pub(super) fn temperature(self, c: f64) -> String {
        say::temperature(Celsius(c), self.site.shows)
    }

    pub(super) fn limit(self, f: f64) -> String {
        say::limit(f, self.site.shows)
    }

    /// The newest temperature of an open incident and when it was read, where it is newer than what decided.
    pub(super) fn newest(self) -> Option<(f64, At)> {
        let (c, at) = (self.figure("now_c")?, self.instant("now_ms")?);
        let is_newer = self.instant("decided_ms").is_none_or(|decided| at >= decided);
        (is_newer && self.incident.closed_ms.is_none()).then_some((c, at))
    }

    /// Whether things have gone on since it was decided: a text that waited says how it is when it is sent.
    pub(super) fn has_moved_on(self) -> bool {
        let decided = self.instant("decided_ms").unwrap_or(At(self.incident.opened_ms));
        self.newest().is_some_and(|(_, at)| at - decided >= limits::MESSAGE_FRESH)
    }

    /// The newest temperature, else the one that decided.
    pub(super) fn latest_c(self) -> Option<f64> {
        let decided = || self.figure("temperature_c").or(self.figure("worst_c"));
        self.newest().map(|(c, _)| c).or_else(decided)
    }

    /// The same in words: `163 F`.
    pub(super) fn reading(self) -> Option<String> {
        self.latest_c().map(|c| self.temperature(c))
    }

    /// When that was read.
    pub(super) fn read_at(self) -> At {
        self.newest().map_or(self.since(), |(_, at)| at)
    }

    /// ` at 14:20` where the newest temperature is not from now: its probe may have fallen silent.
    pub(super) fn read_when(self) -> String {
        match self.newest() {
            Some((_, at)) if self.now - at <= limits::READING_IS_OF_NOW => String::new(),
            _ => format!(" at {}", self.when(self.read_at())),
        }
    }

    /// `41 of 72 h`.
    pub(super) fn counted(self) -> Option<String> {
        let counted = self.span("counted_ms")?.0 / 3_600_000;
        match self.span("required_ms") {
            Some(required) => Some(format!("{counted} of {}", say::hours(required))),
            None => Some(format!("{counted} h")),
        }
    }

    pub(super) fn is_fire(self) -> bool {
        self.topic == Topic::Pile(Kind::Overheating) && self.level == Level::Danger
    }

    pub(super) fn is_news(self) -> bool {
        matches!(self.topic, Topic::Pile(Kind::Qualified | Kind::ReadyToMove | Kind::Cured))
    }

    /// What it is, in three or four words.
    pub(super) fn phrase(self) -> String {
        match self.topic {
            Topic::Pile(kind) => self.kind_phrase(kind),
            Topic::Farm(trouble) => match trouble {
                Trouble::StoreFailing => "readings can't be kept".to_owned(),
                Trouble::DiskLow => "card nearly full".to_owned(),
                Trouble::BrokerAway => "broker not reached".to_owned(),
                Trouble::ClockUntrusted => "clock not set".to_owned(),
                Trouble::ChannelFailing => "messages not sent".to_owned(),
                Trouble::BackupFailing => "no copy of the records".to_owned(),
                Trouble::RecordsDamaged => "records damaged".to_owned(),
                Trouble::HarvestTooSoon => "harvest too soon".to_owned(),
            },
        }
    }

    pub(super) fn kind_phrase(self, kind: Kind) -> String {
        let words = match kind {
            Kind::Overheating => {
                let f = match self.level {
                    Level::Note | Level::Act => 160.0,
                    Level::Urgent => 170.0,
                    Level::Danger => 180.0,
                };
                return format!("above {}", self.limit(f));
            }
            Kind::OverheatingAhead => return format!("heading for {}", self.limit(160.0)),
            Kind::RunAtRisk => "run at risk",
            Kind::SlowToHeat => "slow to heat",
            Kind::Stalled => "stalled",
            Kind::SpotShort => "one spot short of heat",
            Kind::FellOutEarly => "cooled too early",
            Kind::Drying => "drying",
            Kind::ProbeSilent => "probe silent",
            Kind::ProbeStuck => "probe stuck",
            Kind::ProbeFaulty => "probe faulty",
            Kind::ProbePulledOut => "probe pulled out",
            Kind::ProbeMoved => "probe moved?",
            Kind::WrongUnit => "unit in doubt",
            Kind::AllSilent => "all probes silent",
            Kind::BatteryLow if self.figure("battery_percent").is_some_and(|left| left > 20.0) => {
                "battery falling fast"
            }
            Kind::BatteryLow => "battery low",
            Kind::BlowerOff => "blower off",
            Kind::BlowerStuckOn => "blower never pauses",
            Kind::Reheating => "warms up again",
            Kind::Qualified => "qualified",
            Kind::ReadyToMove => "ready to move",
            Kind::Cured => "cured",
        };
        words.to_owned()
    }

    pub(super) fn phrase_with_place(self) -> String {
        match (self.topic, self.place()) {
            (Topic::Pile(Kind::AllSilent), _) | (_, None) => self.phrase(),
            (_, Some(place)) => format!("{place} {}", self.phrase()),
        }
    }
}
