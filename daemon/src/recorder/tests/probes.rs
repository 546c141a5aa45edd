//! What is known of a probe, and what its readings mean by it.

use super::*;

/// It came beside the thermometer later: taken for one, it would end the thermometer's placement.
#[tokio::test(flavor = "multi_thread")]
async fn a_moisture_probe_that_is_configured_no_more_takes_no_thermometers_place() {
    let dir = tempfile::tempdir().unwrap();
    let clock = Arc::new(ManualClock::new(built()));
    let configured = |parts: &mut Parts| {
        parts.probes.insert(
            ProbeId::new("m1"),
            ProbeFacts { quantity: Quantity::Moisture, on_above: 0.0, calibration: Vec::new() },
        );
    };
    let house = start_with(dir.path(), &clock, configured, Vec::new());
    let mut pile = pile();
    let from_ms = (built() + Span::hours(10)).0;
    let beside = PlacementRecord { probe: "m1".to_owned(), from_ms, ..pile.placements[0].clone() };
    pile.placements.push(beside);
    house.handle.start_pile(pile, "OM".to_owned()).await.unwrap();
    let damp = DatedReading {
        probe: ProbeId::new("m1"),
        quantity: Quantity::Moisture,
        unit: Unit::Percent,
        at: built(),
        value: 57.5,
        dated_by: DatedBy::Payload,
    };
    house.reading(damp).await;
    house.readings("k1", built() + EVERY, 170, EVERY, warm).await;
    house.readings("k2", built() + EVERY + Span(1), 170, EVERY, warm).await;
    house.settle().await;
    let before = house.handle.view("2026-05").unwrap().judgement.clone();
    assert_eq!(before.verdicts[0].status, Status::Qualified);
    house.stop().await;

    let house = start_with(dir.path(), &clock, |_| {}, Vec::new());
    let after = house.handle.view("2026-05").unwrap();
    assert_eq!(after.judgement, before);
    house.stop().await;
}

/// Configured nowhere, it is what it sends, wherever it stands by then; a restart sees the same.
#[tokio::test(flavor = "multi_thread")]
async fn what_an_unknown_probe_sends_makes_it_a_thermometer_or_none() {
    let dir = tempfile::tempdir().unwrap();
    let clock = Arc::new(ManualClock::new(built()));
    let mut house = start_with(dir.path(), &clock, |_| {}, Vec::new());
    let mut pile = pile();
    let hours = |n| (built() + Span::hours(n)).0;
    let beside = PlacementRecord {
        probe: "x9".to_owned(),
        from_ms: hours(10),
        until_ms: Some(hours(12)),
        ..pile.placements[0].clone()
    };
    pile.placements.push(beside);
    house.handle.start_pile(pile, "OM".to_owned()).await.unwrap();
    house.readings("k1", built() + EVERY, 170, EVERY, warm).await;
    house.readings("k2", built() + EVERY + Span(1), 170, EVERY, warm).await;
    let of_x9 = |quantity, unit, hour| DatedReading {
        probe: ProbeId::new("x9"),
        quantity,
        unit,
        at: At(hours(hour)),
        value: 57.5,
        dated_by: DatedBy::Payload,
    };
    let steps = [
        (None, Status::NotMet),
        (Some(of_x9(Quantity::Moisture, Unit::Percent, 0)), Status::Qualified),
        (Some(of_x9(Quantity::Temperature, Unit::Celsius, 30)), Status::NotMet),
    ];
    for (reading, expected) in steps {
        if let Some(reading) = reading {
            house.reading(reading).await;
        }
        house.settle().await;
        let before = house.handle.view("2026-05").unwrap().judgement.clone();
        assert_eq!(before.verdicts[0].status, expected);
        house.stop().await;
        house = start_with(dir.path(), &clock, |_| {}, Vec::new());
        assert_eq!(house.handle.view("2026-05").unwrap().judgement, before);
    }
    house.stop().await;
}

/// 3.4 V are a good battery, and 41 raw are the 52 % of the table.
#[tokio::test(flavor = "multi_thread")]
async fn volts_and_raw_figures_are_no_percent() {
    let dir = tempfile::tempdir().unwrap();
    let clock = Arc::new(ManualClock::new(built()));
    let configured = |parts: &mut Parts| {
        let calibration = vec![(18.0, 30.0), (41.0, 52.0), (63.0, 68.0)];
        let facts = ProbeFacts { quantity: Quantity::Moisture, on_above: 0.0, calibration };
        parts.probes.insert(ProbeId::new("m1"), facts);
    };
    let house = start_with(dir.path(), &clock, configured, Vec::new());
    let mut pile = pile();
    let beside = PlacementRecord { probe: "m1".to_owned(), ..pile.placements[0].clone() };
    pile.placements.push(beside);
    house.handle.start_pile(pile, "OM".to_owned()).await.unwrap();
    let said = |probe: &str, quantity, unit, value, n| DatedReading {
        probe: ProbeId::new(probe),
        quantity,
        unit,
        at: built() + Span::hours(n),
        value,
        dated_by: DatedBy::Payload,
    };
    let open = || -> Vec<String> {
        let view = house.handle.view("2026-05").unwrap();
        view.open.iter().map(|finding| format!("{:?}", finding.kind)).collect()
    };
    for n in 1..72 {
        house.reading(said("m1", Quantity::Moisture, Unit::Raw, 41.0, n)).await;
        house.reading(said("m1", Quantity::Battery, Unit::Volt, 3.4, n)).await;
        house.reading(said("k1", Quantity::Battery, Unit::Volt, 3.4, n)).await;
    }
    house.settle().await;
    let dry_or_empty = |open: &[String]| {
        open.iter().filter(|kind| ["Drying", "BatteryLow"].contains(&kind.as_str())).cloned().collect()
    };
    let found: Vec<String> = dry_or_empty(&open());
    assert!(found.is_empty(), "{found:?}");
    for n in 72..144 {
        house.reading(said("m1", Quantity::Moisture, Unit::Raw, 29.0, n)).await;
        house.reading(said("k1", Quantity::Battery, Unit::Percent, 3.4, n)).await;
    }
    house.settle().await;
    let mut found: Vec<String> = dry_or_empty(&open());
    found.sort_unstable();
    assert_eq!(found, ["BatteryLow", "Drying"]);
    house.stop().await;
}
