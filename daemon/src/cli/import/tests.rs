use heapward_rules::units::At;

use super::*;
use crate::model::entry::{Event, NewEntry};
use crate::model::pile::{PlacementRecord, SettingsRecord, SpotRecord};
use crate::model::time::parse_rfc3339;
use crate::recorder::all_entries;

const CONFIG: &str = "[farm]\nname = \"Quillback Farm\"\ntimezone = \"America/New_York\"\n[endpoint]\n\
                      [[probe]]\nid = \"o1\"\ntopic = \"o1\"\nkind = \"oxygen\"\nevery = \"1m\"\nvalue = \"\"\nunit = \"%\"\n";

fn config() -> Config {
    crate::config::read::read("h.toml", CONFIG, Path::new(""), None).unwrap()
}

fn at(text: &str) -> At {
    parse_rfc3339(text).unwrap()
}

fn now() -> At {
    at("2026-06-01T12:00:00Z")
}

fn pile() -> PileRecord {
    let placed = |probe: &str, from: &str, until: Option<&str>| PlacementRecord {
        probe: probe.to_owned(),
        spot: "heart".to_owned(),
        from_ms: at(from).0,
        until_ms: until.map(|until| at(until).0),
        every_ms: 60_000,
        offset_c: 0.0,
    };
    PileRecord {
        id: "2026-03".to_owned(),
        bay: None,
        method: "aerated-static".to_owned(),
        material: "manure".to_owned(),
        built_ms: at("2026-05-01T00:00:00Z").0,
        initial_cn: None,
        recipe: None,
        standards: vec!["us-organic".to_owned()],
        spots: vec![SpotRecord {
            name: "heart".to_owned(),
            zone: "core".to_owned(),
            depth_in: None,
            watched_only: false,
        }],
        placements: vec![
            placed("k1", "2026-05-01T00:00:00Z", Some("2026-05-10T00:00:00Z")),
            placed("k2", "2026-05-10T00:00:00Z", None),
        ],
        settings: SettingsRecord::default(),
    }
}

fn store(dir: &Path) -> Store {
    let mut store = Store::open(&StoreOptions::new(dir, chrono_tz::America::New_York)).unwrap().0;
    store.transact(|tx| tx.put_pile(&pile())).unwrap();
    store
}

fn job(pile: Option<PileRecord>) -> intake::Job {
    intake::Job { file: "r.csv".to_owned(), digest: "ab12".to_owned(), by: "OM".to_owned(), pile, now: now() }
}

/// `2026-05-02T10:00:00Z k1 62.4 C` and so on.
fn readings(lines: &[&str]) -> Vec<Reading> {
    let reading = |line: &&str| {
        let [time, source, value, unit] = line.split(' ').collect::<Vec<_>>()[..] else { panic!("{line}") };
        Reading {
            at: at(time),
            source: match source.strip_prefix("hand:") {
                Some(spot) => Source::Hand(SpotName::new(spot)),
                None => Source::Probe(ProbeId::new(source)),
            },
            value: value.parse().unwrap(),
            unit: match unit {
                "C" => Unit::Celsius,
                "F" => Unit::Fahrenheit,
                _ => Unit::Percent,
            },
        }
    };
    lines.iter().map(reading).collect()
}

/// What the log says of imports, for the pile or for none.
fn noted(store: &Store, pile: Option<&str>) -> Vec<String> {
    let entries = store.reader().entries(None, 0, 100).unwrap();
    let of = entries.iter().filter(|one| one.entry.pile.as_deref() == pile);
    of.filter_map(|one| match &one.entry.event {
        Event::RecordEvent { what } => Some(format!("{}: {what}", one.entry.by)),
        _ => None,
    })
    .collect()
}

