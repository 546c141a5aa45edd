//! Two hundred damaged stores, each under the whole daemon: it starts, somebody is told, what was damaged is kept, and
//! no verdict says more than what is still there proves.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use heapward::clock::ManualClock;
use heapward::config::read::load;
use heapward::model::entry::Event;
use heapward::model::message::Delivery;
use heapward::model::pile::{PileRecord, PlacementRecord, SettingsRecord, SpotRecord};
use heapward::model::reading::SeriesKey;
use heapward::run::{Daemon, Parts};
use heapward::standards;
use heapward::store::{NewReading, Store, StoreOptions};
use heapward_rules::ids::ProbeId;
use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::{At, Span};
use heapward_rules::verdict::{Status, Verdict};
use tokio::net::TcpListener;

const STORES: u64 = 200;
const ZONE: chrono_tz::Tz = chrono_tz::America::New_York;
/// 2026-05-01T15:00:00Z.
const BUILT: At = At(1_777_647_600_000);
const PROBES: [&str; 2] = ["k1", "k2"];
const HALF_HOURS: i64 = 160;
/// Noon of the sixth of May, on the farm's clock.
const NOW: At = At(1_778_083_200_000);

type Files = BTreeMap<PathBuf, Vec<u8>>;

/// What may befall a file.
#[derive(Clone, Copy, Debug)]
enum Kind {
    Bit,
    SectorOfZeros,
    PageOfZeros,
    PageOverAnother,
    CutShort,
    Empty,
    Missing,
    /// Database and side log as they were two days before: a card that lied, or an old image of it.
    Older,
}

const KINDS: [Kind; 8] = [
    Kind::Bit,
    Kind::SectorOfZeros,
    Kind::PageOfZeros,
    Kind::PageOverAnother,
    Kind::CutShort,
    Kind::Empty,
    Kind::Missing,
    Kind::Older,
];

/// `SplitMix64`.
struct Random(u64);

impl Random {
    fn below(&mut self, n: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        usize::try_from((z ^ (z >> 31)) % (n as u64)).unwrap()
    }
}

fn pile() -> PileRecord {
    let spot = |name: &str, zone: &str| SpotRecord {
        name: name.to_owned(),
        zone: zone.to_owned(),
        depth_in: None,
        watched_only: false,
    };
    let placement = |probe: &str, spot: &str| PlacementRecord {
        probe: probe.to_owned(),
        spot: spot.to_owned(),
        from_ms: BUILT.0,
        until_ms: None,
        every_ms: 1_800_000,
        offset_c: 0.0,
    };
    PileRecord {
        id: "2026-05".to_owned(),
        bay: None,
        method: "aerated-static".to_owned(),
        material: "manure".to_owned(),
        built_ms: BUILT.0,
        initial_cn: Some(30.0),
        recipe: None,
        standards: vec!["us-organic".to_owned(), "us-produce".to_owned()],
        spots: vec![spot("core", "core"), spot("toe", "base")],
        placements: vec![placement("k1", "core"), placement("k2", "toe")],
        settings: SettingsRecord::default(),
    }
}

fn config_text() -> String {
    let probe = |id: &&str| {
        format!(
            "[[probe]]\nid = \"{id}\"\ntopic = \"heap/{id}\"\nevery = \"30m\"\nvalue = \"\"\nunit = \"C\"\n"
        )
    };
    format!(
        "[farm]\nname = \"Quillback Farm\"\ntimezone = \"{}\"\n[store]\ndir = \"records\"\n[http]\n\
         listen = \"127.0.0.1:0\"\n[endpoint]\nlisten = \"127.0.0.1:0\"\n{}[[channel]]\nname = \"slip\"\n\
         kind = \"terminal\"\n[[contact]]\nname = \"Odile Marsh\"\naddresses = {{ slip = \"1\" }}\n",
        ZONE.name(),
        PROBES.iter().map(probe).collect::<String>(),
    )
}

