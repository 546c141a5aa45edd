//! The words: an incident and the step in which it is told, to one text of at most 160 characters, a subject and the
//! body of a mail.
//!
//! A text says which pile, what, the figure and since when, and what to do; never only what to believe. Names go
//! through `gsm` first, so that none of them breaks a header, a body or a line of the log.

mod caution;
mod draft;
mod farm;
mod heat;
mod news;
mod probes;
mod say;

use chrono_tz::Tz;
use heapward_rules::finding::{Kind, Level};
use heapward_rules::units::{At, Celsius, Span};

use self::draft::Draft;
use super::gsm;
use super::step::Step;
use super::topic::{Topic, Trouble, parse_level};
use crate::config::DisplayUnit;
use crate::limits;
use crate::model::incident::Incident;

/// What the words need to know of the farm.
#[derive(Clone, Debug)]
pub struct Site {
    pub farm: String,
    pub zone: Tz,
    pub shows: DisplayUnit,
    /// Address of the status page, if it has one that people use.
    pub page: Option<String>,
}

/// An incident as it is told at an instant.
#[derive(Clone, Copy)]
pub(super) struct View<'a> {
    incident: &'a Incident,
    topic: Topic,
    level: Level,
    step: Step,
    site: &'a Site,
    now: At,
    /// Longest name shown.
    name_chars: usize,
}

/// One telling in words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Words {
    /// At most 160 characters of the GSM 7-bit basic set.
    pub text: String,
    pub subject: String,
    /// Plain text of a mail: the sentence, the particulars, the cautions.
    pub body: String,
}

/// The words for an incident at a step. `None` for a topic that this version doesn't know.
pub fn words(incident: &Incident, step: Step, site: &Site, now: At) -> Option<Words> {
    let view = View::new(incident, step, site, now)?;
    Some(Words { text: view.text(), subject: view.subject(), body: view.body() })
}

/// One short line for a digest or a summary: `2026-03 core-north above 160 F 02:10-03:40, over`.
pub fn line(incident: &Incident, site: &Site, now: At) -> String {
    let Some(view) = View::new(incident, Step::Opened, site, now) else {
        return gsm::one_line(&incident.id);
    };
    let pile = incident.pile.as_deref().map(|pile| format!("{} ", view.name(pile)));
    let place = match view.topic {
        Topic::Pile(Kind::AllSilent) => String::new(),
        _ => view.place().map(|place| format!("{place} ")).unwrap_or_default(),
    };
    let stretch = match incident.closed_ms {
        Some(closed) => format!("{}, over", say::stretch(view.since(), At(closed), now, site.zone)),
        None if view.is_news() => say::when(view.since(), now, site.zone),
        None => format!("since {}", say::when(view.since(), now, site.zone)),
    };
    format!("{}{place}{} {stretch}", pile.unwrap_or_default(), view.phrase())
}

/// What to do about an incident, as in its text.
pub fn action(incident: &Incident, site: &Site, now: At) -> Option<String> {
    let action = View::new(incident, Step::Opened, site, now)?.draft().actions();
    (!action.is_empty()).then_some(action)
}

/// When it was, seen from `now`: `14:20`, `Tue 14:20`, `May 3`.
pub fn when(at: At, now: At, zone: Tz) -> String {
    say::when(at, now, zone)
}

/// Appends when a late text is sent, if there is room: `(sent 09:12)`.
pub fn sent_late(text: &str, now: At, zone: Tz) -> String {
    let longer = format!("{text} (sent {})", say::when(now, now, zone));
    if longer.chars().count() <= limits::TEXT_CHARS_MAX { longer } else { text.to_owned() }
}

/// The cautions that belong to an incident, for a mail.
pub fn cautions(incident: &Incident) -> Vec<&'static str> {
    Topic::parse(&incident.kind).map_or_else(Vec::new, |t| caution::of(t, parse_level(&incident.level)))
}

/// The last lines of a mail: where to look, and who wrote it when.
pub fn signature(site: &Site, now: At) -> String {
    let page = site.page.as_deref().map(|page| format!("Status page: {}\n", gsm::one_line(page)));
    let (farm, time) = (gsm::one_line(&site.farm), say::full_time(now, site.zone));
    format!("{}Heapward at {farm}, {time}", page.unwrap_or_default())
}

// === impl View ===

impl<'a> View<'a> {
    fn new(incident: &'a Incident, step: Step, site: &'a Site, now: At) -> Option<View<'a>> {
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

    /// Long names are cut before what to do is.
    fn text(self) -> String {
        let with_names = |name_chars| View { name_chars, ..self }.draft();
        let fitting =
            limits::NAME_CHARS_SHORTER.into_iter().map(with_names).find_map(|draft| draft.fitting());
        fitting.unwrap_or_else(|| self.draft().cut())
    }

