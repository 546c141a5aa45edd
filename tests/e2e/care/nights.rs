//! Copies at night on a stick that is there, gone, full, and there again.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use heapward::clock::ManualClock;
use heapward::config::read::load;
use heapward::run::{Daemon, Parts};
use heapward::standards;
use heapward::store::IncidentFilter;
use heapward_rules::units::{At, Span};
use heapward_tests::mounts::{Memory, inside};
use tokio::net::TcpListener;

/// 2026-05-11T16:00:00Z: noon in the barn, a Monday.
const NOON: At = At(1_778_515_200_000);

struct Barn {
    dir: tempfile::TempDir,
    clock: Arc<ManualClock>,
    daemon: Daemon,
}

impl Barn {
    async fn new() -> Barn {
        heapward::telling::install_tls();
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("heapward.toml");
        let text = "[farm]\nname = \"Quillback Farm\"\ntimezone = \"America/New_York\"\n[store]\ndir = \"records\"\n\
                    [backup]\ndir = \"stick\"\nkeep = 3\n[http]\nlisten = \"127.0.0.1:0\"\n[endpoint]\n\
                    listen = \"127.0.0.1:0\"\n[[channel]]\nname = \"slip\"\nkind = \"terminal\"\n[[contact]]\n\
                    name = \"Odile Marsh\"\naddresses = { slip = \"1\" }\n";
        std::fs::write(&file, text).unwrap();
        std::fs::create_dir(dir.path().join("stick")).unwrap();
        let clock = Arc::new(ManualClock::new(NOON));
        let listen = || TcpListener::bind("127.0.0.1:0");
        let parts = Parts {
            config: load(&file).unwrap_or_else(|problems| panic!("{problems}")),
            standards: standards::built_in().unwrap(),
            clock: clock.clone(),
            http: listen().await.unwrap(),
            endpoint: Some(listen().await.unwrap()),
            terminal: || Box::new(std::io::sink()),
        };
        let daemon = Daemon::start(parts).await.unwrap();
        Barn { dir, clock, daemon }
    }

    fn stick(&self) -> PathBuf {
        self.dir.path().join("stick")
    }

    /// Lets time pass in quarters of an hour, with some real time for each: a copy takes some of it.
    async fn pass(&self, hours: i64) {
        for _ in 0..hours * 4 {
            self.clock.advance(Span::minutes(15));
            tokio::time::sleep(Duration::from_millis(25)).await;
        }
        tokio::time::sleep(Duration::from_millis(500)).await;
        self.clock.advance(Span::seconds(10));
        tokio::time::sleep(Duration::from_millis(100)).await;
    }

    /// Texts about copies so far.
    fn texts(&self) -> usize {
        let messages = self.daemon.reader.messages(None, 500).unwrap();
        messages.iter().filter(|one| one.text.contains("could make no copy of its records")).count()
    }

    /// Incidents about copies: how many, and how many of them are over.
    fn incidents(&self) -> (usize, usize) {
        let all = self.daemon.reader.incidents(&IncidentFilter::default(), None, 500).unwrap();
        let of_copies: Vec<_> = all.iter().filter(|one| one.kind == "backup-failing").collect();
        (of_copies.len(), of_copies.iter().filter(|one| one.closed_ms.is_some()).count())
    }
}

fn names(dir: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(dir).unwrap();
    let mut names: Vec<_> = entries.map(|one| one.unwrap().file_name().into_string().unwrap()).collect();
    names.sort_unstable();
    names
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stick_that_is_away_and_then_full_is_told_once_and_its_end_is_seen() {
    if !inside("care::nights::a_stick_that_is_away_and_then_full_is_told_once_and_its_end_is_seen") {
        return;
    }
    // Noon on Monday without a copy so far: one is made at once, and one the next night.
    let barn = Barn::new().await;
    barn.pass(1).await;
    assert_eq!(
        names(&barn.stick()),
        [""; 0],
        "nothing is written below the place of a stick that is not mounted"
    );
    let stick = Memory::mount(&barn.stick(), "64m");
    barn.pass(23).await;
    // The day of the set-up was made up for at the next try; then the night's.
    assert_eq!(names(&barn.stick()), ["heapward-2026-05-11", "heapward-2026-05-12"]);

    // Tuesday: the stick is pulled out. Its folder on the card is left alone.
    stick.unmount();
    barn.pass(24).await;
    assert_eq!(names(&barn.stick()), [""; 0]);
    assert_eq!((barn.texts(), barn.incidents()), (0, (0, 0)), "a night without is not worth a text");

    // Wednesday: another one that is too small. Nothing half stays on it.
    let small = Memory::mount(&barn.stick(), "16k");
    barn.pass(24).await;
    assert_eq!(names(&barn.stick()), [""; 0]);
    assert_eq!(barn.texts(), 0);

    // Two days after the first copy that is missing it is told, once, by day.
    barn.pass(24).await;
    assert_eq!((barn.texts(), barn.incidents()), (1, (1, 0)));

    small.unmount();
    let large = Memory::mount(&barn.stick(), "64m");
    barn.pass(24 * 4).await;
    assert_eq!(barn.texts(), 1);
    assert_eq!(barn.incidents(), (1, 1), "over, and once");
    let kept = names(&barn.stick());
    assert_eq!(kept.len(), 3, "{kept:?}");
    assert!(kept.iter().all(|name| name.starts_with("heapward-2026-05-1")), "{kept:?}");
    barn.daemon.stop().await;
    large.unmount();
}
