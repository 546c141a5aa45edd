//! What an incident itself says: how it began and got worse, and what was told of it so far.

use heapward_rules::finding::Level;
use heapward_rules::units::{At, Span};

use crate::model::incident::{Incident, Stage, Telling};
use crate::telling::moment::Moment;
use crate::telling::step::Step;
use crate::telling::topic::{Matter, Topic, level_word, parse_level};

pub(super) fn open(matter: &Matter, id: String) -> Incident {
    let mut incident = Incident {
        id,
        pile: matter.pile.clone(),
        kind: matter.topic.word().to_owned(),
        level: level_word(matter.level).to_owned(),
        spot: matter.spot.clone(),
        read_spot: matter.read_spot.clone(),
        probe: matter.probe.clone(),
        opened_ms: matter.opened.0,
        closed_ms: None,
        stage: Stage::Noted,
        figures: matter.figures.clone(),
        tellings: vec![],
        muted_until_ms: None,
    };
    stamp(&mut incident, "decided_ms", matter.at);
    incident
}

/// The figures of an open incident as they are now, beside those that decided.
pub(super) fn follow(incident: &mut Incident, matter: &Matter) {
    for (name, value) in &matter.figures {
        let name = match name.as_str() {
            "temperature_c" => "now_c",
            "read_ms" => "now_ms",
            other => other,
        };
        incident.figures.insert(name.to_owned(), *value);
    }
    if matter.read_spot.is_some() {
        incident.read_spot.clone_from(&matter.read_spot);
    }
}

/// A newer finding's figures are the present ones.
pub(super) fn take_figures(incident: &mut Incident, matter: &Matter) {
    incident.figures.retain(|name, _| name != "now_c" && name != "now_ms");
    incident.figures.extend(matter.figures.clone());
    if matter.read_spot.is_some() {
        incident.read_spot.clone_from(&matter.read_spot);
    }
}

/// A worse level or figure of a known incident. One that had ended goes on: late readings have changed its end.
pub(super) fn worsen(incident: &mut Incident, matter: &Matter) {
    take_figures(incident, matter);
    stamp(incident, "decided_ms", matter.at);
    if matter.level > parse_level(&incident.level) {
        level_word(matter.level).clone_into(&mut incident.level);
        stamp(incident, "level_ms", matter.at);
    }
    if incident.closed_ms.take().is_some() {
        incident.stage = if told_level(incident).is_some() { Stage::Told } else { Stage::Noted };
    }
}

#[expect(clippy::cast_precision_loss, reason = "instants of a farm are below 2^52 ms")]
pub(super) fn stamp(incident: &mut Incident, figure: &str, at: At) {
    incident.figures.insert(figure.to_owned(), at.0 as f64);
}

pub(super) fn quiet_telling(step: Step, at: At) -> Telling {
    Telling { at_ms: at.0, step: step.word(), level: String::new(), messages: vec![] }
}

pub(super) fn steps_of(incident: &Incident) -> impl Iterator<Item = (Step, At)> + '_ {
    incident.tellings.iter().filter_map(|t| Step::parse(&t.step).map(|step| (step, At(t.at_ms))))
}

pub(super) fn last_at(incident: &Incident, is_it: impl Fn(Step) -> bool) -> Option<At> {
    steps_of(incident).filter(|(step, _)| is_it(*step)).map(|(_, at)| at).max()
}

/// The worst level at which it was told; `None` if it was not.
pub(super) fn told_level(incident: &Incident) -> Option<Level> {
    let told = incident.tellings.iter().filter(|telling| !telling.messages.is_empty());
    told.map(|telling| parse_level(&telling.level)).max()
}

pub(super) fn knows_second(incident: &Incident) -> bool {
    steps_of(incident).any(|(step, _)| step == Step::SecondPerson)
        || incident.tellings.iter().any(|telling| telling.level == level_word(Level::Danger))
}

#[expect(clippy::cast_possible_truncation, reason = "stored spans are whole milliseconds below 2^52")]
pub(super) fn figure(incident: &Incident, name: &str) -> Option<i64> {
    incident.figures.get(name).map(|value| *value as i64)
}

pub(super) fn moment_of(incident: &Incident, topic: Topic) -> Moment {
    Moment::of(topic, parse_level(&incident.level), figure(incident, "counted_ms").map(Span))
}
