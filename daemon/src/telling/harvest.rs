//! Harvests that are planned too early where a pile was spread as raw manure (T15): entered so before this program
//! refused it, or too early only since a verdict was amended.
//!
//! What is open in the store is all there is to remember: a restart neither repeats nor forgets one.

use chrono::NaiveDate;
use chrono_tz::Tz;
use heapward_rules::finding::{Change, Level};
use heapward_rules::recipe::dates::Date;
use heapward_rules::units::At;

use super::topic::{Matter, Topic, Trouble};
use crate::after::{Use, day_of};
use crate::model::incident::Incident;
use crate::model::time::from_local;

/// What has begun or ended with the uses of one pile. `recent` as for the policy.
pub fn matters(pile: &str, uses: &[Use], recent: &[Incident], zone: Tz, now: At) -> Vec<Matter> {
    let Some(today) = day_of(now, zone) else { return Vec::new() };
    let early: Vec<Matter> = uses.iter().filter_map(|one| matter(pile, one, today, zone, now)).collect();
    let id_of = |incident: &Incident| early.iter().any(|matter| matter.incident_id() == incident.id);
    let over = open(pile, recent).filter(|incident| !id_of(incident));
    let ended: Vec<Matter> = over.filter_map(|incident| Matter::closing(incident, now)).collect();
    let begun = early.iter().filter_map(|matter| change(matter, recent));
    ended.into_iter().chain(begun).collect()
}

/// Opened, or changed: another harvest, or too early again after it was put right.
fn change(matter: &Matter, recent: &[Incident]) -> Option<Matter> {
    let Some(known) = recent.iter().find(|incident| incident.id == matter.incident_id()) else {
        return Some(matter.clone());
    };
    let is_as_before = known.closed_ms.is_none()
        && matter.figures.iter().all(|(name, value)| known.figures.get(name) == Some(value));
    (!is_as_before).then(|| Matter { change: Change::Worsened, ..matter.clone() })
}

fn open<'a>(pile: &str, recent: &'a [Incident]) -> impl Iterator<Item = &'a Incident> {
    let word = Topic::Farm(Trouble::HarvestTooSoon).word();
    let is_it = move |incident: &&Incident| incident.kind == word && incident.closed_ms.is_none();
    recent.iter().filter(is_it).filter(move |incident| incident.pile.as_deref() == Some(pile))
}

/// A harvest that is still ahead and too early.
fn matter(pile: &str, one: &Use, today: Date, zone: Tz, now: At) -> Option<Matter> {
    let earliest = one.waits()?;
    let harvest = one.harvest.filter(|harvest| *harvest < earliest && *harvest >= today)?;
    let opened = Matter::of_farm(Trouble::HarvestTooSoon, Level::Act, Change::Opened, now, one.at)
        .with("harvest_ms", begins_ms(harvest, zone)?)
        .with("earliest_ms", begins_ms(earliest, zone)?);
    Some(Matter { pile: Some(pile.to_owned()), spot: Some(one.bed.clone()), ..opened })
}

/// The instant at which a day begins on the farm.
#[expect(clippy::cast_precision_loss, reason = "instants of a farm are below 2^52 ms")]
fn begins_ms(date: Date, zone: Tz) -> Option<f64> {
    let day = NaiveDate::from_ymd_opt(date.year(), date.month().into(), date.day().into())?;
    from_local(day.and_hms_opt(0, 0, 0)?, zone).map(|at| at.0 as f64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::after::uses::NotBefore;
    use crate::telling::fixture::{ZONE, at, site, telling};
    use crate::telling::policy::{Scene, Teller};

    /// Spread on a day of May 2026; the earliest harvest is 120 days later.
    fn spread(bed: &str, when: &str, harvest: Option<&str>) -> Use {
        let at = at(when);
        Use {
            at,
            bed: bed.to_owned(),
            cubic_yards: None,
            crop: None,
            touches_soil: None,
            harvest: harvest.and_then(Date::parse),
            not_before: NotBefore::after(at, ZONE),
        }
    }

    /// Plays uses day after day and lists what changed.
    fn play(days: &[(&str, Vec<Use>)]) -> Vec<String> {
        let teller = Teller::new(site(), &telling());
        let mut incidents: Vec<Incident> = Vec::new();
        let mut list = Vec::new();
        for (when, uses) in days {
            let now = at(when);
            // A second look finds nothing.
            for _ in 0..2 {
                for matter in matters("2026-03", uses, &incidents, ZONE, now) {
                    let place = matter.spot.clone().unwrap_or_default();
                    list.push(format!("{when} {place} {:?}", matter.change));
                    let told = teller
                        .take(&matter, Scene { now, recent: &incidents, mutes: &[], unreached: &[] })
                        .unwrap();
                    incidents.retain(|incident| incident.id != told.incident.id);
                    incidents.push(told.incident);
                }
            }
        }
        list
    }

    #[test]
    fn only_a_harvest_that_is_ahead_and_too_early_is_told_and_it_ends_when_it_is_put_right() {
        let early = spread("north-4", "2 10:00", Some("2026-07-20"));
        let sooner = spread("north-4", "2 10:00", Some("2026-07-10"));
        let right = spread("north-4", "2 10:00", Some("2026-09-01"));
        let no_harvest = spread("south-1", "2 10:00", None);
        let past = spread("south-2", "2 10:00", Some("2026-05-04"));
        let qualified = Use { not_before: None, ..spread("south-3", "2 10:00", Some("2026-06-01")) };
        let others = [right.clone(), no_harvest, past, qualified];
        assert_eq!(
            play(&[
                ("5 10:00", others.to_vec()),
                ("6 10:00", vec![early.clone()]),
                ("7 10:00", vec![early.clone()]),
                ("8 10:00", vec![right]),
                // A verdict that is amended back and forth is not a new thing.
                ("9 10:00", vec![early]),
                ("10 10:00", vec![sooner.clone(), spread("north-5", "9 10:00", Some("2026-07-20"))]),
                ("11 10:00", vec![sooner]),
            ]),
            [
                "6 10:00 north-4 Opened",
                "8 10:00 north-4 Closed",
                "9 10:00 north-4 Worsened",
                "10 10:00 north-4 Worsened",
                "10 10:00 north-5 Opened",
                "11 10:00 north-5 Closed",
            ]
        );
    }
}
