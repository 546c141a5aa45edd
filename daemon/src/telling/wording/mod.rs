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
mod view;

use chrono_tz::Tz;
use heapward_rules::finding::Kind;
use heapward_rules::units::At;

use self::draft::Draft;
use self::view::View;
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

/// The same with the figure as it is now, or the peak of what is over: `..., now 163 F at outer-south`.
pub fn line_now(incident: &Incident, site: &Site, now: At) -> String {
    let plain = line(incident, site, now);
    let Some(view) = View::new(incident, Step::Opened, site, now) else { return plain };
    let peak = view.figure("worst_c").map(|c| view.temperature(c));
    match (incident.closed_ms, view.newest(), peak) {
        (Some(_), _, Some(peak)) => format!("{plain} (peak {peak})"),
        (None, Some((c, _)), _) => {
            let elsewhere = incident.read_spot.as_ref().filter(|spot| Some(*spot) != incident.spot.as_ref());
            let elsewhere = elsewhere.map(|spot| format!(" at {}", view.name(spot))).unwrap_or_default();
            let figure = view.temperature(c);
            match view.read_when().as_str() {
                "" => format!("{plain}, now {figure}{elsewhere}"),
                when => format!("{plain}, last {figure}{elsewhere}{when}"),
            }
        }
        _ => plain,
    }
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

impl View<'_> {
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
            // Those of a pile begin with the word already.
            Step::Reminder(_) if self.incident.pile.is_some() => self.opened(),
            Step::Reminder(_) => self.opened().before("Reminder:"),
            Step::SecondPerson => self.opened().before("Nobody answered."),
            Step::WeekBefore => self.opened().before("A week to go."),
            Step::Opened | Step::Worsened(_) | Step::Noted | Step::Seen => self.opened(),
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
            Topic::Farm(Trouble::ClockUntrusted) => {
                Draft::fact(format!("Heapward's clock is set again at {}.", self.when(self.closed())))
                    .hint("What was held is dated now. Nothing more to do for this.")
            }
            _ => Draft::fact(format!(
                "{} {} since {}, after trouble from {}.",
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
            Topic::Farm(Trouble::ChannelFailing) => format!("{} sends again", self.spot()),
            Topic::Farm(Trouble::BackupFailing) => "records are copied again".to_owned(),
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
        let is_over = self.incident.closed_ms.is_some();
        let mut lines = vec![self.draft().whole(), String::new()];
        lines.push(format!("Began: {}", say::full_time(At(self.incident.opened_ms), self.site.zone)));
        if let Some(closed) = self.incident.closed_ms {
            lines.push(format!("Over:  {}", say::full_time(At(closed), self.site.zone)));
        }
        if let Some(worst) = self.figure("worst_c") {
            lines.push(format!("Peak:  {}", self.temperature(worst)));
        }
        if let Some(newest) = self.reading().filter(|_| self.figure("now_c").is_some() && !is_over) {
            lines.push(format!("Now:   {newest}{}", self.read_when()));
        }
        if let Some(place) = self.place() {
            let hottest = self.incident.read_spot.as_deref().map(|spot| self.name(spot));
            let hottest = hottest.filter(|spot| *spot != place && !is_over);
            let hottest = hottest.map(|spot| format!(", now hottest at {spot}")).unwrap_or_default();
            lines.push(format!("Where: {place}{hottest}"));
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
}

#[cfg(test)]
mod tests;
