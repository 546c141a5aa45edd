//! Which probes are waited for, until when, and what their silence costs.

use super::*;

#[test]
fn half_of_the_probes_are_enough_for_all_and_the_last_of_them_gives_the_instant() {
    let mut farm = Farm::new(SilenceParams::default());
    let probes = [
        ("k1", "heart", Zone::Core, 1),
        ("k2", "toe", Zone::Base, 10),
        ("k3", "lid", Zone::Cover, 60),
        ("k4", "shed", Zone::Ambient, 60),
    ];
    farm.set_pile(&pile("2026-03", &probes), &[]);
    let found = play(&mut farm, "00:01..01:00 k1 k2 k3 k4\n01:20 tick\n02:00 tick");
    assert_eq!(found, ["01:30 AllSilent all opened Act since 01:30"]);
}

#[test]
fn a_probe_in_the_same_zone_of_another_pile_is_no_second_one() {
    let mut farm = two_piles();
    heart_is_hot(&mut farm);
    let found = play(&mut farm, "00:01..01:00 k1 k2 k3 k9\n01:01..02:59 k2 k3\n03:00..03:10 k2 k3 k9");
    assert_eq!(
        found,
        [
            "01:15 ProbeSilent k1 in 2026-03 opened Note since 01:15",
            "03:00 ProbeSilent k1 in 2026-03 worsened Act since 01:15",
        ]
    );
}

#[test]
fn the_next_placement_at_the_spot_ends_the_waiting_and_one_elsewhere_does_not() {
    let mut farm = Farm::new(SilenceParams::default());
    let mut one = pile("2026-03", &[("k1", "heart", Zone::Core, 1), ("k2", "toe", Zone::Base, 1)]);
    let second = |probe: &str, spot: &str| Placement {
        probe: ProbeId::new(probe),
        spot: SpotName::new(spot),
        from: clock("00:30"),
        until: None,
        every: Span::minutes(1),
        offset_c: 0.0,
    };
    one.placements.push(second("k3", "heart"));
    farm.set_pile(&one, &[]);
    // Nobody waits for k1, which k3 has replaced; k2 is still waited for.
    let found = play(&mut farm, "00:01..00:30 k1 k2\n00:31..02:00 k3");
    assert_eq!(found, ["00:45 ProbeSilent k2 in 2026-03 opened Note since 00:45"]);
}

#[test]
fn the_silence_of_a_spot_that_has_no_run_to_lose_is_no_text() {
    let run = Some(Run { start: At(0), end: clock("01:00"), counted: Span::hours(1), turns: 0 });
    let cases = [
        (true, None, run, true),
        (false, None, run, false),
        (true, Some(At(0)), run, false),
        (true, None, None, false),
    ];
    for (required, qualified_at, open_run, is_text) in cases {
        let mut farm = two_piles();
        let heart = SpotProgress {
            spot: SpotName::new("heart"),
            required,
            qualified_at,
            open_run,
            unit_unconfirmed: false,
        };
        let progress = Progress {
            at: At(0),
            required: None,
            met_at: None,
            qualified: false,
            verified: true,
            spots: vec![heart],
        };
        farm.progress(&PileId::new("2026-03"), progress);
        let found = play(&mut farm, "00:01..01:00 k1 k2 k3 k9\n01:01..02:59 k2 k3\n03:00..03:10 k2 k3 k9");
        assert_eq!(
            found.len(),
            if is_text { 2 } else { 1 },
            "{required} {qualified_at:?} {open_run:?}: {found:?}"
        );
    }
}

#[test]
fn after_a_stop_the_instant_is_exact_though_nobody_looks_then() {
    let mut farm = two_piles();
    play(&mut farm, "00:01..01:00 k1 k2 k3 k9");
    farm.begin(clock("03:00"));
    assert_eq!(
        play(&mut farm, "03:00..03:14 k1 k3\n03:20 tick"),
        ["03:15 ProbeSilent k2 in 2026-03 opened Note since 01:15"]
    );
    let mut farm = Farm::new(SilenceParams::default());
    farm.set_pile(&pile("2026-03", &[("k1", "heart", Zone::Core, 10), ("k2", "toe", Zone::Base, 10)]), &[]);
    play(&mut farm, "00:01..01:00 k1 k2");
    farm.begin(clock("03:00"));
    assert_eq!(play(&mut farm, "03:40 tick"), ["03:15 AllSilent all opened Act since 03:15"]);
}

#[test]
fn a_silent_probe_that_was_moved_within_its_pile_has_its_time_again() {
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
    let mut next = moved.placements[1].clone();
    next.spot = SpotName::new("shed");
    next.from = clock("01:31");
    moved.placements.push(next);
    farm.set_pile(&moved, &[]);
    assert_eq!(
        play(&mut farm, "01:32..01:50 k1 k3"),
        [
            "01:31 ProbeSilent k2 in 2026-03 closed Note since 01:15",
            "01:46 ProbeSilent k2 in 2026-03 opened Note since 01:46",
        ]
    );
}
