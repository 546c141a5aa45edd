//! Troubles of the daemon itself, from how it is doing now and what is open in the store: nothing else to remember,
//! so that a restart neither repeats nor forgets one.

use std::collections::BTreeMap;
use std::sync::{Arc, RwLock};

use heapward_rules::finding::{Change, Level};
use heapward_rules::units::{At, Span};

use super::topic::{Matter, Topic, Trouble, parse_level};
use super::worker::ChannelState;
use crate::limits;
use crate::model::incident::Incident;

/// How the daemon is doing. Absent means known to be well: a broker that was not reached yet since the start is away
/// since the start.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Health {
    /// Since when readings can't be kept.
    pub store_failing_since: Option<At>,
    /// Room on the card; `None` if nobody knows.
    pub free_mb: Option<u64>,
    /// Since when the outside broker can't be reached.
    pub broker_away_since: Option<At>,
    /// Since when the clock isn't trusted, on that same clock.
    pub clock_untrusted_since: Option<At>,
    /// `None` if nobody knows yet: then nothing begins or ends.
    pub backup: Option<BackupState>,
    pub channels: BTreeMap<String, ChannelState>,
}

/// How it stands with the nightly copy.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct BackupState {
    /// When the first copy that is missing should have been made.
    pub failing_since: Option<At>,
}

/// How the daemon was doing at the last look, for the recorder, which tells of it.
#[derive(Clone, Debug, Default)]
pub struct Vitals {
    /// `None` before the first look: nothing is known then, and nothing begins or ends.
    last: Arc<RwLock<Option<Health>>>,
}

// === impl Vitals ===

impl Vitals {
    pub fn set(&self, health: Health) {
        if let Ok(mut last) = self.last.write() {
            *last = Some(health);
        }
    }

    pub fn get(&self) -> Option<Health> {
        self.last.read().ok()?.clone()
    }
}

/// What has begun, got worse or ended. `recent` as for the policy.
pub fn matters(health: &Health, recent: &[Incident], now: At) -> Vec<Matter> {
    let mut found = Vec::new();
    let plain = |trouble, since: Option<At>, level, least: Span| {
        // What is open goes on; a beginning has to last first.
        let is_open = open_one(trouble, None, recent).is_some();
        let since = since.filter(|since| is_open || now - *since >= least);
        change(trouble, None, since.map(|since| (level, since)), recent, now)
    };
    let (store, least) = (health.store_failing_since, limits::TROUBLE_LEAST);
    found.extend(plain(Trouble::StoreFailing, store, Level::Urgent, Span::ZERO));
    found.extend(plain(Trouble::BrokerAway, health.broker_away_since, Level::Act, least));
    found.extend(plain(Trouble::ClockUntrusted, health.clock_untrusted_since, Level::Act, least));
    if let Some(BackupState { failing_since }) = health.backup {
        found.extend(plain(Trouble::BackupFailing, failing_since, Level::Act, limits::BACKUP_TROUBLE));
    }
    found.extend(disk(health.free_mb, recent, now));
    found.extend(damage_is_known(recent, now));
    for (channel, state) in &health.channels {
        // After a restart nothing has failed yet: only a message that went out proves that it works again.
        let open = open_one(Trouble::ChannelFailing, Some(channel), recent);
        let works = state.failing_since.is_none()
            && open.is_none_or(|open| state.last_sent.is_some_and(|sent| sent.0 > open.opened_ms));
        if !works && state.failing_since.is_none() {
            continue;
        }
        let since = state.failing_since.filter(|since| now - *since >= limits::CHANNEL_TROUBLE);
        let since = since.map(|since| (Level::Act, since));
        found.extend(change(Trouble::ChannelFailing, Some(channel), since, recent, now));
    }
    found
}

/// The store was set aside at this start, or is older than the record.
pub fn records_damaged(now: At) -> Matter {
    Matter::of_farm(Trouble::RecordsDamaged, Level::Act, Change::Opened, now, now)
}

/// It stands on the page for a day; the log keeps it.
fn damage_is_known(recent: &[Incident], now: At) -> Option<Matter> {
    let open = open_one(Trouble::RecordsDamaged, None, recent)?;
    (now - At(open.opened_ms) >= limits::RECORDS_DAMAGED_SHOWN).then(|| Matter::closing(open, now)).flatten()
}

/// Low opens below one mark and closes above a higher one; nearly none is urgent.
fn disk(free_mb: Option<u64>, recent: &[Incident], now: At) -> Option<Matter> {
    let free = free_mb?;
    let is_open = open_one(Trouble::DiskLow, None, recent).is_some();
    let mark = if is_open { limits::DISK_ROOM_AGAIN_MB } else { limits::DISK_LOW_MB };
    let level = if free < limits::DISK_NEARLY_FULL_MB { Level::Urgent } else { Level::Act };
    let condition = (free < mark).then_some((level, now));
    let matter = change(Trouble::DiskLow, None, condition, recent, now)?;
    #[expect(clippy::cast_precision_loss, reason = "megabytes of a card")]
    let free = free as f64;
    Some(matter.with("free_mb", free))
}

/// From a condition (level and since when; `None` if all is well) to what has changed.
fn change(
    trouble: Trouble,
    place: Option<&str>,
    condition: Option<(Level, At)>,
    recent: &[Incident],
    now: At,
) -> Option<Matter> {
    let open = open_one(trouble, place, recent);
    match (condition, open) {
        (None, Some(incident)) => Matter::closing(incident, now),
        (Some((level, since)), None) => {
            let opened = Matter::of_farm(trouble, level, Change::Opened, now, since);
            Some(Matter { spot: place.map(str::to_owned), ..opened })
        }
        (Some((level, _)), Some(incident)) if level > parse_level(&incident.level) => {
            let worse = Matter::closing(incident, now)?;
            Some(Matter { level, change: Change::Worsened, ..worse })
        }
        (None, None) | (Some(_), Some(_)) => None,
    }
}