    fn draft(self) -> Draft {
        match self.step {
            Step::AllClear => self.all_clear(),
            Step::Unstable => self.unstable(),
            Step::Reminder(_) => self.opened().before("Reminder:"),
            Step::SecondPerson => self.opened().before("Nobody answered."),
            Step::Opened | Step::Worsened(_) | Step::WeekBefore | Step::Noted | Step::Seen => self.opened(),
        }
    }

    fn opened(self) -> Draft {
        match self.topic {
            Topic::Pile(kind) => match kind {
                Kind::Overheating => heat::overheating(self),
                Kind::OverheatingAhead => heat::overheating_ahead(self),
                Kind::RunAtRisk => heat::run_at_risk(self),
                Kind::SlowToHeat => heat::slow_to_heat(self),
                Kind::Stalled => heat::stalled(self),
                Kind::SpotShort => heat::spot_short(self),
                Kind::FellOutEarly => heat::fell_out_early(self),
                Kind::Drying => heat::drying(self),
                Kind::ProbeSilent => probes::silent(self),
                Kind::ProbeStuck => probes::stuck(self),
                Kind::ProbeFaulty => probes::faulty(self),
                Kind::ProbePulledOut => probes::pulled_out(self),
                Kind::ProbeMoved => probes::moved(self),
                Kind::WrongUnit => probes::wrong_unit(self),
                Kind::AllSilent => probes::all_silent(self),
                Kind::BatteryLow => probes::battery_low(self),
                Kind::BlowerOff => probes::blower_off(self),
                Kind::BlowerStuckOn => probes::blower_stuck_on(self),
                Kind::Reheating => news::reheating(self),
                Kind::Qualified => news::qualified(self),
                Kind::ReadyToMove => news::ready_to_move(self),
                Kind::Cured => news::cured(self),
            },
            Topic::Farm(trouble) => farm::trouble(self, trouble),
        }
    }

    fn all_clear(self) -> Draft {
        match self.topic {
            Topic::Pile(Kind::Overheating) => heat::cooled(self),
            Topic::Pile(Kind::RunAtRisk) => heat::run_decided(self),
            Topic::Pile(Kind::Qualified) => news::no_longer_qualified(self),
            _ => Draft::fact(format!(
                "{} {} since {} (began {}).",
                self.about(),
                self.ended(),
                self.when(self.closed()),
                self.when(self.since()),
            ))
            .hint("Nothing more to do for this."),
        }
    }

    /// How the end of a thing is said: `blower runs again`.
    fn ended(self) -> String {
        match self.topic {
            Topic::Pile(Kind::ProbeSilent) => format!("{} is heard again", self.probe()),
            Topic::Pile(Kind::ProbeFaulty | Kind::ProbeStuck) => format!("{} reads well again", self.probe()),
            Topic::Pile(Kind::AllSilent) => "probes are heard again".to_owned(),
            Topic::Pile(Kind::BlowerOff) => "blower runs again".to_owned(),
            Topic::Pile(Kind::BlowerStuckOn) => "blower pauses again".to_owned(),
            Topic::Farm(Trouble::StoreFailing) => "readings are kept again".to_owned(),
            Topic::Farm(Trouble::DiskLow) => "card has room again".to_owned(),
            Topic::Farm(Trouble::BrokerAway) => "broker is reached again".to_owned(),
            Topic::Farm(Trouble::ClockUntrusted) => "clock is set again".to_owned(),
            Topic::Farm(Trouble::ChannelFailing) => format!("{} sends again", self.spot()),
            _ => format!("{}: over", self.phrase_with_place()),
        }
    }

    fn unstable(self) -> Draft {
        Draft::fact(format!(
            "{} {} came and went {} times in {} h.",
            self.about(),
            self.phrase_with_place(),
            limits::FLAPS_MAX,
            limits::FLAP_WINDOW.0 / 3_600_000,
        ))
        .action("Have a look at it. No more texts on this until morning; the summary has it.")
    }

    fn subject(self) -> String {
        let step = match self.step {
            Step::AllClear => "over: ",
            Step::Reminder(_) => "reminder: ",
            Step::SecondPerson => "nobody answered: ",
            Step::Unstable => "comes and goes: ",
            _ => "",
        };
        let fire = if self.is_fire() && self.step != Step::AllClear { "FIRE RISK, " } else { "" };
        let farm = gsm::clip(&gsm::one_line(&self.site.farm), limits::FARM_CHARS_SHOWN);
        let pile =
            self.incident.pile.as_deref().map_or(String::new(), |pile| format!("pile {}, ", self.name(pile)));
        format!("{farm}: {fire}{step}{pile}{}", self.phrase_with_place())
    }

