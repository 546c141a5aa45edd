//! The probes in use: those of the configuration file, and those that were taken into use on a page.
//!
//! The latter are kept in the store as the `[[probe]]` blocks that would stand in the file. Where both have an id, the
//! file's probe counts.

use std::sync::{Arc, Mutex, PoisonError};

use chrono_tz::Tz;
use heapward_rules::ids::ProbeId;

use super::IngestHandle;
use super::router::Router;
use super::suggest::block;
use crate::config::ProbeConfig;
use crate::config::read::probes as read_blocks;
use crate::limits::PROBES_KEPT_MAX;
use crate::recorder::{Handle, ProbeFacts, Probes, Refusal};
use crate::store::Reader;

/// The document of the store that holds the blocks.
const DOCUMENT: &str = "probes";

/// Shared by the pages and by whoever reads the file again.
#[derive(Clone)]
pub struct Book(Arc<Shared>);

struct Shared {
    ingest: IngestHandle,
    recorder: Handle,
    zone: Tz,
    sets: Mutex<Sets>,
    /// Held by a change from its beginning to its end.
    turn: tokio::sync::Mutex<()>,
}

#[derive(Clone)]
struct Sets {
    of_file: Vec<ProbeConfig>,
    kept: Vec<ProbeConfig>,
}

/// Probes that the store keeps. The error names what can't be read.
pub fn kept(reader: &Reader, zone: Tz) -> Result<Vec<ProbeConfig>, String> {
    let bytes = reader.document(DOCUMENT).map_err(|error| error.to_string())?.unwrap_or_default();
    let text = String::from_utf8(bytes).map_err(|_| "the store's list of probes is no text".to_owned())?;
    read_blocks("probes of the store", &text, zone).map_err(|problems| problems.to_string())
}

/// Those of the file, then those that are kept under other ids.
pub fn in_use(of_file: &[ProbeConfig], kept: &[ProbeConfig]) -> Vec<ProbeConfig> {
    let is_new = |probe: &&ProbeConfig| of_file.iter().all(|other| other.id != probe.id);
    of_file.iter().chain(kept.iter().filter(is_new)).cloned().collect()
}

/// What the judge has to know of them.
pub fn facts(probes: &[ProbeConfig]) -> Probes {
    let of = |probe: &ProbeConfig| {
        let on_above = probe.mapping.on_above.unwrap_or(0.0);
        let calibration = probe.mapping.calibration.clone();
        (probe.id.clone(), ProbeFacts { quantity: probe.quantity, on_above, calibration })
    };
    probes.iter().map(of).collect()
}

// === impl Book ===

impl Book {
    /// The sets with which ingest and the recorder have been started.
    pub fn new(
        ingest: IngestHandle,
        recorder: Handle,
        zone: Tz,
        of_file: Vec<ProbeConfig>,
        kept: Vec<ProbeConfig>,
    ) -> Book {
        let sets = Mutex::new(Sets { of_file, kept });
        Book(Arc::new(Shared { ingest, recorder, zone, sets, turn: tokio::sync::Mutex::default() }))
    }

    pub fn all(&self) -> Vec<ProbeConfig> {
        self.sets().all()
    }

    /// Those that were taken into use on a page.
    pub fn kept(&self) -> Vec<ProbeConfig> {
        self.sets().kept
    }

    pub fn ingest(&self) -> &IngestHandle {
        &self.0.ingest
    }

    /// Keeps a probe and takes it into use.
    pub async fn add(&self, probe: ProbeConfig) -> Result<(), Refusal> {
        let _turn = self.0.turn.lock().await;
        let mut sets = self.sets();
        if sets.all().iter().any(|known| known.id == probe.id) {
            return Err(Refusal::Wrong(format!(
                "there is a probe `{}` already; choose another id",
                probe.id
            )));
        }
        if sets.kept.len() >= PROBES_KEPT_MAX {
            let what =
                format!("{PROBES_KEPT_MAX} probes are kept already; write more into the configuration file");
            return Err(Refusal::Wrong(what));
        }
        sets.kept.push(probe);
        self.keep(sets).await
    }

    /// Takes a kept probe out of use. Its readings stay.
    pub async fn remove(&self, id: &ProbeId) -> Result<(), Refusal> {
        let _turn = self.0.turn.lock().await;
        let mut sets = self.sets();
        let before = sets.kept.len();
        sets.kept.retain(|probe| probe.id != *id);
        if sets.kept.len() == before {
            return Err(Refusal::Unknown(format!("no probe `{}` was taken into use here", id.as_str())));
        }
        self.keep(sets).await
    }

    /// The file was read again. On a mistake everything stays as it was.
    pub async fn set_file(&self, of_file: Vec<ProbeConfig>) -> Result<(), Refusal> {
        let _turn = self.0.turn.lock().await;
        let sets = Sets { of_file, ..self.sets() };
        self.take_into_use(sets).await
    }

    async fn keep(&self, sets: Sets) -> Result<(), Refusal> {
        let blocks: Vec<String> = sets.kept.iter().map(block).collect();
        let text = blocks.join("\n");
        // What could not be read at the next start is not kept.
        let kept = read_blocks("probe", &text, self.0.zone).map_err(|problems| {
            Refusal::Wrong(
                problems.0.first().map_or_else(|| problems.to_string(), |first| first.what.clone()),
            )
        })?;
        let sets = Sets { kept, ..sets };
        Router::new(&sets.all()).map_err(|problem| Refusal::Wrong(problem.to_string()))?;
        self.0.recorder.keep(DOCUMENT, text).await?;
        self.take_into_use(sets).await
    }

    async fn take_into_use(&self, sets: Sets) -> Result<(), Refusal> {
        let all = sets.all();
        self.0.ingest.set_probes(&all).map_err(|problem| Refusal::Wrong(problem.to_string()))?;
        *self.0.sets.lock().unwrap_or_else(PoisonError::into_inner) = sets;
        self.0.recorder.set_probes(facts(&all)).await
    }

    fn sets(&self) -> Sets {
        self.0.sets.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

// === impl Sets ===

impl Sets {
    fn all(&self) -> Vec<ProbeConfig> {
        in_use(&self.of_file, &self.kept)
    }
}
