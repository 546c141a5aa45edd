//! The store behind the recorder: opened again after an error, with growing pauses, and never given up.

use std::thread;
use std::time::Duration;

use heapward_rules::units::{At, Span};
use tracing::{debug, error, info, warn};

use super::handle::StoreTrouble;
use crate::clock::SharedClock;
use crate::limits::{REOPEN_PAUSE_FIRST, REOPEN_PAUSE_MAX};
use crate::store::{OpenReport, Reader, Store, StoreError, StoreOptions};

/// The one owner of the store.
pub struct Keeper {
    options: StoreOptions,
    reader: Reader,
    store: Option<Store>,
    clock: SharedClock,
    /// After a failure: monotonic time of the next try, and the pause after that.
    retry: Option<(Span, Span)>,
    failing: Option<StoreTrouble>,
    /// It is the database that fails; readings alone go into the side log, whose room is taken already.
    only_readings_fit: bool,
}

// === impl Keeper ===

impl Keeper {
    /// Opens the store for the first time; a damaged one is set aside, and the report says so. Any other error is final
    /// here: the user has to know at once.
    pub fn open(options: StoreOptions, clock: SharedClock) -> Result<(Keeper, OpenReport), StoreError> {
        let reader = Reader::new();
        let (store, report) = Store::open_or_set_aside(&options, &reader, clock.now())?;
        let keeper = Keeper {
            options,
            reader,
            store: Some(store),
            clock,
            retry: None,
            failing: None,
            only_readings_fit: false,
        };
        Ok((keeper, report))
    }

    pub fn reader(&self) -> &Reader {
        &self.reader
    }

    /// Since when the store cannot be written, if so.
    pub fn failing_since(&self) -> Option<At> {
        self.failing.as_ref().map(|trouble| trouble.since)
    }

    /// The same with what was said first: later tries only find the store closed.
    pub fn failing(&self) -> Option<&StoreTrouble> {
        self.failing.as_ref()
    }

    /// Keeps readings. On a full card that may go well for hours while nothing else does, so it is no proof that the
    /// store works again, unless readings were what failed.
    pub fn keep<T>(
        &mut self,
        work: impl FnOnce(&mut Store) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        self.attempt(work, true)
    }

    /// Does something with the store. An error that needs it drops the store, which is opened again later.
    pub fn with<T>(
        &mut self,
        work: impl FnOnce(&mut Store) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        self.attempt(work, false)
    }

    fn attempt<T>(
        &mut self,
        work: impl FnOnce(&mut Store) -> Result<T, StoreError>,
        of_readings: bool,
    ) -> Result<T, StoreError> {
        self.look_after();
        let store = self.store.as_mut().ok_or(StoreError::Closed)?;
        let done = work(store);
        match &done {
            Err(problem) if problem.must_reopen() => {
                self.drop_store(problem);
                self.only_readings_fit |= !of_readings || matches!(problem, StoreError::Database(_));
            }
            _ if of_readings && self.only_readings_fit => {}
            _ => self.works(),
        }
        done
    }

    /// Takes the place of a database that answers nobody any more because one of its reads has failed, and opens a
    /// store that is away when its time has come. A reader finds the store closed meanwhile, for as long as opening takes.
    pub fn look_after(&mut self) {
        if self.store.as_ref().is_some_and(Store::has_failed_read) {
            warn!("a read of the database failed; it is opened again");
            self.store = None;
            self.retry = Some((self.clock.monotonic(), REOPEN_PAUSE_FIRST));
        }
        self.reopen_if_due();
    }

    /// Only work proves it: a card that takes no write can still be opened.
    fn works(&mut self) {
        if self.failing.take().is_some() {
            info!("the store works again");
        }
        self.retry = None;
        self.only_readings_fit = false;
    }

    fn drop_store(&mut self, problem: &StoreError) {
        if self.failing.is_none() {
            error!("the store failed and is opened again: {problem}");
            self.failing = Some(StoreTrouble { since: self.clock.now(), reason: problem.to_string() });
        }
        self.store = None;
        self.put_off();
    }

    fn put_off(&mut self) {
        let pause = self.retry.map_or(REOPEN_PAUSE_FIRST, |(_, pause)| pause);
        let next = Span((pause.0 * 2).min(REOPEN_PAUSE_MAX.0));
        self.retry = Some((self.clock.monotonic() + pause, next));
    }

    fn reopen_if_due(&mut self) {
        let due = self.retry.is_some_and(|(at, _)| self.clock.monotonic() >= at);
        if self.store.is_some() || !due {
            return;
        }
        match Store::open_for(&self.options, &self.reader) {
            Ok((store, report)) => {
                debug!(replayed = report.replayed, "the store is open again");
                self.store = Some(store);
            }
            // A reader that still looks at the former database holds its lock: no trouble, only a moment too early.
            Err(StoreError::Locked(_)) => self.put_off(),
            Err(problem) => self.drop_store(&problem),
        }
    }
}

/// A short rest of the recorder's thread between two looks at a store that is away.
pub fn rest() {
    thread::sleep(Duration::from_millis(20));
}