fn open_one<'a>(trouble: Trouble, place: Option<&str>, recent: &'a [Incident]) -> Option<&'a Incident> {
    let word = Topic::Farm(trouble).word();
    let mut open = recent.iter().filter(|incident| incident.closed_ms.is_none() && incident.kind == word);
    open.find(|incident| incident.spot.as_deref() == place)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::telling::fixture::{at, site, telling};
    use crate::telling::policy::{Scene, Teller};

    /// Plays states of health minute after minute and lists what changed.
    fn play(states: &[(&str, Health)]) -> Vec<String> {
        let teller = Teller::new(site(), &telling());
        let mut incidents: Vec<Incident> = Vec::new();
        let mut list = Vec::new();
        for (when, health) in states {
            let now = at(when);
            // A second look at the same state finds nothing.
            for _ in 0..2 {
                for matter in matters(health, &incidents, now) {
                    list.push(format!(
                        "{when} {} {:?} {:?}",
                        matter.incident_id(),
                        matter.level,
                        matter.change
                    ));
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

    fn free(mb: u64) -> Health {
        Health { free_mb: Some(mb), ..Health::default() }
    }

    #[test]
    fn a_full_card_opens_worsens_and_ends_with_room() {
        let began = at("12 14:00").0;
        assert_eq!(
            play(&[
                ("12 13:00", free(5_000)),
                ("12 14:00", free(499)),
                ("12 15:00", free(520)),
                ("12 16:00", free(90)),
                ("12 17:00", free(300)),
                ("12 18:00", free(900)),
            ]),
            [
                format!("12 14:00 -/disk-low/-/{began} Act Opened"),
                format!("12 16:00 -/disk-low/-/{began} Urgent Worsened"),
                format!("12 18:00 -/disk-low/-/{began} Urgent Closed"),
            ]
        );
    }

    #[test]
    fn a_copy_that_is_missing_is_told_after_two_days_and_nothing_ends_before_the_next_try() {
        let failing = |since: Option<&str>| Health {
            backup: Some(BackupState { failing_since: since.map(at) }),
            ..Health::default()
        };
        let began = at("12 02:30").0;
        assert_eq!(
            play(&[
                ("12 02:31", failing(Some("12 02:30"))),
                ("14 02:29", failing(Some("12 02:30"))),
                ("14 02:30", failing(Some("12 02:30"))),
                ("14 10:00", Health::default()),
                ("14 10:05", failing(None)),
            ]),
            [
                format!("14 02:30 -/backup-failing/-/{began} Act Opened"),
                format!("14 10:05 -/backup-failing/-/{began} Act Closed"),
            ]
        );
    }

    #[test]
    fn a_broker_that_is_away_for_a_day_is_one_trouble() {
        let away = || Health { broker_away_since: Some(at("12 13:50")), ..Health::default() };
        let looks: Vec<String> =
            (14..38).map(|hour| format!("{} {:02}:05", 12 + hour / 24, hour % 24)).collect();
        let mut looks: Vec<(&str, Health)> = looks.iter().map(|when| (when.as_str(), away())).collect();
        looks.push(("13 15:00", Health::default()));
        let began = at("12 13:50").0;
        let told = [("12 14:05", "Opened"), ("13 15:00", "Closed")];
        let expected = told.map(|(when, change)| format!("{when} -/broker-away/-/{began} Act {change}"));
        assert_eq!(play(&looks), expected);
    }

    #[test]
    fn broker_clock_store_and_channels_begin_when_they_began() {
        let since = |when| Some(at(when));
        let failing = ChannelState { failing_since: since("12 13:10"), ..ChannelState::default() };
        let channels = BTreeMap::from([("phone".to_owned(), failing)]);
        let sent = |when| ChannelState { last_sent: since(when), ..ChannelState::default() };
        let well = |when| Health { channels: [("phone".to_owned(), sent(when))].into(), ..Health::default() };
        let bad = Health {
            store_failing_since: since("12 13:59"),
            broker_away_since: since("12 13:50"),
            clock_untrusted_since: since("12 13:40"),
            channels,
            free_mb: None,
            backup: None,
        };
        let list = play(&[
            ("12 14:00", bad.clone()),
            ("12 14:10", bad),
            ("12 15:00", well("12 11:00")),
            ("12 16:00", well("12 15:58")),
        ]);
        let began = |when| at(when).0;
        assert_eq!(
            list,
            [
                format!("12 14:00 -/store-failing/-/{} Urgent Opened", began("12 13:59")),
                format!("12 14:00 -/broker-away/-/{} Act Opened", began("12 13:50")),
                format!("12 14:00 -/clock-untrusted/-/{} Act Opened", began("12 13:40")),
                // A channel that has failed for an hour.
                format!("12 14:10 -/channel-failing/phone/{} Act Opened", began("12 13:10")),
                format!("12 15:00 -/store-failing/-/{} Urgent Closed", began("12 13:59")),
                format!("12 15:00 -/broker-away/-/{} Act Closed", began("12 13:50")),
                format!("12 15:00 -/clock-untrusted/-/{} Act Closed", began("12 13:40")),
                // What was sent before it began to fail proves nothing.
                format!("12 16:00 -/channel-failing/phone/{} Act Closed", began("12 13:10")),
            ]
        );
    }
}
