//! `heapward replay`: judges everything in the store again, with other settings or standards if wanted, and shows
//! what would have been different. Nothing is changed: it works on a copy.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::PathBuf;

use heapward_rules::ids::StandardId;
use heapward_rules::judge::Judge;
use heapward_rules::standard::Standard;
use heapward_rules::units::Span;
use heapward_rules::verdict::{Judgement, Verdict};

use super::copy::Copy;
use super::{ConfigArg, Failure, Outcome, WRONG_USE, print, standards_of};
use crate::model::pile::PileRecord;
use crate::model::time::rfc3339;
use crate::model::words;
use crate::recorder::history::StoredHistory;
use crate::recorder::pile_desk::OpenError;
use crate::recorder::thermometers::Thermometers;
use crate::recorder::{all_entries, facts};
use crate::store::{Reader, StoreError};

/// Judge everything in the store again, and show what would be different
#[derive(Clone, Debug, clap::Args)]
pub struct ReplayArgs {
    #[command(flatten)]
    config: ConfigArg,
    /// A store or a backup of one, in place of the configured one
    #[arg(long, value_name = "DIR")]
    store: Option<PathBuf>,
    /// Only this pile
    #[arg(long)]
    pile: Option<String>,
    /// Another setting for every pile, such as `max_gap=2h`, `hand_gap=24h`, `turn_allowance=12h`, `guard=0.5`,
    /// `agreement=together`, `settle=2h`
    #[arg(long = "set", value_name = "KEY=VALUE")]
    settings: Vec<String>,
    /// Judge by these standards in place of each pile's own
    #[arg(long = "standard", value_name = "ID")]
    chosen: Vec<String>,
    /// A folder with standards of your own, in place of the configured one
    #[arg(long, value_name = "DIR")]
    standards: Option<PathBuf>,
}

/// A pile judged as it is and as it would be.
struct Compared {
    pile: String,
    now: Judgement,
    then: Judgement,
}

pub fn run(args: &ReplayArgs) -> Outcome {
    print(&in_words(args)?)
}

fn in_words(args: &ReplayArgs) -> Result<String, Failure> {
    let config = args.config.load()?;
    let own = args.standards.as_deref().or(config.standards_dir.as_deref());
    let known = standards_of(own)?;
    let changes = args.settings.iter().map(|text| Change::read(text)).collect::<Result<Vec<_>, _>>()?;
    if let Some(unknown) = args.chosen.iter().find(|id| !known.contains_key(&StandardId::new(id.as_str()))) {
        let names: Vec<&str> = known.keys().map(StandardId::as_str).collect();
        let text = format!("--standard {unknown} is not known; write one of: {}", names.join(", "));
        return Err(Failure::new(WRONG_USE, text));
    }
    let dir = args.store.as_deref().unwrap_or(&config.store.dir);
    let (_copy, store) = Copy::open(dir, config.farm.timezone, "replay")?;
    let reader = store.reader();
    let configured = config.probes.iter().map(|probe| (probe.id.as_str(), probe.quantity));
    let thermometers = Thermometers::of(configured, &reader).map_err(failed)?;
    let mut text = String::new();
    let mut piles = 0;
    for record in reader.piles().map_err(failed)? {
        if args.pile.as_ref().is_some_and(|pile| *pile != record.id) {
            continue;
        }
        piles += 1;
        let compared = compare(&record, &changes, &args.chosen, &known, &thermometers, &reader)?;
        compared.in_words(&mut text);
    }
    if piles == 0 {
        text.push_str("There is no such pile in the store.\n");
    }
    Ok(text)
}

#[expect(clippy::needless_pass_by_value, reason = "for map_err")]
fn failed(error: StoreError) -> Failure {
    Failure::failed(error.to_string())
}

fn compare(
    record: &PileRecord,
    changes: &[Change],
    chosen: &[String],
    known: &BTreeMap<StandardId, Standard>,
    thermometers: &Thermometers,
    reader: &Reader,
) -> Result<Compared, Failure> {
    let mut other = record.clone();
    for change in changes {
        change.apply(&mut other);
    }
    if !chosen.is_empty() {
        other.standards = chosen.to_vec();
    }
    let judge = |record: &PileRecord| {
        judge_stored(record, known, |probe| thermometers.have(probe), reader).map_err(|problem| match problem
        {
            OpenError::Record(what) => Failure::failed(format!("pile {}: {what}", record.id)),
            OpenError::Store(problem) => failed(problem),
        })
    };
    Ok(Compared { pile: record.id.clone(), now: judge(record)?, then: judge(&other)? })
}

