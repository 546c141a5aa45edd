use heapward_rules::pile::Method;
use heapward_rules::standard::{Mode, Profile};
use heapward_rules::units::{Celsius, Span};

use super::*;

const GOOD: &str = r#"id = "my-scheme"
title = "My scheme"
clause = "Scheme rules, 4"
meaning = "Hot for five days."
verified = false
no_heat_for = ["plant"]
[[rule]]
methods = ["aerated-static"]
[[rule.profile]]
from = "140 F"
to = "80 C"
time = "5 d"
mode = "consecutive"
"#;

/// One profile as text: `131 F.. 72 h consecutive 0`.
fn profile(profile: &Profile) -> String {
    let hi = profile.hi.map_or(String::new(), |hi| format!("{:.2}", hi.0));
    format!("{:.2}..{hi} {} {:?} {}", profile.lo.0, profile.required, profile.mode, profile.turns)
}

fn profiles(id: &str, method: Method) -> Vec<String> {
    let standards = built_in().expect("the standards that come with the program can be read");
    standards[&StandardId::new(id)].profiles(method).iter().map(profile).collect()
}

#[test]
fn built_in_standards_carry_the_figures_of_their_clauses() {
    for method in [Method::AeratedStatic, Method::InVessel] {
        assert_eq!(profiles("us-organic", method), ["55.00..76.67 72 h Consecutive 0"]);
        assert_eq!(profiles("us-organic-5021", method), ["55.00.. 72 h Consecutive 0"]);
        for id in ["us-biosolids", "us-produce", "us-california", "canada-ccme"] {
            assert_eq!(profiles(id, method), ["55.00.. 72 h Consecutive 0"], "{id}");
        }
    }
    assert_eq!(profiles("us-organic", Method::Windrow), ["55.00..76.67 360 h Consecutive 5"]);
    assert_eq!(profiles("us-organic-5021", Method::Windrow), ["55.00.. 72 h Consecutive 0"]);
    assert_eq!(profiles("us-produce", Method::Windrow), ["55.00.. 360 h Cumulative 5"]);
    for id in ["us-biosolids", "us-california", "canada-ccme"] {
        assert_eq!(profiles(id, Method::Windrow), ["55.00.. 360 h Consecutive 5"], "{id}");
    }
    let cmc3 = [
        "70.00.. 72 h Consecutive 0",
        "65.00.. 120 h Consecutive 0",
        "60.00.. 168 h Consecutive 0",
        "55.00.. 336 h Consecutive 0",
    ];
    for method in [Method::AeratedStatic, Method::InVessel, Method::Windrow] {
        assert_eq!(profiles("eu-cmc3", method), cmc3);
    }
}

#[test]
fn ends_of_ranges_are_exact() {
    let standards = built_in().expect("readable");
    let organic = &standards[&StandardId::new("us-organic")].profiles(Method::AeratedStatic)[0];
    assert_eq!(organic.lo, Celsius(55.0));
    assert_eq!(organic.hi, Some(Celsius::from_f(170.0)));
    assert_eq!(organic.required, Span::hours(72));
    assert_eq!(organic.mode, Mode::Consecutive);
}

#[test]
fn only_the_organic_rule_asks_for_more_than_heat_and_turns_and_memory_is_marked() {
    for standard in built_in().expect("readable").values() {
        let id = standard.id.as_str();
        assert!(!standard.asks_curing, "{id}");
        assert_eq!(standard.initial_cn.is_some(), id == "us-organic", "{id}");
        assert_eq!(standard.no_heat_for.is_empty(), id != "us-organic", "{id}");
        assert_eq!(standard.verified, !matches!(id, "canada-ccme" | "eu-cmc3"), "{id}");
    }
}

