//! What all handlers share.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::AtomicUsize;

use axum::extract::{FromRequestParts, Path};
use axum::http::request::Parts;
use heapward_rules::ids::StandardId;
use heapward_rules::standard::Standard;
use heapward_rules::units::{At, Span};
use tokio::sync::{Semaphore, watch};

use super::access::keys::Keys;
use super::access::pace::Pace;
use super::entering;
use super::guard::Hosts;
use super::problem::Problem;
use super::words::Style;
use crate::clock::SharedClock;
use crate::config::Config;
use crate::ingest::book::Book;
use crate::limits::HTTP_STORE_READS_MAX;
use crate::mix::request::Request;
use crate::mix::table::{self, Table};
use crate::model::entry::{Entry, NewEntry};
use crate::model::pile::{PileRecord, PlacementRecord};
use crate::model::recipe::RecipeRecord;
use crate::recorder::{Handle, PileView, Refusal, StoreTrouble};
use crate::store::{Reader, StoreError};

/// What the pages need of the rest of the daemon.
#[derive(Clone)]
pub struct App {
    pub config: Arc<Config>,
    pub clock: SharedClock,
    pub handle: Handle,
    pub reader: Reader,
    pub standards: Arc<BTreeMap<StandardId, Standard>>,
    pub ingest: Arc<dyn Fn() -> IngestStatus + Send + Sync>,
    pub telling: Arc<dyn Fn() -> TellingStatus + Send + Sync>,
    pub probes: Book,
}

/// How messages come in at the moment.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct IngestStatus {
    /// The broker or our own endpoint, as `127.0.0.1:1883`; none if nothing is configured.
    pub source: Option<String>,
    pub connected: bool,
    pub last_message: Option<At>,
    pub messages: u64,
    pub readings: u64,
    /// Retained messages, which are never readings.
    pub retained: u64,
    /// Of a backlog without times: all but the last of a probe.
    pub undated: u64,
    pub refused: Vec<RefusedMessages>,
}

/// Messages of one topic that were refused for one reason.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RefusedMessages {
    pub topic: String,
    pub reason: String,
    pub count: u64,
    /// Payload of the first one, cut and made printable.
    pub example: String,
    pub first: At,
    pub last: At,
}

/// How messages go out at the moment.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TellingStatus {
    pub waiting: u64,
    pub sent: u64,
    pub failed: u64,
    pub last_sent: Option<At>,
    /// The last failure of a channel that has not worked since, by its name.
    pub trouble: Vec<(String, String)>,
}

/// What all handlers share.
pub(super) struct House {
    pub(super) app: App,
    pub(super) keys: Keys,
    /// Feedstocks for planning a mix.
    pub(super) table: Table,
    pub(super) pace: Pace,
    pub(super) hosts: Hosts,
    /// Turns true when the daemon stops: live views end.
    pub(super) stops: watch::Receiver<bool>,
    /// Live views that are open.
    pub(super) streams: AtomicUsize,
    reads: Semaphore,
}

/// The pile that a path names, as it is judged now.
pub(super) struct OfPile(pub(super) Arc<PileView>);

impl FromRequestParts<Arc<House>> for OfPile {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, house: &Arc<House>) -> Result<OfPile, Problem> {
        let path = Path::<String>::from_request_parts(parts, house).await;
        let Path(pile) = path.map_err(|rejection| Problem::of_status(rejection.status()))?;
        house.pile(&pile).map(OfPile)
    }
}

// === impl House ===

impl House {
    pub(super) fn new(app: App, stops: watch::Receiver<bool>) -> Arc<House> {
        let machine = std::fs::read_to_string("/proc/sys/kernel/hostname").ok();
        let own = app.config.feedstocks.as_deref();
        // The configuration was found good with it; a file that was spoiled since must not stop the daemon.
        let table = table::load(own).or_else(|problems| {
            tracing::warn!(?problems, "the table of feedstocks can't be read");
            table::built_in()
        });
        Arc::new(House {
            table: table.unwrap_or_default(),
            keys: Keys::new(&app.config.store.dir),
            pace: Pace::default(),
            hosts: Hosts::new(&app.config.http.hosts, machine.as_deref()),
            stops,
            streams: AtomicUsize::new(0),
            reads: Semaphore::new(HTTP_STORE_READS_MAX),
            app,
        })
    }