    fn body(self) -> String {
        let mut lines = vec![self.draft().whole(), String::new()];
        lines.push(format!("Began: {}", say::full_time(At(self.incident.opened_ms), self.site.zone)));
        if let Some(closed) = self.incident.closed_ms {
            lines.push(format!("Over:  {}", say::full_time(At(closed), self.site.zone)));
        }
        if let Some(worst) = self.figure("worst_c") {
            lines.push(format!("Peak:  {}", self.temperature(worst)));
        }
        if let Some(place) = self.place() {
            lines.push(format!("Where: {place}"));
        }
        lines.push(String::new());
        let cautions = caution::of(self.topic, self.level);
        if !cautions.is_empty() {
            lines.extend(cautions.iter().map(|caution| format!("* {caution}")));
            lines.push(String::new());
        }
        lines.push(signature(self.site, self.now));
        lines.join("\n")
    }

    // --- pieces of sentences ---

    /// `Pile 2026-03:`, or the farm where no pile is meant.
    fn about(self) -> String {
        match &self.incident.pile {
            Some(pile) => format!("Pile {}:", self.name(pile)),
            None => "Heapward:".to_owned(),
        }
    }

    /// The spot, else the probe.
    fn place(self) -> Option<String> {
        let place = self.incident.spot.as_deref().or(self.incident.probe.as_deref());
        place.map(|place| self.name(place))
    }

    /// The spot, or a word for the pile as a whole.
    fn spot(self) -> String {
        self.named(self.incident.spot.as_deref(), "the pile")
    }

    /// `probe k1 at core-north`.
    fn probe(self) -> String {
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

    fn named(self, name: Option<&str>, otherwise: &str) -> String {
        name.map_or_else(|| otherwise.to_owned(), |name| self.name(name))
    }

    fn name(self, name: &str) -> String {
        gsm::clip(&gsm::one_line(name), self.name_chars)
    }

    fn figure(self, name: &str) -> Option<f64> {
        self.incident.figures.get(name).copied()
    }

    fn instant(self, name: &str) -> Option<At> {
        #[expect(
            clippy::cast_possible_truncation,
            reason = "stored instants are whole milliseconds below 2^52"
        )]
        self.figure(name).map(|ms| At(ms as i64))
    }

    fn span(self, name: &str) -> Option<Span> {
        self.instant(name).map(|at| Span(at.0))
    }

    /// Since when: what the finding says, else when this level began, else the opening.
    fn since(self) -> At {
        let level_began = self.instant("level_ms");
        self.instant("since_ms").or(level_began).unwrap_or(At(self.incident.opened_ms))
    }

    fn closed(self) -> At {
        self.incident.closed_ms.map_or(self.now, At)
    }

    fn when(self, at: At) -> String {
        say::when(at, self.now, self.site.zone)
    }

    fn temperature(self, c: f64) -> String {
        say::temperature(Celsius(c), self.site.shows)
    }

    fn limit(self, f: f64) -> String {
        say::limit(f, self.site.shows)
    }

    /// The deciding temperature, if there is one: `163 F`.
    fn reading(self) -> Option<String> {
        self.figure("temperature_c").or(self.figure("worst_c")).map(|c| self.temperature(c))
    }

    /// `41 of 72 h`.
    fn counted(self) -> Option<String> {
        let counted = self.span("counted_ms")?.0 / 3_600_000;
        match self.span("required_ms") {
            Some(required) => Some(format!("{counted} of {}", say::hours(required))),
            None => Some(format!("{counted} h")),
        }
    }

    fn is_fire(self) -> bool {
        self.topic == Topic::Pile(Kind::Overheating) && self.level == Level::Danger
    }

    fn is_news(self) -> bool {
        matches!(self.topic, Topic::Pile(Kind::Qualified | Kind::ReadyToMove | Kind::Cured))
    }

    /// What it is, in three or four words.
    fn phrase(self) -> String {
        match self.topic {
            Topic::Pile(kind) => self.kind_phrase(kind),
            Topic::Farm(trouble) => match trouble {
                Trouble::StoreFailing => "readings can't be kept".to_owned(),
                Trouble::DiskLow => "card nearly full".to_owned(),
                Trouble::BrokerAway => "broker not reached".to_owned(),
                Trouble::ClockUntrusted => "clock not set".to_owned(),
                Trouble::ChannelFailing => "messages not sent".to_owned(),
                Trouble::HarvestTooSoon => "harvest too soon".to_owned(),
            },
        }
    }

    fn kind_phrase(self, kind: Kind) -> String {
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

    fn phrase_with_place(self) -> String {
        match (self.topic, self.place()) {
            (Topic::Pile(Kind::AllSilent), _) | (_, None) => self.phrase(),
            (_, Some(place)) => format!("{place} {}", self.phrase()),
        }
    }
}

#[cfg(test)]
mod tests;
