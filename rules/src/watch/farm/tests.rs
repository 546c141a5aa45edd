mod limits;
mod many;

use super::*;
use crate::finding::Change;
use crate::pile::{Material, Method, Placement, Settings, Spot};
use crate::verdict::Run;
use crate::watch::SpotProgress;

/// Minutes of the day on which every script plays.
fn clock(text: &str) -> At {
    let (hours, minutes) = text.split_once(':').expect("HH:MM");
    At(0) + Span::hours(hours.parse().expect("hours")) + Span::minutes(minutes.parse().expect("minutes"))
}

fn shown(at: At) -> String {
    format!("{:02}:{:02}", at.0 / 3_600_000, at.0 / 60_000 % 60)
}

/// A pile from lines `probe spot zone every`, all placed at 00:00.
fn pile(id: &str, probes: &[(&str, &str, Zone, i64)]) -> Pile {
    let spot = |(_, name, zone, _): &(&str, &str, Zone, i64)| Spot {
        name: SpotName::new(*name),
        zone: *zone,
        depth_in: None,
        watched_only: false,
    };
    let placement = |(probe, spot, _, every): &(&str, &str, Zone, i64)| Placement {
        probe: ProbeId::new(*probe),
        spot: SpotName::new(*spot),
        from: At(0),
        until: None,
        every: Span::minutes(*every),
        offset_c: 0.0,
    };
    Pile {
        id: PileId::new(id),
        method: Method::AeratedStatic,
        material: Material::Manure,
        built: At(0),
        initial_cn: None,
        standards: Vec::new(),
        spots: probes.iter().map(spot).collect(),
        placements: probes.iter().map(placement).collect(),
        settings: Settings::default(),
    }
}

/// The heart of 2026-03 has had an hour in the range.
fn heart_is_hot(farm: &mut Farm) {
    run_is_open(farm, "2026-03", "heart");
}

/// A spot has had an hour in the range.
fn run_is_open(farm: &mut Farm, pile: &str, spot: &str) {
    let run = Run { start: At(0), end: clock("01:00"), counted: Span::hours(1), turns: 0 };
    let spot = SpotProgress {
        spot: SpotName::new(spot),
        required: true,
        qualified_at: None,
        open_run: Some(run),
        unit_unconfirmed: false,
    };
    farm.progress(
        &PileId::new(pile),
        Progress {
            at: At(0),
            required: None,
            met_at: None,
            qualified: false,
            verified: true,
            spots: vec![spot],
        },
    );
}

fn text(found: &FarmFinding) -> String {
    let FarmFinding { pile, finding } = found;
    let change = match finding.change {
        Change::Opened => "opened",
        Change::Worsened => "worsened",
        Change::Closed => "closed",
    };
    let who = finding.probe.as_ref().map_or(String::from("all"), |probe| format!("{probe}"));
    let pile = pile.as_ref().map_or(String::new(), |pile| format!(" in {pile}"));
    format!(
        "{} {:?} {who}{pile} {change} {:?} since {}",
        shown(finding.at),
        finding.kind,
        finding.level,
        shown(finding.opened)
    )
}

/// Lines `HH:MM k1 k2` (heard), `HH:MM..HH:MM k1 k2` (heard every minute, both ends included), `HH:MM tick`.
fn play(farm: &mut Farm, script: &str) -> Vec<String> {
    let mut found = Vec::new();
    for line in script.lines().map(str::trim).filter(|line| !line.is_empty()) {
        let mut words = line.split_whitespace();
        let when = words.next().expect("an instant");
        let probes: Vec<&str> = words.collect();
        if probes == ["tick"] {
            found.extend(farm.tick(clock(when)));
            continue;
        }
        let (mut at, last) = match when.split_once("..") {
            Some((from, to)) => (clock(from), clock(to)),
            None => (clock(when), clock(when)),
        };
        while at <= last {
            for probe in &probes {
                found.extend(farm.heard(&ProbeId::new(*probe), at));
            }
            at = at + Span::minutes(1);
        }
    }
    found.iter().map(text).collect()
}

fn two_piles() -> Farm {
    let mut farm = Farm::new(SilenceParams::default());
    farm.set_pile(
        &pile(
            "2026-03",
            &[
                ("k1", "heart", Zone::Core, 1),
                ("k2", "south-side", Zone::Outer, 1),
                ("k9", "shed", Zone::Ambient, 60),
            ],
        ),
        &[],
    );
    farm.set_pile(&pile("2026-04", &[("k3", "heart", Zone::Core, 1)]), &[]);
    farm
}