/// Judges what a store holds of a pile from the beginning: with the facts of `record`, which need not be those stored,
/// and by its standards as far as they are `known`.
pub fn judge_stored(
    record: &PileRecord,
    known: &BTreeMap<StandardId, Standard>,
    measures_temperature: impl Fn(&str) -> bool,
    reader: &Reader,
) -> Result<Judgement, OpenError> {
    let pile = facts::pile(record, measures_temperature).map_err(OpenError::Record)?;
    let entries = all_entries(reader, &record.id)?;
    let by_hand = facts::hand_readings(&entries);
    let standards =
        record.standards.iter().filter_map(|id| known.get(&StandardId::new(id.as_str())).cloned());
    let history = StoredHistory::new(reader, &pile, &by_hand);
    let log = facts::log(&entries);
    let mut judge = Judge::new(pile.clone(), Vec::new(), &[]);
    judge.set_pile(pile.clone(), standards.collect(), &log, &history);
    history.checked()?;
    Ok(judge.judgement())
}

// === impl Compared ===

impl Compared {
    fn in_words(&self, text: &mut String) {
        let _ = writeln!(text, "Pile {}", self.pile);
        for then in &self.then.verdicts {
            let now = self.now.verdicts.iter().find(|now| now.standard == then.standard);
            let is = sentence(then);
            match now.map(sentence) {
                Some(was) if was == is => {
                    let _ = writeln!(text, "  {}: {is}; no difference", then.standard);
                }
                Some(was) => {
                    let _ = writeln!(text, "  {}: {was}; would be {is}", then.standard);
                }
                None => {
                    let _ = writeln!(
                        text,
                        "  {}: would be {is}; the pile is not judged by it now",
                        then.standard
                    );
                }
            }
        }
    }
}

fn sentence(verdict: &Verdict) -> String {
    let at = verdict.at.map(|at| format!(" at {}", rfc3339(at))).unwrap_or_default();
    let held = verdict.held_up_by.as_ref().map(|spot| format!(", held up by {spot}")).unwrap_or_default();
    let breaks = match verdict.breaks.len() {
        0 => String::new(),
        1 => ", 1 break".to_owned(),
        n => format!(", {n} breaks"),
    };
    let doubt = words::doubt(verdict.verified);
    format!("{}{at}{doubt}{held}{breaks}", words::status_word(verdict.status))
}

/// One changed setting.
enum Change {
    MaxGap(Span),
    HandGap(Span),
    TurnAllowance(Span),
    Settle(Span),
    Guard(f64),
    Agreement(String),
}

// === impl Change ===

impl Change {
    fn read(text: &str) -> Result<Change, Failure> {
        let wrong = |what: &str| Failure::new(WRONG_USE, format!("--set {text}: {what}"));
        let (key, value) =
            text.split_once('=').ok_or_else(|| wrong("write KEY=VALUE, such as max_gap=2h"))?;
        let span = || words::parse_span(value).ok_or_else(|| wrong("write a duration, such as 2h or 30m"));
        match key {
            "max_gap" => Ok(Change::MaxGap(span()?)),
            "hand_gap" => Ok(Change::HandGap(span()?)),
            "turn_allowance" => Ok(Change::TurnAllowance(span()?)),
            "settle" => Ok(Change::Settle(span()?)),
            "guard" => {
                let guard = value.parse().ok().filter(|guard: &f64| guard.is_finite() && *guard >= 0.0);
                guard.map(Change::Guard).ok_or_else(|| wrong("write degrees C, 0 or more"))
            }
            "agreement" if words::parse_agreement(value).is_some() => Ok(Change::Agreement(value.to_owned())),
            "agreement" => Err(wrong("write each or together")),
            _ => {
                Err(wrong("the settings are max_gap, hand_gap, turn_allowance, settle, guard and agreement"))
            }
        }
    }

