//! The daily summary: at the site's local time, one for each local day, through the outbox like everything else.

use std::collections::BTreeSet;
use std::future::Future;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use chrono::NaiveDate;
use heapward_rules::ids::ProbeId;
use heapward_rules::reading::Quantity;
use heapward_rules::units::{At, Span};
use heapward_rules::verdict::Verdict;
use tracing::warn;

use super::counting::{Counting, Points, thinned};
use crate::after::day_of;
use crate::clock::SharedClock;
use crate::config::Config;
use crate::disk;
use crate::ingest::IngestHandle;
use crate::ingest::book::Book;
use crate::limits::{RANGE_READINGS_MAX, SUMMARY_CHART_DAYS, SUMMARY_CHART_STEP, SUMMARY_RETRY};
use crate::model::entry::Event;
use crate::model::incident::Incident;
use crate::model::reading::SeriesKey;
use crate::model::words;
use crate::recorder::{Handle, PileView};
use crate::store::{IncidentFilter, Latest, Reader, StoreError};
use crate::summary::chart::Series;
use crate::summary::schedule;
use crate::summary::snapshot::{AirDay, House, PileDay, ProbeDay, Snapshot, SpotDay, VerdictDay, WaterDay};
use crate::summary::week::{Week, week};
use crate::telling::policy::Teller;
use crate::telling::worker::Board;

/// Document with the local day of the last summary.
pub(super) const LAST_DAY: &str = "summary/last-day";
const DAY: Span = Span::days(1);

pub(super) struct Daily {
    pub(super) config: Arc<Config>,
    pub(super) clock: SharedClock,
    pub(super) handle: Handle,
    pub(super) reader: Reader,
    pub(super) teller: Teller,
    pub(super) board: Board,
    pub(super) probes: Book,
    pub(super) ingest: IngestHandle,
    /// Refused messages that were in the summary before: the counter runs since the start.
    pub(super) refused: AtomicU64,
}

// === impl Daily ===

impl Daily {
    pub(super) async fn run(self, stopped: impl Future<Output = ()> + Send) {
        tokio::pin!(stopped);
        let this = Arc::new(self);
        let (time, zone) = (this.config.telling.summary_at, this.config.farm.timezone);
        // A farm that is set up after breakfast gets its first summary the next morning.
        let set_up = schedule::due_day(None, this.clock.now(), time, zone);
        loop {
            let now = this.clock.now();
            let told = this.last_day();
            let last = told.or(set_up);
            let mut pause = schedule::next_due(last, now, time, zone) - now;
            // Before the first pile there is nothing to sum up; afterwards its absence would be a sign.
            let has_begun = told.is_some() || !this.handle.views().is_empty();
            let due = schedule::due_day(last, now, time, zone);
            if let Some(day) = due.filter(|_| has_begun && this.clock.is_trusted())
                && let Err(problem) = this.clone().tell(day, now).await
            {
                // A summary that is due while Heapward stops is sent after the next start.
                tokio::select! {
                    biased;
                    () = &mut stopped => return,
                    () = std::future::ready(()) => {}
                }
                warn!("the daily summary waits: {problem}");
                pause = SUMMARY_RETRY;
            }
            // A clock that is set in between must not oversleep: look at least once an hour.
            let pause = pause.clamp(Span::seconds(1), Span::hours(1));
            tokio::select! {
                () = &mut stopped => return,
                () = this.clock.sleep(pause) => {}
            }
        }
    }

    fn last_day(&self) -> Option<NaiveDate> {
        let bytes = self.reader.document(LAST_DAY).ok().flatten()?;
        String::from_utf8(bytes).ok()?.parse().ok()
    }

    async fn tell(self: Arc<Self>, day: NaiveDate, now: At) -> Result<(), String> {
        let this = self.clone();
        let snapshot = tokio::task::spawn_blocking(move || this.snapshot(now)).await;
        let snapshot = snapshot.map_err(|e| e.to_string())?.map_err(|e| e.to_string())?;
        let summary = crate::summary::compose(&snapshot);
        let messages = self.teller.summary(&summary, day, now);
        self.handle.summary(messages, LAST_DAY, day.to_string()).await.map_err(|e| e.to_string())?;
        self.refused.store(self.ingest.status().counts.refused, Ordering::Relaxed);
        Ok(())
    }