#[test]
fn a_pile_knows_which_of_its_probes_are_silent() {
    let mut farm = two_piles();
    let open = |farm: &Farm, pile: &str| -> Vec<String> {
        let pile = PileId::new(pile);
        farm.open_in(&pile).map(|one| text(&FarmFinding { pile: Some(pile.clone()), finding: one })).collect()
    };
    play(&mut farm, "00:01..01:00 k1 k2 k3");
    assert!(open(&farm, "2026-03").is_empty());
    play(&mut farm, "01:01..01:40 k1 k3");
    assert_eq!(open(&farm, "2026-03"), ["01:15 ProbeSilent k2 in 2026-03 opened Note since 01:15"]);
    assert!(open(&farm, "2026-04").is_empty());
    play(&mut farm, "01:41 k2");
    assert!(open(&farm, "2026-03").is_empty());
}

#[test]
fn one_silent_probe_opens_after_its_limit_and_closes_when_it_speaks() {
    let script = "
        00:01..01:00 k1 k2 k3
        01:01..01:40 k1 k3
        01:41 k1 k2 k3
        01:42..02:00 k1 k2 k3
    ";
    let found = play(&mut two_piles(), script);
    assert_eq!(
        found,
        [
            "01:15 ProbeSilent k2 in 2026-03 opened Note since 01:15",
            "01:41 ProbeSilent k2 in 2026-03 closed Note since 01:15",
        ]
    );
}

#[test]
fn the_deadline_is_exact_whenever_the_tick_comes() {
    let mut farm = Farm::new(SilenceParams::default());
    farm.set_pile(&pile("2026-03", &[("k1", "heart", Zone::Core, 1)]), &[]);
    play(&mut farm, "00:01..01:00 k1");
    assert_eq!(farm.next_deadline(), Some(clock("01:15")));
    assert_eq!(play(&mut farm, "01:14 tick"), [""; 0]);
    let found = play(&mut farm, "02:00 tick");
    assert_eq!(found, ["01:15 ProbeSilent k1 in 2026-03 opened Note since 01:15"]);
}

#[test]
fn all_silent_at_once_is_one_incident() {
    let script = "
        00:01..01:00 k1 k2 k3
        03:00 tick
        03:05 k1
        03:06..03:30 k1 k2 k3
        05:00 tick
    ";
    let found = play(&mut two_piles(), script);
    assert_eq!(
        found,
        [
            "01:15 AllSilent all opened Act since 01:15",
            "03:05 AllSilent all closed Act since 01:15",
            "03:45 AllSilent all opened Act since 03:45",
        ]
    );
}

#[test]
fn a_probe_that_does_not_come_back_is_silent_for_itself_after_its_time_to_speak() {
    let script = "
        00:01..01:00 k1 k2 k3 k9
        01:40..02:10 k1 k2
        02:10 tick
    ";
    let found = play(&mut two_piles(), script);
    assert_eq!(
        found,
        [
            "01:15 AllSilent all opened Act since 01:15",
            "01:40 AllSilent all closed Act since 01:15",
            "01:55 ProbeSilent k3 in 2026-04 opened Note since 01:15",
        ]
    );
}

#[test]
fn a_silence_that_costs_an_open_run_is_worth_a_text_after_two_hours() {
    let mut farm = two_piles();
    play(&mut farm, "00:01..01:00 k1 k2 k3");
    let run = Run { start: At(0), end: clock("01:00"), counted: Span::hours(1), turns: 0 };
    let open = |spot: &str| SpotProgress {
        spot: SpotName::new(spot),
        required: true,
        qualified_at: None,
        open_run: Some(run),
        unit_unconfirmed: false,
    };
    let spots = vec![open("heart"), open("south-side")];
    farm.progress(
        &PileId::new("2026-03"),
        Progress {
            at: clock("01:00"),
            required: Some(Span::hours(72)),
            met_at: None,
            qualified: false,
            verified: true,
            spots,
        },
    );
    let found = play(&mut farm, "01:01..03:10 k1");
    assert_eq!(
        found,
        [
            "01:15 ProbeSilent k2 in 2026-03 opened Note since 01:15",
            "01:15 ProbeSilent k3 in 2026-04 opened Note since 01:15",
            "03:00 ProbeSilent k9 in 2026-03 opened Note since 03:00",
            "03:00 ProbeSilent k2 in 2026-03 worsened Act since 01:15",
        ]
    );
}

#[test]
fn a_second_probe_in_the_zone_keeps_the_text_back() {
    let mut farm = Farm::new(SilenceParams::default());
    farm.set_pile(
        &pile("2026-03", &[("k1", "heart", Zone::Core, 1), ("k2", "heart-east", Zone::Core, 1)]),
        &[],
    );
    heart_is_hot(&mut farm);
    let found = play(&mut farm, "00:01..01:00 k1 k2\n01:01..04:00 k2");
    assert_eq!(found, ["01:15 ProbeSilent k1 in 2026-03 opened Note since 01:15"]);
}