/// The files of a store of five days, two of which are sealed, and the same two days before.
fn whole(dir: &Path) -> (Files, Files) {
    let records = dir.join("records");
    let (mut store, _) = Store::open(&StoreOptions::new(&records, ZONE)).unwrap();
    let mut before = Files::new();
    let series: Vec<_> = PROBES
        .iter()
        .map(|probe| {
            let probe = ProbeId::new(*probe);
            store.series(&SeriesKey { probe, quantity: Quantity::Temperature, unit: Unit::Celsius }).unwrap()
        })
        .collect();
    store.transact(|tx| tx.put_pile(&pile())).unwrap();
    for n in 0..HALF_HOURS {
        let at = BUILT + Span(n * 1_800_000);
        let step = f64::from(i32::try_from(n).unwrap());
        let value = if n < 6 { 40.0 + step * 3.0 } else { 58.0 + (step % 9.0) * 0.25 };
        let readings: Vec<_> =
            series.iter().map(|series| NewReading { series: *series, at, value }).collect();
        store.append(&readings).unwrap();
        if n % 12 == 0 {
            while store.seal(at).unwrap().more {}
        }
        if n == 70 {
            drop(store);
            before = files(&records);
            store = Store::open(&StoreOptions::new(&records, ZONE)).unwrap().0;
        }
    }
    while store.seal(NOW).unwrap().more {}
    // The last hours are in the side log alone.
    for n in HALF_HOURS..HALF_HOURS + 20 {
        let at = BUILT + Span(n * 1_800_000);
        let readings: Vec<_> =
            series.iter().map(|series| NewReading { series: *series, at, value: 58.0 }).collect();
        store.append(&readings).unwrap();
    }
    drop(store);
    (files(&records), before)
}

fn files(dir: &Path) -> Files {
    let mut found = Files::new();
    for folder in [dir.to_owned(), dir.join("record")] {
        for file in std::fs::read_dir(folder).into_iter().flatten() {
            let path = file.unwrap().path();
            if path.is_file() && !path.ends_with("lock") {
                found.insert(path.strip_prefix(dir).unwrap().to_owned(), std::fs::read(&path).unwrap());
            }
        }
    }
    found
}

fn damage(files: &mut Files, before: &Files, name: &Path, kind: Kind, random: &mut Random) {
    let file = files.get_mut(name).unwrap();
    let (pages, sectors) = ((file.len() / 4_096).max(1), (file.len() / 512).max(1));
    let zeros = |file: &mut Vec<u8>, at: usize, n: usize| {
        let end = (at + n).min(file.len());
        file[at..end].fill(0);
    };
    match kind {
        Kind::Bit => {
            let at = random.below(file.len());
            file[at] ^= 1 << random.below(8);
        }
        Kind::SectorOfZeros => zeros(file, random.below(sectors) * 512, 512),
        Kind::PageOfZeros => zeros(file, random.below(pages) * 4_096, 4_096),
        Kind::PageOverAnother if file.len() >= 8_192 => {
            let (from, to) = (random.below(pages) * 4_096, random.below(pages) * 4_096);
            file.copy_within(from..from + 4_096, to);
        }
        Kind::PageOverAnother | Kind::CutShort => file.truncate(random.below(file.len())),
        Kind::Empty => file.clear(),
        Kind::Missing => {
            files.remove(name);
        }
        Kind::Older => {
            for name in ["store.redb", "side.log"] {
                files.insert(name.into(), before[Path::new(name)].clone());
            }
        }
    }
}

fn lay_out(dir: &Path, files: &Files) {
    std::fs::create_dir_all(dir.join("records/record")).unwrap();
    std::fs::write(dir.join("heapward.toml"), config_text()).unwrap();
    for (name, bytes) in files {
        std::fs::write(dir.join("records").join(name), bytes).unwrap();
    }
}

async fn start(dir: &Path) -> Daemon {
    let listen = || TcpListener::bind("127.0.0.1:0");
    let parts = Parts {
        config: load(&dir.join("heapward.toml")).unwrap_or_else(|problems| panic!("{problems}")),
        standards: standards::built_in().unwrap(),
        clock: Arc::new(ManualClock::new(NOW)),
        http: listen().await.unwrap(),
        endpoint: Some(listen().await.unwrap()),
        terminal: || Box::new(std::io::sink()),
    };
    Daemon::start(parts).await.unwrap_or_else(|problem| panic!("it does not start: {problem}"))
}

/// Time proven by the run of each spot under each standard.
fn proven(verdicts: &[Verdict]) -> Vec<Span> {
    let spots = verdicts.iter().flat_map(|verdict| &verdict.spots);
    spots.map(|spot| spot.longest_run.map_or(Span::ZERO, |run| run.counted)).collect()
}