    fn snapshot(&self, now: At) -> Result<Snapshot, StoreError> {
        let latest = self.reader.latest()?;
        let views = self.handle.views();
        let piles = views.iter().filter_map(|view| self.pile_day(view, &latest, now).transpose());
        let incidents = self.reader.incidents(&IncidentFilter::default(), None, 500)?;
        let since = now - DAY;
        let told = incidents.iter().filter(|i| i.closed_ms.is_none_or(|closed| At(closed) >= since));
        let stands = |probe: &ProbeId| {
            let placements = views.iter().flat_map(|view| &view.pile.placements);
            let mut of_probe = placements.filter(|placement| placement.probe == probe.as_str());
            of_probe.any(|placement| placement.until_ms.is_none_or(|until| At(until) > now))
        };
        // A probe in the drawer has nothing to say.
        let in_use = self.probes.all();
        let probes = in_use.iter().filter(|probe| stands(&probe.id));
        let probes = probes.map(|probe| probe_day(&probe.id, probe.every, &latest, now));
        Ok(Snapshot {
            now,
            since,
            site: self.teller.site().clone(),
            piles: piles.collect::<Result<_, _>>()?,
            probes: probes.collect(),
            incidents: told.cloned().collect(),
            harvests: self.harvests(&views, now),
            house: House {
                free_mb: disk::free_bytes(&self.config.store.dir).ok().map(|bytes| bytes / 1_000_000),
                clock_trusted: self.clock.is_trusted(),
                last_copy: crate::store::last_copy(&self.config.store.dir),
                sealed: self.reader.head()?.map(|head| (head.seq, head.digest.to_string())),
                record: self.reader.log_head()?,
                required: views.iter().find_map(|view| Some(view.judgement.verdicts.first()?.required?.time)),
                channels: self.board.states(),
                week: self.week(&incidents, now)?,
                refused: self
                    .ingest
                    .status()
                    .counts
                    .refused
                    .saturating_sub(self.refused.load(Ordering::Relaxed)),
            },
        })
    }

    fn harvests(&self, views: &[Arc<PileView>], now: At) -> Vec<String> {
        let Some(today) = day_of(now, self.config.farm.timezone) else { return Vec::new() };
        views.iter().flat_map(|view| &view.after.uses).filter_map(|one| one.reminder(today)).collect()
    }

    fn week(&self, incidents: &[Incident], now: At) -> Result<Week, StoreError> {
        let piles: BTreeSet<&String> = incidents.iter().filter_map(|one| one.pile.as_ref()).collect();
        let mut entries = Vec::new();
        for pile in piles {
            entries.extend(crate::recorder::all_entries(&self.reader, pile)?);
        }
        Ok(week(incidents, &entries, now))
    }

    fn pile_day(&self, view: &PileView, latest: &[Latest], now: At) -> Result<Option<PileDay>, StoreError> {
        let entries = crate::recorder::all_entries(&self.reader, &view.pile.id)?;
        let newest = |is: fn(&Event) -> bool| {
            let of_kind = entries.iter().filter(|entry| is(&entry.entry.event));
            of_kind.map(|entry| At(entry.entry.at_ms)).max()
        };
        if newest(|event| matches!(event, Event::Used { .. })).is_some() {
            return Ok(None);
        }
        let first = view.judgement.verdicts.first();
        let counting = Counting::new(&self.reader, &view.pile, &entries)?;
        let mut charts = vec![Points::new(); view.pile.spots.len()];
        let mut today = charts.clone();
        for day in (0..SUMMARY_CHART_DAYS).rev() {
            let from = now - Span::days(day + 1);
            today = counting.by_spot(from, from + DAY)?;
            for (chart, points) in charts.iter_mut().zip(&today) {
                chart.extend(thinned(points, SUMMARY_CHART_STEP));
            }
        }
        let with_day = view.pile.spots.iter().zip(&today);
        let spots = with_day.map(|(spot, points)| spot_day(&spot.name, points, first)).collect();
        let named = view.pile.spots.iter().map(|spot| spot.name.clone()).zip(charts);
        let chart = named.filter(|(_, points)| !points.is_empty());
        let chart = chart.map(|(name, points)| Series { name, points }).collect();
        Ok(Some(PileDay {
            id: view.pile.id.clone(),
            built: At(view.pile.built_ms),
            curing_since: newest(|event| matches!(event, Event::MovedToCuring)),
            verdicts: view.judgement.verdicts.iter().map(verdict_day).collect(),
            spots,
            water: WaterDay {
                moisture: moisture(view, latest, now),
                last_watered: newest(|event| matches!(event, Event::Watered { .. })),
            },
            air: AirDay {
                on_share: self.on_share(view, now)?,
                last_changed: newest(|event| matches!(event, Event::AerationChanged { .. })),
            },
            chart,
        }))
    }