/// A moisture probe beside k1 and the plug of the blower in the shed.
#[test]
fn other_probes_fall_silent_too_and_are_no_second_probe_of_heat() {
    let mut farm = Farm::new(SilenceParams::default());
    let beside = |probe: &str, spot: &str, every| Placement {
        probe: ProbeId::new(probe),
        spot: SpotName::new(spot),
        from: At(0),
        until: None,
        every: Span::minutes(every),
        offset_c: 0.0,
    };
    farm.set_pile(
        &pile("2026-03", &[("k1", "heart", Zone::Core, 1), ("k9", "shed", Zone::Ambient, 1)]),
        &[beside("m1", "heart", 30), beside("plug", "shed", 5)],
    );
    heart_is_hot(&mut farm);
    let found = play(&mut farm, "00:01..01:00 k1 k9 m1 plug\n01:01..03:30 k9");
    assert_eq!(
        found,
        [
            "01:15 ProbeSilent k1 in 2026-03 opened Note since 01:15",
            "01:15 ProbeSilent plug in 2026-03 opened Note since 01:15",
            "02:30 ProbeSilent m1 in 2026-03 opened Note since 02:30",
            "03:00 ProbeSilent k1 in 2026-03 worsened Act since 01:15",
        ]
    );
}

#[test]
fn a_buffered_burst_closes_only_with_a_fresh_reading() {
    let script = "
        00:01..01:00 k1 k2 k3
        01:01..02:00 k1 k3
        01:01..01:44 k2
    ";
    let found = play(&mut two_piles(), script);
    assert_eq!(found, ["01:15 ProbeSilent k2 in 2026-03 opened Note since 01:15"]);
    let mut farm = two_piles();
    play(&mut farm, script);
    assert_eq!(play(&mut farm, "01:46 k2"), ["01:46 ProbeSilent k2 in 2026-03 closed Note since 01:15"]);
}

/// A gateway lost its network for two hours and hands in what it kept, oldest first, while another probe speaks live.
#[test]
fn while_a_backlog_comes_in_the_probe_is_not_silent() {
    let mut farm = two_piles();
    play(&mut farm, "03:00 k1 k2");
    let k3 = ProbeId::new("k3");
    for minute in 0..20 {
        let taken = clock("01:00") + Span::minutes(minute);
        farm.arrived(&k3, clock("03:01"));
        assert_eq!(farm.heard(&k3, taken), []);
        assert_eq!(farm.tick(clock("03:01")), []);
    }
    assert_eq!(play(&mut farm, "03:02..03:15 k1 k2"), Vec::<String>::new());
    let found = play(&mut farm, "03:16..03:17 k1 k2");
    assert_eq!(found.len(), 1, "it said no more for fifteen minutes: {found:?}");
}

#[test]
fn after_a_stop_everybody_has_time_to_speak_again() {
    let mut farm = two_piles();
    for probe in ["k1", "k2", "k3"] {
        farm.heard(&ProbeId::new(probe), clock("01:00"));
    }
    farm.begin(clock("09:00"));
    assert_eq!(play(&mut farm, "09:00 tick\n09:14 tick"), Vec::<String>::new());
    let found = play(&mut farm, "09:15 tick");
    assert_eq!(found.len(), 1, "then all are silent at once: {found:?}");
    assert!(found[0].contains("AllSilent"), "{found:?}");
}

#[test]
fn taking_the_probe_out_or_using_the_pile_ends_the_waiting() {
    let mut farm = two_piles();
    play(&mut farm, "00:01..01:00 k1 k2 k3\n01:01..01:30 k1 k3");
    let mut moved = pile(
        "2026-03",
        &[
            ("k1", "heart", Zone::Core, 1),
            ("k2", "south-side", Zone::Outer, 1),
            ("k9", "shed", Zone::Ambient, 60),
        ],
    );
    moved.placements[1].until = Some(clock("01:31"));
    farm.set_pile(&moved, &[]);
    assert_eq!(play(&mut farm, "01:32 k1"), ["01:31 ProbeSilent k2 in 2026-03 closed Note since 01:15"]);
    let found: Vec<String> =
        farm.drop_pile(&PileId::new("2026-04"), clock("01:40")).iter().map(text).collect();
    assert_eq!(found, [""; 0]);
    assert_eq!(play(&mut farm, "01:33..02:30 k1"), [""; 0]);
}