    /// Bytes that can still be written where the records lie; none where that can't be asked.
    pub(super) fn free_bytes(&self) -> Option<u64> {
        crate::disk::free_bytes(&self.app.config.store.dir).ok()
    }

    /// What lines of a mix come to.
    pub(super) fn recipe(&self, lines: Vec<String>) -> Result<Box<RecipeRecord>, Problem> {
        let request = Request { lines, ..Request::default() };
        request.plan(&self.table).map(|plan| Box::new(plan.record())).map_err(Problem::bad)
    }

    pub(super) fn now(&self) -> At {
        self.app.clock.now()
    }

    /// A pile as it is judged now.
    pub(super) fn pile(&self, id: &str) -> Result<Arc<PileView>, Problem> {
        self.app.handle.view(id).ok_or_else(|| Problem::no_pile(id))
    }

    /// Asks the store on a thread of its own: a question may take a tenth of a second from a card.
    pub(super) async fn read<T: Send + 'static>(
        &self,
        ask: impl FnOnce(&Reader) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, Problem> {
        let closed = |_| Problem::unavailable("Heapward is stopping; try again in a minute");
        let _permit = self.reads.acquire().await.map_err(closed)?;
        let reader = self.app.reader.clone();
        let answer = tokio::task::spawn_blocking(move || ask(&reader)).await;
        let answer = answer.map_err(|error| StoreError::GivenUp(error.to_string())).flatten();
        answer.map_err(|error| match (self.app.handle.store_trouble(), error) {
            (Some(trouble), _) => Problem::unavailable(self.in_words(&trouble)),
            // That it is closed was said when that began; each look at a page need not say it again.
            (None, StoreError::Closed) => Problem::unavailable(StoreError::Closed.to_string()),
            (None, error) => {
                tracing::error!(%error, "the store could not answer");
                Problem::unavailable("the store can't answer at the moment; try again in a minute")
            }
        })
    }

    /// Why readings can't be kept at the moment, as a sentence; nothing while all is well.
    pub(super) fn store_trouble(&self) -> Option<String> {
        Some(self.in_words(&self.app.handle.store_trouble()?))
    }

    fn in_words(&self, trouble: &StoreTrouble) -> String {
        let since = Style::of(&self.app.config).when(trouble.since);
        format!(
            "readings can't be kept since {since}: {}. Free space or change the card; what is not kept is not \
             acknowledged, and goes on by itself when there is room",
            trouble.reason.trim_end_matches('.')
        )
    }

    /// Starts a pile after looking at what it says of itself.
    pub(super) async fn start_pile(&self, pile: PileRecord, by: String) -> Result<PileRecord, Problem> {
        entering::pile(&pile)?;
        entering::text("by", &by)?;
        Ok(self.app.handle.start_pile(pile, by).await?)
    }

    pub(super) async fn place(
        &self,
        pile: String,
        placement: PlacementRecord,
        by: String,
    ) -> Result<PileRecord, Problem> {
        self.pile(&pile)?;
        entering::placement(&placement, self.now())?;
        entering::text("by", &by)?;
        self.app.handle.place(pile, placement, by).await.map_err(in_the_body)
    }

    /// Writes into the log of a pile.
    pub(super) async fn enter(&self, entry: NewEntry) -> Result<Entry, Problem> {
        let pile = entry.pile.as_deref().unwrap_or_default();
        self.pile(pile)?;
        entering::entry(&entry)?;
        self.app.handle.enter(entry).await.map_err(in_the_body)
    }

    /// Interval declared for a probe; a minute for one that is not configured.
    pub(super) fn declared_every(&self, probe: &str) -> Span {
        let probes = self.app.probes.all();
        let declared = probes.iter().find(|one| one.id.as_str() == probe);
        declared.map_or(Span::minutes(1), |one| one.every)
    }
}

/// The pile is known, so what the recorder does not know stands in what was sent: a spot, a probe, an entry.
fn in_the_body(refusal: Refusal) -> Problem {
    match refusal {
        Refusal::Unknown(detail) => Problem::bad(detail),
        other => other.into(),
    }
}