    fn apply(&self, record: &mut PileRecord) {
        let settings = &mut record.settings;
        match self {
            Change::MaxGap(span) => settings.max_gap_ms = Some(span.0),
            Change::HandGap(span) => settings.hand_gap_ms = Some(span.0),
            Change::TurnAllowance(span) => settings.turn_allowance_ms = Some(span.0),
            Change::Settle(span) => settings.settle_ms = Some(span.0),
            Change::Guard(guard) => settings.guard_c = Some(*guard),
            Change::Agreement(word) => settings.agreement = Some(word.clone()),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::path::Path;

    use heapward_rules::ids::ProbeId;
    use heapward_rules::reading::{Quantity, Unit};
    use heapward_rules::units::At;

    use super::*;
    use crate::model::pile::{PlacementRecord, SettingsRecord, SpotRecord};
    use crate::model::reading::SeriesKey;
    use crate::store::{NewReading, Store, StoreOptions};

    const BUILT: At = At(1_777_651_200_000);

    /// Four days at 60 C every half hour, with one gap of three hours in the middle.
    fn fill(dir: &Path) {
        let (mut store, _) = Store::open(&StoreOptions::new(dir, chrono_tz::America::New_York)).unwrap();
        let key =
            SeriesKey { probe: ProbeId::new("k1"), quantity: Quantity::Temperature, unit: Unit::Celsius };
        let series = store.series(&key).unwrap();
        let readings: Vec<NewReading> = (1..192)
            .filter(|n| !(94..99).contains(n))
            .map(|n| NewReading { series, at: BUILT + Span::minutes(30 * n), value: 60.0 })
            .collect();
        store.append(&readings).unwrap();
        let pile = PileRecord {
            id: "2026-05".to_owned(),
            bay: None,
            method: "aerated-static".to_owned(),
            material: "manure".to_owned(),
            built_ms: BUILT.0,
            initial_cn: Some(30.0),
            recipe: None,
            standards: vec!["us-organic".to_owned()],
            spots: vec![SpotRecord {
                name: "heart".to_owned(),
                zone: "core".to_owned(),
                depth_in: None,
                watched_only: false,
            }],
            placements: vec![PlacementRecord {
                probe: "k1".to_owned(),
                spot: "heart".to_owned(),
                from_ms: BUILT.0,
                until_ms: None,
                every_ms: 1_800_000,
                offset_c: 0.0,
            }],
            settings: SettingsRecord::default(),
        };
        store.transact(|tx| tx.put_pile(&pile)).unwrap();
    }

    fn replay(dir: &Path, settings: &[&str], chosen: &[&str]) -> Result<String, Failure> {
        let args = ReplayArgs {
            config: ConfigArg {
                config: concat!(env!("CARGO_MANIFEST_DIR"), "/../config/minimal.toml").into(),
            },
            store: Some(dir.to_owned()),
            pile: None,
            settings: settings.iter().map(|text| (*text).to_owned()).collect(),
            chosen: chosen.iter().map(|text| (*text).to_owned()).collect(),
            standards: None,
        };
        in_words(&args)
    }

    #[test]
    fn a_stricter_gap_and_another_standard_show_what_would_be_different() {
        let dir = tempfile::tempdir().unwrap();
        fill(dir.path());
        let before = fs::read(dir.path().join("store.redb")).unwrap();
        let as_it_is = replay(dir.path(), &[], &[]).unwrap();
        assert!(as_it_is.contains("qualified at 2026-05-04T16:30:00.000Z"), "{as_it_is}");
        assert!(as_it_is.contains("no difference"), "{as_it_is}");
        let stricter = replay(dir.path(), &["max_gap=2h"], &[]).unwrap();
        assert!(stricter.contains("would be running, held up by heart, 1 break"), "{stricter}");
        let other = replay(dir.path(), &[], &["eu-cmc3"]).unwrap();
        let doubtful = "eu-cmc3: would be running (the rule's figures are from memory: check them)";
        assert!(other.contains(doubtful), "{other}");
        assert!(!as_it_is.contains("from memory"), "{as_it_is}");
        assert_eq!(fs::read(dir.path().join("store.redb")).unwrap(), before);
    }

    #[test]
    fn a_wrong_setting_says_what_to_write() {
        let dir = tempfile::tempdir().unwrap();
        fill(dir.path());
        for (setting, word) in
            [("max_gap", "KEY=VALUE"), ("max_gap=2", "duration"), ("gap=2h", "the settings are")]
        {
            let refused = replay(dir.path(), &[setting], &[]).unwrap_err();
            assert_eq!(refused.code, WRONG_USE);
            assert!(refused.text.contains(word), "{}", refused.text);
        }
    }
}