/// What came of one damaged store; an error says which promise was broken.
async fn judge(
    files: &Files,
    damaged: Option<&Vec<u8>>,
    expected: &[Verdict],
) -> Result<&'static str, String> {
    // In memory: what is tried is not the disk.
    let dir = tempfile::tempdir_in("/dev/shm").unwrap();
    lay_out(dir.path(), files);
    let daemon = start(dir.path()).await;
    let view = daemon.handle.view("2026-05");
    let verdicts = view.as_ref().map(|view| view.judgement.verdicts.clone());
    let sentences = daemon.report.sentences();
    let told = sentences.is_empty() || is_told(&daemon).await;
    let entries = daemon.reader.entries(None, 0, 10_000).unwrap();
    let written = |what: &String| {
        let is_it = |event: &Event| matches!(event, Event::RecordEvent { what: one } if one == what);
        entries.iter().any(|entry| is_it(&entry.entry.event))
    };
    let in_log = sentences.iter().all(written);
    let set_aside = daemon.report.set_aside.clone();
    daemon.stop().await;
    if !told {
        return Err(format!("nobody was told: {sentences:?}"));
    }
    if !in_log {
        return Err(format!("not in the log: {sentences:?}"));
    }
    let kept = |name: &String| std::fs::read(dir.path().join("records").join(name)).ok();
    if let (false, Some(damaged)) = (set_aside.is_empty(), damaged)
        && !set_aside.iter().any(|name| kept(name).as_ref() == Some(damaged))
    {
        return Err(format!("the damaged file is not kept as it was: {set_aside:?}"));
    }
    match verdicts {
        Some(verdicts) if verdicts == expected => {
            Ok(if sentences.is_empty() { "nothing lost" } else { "told, nothing lost" })
        }
        _ if sentences.is_empty() => Err("another verdict, and nothing is said".to_owned()),
        Some(verdicts) => {
            let more = proven(&verdicts).into_iter().zip(proven(expected)).any(|(now, then)| now > then);
            if more {
                Err(format!("more is proven than before: {verdicts:?}"))
            } else {
                Ok("told, less proven")
            }
        }
        None => Ok("told, the pile is gone"),
    }
}

/// Whether a message about the damage went out.
async fn is_told(daemon: &Daemon) -> bool {
    for _ in 0..500 {
        let messages = daemon.reader.messages(None, 100).unwrap_or_default();
        let is_it = |text: &str| text.starts_with("Heapward found its records damaged at ");
        if messages.iter().any(|one| is_it(&one.text) && matches!(one.delivery, Delivery::Sent { .. })) {
            return true;
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    false
}

#[tokio::test(flavor = "multi_thread", worker_threads = 3)]
async fn none_of_two_hundred_damaged_stores_is_silent() {
    heapward::telling::install_tls();
    let dir = tempfile::tempdir_in("/dev/shm").unwrap();
    let (whole, before) = whole(dir.path());
    lay_out(dir.path(), &whole);
    let daemon = start(dir.path()).await;
    let expected = daemon.handle.view("2026-05").unwrap().judgement.verdicts.clone();
    assert_eq!(daemon.report.sentences(), [""; 0]);
    assert_eq!(expected[0].status, Status::Qualified);
    daemon.stop().await;

    let seed = std::env::var("HEAPWARD_SEED").ok().and_then(|text| text.parse().ok()).unwrap_or(11);
    println!("HEAPWARD_SEED={seed}");
    let mut random = Random(seed);
    let others: Vec<PathBuf> = whole
        .keys()
        .filter(|name| !name.ends_with("store.redb") && !name.ends_with("side.log"))
        .cloned()
        .collect();
    let mut came: BTreeMap<&str, u32> = BTreeMap::new();
    let mut bad = Vec::new();
    let mut at_work = tokio::task::JoinSet::new();
    for n in 0..STORES {
        let kind = KINDS[usize::try_from(n).unwrap() % KINDS.len()];
        // The database is the largest target of a card's faults; then the side log; then what lies beside them.
        let name = match n / 8 % 5 {
            0..=2 => PathBuf::from("store.redb"),
            3 => PathBuf::from("side.log"),
            _ => others[random.below(others.len())].clone(),
        };
        let mut files = whole.clone();
        damage(&mut files, &before, &name, kind, &mut random);
        let expected = expected.clone();
        at_work.spawn(async move {
            let damaged = files.get(&name).cloned();
            let outcome = judge(&files, damaged.as_ref(), &expected).await;
            (format!("no. {n}, {kind:?} in {}", name.display()), outcome)
        });
        while at_work.len() >= 4 {
            note(at_work.join_next().await.unwrap(), &mut came, &mut bad);
        }
    }
    while let Some(done) = at_work.join_next().await {
        note(done, &mut came, &mut bad);
    }
    println!("{came:?}, {} bad", bad.len());
    assert!(bad.is_empty(), "{:#?}", &bad[..bad.len().min(8)]);
    let lost = came.get("told, less proven").copied().unwrap_or(0);
    let gone = came.get("told, the pile is gone").copied().unwrap_or(0);
    assert!(lost + gone > 30, "the damage was none: {came:?}");
}

type Done = Result<(String, Result<&'static str, String>), tokio::task::JoinError>;

fn note(done: Done, came: &mut BTreeMap<&str, u32>, bad: &mut Vec<String>) {
    match done {
        Ok((_, Ok(outcome))) => *came.entry(outcome).or_default() += 1,
        Ok((which, Err(problem))) => bad.push(format!("{which}: {problem}")),
        Err(error) => bad.push(format!("a panic: {error}")),
    }
}