#[test]
fn a_bad_file_is_refused_with_line_reason_and_what_to_write() {
    // (what in the good text, what stands there instead, the problem)
    let cases = [
        ("id = \"my-scheme\"", "id = \"My Scheme\"", "1: `id = \"My Scheme\"`: write small letters"),
        ("\"My scheme\"", "\" \"", "2: `title` is empty; write"),
        ("verified = false", "verified = \"no\"", "5: invalid type: string \"no\", expected a boolean"),
        ("verified = false", "verifid = false", "5: unknown field `verifid`, expected one of `id`"),
        ("[\"plant\"]", "[\"plants\"]", "6: `plants` is no material; write plant, animal or manure"),
        ("[\"aerated-static\"]", "[\"static\"]", "8: `static` is no method; write aerated-static"),
        ("[\"aerated-static\"]", "[]", "8: `methods` is empty; write one or more"),
        (
            "[\"aerated-static\"]",
            "[\"windrow\", \"windrow\"]",
            "8: `windrow` has a rule already; name each method once",
        ),
        ("\"140 F\"", "\"140\"", "10: `from = \"140\"`: write a temperature of a pile with its unit"),
        ("\"140 F\"", "\"inf C\"", "10: `from = \"inf C\"`: write a temperature"),
        ("\"140 F\"", "\"NaN C\"", "10: `from = \"NaN C\"`: write a temperature"),
        ("\"80 C\"", "\"140 F\"", "11: `to` is not above `from`"),
        ("\"5 d\"", "\"5 days\"", "12: `time = \"5 days\"`: write an integer and one of ms, s, m, h, d"),
        ("\"5 d\"", "\"-5 d\"", "12: `time = \"-5 d\"`: write an integer"),
        ("\"5 d\"", "\"0 d\"", "12: `time = \"0 d\"`: write an integer"),
        ("\"consecutive\"", "\"both\"", "13: `mode = \"both\"`: write \"consecutive\" or \"cumulative\""),
        ("\"consecutive\"", "\"consecutive\"\nturns = 500", "14: `turns = 500`: write a number up to 100"),
        (
            "no_heat_for",
            "initial_cn = [40.0, 25.0]\nno_heat_for",
            "6: `initial_cn`: write the lower ratio first",
        ),
    ];
    for (good, bad, expected) in cases {
        let problems = read::read("own.toml", &GOOD.replace(good, bad)).expect_err(bad);
        let text = problems[0].to_string();
        assert!(text.starts_with(&format!("own.toml:{expected}")), "{bad}: {text}");
    }
}

#[test]
fn all_problems_of_a_file_are_told_at_once() {
    let text = GOOD.replace("140 F", "140").replace("5 d", "five").replace("[\"plant\"]", "[\"straw\"]");
    let lines: Vec<usize> = read::read("own.toml", &text).expect_err("bad").iter().map(|p| p.line).collect();
    assert_eq!(lines, [6, 10, 12]);
}

#[test]
fn own_files_stand_beside_the_built_in_ones() {
    let dir = tempfile::tempdir().expect("a folder");
    std::fs::write(dir.path().join("mine.toml"), GOOD).expect("written");
    std::fs::write(dir.path().join("notes.txt"), "not a standard").expect("written");
    let standards = load(Some(dir.path())).expect("readable");
    assert_eq!(standards.len(), 8);
    let mine = &standards[&StandardId::new("my-scheme")];
    assert_eq!(profile(&mine.profiles(Method::AeratedStatic)[0]), "60.00..80.00 120 h Consecutive 0");
    assert!(mine.profiles(Method::Windrow).is_empty());
}

#[test]
fn own_files_cannot_stand_in_for_a_built_in_one_and_every_bad_file_is_named() {
    let dir = tempfile::tempdir().expect("a folder");
    std::fs::write(dir.path().join("a.toml"), GOOD.replace("my-scheme", "us-organic")).expect("written");
    std::fs::write(dir.path().join("b.toml"), "id = ").expect("written");
    std::fs::write(dir.path().join("c.toml"), [0xff, 0xfe]).expect("written");
    let problems = load(Some(dir.path())).expect_err("bad files");
    let texts: Vec<String> = problems.iter().map(ToString::to_string).collect();
    assert_eq!(texts.len(), 3, "{texts:?}");
    assert!(texts[0].contains("a.toml:1: the id `us-organic` is taken already"), "{texts:?}");
    assert!(texts[1].contains("b.toml:1: "), "{texts:?}");
    assert!(texts[2].contains("c.toml:1: cannot be read"), "{texts:?}");
}

#[test]
fn a_missing_folder_is_told() {
    let problems = load(Some(Path::new("/nowhere/standards"))).expect_err("no such folder");
    assert!(problems[0].what.contains("create it or correct `standards_dir`"));
}