#[test]
fn cutting_into_ticks_changes_nothing() {
    let script = "00:01..01:00 k1 k2 k3\n01:01..01:40 k1 k3\n01:41..02:00 k1 k2 k3\n09:00 tick";
    let plain = play(&mut two_piles(), script);
    let mut farm = two_piles();
    let mut found = Vec::new();
    for minute in 1..540 {
        let at = format!("{:02}:{:02}", minute / 60, minute % 60);
        let heard = match minute {
            1..=60 | 101..=120 => "k1 k2 k3",
            61..=100 => "k1 k3",
            _ => "tick",
        };
        found.extend(play(&mut farm, &format!("{at} {heard}\n{at} tick")));
    }
    assert_eq!(found, plain);
}

#[test]
fn it_looks_again_when_a_limit_a_text_or_a_placement_is_due() {
    let mut known = pile("2026-03", &[("k1", "heart", Zone::Core, 1), ("k2", "toe", Zone::Base, 10)]);
    known.placements[1].from = clock("05:00");
    known.placements[1].until = Some(clock("09:00"));
    let mut farm = Farm::new(SilenceParams::default());
    farm.set_pile(&known, &[]);
    let next = |farm: &Farm| farm.next_deadline().map(shown);
    farm.heard(&ProbeId::new("k1"), clock("01:00"));
    assert_eq!(next(&farm).as_deref(), Some("01:15"));
    let ticks = [
        ("01:20", "03:00"), // two hours of silence
        ("03:10", "05:00"), // k2 begins
        ("05:00", "05:30"), // three of its intervals
        ("05:31", "07:00"),
        ("07:01", "09:00"), // k2 ends
    ];
    for (now, expected) in ticks {
        farm.tick(clock(now));
        assert_eq!(next(&farm).as_deref(), Some(expected), "at {now}");
    }
    farm.begin(clock("08:00"));
    assert_eq!(next(&farm).as_deref(), Some("08:15"), "everybody has time to speak again");
}

#[test]
fn the_last_word_is_told() {
    let since = |found: &[FarmFinding]| -> Vec<Option<String>> {
        found.iter().map(|found| found.finding.figures.since.map(shown)).collect()
    };
    let mut farm = two_piles();
    play(&mut farm, "00:01..01:00 k1 k2 k3\n01:01..01:10 k1");
    assert_eq!(since(&farm.tick(clock("01:12"))), []);
    assert_eq!(since(&farm.tick(clock("01:15"))), [Some("01:00".into()), Some("01:00".into())]);
    let mut farm = two_piles();
    play(&mut farm, "00:01..01:00 k1 k2 k3");
    assert_eq!(since(&farm.tick(clock("02:00"))), [Some("01:00".into())]);
}

/// Looking only when something can begin finds the same as looking each time.
#[test]
fn what_is_passed_over_in_calm_would_have_found_nothing() {
    let names = ["k1", "k2", "k3", "k4", "k9"];
    let placed = [
        ("k1", "a", Zone::Core, 1),
        ("k2", "b", Zone::Core, 5),
        ("k3", "c", Zone::Outer, 20),
        ("k4", "d", Zone::Base, 60),
    ];
    let mut state = 0x5eed_u64;
    let mut random = |below: i64| {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        i64::try_from(state % below.unsigned_abs()).expect("small")
    };
    let (mut found, mut passed_over, mut worsened) = (0, 0, 0);
    for _ in 0..200 {
        let mut quick = Farm::new(SilenceParams::default());
        quick.begin(At(0));
        quick.set_pile(&pile("p", &placed), &[]);
        let mut slow = quick.clone();
        let (mut now, longest) = (At(0), [2, 30, 200][usize::try_from(random(3)).expect("small")]);
        for _ in 0..200 {
            now = now + Span::minutes(random(longest));
            let probe = ProbeId::new(names[usize::try_from(random(5)).expect("small")]);
            let at = if random(5) == 0 { now - Span::minutes(random(300)) } else { now };
            slow.calm_until = None;
            if random(20) == 0 {
                run_is_open(&mut quick, "p", "a");
                run_is_open(&mut slow, "p", "a");
            }
            let tick = random(4) == 0;
            let (a, b) = if tick {
                (quick.tick(now), slow.tick(now))
            } else {
                slow.arrived(&probe, now);
                passed_over += usize::from(quick.calm_until.is_some_and(|calm| now < calm));
                (quick.came_in(&probe, at, now), slow.heard(&probe, at))
            };
            worsened += a.iter().filter(|found| found.finding.change == Change::Worsened).count();
            assert_eq!(a, b);
            assert_eq!(quick.next_deadline(), slow.next_deadline());
            found += a.len();
        }
    }
    assert!(found > 1_000 && passed_over > 5_000 && worsened > 20, "{found} {passed_over} {worsened}");
}