#[test]
fn what_nobody_can_have_written_is_refused_before_anything_is_taken() {
    let with_pile = || job(Some(pile()));
    for (job, line, wanted) in [
        (with_pile(), "2026-06-01T12:05:00Z k1 60 C", None),
        (with_pile(), "2026-06-01T12:05:01Z k1 60 C", Some("a reading is dated 2026-06-01T12:05:01")),
        (with_pile(), "2000-01-01T00:00:00Z k1 60 C", None),
        (with_pile(), "1999-12-31T23:59:59Z k1 60 C", Some("a reading is dated 1999-12-31")),
        (with_pile(), "2026-05-02T10:00:00Z hand:heart 140 F", None),
        (job(None), "2026-05-02T10:00:00Z k1 60 C", None),
        (job(None), "2026-05-02T10:00:00Z hand:heart 140 F", Some("add --pile ID")),
        (with_pile(), "2026-05-02T10:00:00Z hand:skin 140 F", Some("has no spot `skin`; it has heart")),
        (with_pile(), "2026-05-02T10:00:00Z hand:heart 1400 F", Some("1400 F is no temperature of a pile")),
        (with_pile(), "2026-05-02T10:00:00Z hand:heart 50 %", Some("write C or F")),
        (intake::Job { by: " ".to_owned(), ..with_pile() }, "2026-05-02T10:00:00Z k1 60 C", Some("initials")),
    ] {
        let refused = intake::check(&job, &readings(&[line])).err().map(|failure| failure.text);
        match (&refused, wanted) {
            (None, None) => {}
            (Some(said), Some(wanted)) if said.contains(wanted) && said.contains("Nothing was taken") => {}
            _ => panic!("{line}: {refused:?}, not {wanted:?}"),
        }
    }
}

#[test]
fn readings_come_once_and_each_pile_says_which_of_them_were_its() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = store(dir.path());
    let lines = readings(&[
        // Two of k1's stay, its ends: it has left with the instant at which k2 comes.
        "2026-05-01T00:00:00Z k1 60 C",
        "2026-05-09T23:59:59Z k1 61 C",
        "2026-05-10T00:00:00Z k1 20 C",
        "2026-04-30T23:59:59Z k1 12 C",
        "2026-05-10T00:00:00Z k2 140 F",
        "2026-05-10T00:00:00Z k2 140 F",
        // Two values for one instant.
        "2026-05-10T00:01:00Z k2 140 F",
        "2026-05-10T00:01:00Z k2 141 F",
        "2026-05-02T10:00:00Z x9 7.5 C",
    ]);
    let done = intake::take(&job(None), &mut store, &config(), &lines).unwrap().in_words();
    assert!(done.starts_with("By probes: 7 new, 1 known already, 1 in conflict"), "{done}");
    assert!(done.contains("x9 stands in no pile: its readings are kept"), "{done}");
    let of_pile = "OM: imported 2 readings of k1, 3 readings of k2 from r.csv (SHA-256 ab12)";
    assert_eq!(noted(&store, Some("2026-03")), [of_pile]);
    let again = intake::take(&job(None), &mut store, &config(), &lines).unwrap().in_words();
    assert!(again.starts_with("By probes: 0 new, 9 known already. By hand: 0 new"), "{again}");
    assert_eq!(noted(&store, Some("2026-03")), [of_pile], "nothing came, nothing is noted");

    let elsewhere = readings(&["2026-05-03T10:00:00Z x9 8 C", "2026-04-20T10:00:00Z k1 8 C"]);
    intake::take(&job(None), &mut store, &config(), &elsewhere).unwrap();
    let nowhere = "OM: imported 2 readings of probes that stand in no pile from r.csv (SHA-256 ab12)";
    assert_eq!(noted(&store, None), [nowhere]);
}

#[test]
fn a_percentage_is_what_its_probe_is_configured_for() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = store(dir.path());
    let lines = readings(&[
        "2026-05-02T10:00:00Z o1 18 %",
        "2026-05-02T10:00:00Z m1 55 %",
        "2026-05-02T10:00:00Z k1 60 C",
    ]);
    intake::take(&job(None), &mut store, &config(), &lines).unwrap();
    let series = store.reader().series().unwrap();
    let mut known: Vec<String> =
        series.iter().map(|(_, key)| format!("{} {:?}", key.probe, key.quantity)).collect();
    known.sort();
    assert_eq!(known, ["k1 Temperature", "m1 Moisture", "o1 Oxygen"]);
}