    /// Part of the last day in which the blower of a pile ran, if one is measured.
    fn on_share(&self, view: &PileView, now: At) -> Result<Option<f64>, StoreError> {
        let series = self.reader.series()?;
        let (mut on, mut all) = (0_u32, 0_u32);
        for placement in &view.pile.placements {
            let from = (now - DAY).max(At(placement.from_ms));
            let to = placement.until_ms.map_or(now, |until| now.min(At(until)));
            let probe = self.config.probes.iter().find(|probe| probe.id.as_str() == placement.probe);
            let on_above = probe.and_then(|probe| probe.mapping.on_above).unwrap_or(0.0);
            let is_it =
                |key: &SeriesKey| key.quantity == Quantity::Blower && key.probe.as_str() == placement.probe;
            for (id, _) in series.iter().filter(|(_, key)| is_it(key) && from < to) {
                for reading in self.reader.range(*id, from, to, RANGE_READINGS_MAX)?.readings {
                    all += 1;
                    on += u32::from(reading.value > on_above);
                }
            }
        }
        Ok((all > 0).then(|| f64::from(on) / f64::from(all)))
    }
}

fn spot_day(name: &str, points: &[(At, f64)], first: Option<&Verdict>) -> SpotDay {
    let day: Vec<f64> = points.iter().map(|(_, c)| *c).collect();
    let verdict = first.and_then(|verdict| verdict.spots.iter().find(|spot| spot.spot.as_str() == name));
    let run = verdict.and_then(|spot| spot.open_run.or(spot.longest_run));
    let count = f64::from(u32::try_from(day.len()).unwrap_or(u32::MAX));
    let least = day.iter().copied().fold(f64::INFINITY, f64::min);
    let most = day.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    SpotDay {
        name: name.to_owned(),
        range_c: (!day.is_empty()).then(|| (least, day.iter().sum::<f64>() / count, most)),
        counted: run.map(|run| run.counted),
        qualified: verdict.is_some_and(|spot| spot.qualified_at.is_some()),
        given_up: verdict.is_some_and(|spot| spot.given_up.is_some()),
    }
}

fn verdict_day(verdict: &Verdict) -> VerdictDay {
    VerdictDay {
        standard: verdict.standard.to_string(),
        verified: verdict.verified,
        status: verdict.status,
        at: verdict.at,
        held_up_by: verdict.held_up_by.as_ref().map(ToString::to_string),
        cautions: verdict.cautions.iter().map(words::caution_word).collect(),
    }
}

fn probe_day(id: &ProbeId, every: Span, latest: &[Latest], now: At) -> ProbeDay {
    let of_probe = || latest.iter().filter(|newest| newest.key.probe == *id);
    let heard = of_probe().filter(|n| n.key.quantity != Quantity::Battery).map(|n| n.reading.at).max();
    let battery = of_probe().find(|newest| newest.key.quantity == Quantity::Battery);
    let patience = Span::minutes(15).max(Span(every.0 * 3));
    ProbeDay {
        id: id.to_string(),
        heard,
        is_silent: heard.is_none_or(|at| now - at > patience),
        battery_percent: battery.map(|newest| newest.reading.value),
    }
}

fn moisture(view: &PileView, latest: &[Latest], now: At) -> Option<f64> {
    let stands = |probe: &ProbeId| {
        let of_probe = view.pile.placements.iter().filter(|p| p.probe == probe.as_str());
        of_probe.into_iter().any(|p| p.until_ms.is_none_or(|until| At(until) > now))
    };
    let newest = latest.iter().filter(|n| n.key.quantity == Quantity::Moisture && stands(&n.key.probe));
    newest.max_by_key(|newest| newest.reading.at).map(|newest| newest.reading.value)
}
