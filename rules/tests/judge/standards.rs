//! What a standard can ask for that none of the built-in ones does.

use heapward_rules::judge::Judge;
use heapward_rules::pile::Method;
use heapward_rules::standard::Standard;
use heapward_rules::verdict::{Caution, Judgement, Status};

use crate::fixture::{CASES, Case};

#[test]
fn a_standard_that_knows_no_way_for_the_method_is_not_met() {
    for case in CASES.iter() {
        let judged = with_standards(case, |standard| {
            standard.rules.retain(|rule| !rule.methods.contains(&case.pile.method));
        });
        for verdict in &judged.verdicts {
            let is_asked = verdict.status != Status::NotRequired;
            assert!(!is_asked || verdict.status == Status::NotMet, "{}", case.name);
            assert_eq!(
                (verdict.at, &verdict.held_up_by, verdict.required),
                (None, &None, None),
                "{}",
                case.name
            );
            assert_eq!(verdict.breaks, [], "{}", case.name);
            let names: Vec<_> = verdict.spots.iter().map(|spot| &spot.spot).collect();
            assert_eq!(names, case.pile.spots.iter().map(|spot| &spot.name).collect::<Vec<_>>());
            for (spot, as_before) in verdict.spots.iter().zip(&case.of_set().judgement().verdicts[0].spots) {
                assert_eq!((spot.qualified_at, spot.longest_run, spot.open_run), (None, None, None));
                assert_eq!((spot.required, &spot.given_up), (as_before.required, &as_before.given_up));
            }
        }
    }
}

#[test]
fn a_standard_that_asks_for_curing_carries_the_caution() {
    for case in CASES.iter() {
        let before = case.of_set().judgement();
        let judged = with_standards(case, |standard| standard.asks_curing = true);
        for (verdict, before) in judged.verdicts.iter().zip(&before.verdicts) {
            let (last, others) = verdict.cautions.split_last().unwrap();
            assert_eq!((last, others), (&Caution::CuringNotRecorded, before.cautions.as_slice()));
            assert_eq!((verdict.status, verdict.at), (before.status, before.at), "{}", case.name);
        }
    }
}

#[test]
fn a_standard_has_the_profiles_of_the_first_rule_for_a_method() {
    let standard = CASES.iter().find_map(|case| case.standards.first()).unwrap();
    for (index, method) in [Method::AeratedStatic, Method::InVessel, Method::Windrow].into_iter().enumerate()
    {
        assert_eq!(standard.profiles(method), standard.rules[index].profiles.as_slice());
    }
    let bare = Standard { rules: Vec::new(), ..standard.clone() };
    assert_eq!(bare.profiles(Method::Windrow), []);
}

/// Judges a case with its standards changed.
fn with_standards(case: &Case, change: impl Fn(&mut Standard)) -> Judgement {
    let mut standards = case.standards.clone();
    standards.iter_mut().for_each(change);
    Judge::of_set(case.pile.clone(), standards, &case.log, &case.readings).judgement()
}