#[test]
fn a_page_of_the_notebook_is_written_once_and_what_was_corrected_stays_so() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = store(dir.path());
    let page = readings(&[
        "2026-05-02T10:00:00Z hand:heart 140 F",
        "2026-05-02T10:00:00Z hand:heart 60 C",
        "2026-05-02T10:00:00Z hand:heart 141 F",
        "2026-05-03T10:00:00Z hand:heart 140 F",
    ]);
    let job = job(Some(pile()));
    let take = |store: &mut Store| intake::take(&job, store, &config(), &page).unwrap().in_words();
    // 60 C are 140 F.
    assert!(take(&mut store).contains("By hand: 3 new, 1 known already."));
    let entries = all_entries(&store.reader(), "2026-03").unwrap();
    let first = &entries[0].entry;
    assert_eq!(
        (first.by.as_str(), first.note.as_str(), At(first.at_ms), At(first.entered_ms)),
        ("OM", "from r.csv", at("2026-05-02T10:00:00Z"), now())
    );
    let corrected = NewEntry {
        corrects: Some(entries[1].seq),
        event: Event::HandReading { spot: "heart".to_owned(), value: 114.0, unit: "F".to_owned() },
        ..entries[1].entry.clone()
    };
    store.transact(|tx| tx.append_entry(corrected.clone()).map(|_| ())).unwrap();
    assert!(take(&mut store).contains("By hand: 0 new, 4 known already."), "141 F comes back");
    assert_eq!(all_entries(&store.reader(), "2026-03").unwrap().len(), 4);
}

#[test]
fn a_table_is_described_in_full_or_not_at_all() {
    #[derive(clap::Parser)]
    struct Line {
        #[command(flatten)]
        import: ImportArgs,
    }
    let layout = |options: &str| {
        let words = ["import", "r.csv", "--by", "OM"].into_iter().chain(options.split_whitespace());
        let line = <Line as clap::Parser>::try_parse_from(words).map_err(|error| error.to_string())?;
        line.import.table.layout(&config()).map_err(|failure| failure.text)
    };
    assert!(layout("").unwrap().is_none());
    let full =
        layout("--time t --column a=b=k1 --column Toe=hand:toe --offset -05:00 --skip-lines 2 --unit C");
    let full = full.unwrap().unwrap();
    assert_eq!(
        full.values,
        [
            ("a=b".to_owned(), Source::Probe(ProbeId::new("k1"))),
            ("Toe".to_owned(), Source::Hand(SpotName::new("toe"))),
        ]
    );
    let summer = FixedOffset::west_opt(5 * 3_600).unwrap();
    assert_eq!((full.clock, full.unit, full.skip_lines), (Clock::Fixed(summer), Unit::Celsius, 2));
    let plain = layout("--time t --column a=k1").unwrap().unwrap();
    assert_eq!(
        (plain.clock, plain.unit, plain.delimiter),
        (Clock::Wall(chrono_tz::America::New_York), Unit::Fahrenheit, b',')
    );
    let zoned = layout("--time t --column a=k1 --zone Europe/Berlin --unit %").unwrap().unwrap();
    assert_eq!((zoned.clock, zoned.unit), (Clock::Wall(chrono_tz::Europe::Berlin), Unit::Percent));
    for (options, wanted) in [
        ("--time t", "needs both --time HEADER and --column"),
        ("--column a=k1", "needs both --time HEADER and --column"),
        ("--time t --column a=k1 --unit K", "--unit K: write C, F or %"),
        ("--time t --column a=k1 --delimiter ;;", "write one character"),
        ("--time t --column a", "--column a: write HEADER=PROBE"),
        ("--time t --column =k1", "write HEADER=PROBE"),
        ("--time t --column a=", "write HEADER=PROBE"),
        ("--time t --column a=k1 --zone UTC --offset +01:00", "cannot be used with"),
    ] {
        let refused = layout(options).err().unwrap_or_default();
        assert!(refused.contains(wanted), "{options}: {refused}");
    }
}

#[test]
fn a_file_that_is_too_large_or_not_there_is_named() {
    let dir = tempfile::tempdir().unwrap();
    let large = dir.path().join("large.csv");
    let file = std::fs::File::create(&large).unwrap();
    file.set_len(IMPORT_FILE_BYTES_MAX).unwrap();
    assert!(read_file(&large).is_ok());
    file.set_len(IMPORT_FILE_BYTES_MAX + 1).unwrap();
    let said = |path: &Path| read_file(path).err().map(|failure| failure.text).unwrap_or_default();
    assert!(said(&large).contains("large.csv: longer than"), "{}", said(&large));
    assert!(said(&dir.path().join("none.csv")).contains("none.csv: it can't be read"));
}
