//! The figures that a finding carries: they make the sentence that the grower reads.

use super::*;

/// Only the figures that are set, temperatures in F.
fn figures(finding: &Finding) -> String {
    let figures = &finding.figures;
    let hours = |span: Span| format!("{:.0}h", span.as_hours());
    let parts = [
        figures.temperature.map(|c| format!("{:.1}F", c.to_f())),
        figures.worst.map(|c| format!("worst {:.1}F", c.to_f())),
        figures.slope_c_per_h.map(|slope| format!("{:+.1}F/h", slope * 1.8)),
        figures.expected_at.map(|at| format!("at {}", shown(at))),
        figures.counted.map(|span| format!("counted {}", hours(span))),
        figures.required.map(|span| format!("of {}", hours(span))),
        figures.moisture_percent.map(|percent| format!("{percent:.1}%")),
        figures.water_litres.map(|litres| format!("{litres:.0}L")),
        figures.battery_percent.map(|percent| format!("battery {percent:.0}%")),
        figures.since.map(|since| format!("since {}", shown(since))),
        figures.from_memory.then(|| "from memory".to_owned()),
        figures.circumstance.map(|circumstance| format!("{circumstance:?}")),
    ];
    parts.into_iter().flatten().collect::<Vec<_>>().join(" ")
}

fn check(kind: Kind, script: &str, expected: &[&str]) {
    let found = play(Method::AeratedStatic, script);
    let texts: Vec<String> =
        found.iter().filter(|f| f.kind == kind).map(|f| format!("{}: {}", text(f), figures(f))).collect();
    assert_eq!(texts, expected, "{kind:?}");
}

#[test]
fn of_heat() {
    check(
        Kind::Overheating,
        "10:00..10:20/10m heart 160F..165F\n10:30 heart 165F\n10:40..11:20/10m heart 150F",
        &[
            "0d10:30 Overheating heart opened act: 165.0F worst 165.0F +2.7F/h",
            "0d11:10 Overheating heart closed act: 150.0F worst 165.0F -10.4F/h",
        ],
    );
    check(
        Kind::OverheatingAhead,
        "0d00:00..0d20:00/10m heart 120F..160F",
        &[
            "0d15:00 OverheatingAhead heart opened note: 150.0F +1.8F/h at 0d21:59",
            "0d16:10 OverheatingAhead heart worsened act: 152.3F +1.8F/h at 0d21:16",
        ],
    );
    check(
        Kind::RunAtRisk,
        "1d17:00 toe 138F\n1d17:00 run toe 30h\n1d17:10..2d00:00/10m toe 137.8F..132F\n2d00:30 qualified toe",
        &[
            "1d22:50 RunAtRisk toe opened act: 133.0F -0.8F/h at 2d01:34 counted 36h of 72h",
            "2d00:30 RunAtRisk toe closed act: 132.0F",
        ],
    );
    check(
        Kind::RunAtRisk,
        "1d16:00 from-memory\n1d17:00 toe 138F\n1d17:00 run toe 30h\n1d17:10..2d00:00/10m toe 137.8F..132F",
        &["1d22:50 RunAtRisk toe opened act: 133.0F -0.8F/h at 2d01:34 counted 36h of 72h from memory"],
    );
    check(
        Kind::FellOutEarly,
        "1d00:00 heart 140F\n1d00:00 run heart 10h\n1d00:10..1d05:00/10m heart 140F..128F\n1d05:10..2d05:00/10m heart 128F",
        &[
            "1d03:50 FellOutEarly heart opened note: 130.9F -2.3F/h counted 14h of 72h since 1d03:50",
            "2d03:50 FellOutEarly pile opened act: 128.0F -0.0F/h of 72h since 1d03:50",
        ],
    );
}

#[test]
fn of_a_climb() {
    check(
        Kind::SlowToHeat,
        "0d00:00..5d00:00/1h heart 60F..135F",
        &[
            "3d00:00 SlowToHeat pile opened note: 104.4F +0.6F/h at 4d18:35 since 0d00:00",
            "4d00:00 SlowToHeat pile worsened act: 119.4F +0.6F/h at 4d18:35 since 0d00:00",
            "4d18:00 SlowToHeat pile closed act: 131.2F",
        ],
    );
    check(
        Kind::Stalled,
        "0d00:00..1d00:00/1h heart 60F..90F\n1d01:00..8d00:00/1h heart 90F\n8d01:00 heart 132F",
        &[
            "3d00:00 Stalled pile opened act: 90.0F -0.0F/h since 1d05:00",
            "8d01:00 Stalled pile closed act: 132.0F",
        ],
    );
    check(
        Kind::SpotShort,
        "0d00:00..1d00:00/1h heart 60F..150F\n1d01:00..8d00:00/1h heart 150F\n4d00:00 qualified heart
         0d00:00..5d00:00/1h toe 100F\n5d01:00..6d00:00/1h toe 100F..140F",
        &[
            "4d00:00 SpotShort toe opened act: 100.0F +0.0F/h since 0d00:00",
            "5d20:00 SpotShort toe closed act: 133.0F",
        ],
    );
}

