//! Advice for piles in every state.

use heapward_rules::ids::{SpotName, StandardId};
use heapward_rules::physics::{Air, Reason};
use heapward_rules::verdict::{Counts, Required, Run, SpotVerdict, Verdict};

use super::*;
use crate::after::After;
use crate::mix::request::Request;
use crate::mix::table;
use crate::model::pile::{PileRecord, SettingsRecord};

const BUILT: At = At(1_777_647_600_000);
const NOW: At = At(BUILT.0 + 10 * 86_400_000);

/// A pile of which `core` has so many hours counted; with a recipe of 2,600 pounds dry.
fn view(status: Status, counted_hours: i64, with_recipe: bool) -> PileView {
    let lines = vec!["straw-wheat=2888.9lb".to_owned()];
    let recipe = Request { lines, ..Request::default() }.plan(&table::built_in().unwrap()).unwrap().record();
    let run = Run { start: BUILT, end: NOW, counted: Span::hours(counted_hours), turns: 0 };
    let spot = SpotVerdict {
        spot: SpotName::new("core"),
        required: true,
        qualified_at: None,
        longest_run: Some(run),
        open_run: Some(run),
        given_up: None,
    };
    let verdict = Verdict {
        standard: StandardId::new("us-organic"),
        verified: true,
        status,
        at: None,
        held_up_by: None,
        cautions: Vec::new(),
        spots: vec![spot],
        breaks: Vec::new(),
        required: Some(Required { time: Span::hours(72), turns: 0 }),
    };
    PileView {
        pile: PileRecord {
            id: "2026-03".to_owned(),
            bay: None,
            method: "aerated-static".to_owned(),
            material: "manure".to_owned(),
            built_ms: BUILT.0,
            initial_cn: None,
            recipe: with_recipe.then(|| Box::new(recipe)),
            standards: Vec::new(),
            spots: Vec::new(),
            placements: Vec::new(),
            settings: SettingsRecord::default(),
        },
        judgement: Judgement { verdicts: vec![verdict], counts: Counts::default(), overheating: Vec::new() },
        open: Vec::new(),
        judged_to: NOW,
        after: After { stage: Stage::Active { since: BUILT }, uses: Vec::new() },
    }
}

fn known(now_f: f64, moisture: Option<f64>) -> Known {
    Known {
        at: NOW,
        spots: vec![SpotNow { name: "core".to_owned(), now: Celsius::from_f(now_f), day_before: None }],
        moisture_percent: moisture,
        squeeze: None,
        timer_changed: None,
        timer: None,
    }
}

#[test]
fn water_is_told_in_litres_portions_and_its_time() {
    let asked = |known: &Known, status, hours| steer(&view(status, hours, true), known).water;
    // 2,600 lb dry less a tenth in ten days are 1,061 kg; from 40 to 55 % takes 1061 x (0.55/0.45 - 0.40/0.60).
    let Water::Add { litres: Some(litres), portions, when, .. } =
        asked(&known(140.0, Some(40.0)), Status::NotMet, 0)
    else {
        panic!("water is due")
    };
    assert!((litres - 589.6).abs() < 1.0, "{litres}");
    // A twentieth of 1,769 kg wet is 88 litres.
    assert_eq!((portions, when), (6, When::Now));
    let when = |known: &Known, status, hours| match asked(known, status, hours) {
        Water::Add { when, .. } => when,
        other => panic!("{other:?}"),
    };
    let dry = known(140.0, Some(45.0));
    assert_eq!(when(&dry, Status::Running, 41), When::AfterRun { left: Span::hours(31) });
    assert_eq!(when(&dry, Status::Qualified, 80), When::Now);
    assert_eq!(when(&known(171.0, Some(45.0)), Status::Running, 41), When::WithCare);
    for (moisture, squeeze, wanted) in [
        (None, None, Water::Unknown),
        (Some(50.0), None, Water::Enough),
        (Some(66.0), None, Water::TooWet),
        (Some(40.0), Some("right"), Water::Enough),
        (Some(55.0), Some("wet"), Water::TooWet),
    ] {
        let known = Known { squeeze: squeeze.map(str::to_owned), ..known(140.0, moisture) };
        assert_eq!(asked(&known, Status::NotMet, 0), wanted, "{moisture:?} {squeeze:?}");
    }
    let by_hand = Known { squeeze: Some("dry".to_owned()), ..known(140.0, Some(55.0)) };
    assert!(matches!(asked(&by_hand, Status::NotMet, 0), Water::Add { percent: None, .. }));
    // Without a recipe nobody knows the mass.
    let bare = steer(&view(Status::NotMet, 0, false), &known(140.0, Some(40.0))).water;
    assert!(matches!(bare, Water::Add { litres: None, portions: 3, .. }), "{bare:?}");
}

#[test]
fn air_is_one_step_and_never_against_a_run() {
    let timer = Timer { on: Span::minutes(2), off: Span::minutes(28) };
    let asked = |f, status, before: Option<f64>| {
        let mut known = Known { timer: Some(timer), ..known(f, Some(55.0)) };
        known.spots[0].day_before = before.map(Celsius::from_f);
        let (advice, timer) = steer(&view(status, 41, true), &known).air.unwrap();
        (advice.air, advice.reason, timer.unwrap().on)
    };
    let two = Span::minutes(2);
    assert_eq!(asked(145.0, Status::Running, None), (Air::Same, Reason::Right, two));
    assert_eq!(asked(158.0, Status::Running, None), (Air::More, Reason::Hot, Span::seconds(150)));
    assert_eq!(
        asked(136.0, Status::Running, Some(139.0)),
        (Air::Less, Reason::CoolAndFalling, Span::seconds(90))
    );
    assert_eq!(
        asked(136.0, Status::Running, Some(137.0)),
        (Air::Same, Reason::Right, two),
        "half a degree is no fall"
    );
    // A second spot that is near the limit and short of its time holds the blower back.
    let mut pair = Known { timer: Some(timer), ..known(134.0, Some(55.0)) };
    pair.spots.push(SpotNow { name: "middle".to_owned(), now: Celsius::from_f(160.0), day_before: None });
    let (advice, _) = steer(&view(Status::Running, 41, true), &pair).air.unwrap();
    assert_eq!((advice.air, advice.reason), (Air::Same, Reason::RunWouldBreak));
    let changed = Known { timer_changed: Some(NOW - Span::hours(5)), ..known(158.0, Some(55.0)) };
    let (advice, _) = steer(&view(Status::Running, 41, true), &changed).air.unwrap();
    assert_eq!(advice.reason, Reason::Wait);
    let mut cures = view(Status::Qualified, 72, true);
    cures.after.stage = Stage::Curing { since: BUILT };
    assert!(steer(&cures, &known(158.0, None)).air.is_none());
}
