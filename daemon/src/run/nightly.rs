//! The copy of the records that is made each night.

use std::future::Future;
use std::sync::{Arc, Mutex, PoisonError};

use chrono::NaiveTime;
use heapward_rules::units::{At, Span};
use tracing::{info, warn};

use crate::clock::SharedClock;
use crate::config::{BackupConfig, Config};
use crate::copies::Copies;
use crate::limits::BACKUP_RETRY;
use crate::model::time::local;
use crate::store::Reader;
use crate::summary::schedule;
use crate::telling::trouble::BackupState;

/// How it stands with the copies, for those who tell of it.
#[derive(Clone, Debug, Default)]
pub(super) struct Standing(Arc<Mutex<Copied>>);

#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Copied {
    /// When the newest whole copy of the folder was made: whether tonight's is there. The last copy of all, by hand or at
    /// night, is noted with the store (`store::last_copy`).
    last: Option<At>,
    /// `None` before the first try since the start: nothing begins or ends by that.
    pub(super) state: Option<BackupState>,
}

pub(super) struct Nightly {
    pub(super) config: Arc<Config>,
    pub(super) clock: SharedClock,
    pub(super) reader: Reader,
    pub(super) copies: Copies,
    pub(super) standing: Standing,
}

/// What makes the copies, if the configuration wants any. What is known of them stands in `standing` from here on.
pub(super) fn of(
    config: &Arc<Config>,
    clock: &SharedClock,
    reader: &Reader,
    standing: &Standing,
) -> Option<(Nightly, BackupConfig)> {
    let Some(backup) = config.backup.clone() else {
        // One that was wanted once is wanted no more.
        standing.set(Copied { last: None, state: Some(BackupState::default()) });
        return None;
    };
    let copies = Copies::new(&backup, config.farm.timezone);
    standing.set(Copied { last: copies.newest(), state: None });
    let (config, clock, reader) = (config.clone(), clock.clone(), reader.clone());
    Some((Nightly { config, clock, reader, copies, standing: standing.clone() }, backup))
}

// === impl Standing ===

impl Standing {
    pub(super) fn get(&self) -> Copied {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn set(&self, copied: Copied) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = copied;
    }
}

// === impl Nightly ===

impl Nightly {
    /// Makes a copy each night until the daemon stops; at once, if one is missing.
    pub(super) async fn run(self, backup: BackupConfig, stopped: impl Future<Output = ()> + Send) {
        tokio::pin!(stopped);
        let zone = self.config.farm.timezone;
        let mut said = String::new();
        loop {
            let now = self.clock.now();
            let last = self.standing.get().last.map(|at| local(at, zone).date_naive());
            let mut pause = schedule::next_due(last, now, backup.at, zone) - now;
            if self.clock.is_trusted() && schedule::due_day(last, now, backup.at, zone).is_some() {
                pause = match self.copy(now, backup.at).await {
                    Ok(()) => {
                        said.clear();
                        Span::ZERO
                    }
                    Err(problem) => {
                        // The same trouble once, not with each try.
                        if said != problem {
                            warn!("no copy of the records was made: {problem}");
                            said = problem;
                        }
                        BACKUP_RETRY
                    }
                };
            }
            // A clock that is set in between must not oversleep.
            let pause = pause.clamp(Span::seconds(1), Span::hours(1));
            tokio::select! {
                () = &mut stopped => return,
                () = self.clock.sleep(pause) => {}
            }
        }
    }

    async fn copy(&self, now: At, time: NaiveTime) -> Result<(), String> {
        let (of, reader, config) = (self.copies.clone(), self.reader.clone(), self.config.clone());
        let made = tokio::task::spawn_blocking(move || of.make(&reader, &config, now)).await;
        let before = self.standing.get().last;
        let made = made.map_err(|error| error.to_string()).and_then(|made| made.map_err(|e| e.to_string()));
        let (last, failing_since) = match &made {
            Ok(folder) => {
                info!("the records were copied to {}", folder.display());
                (Some(now), None)
            }
            Err(_) => (before, Some(self.missing_since(before, now, time))),
        };
        self.standing.set(Copied { last, state: Some(BackupState { failing_since }) });
        made.map(drop)
    }

    /// When the first copy after the last one should have been made; where there was none, since the first try failed.
    fn missing_since(&self, last: Option<At>, now: At, time: NaiveTime) -> At {
        let zone = self.config.farm.timezone;
        let after = |last| schedule::next_due(Some(local(last, zone).date_naive()), last, time, zone);
        let failing = self.standing.get().state.and_then(|state| state.failing_since);
        last.map(after).or(failing).unwrap_or(now)
    }
}