#[test]
fn of_a_pile_that_fell_out_since_the_last_of_its_spots_did() {
    check(
        Kind::FellOutEarly,
        "0d00:00..1d00:00/1h heart 60F..140F\n0d00:00..1d00:00/1h toe 60F..140F\n1d01:00..2d00:00/1h heart 140F
         1d01:00..2d10:00/1h toe 140F\n2d01:00..4d00:00/1h heart 120F\n2d11:00..4d00:00/1h toe 120F",
        &[
            "2d01:00 FellOutEarly heart opened note: 120.0F -0.0F/h counted 26h since 2d01:00",
            "2d11:00 FellOutEarly toe opened note: 120.0F +0.0F/h counted 36h since 2d11:00",
            "3d11:00 FellOutEarly pile opened note: 120.0F +0.0F/h since 2d11:00",
        ],
    );
}

#[test]
fn of_good_news() {
    check(Kind::Qualified, "4d06:00 met", &["4d06:00 Qualified pile opened act: of 72h"]);
    check(
        Kind::ReadyToMove,
        "0d00:00..1d00:00/1h heart 60F..150F\n1d01:00..15d00:00/1h heart 150F..131F\n4d06:00 met\n4d07:00 give-up toe
         4d07:00 give-up south-side\n15d01:00..30d00:00/1h heart 131F..110F",
        &["21d00:00 ReadyToMove pile opened act: 123.4F"],
    );
    check(
        Kind::Reheating,
        "0d00:00..70d00:00/1h shed 60F\n20d00:00 curing\n20d01:00..30d00:00/1h heart 110F..80F
         30d01:00..32d00:00/1h heart 80F..110F\n32d01:00..34d00:00/1h heart 110F\n34d01:00..40d00:00/1h heart 110F..80F",
        &["32d00:00 Reheating pile opened note: 102.0F", "39d00:00 Reheating pile closed note: 87.7F"],
    );
}

#[test]
fn of_water() {
    check(
        Kind::Drying,
        "0d00:00..9d00:00/1h moisture heart 60..46.5\n0d00:00..9d00:00/1h heart 150F..140F",
        &["8d00:00 Drying heart opened act: at 10d00:30 48.8%"],
    );
    check(
        Kind::Drying,
        "0d00:00..3d00:00/1h moisture heart 44\n3d01:00..6d00:00/1h moisture heart 50",
        &["2d00:00 Drying heart opened act: 44.0%", "4d00:00 Drying heart closed act: 50.0%"],
    );
    // Cold water waits for the hours that are counted.
    check(
        Kind::Drying,
        "0d00:00..2d06:00/1h moisture heart 44\n1d00:00..2d06:00/1h heart 152F\n1d00:00 run heart 20h",
        &["2d00:00 Drying heart opened act: 44.0% RunOpen"],
    );
    // At the limit there is nothing ahead any more.
    check(
        Kind::Drying,
        "1d00:00..1d23:00/1h moisture heart 63\n2d00:00..2d23:00/1h moisture heart 60\n3d00:00..3d23:00/1h moisture heart 57
         4d00:00..4d23:00/1h moisture heart 54\n5d00:00..5d23:00/1h moisture heart 51\n6d00:00..6d23:00/1h moisture heart 48
         7d00:00..8d00:00/1h moisture heart 45\n0d00:00..7d00:00/1h heart 140F..145F\n7d01:00..8d00:00/1h heart 145F..140F",
        &["7d00:00 Drying heart opened note: at 7d12:00 48.0%", "8d00:00 Drying heart worsened act: 45.0%"],
    );
}

/// What makes the usual advice the wrong one.
#[test]
fn of_a_run_that_more_air_would_end() {
    let hot = |toe: &str| format!("10:00 toe {toe}\n10:00 run toe 20h\n10:00..10:20/10m heart 165F");
    for (toe, is_near) in [("136F", true), ("126F", true), ("136.1F", false), ("125.9F", false)] {
        let wanted = if is_near { " RunNearItsLimit" } else { "" };
        let opened = format!("0d10:20 Overheating heart opened act: 165.0F worst 165.0F +0.0F/h{wanted}");
        check(Kind::Overheating, &hot(toe), &[&opened]);
    }
    // It has its time; it is given up; its last word is too old to prove anything; nothing asks for heat.
    for script in [
        format!("{}\n10:05 qualified toe", hot("134F")),
        format!("{}\n10:05 give-up toe", hot("134F")),
        hot("134F").replace("10:00 toe", "05:00 toe"),
        hot("134F").replace("10:00 run toe 20h\n", ""),
    ] {
        check(
            Kind::Overheating,
            &script,
            &["0d10:20 Overheating heart opened act: 165.0F worst 165.0F +0.0F/h"],
        );
    }
}

#[test]
fn of_probes() {
    check(
        Kind::ProbeStuck,
        "0d00:00 heart 140F\n0d00:10 heart 140.1F\n0d00:20..0d07:00/10m heart 140.1F\n0d07:10 heart 141F",
        &[
            "0d06:10 ProbeStuck heart/k1 opened note: 140.1F since 0d00:10",
            "0d07:10 ProbeStuck heart/k1 closed note: 141.0F",
        ],
    );
    check(
        Kind::ProbeFaulty,
        "0d10:00 heart 60C\n0d10:10..0d10:40/10m fault heart 85C\n0d10:50..0d12:00/10m heart 60C",
        &[
            "0d10:30 ProbeFaulty heart/k1 opened note: 185.0F since 0d10:10",
            "0d11:30 ProbeFaulty heart/k1 closed note: 140.0F since 0d10:10",
        ],
    );
    let others = "0d00:00..2d00:00/10m shed 59F\n0d00:00..2d00:00/10m heart 131F..140F\n0d00:00..1d00:00/10m toe 113F\n";
    check(
        Kind::ProbePulledOut,
        &format!("{others} 1d00:10..1d06:00/10m toe 62F\n1d06:10..1d08:00/10m toe 113F"),
        &[
            "1d03:10 ProbePulledOut toe/k3 opened act: 62.0F since 1d00:10",
            "1d06:40 ProbePulledOut toe/k3 closed act: 113.0F",
        ],
    );
    check(
        Kind::ProbeMoved,
        &format!("{others} 1d00:10..1d00:50/10m toe 60F\n1d01:00..2d00:00/10m toe 131F"),
        &["1d01:30 ProbeMoved toe/k3 opened note: 131.0F since 1d00:00"],
    );
    check(Kind::WrongUnit, "0d01:00 heart 122F", &["0d01:00 WrongUnit heart/k1 opened note: 122.0F"]);
    check(
        Kind::BatteryLow,
        "0d06:00..4d06:00/1d battery heart 15",
        &["1d00:00 BatteryLow heart/k1 opened note: battery 15%"],
    );
}

#[test]
fn of_air() {
    let cycle = "0d00:00..1d00:00/30m blower shed 1\n0d00:02..1d00:00/30m blower shed 0\n0d00:28..1d00:00/30m blower shed 0\n";
    check(
        Kind::BlowerOff,
        &format!("{cycle} 1d00:02..1d03:00/10m blower shed 0\n1d00:00 heart 152F\n1d00:00 lid 170F"),
        &["1d02:02 BlowerOff pile opened urgent: 152.0F since 1d00:00"],
    );
    check(
        Kind::BlowerStuckOn,
        &format!(
            "{cycle} 1d00:30..1d04:00/10m blower shed 1\n0d20:00..1d04:00/10m heart 150F..142F\n0d20:00..1d04:00/10m toe 150F..146F"
        ),
        &["1d02:00 BlowerStuckOn pile opened act: -0.9F/h since 1d00:00"],
    );
}

/// What is open at the end of a script, with its figures as they are then.
fn present(script: &str) -> Vec<String> {
    let mut watch = Watch::new(&pile(Method::AeratedStatic), &Params::default());
    for event in events(script) {
        watch.step(&event);
    }
    let one = |finding: Finding| {
        let read = finding.figures.read_spot.as_ref().map(|spot| format!(" now {spot}")).unwrap_or_default();
        let at = finding.figures.read_at.map(|at| format!(" at {}", shown(at))).unwrap_or_default();
        format!("{}{read}{at}: {}", text(&finding), figures(&finding))
    };
    watch.present().map(one).collect()
}

#[test]
fn of_what_is_open_as_they_are_now() {
    // The heart opened it and has cooled to below 160 F; the toe is the hottest now, the peak was in between.
    let script =
        "10:00..10:20/10m heart 161F..165F\n10:00..12:00/10m toe 150F..169F\n12:10..12:40/10m toe 168F
        10:30..12:40/10m heart 158F\n12:40 shed 175F";
    assert_eq!(
        present(script),
        ["0d10:20 Overheating heart opened act now toe at 0d12:40: 168.0F worst 169.0F"]
    );
    // It fell silent while hot: its last word still holds it open, and says from when it is.
    let silent = "10:00..10:20/10m heart 161F..165F\n10:30..14:00/10m toe 140F";
    assert_eq!(
        present(silent),
        ["0d10:20 Overheating heart opened act now heart at 0d10:20: 165.0F worst 165.0F"]
    );
    let risk =
        "1d17:00 toe 138F\n1d17:00 run toe 30h\n1d17:10..2d00:00/10m toe 137.8F..132F\n2d00:10 toe 131.5F";
    let risk = present(risk);
    assert_eq!(risk.len(), 1, "{risk:?}");
    assert!(risk[0].starts_with("1d22:50 RunAtRisk toe opened act at 2d00:10: 131.5F -"), "{risk:?}");
    assert!(risk[0].ends_with(" counted 37h of 72h"), "{risk:?}");
    let off = "0d00:00..1d00:00/30m blower shed 1\n0d00:05..1d00:00/30m blower shed 0\n1d00:00..1d04:00/10m heart 120F..100F
        1d00:10..1d04:00/10m blower shed 0";
    let off = present(off);
    assert!(off.iter().any(|one| one.contains("BlowerOff pile opened act at 1d04:00: 100.0F")), "{off:?}");
    assert_eq!(present("10:00..10:40/10m heart 120F"), Vec::<String>::new());
}
