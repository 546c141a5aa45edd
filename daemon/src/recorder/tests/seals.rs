//! When the recorder seals: at its start, every six hours, and at the farm's midnight.

use super::*;

fn reading(at: At) -> DatedReading {
    DatedReading {
        probe: ProbeId::new("k1"),
        quantity: Quantity::Temperature,
        unit: Unit::Celsius,
        at,
        value: 55.0,
        dated_by: DatedBy::Payload,
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn readings_are_sealed_every_six_hours_and_at_the_farms_midnight() {
    let dir = tempfile::tempdir().unwrap();
    let time = |text: &str| parse_rfc3339(&format!("2026-05-{text}-04:00")).unwrap();
    let house = start(dir.path(), time("02T10:00:00"));
    // A look at the clock, and whether the reading that came before it is sealed then.
    let script = [
        ("02T10:00:01", true),
        ("02T12:00:00", false),
        ("02T16:00:00", false),
        ("02T16:00:02", true),
        ("02T22:00:04", true),
        ("02T23:59:59", false),
        ("03T00:00:00", true),
        ("03T05:59:59", false),
        ("03T06:00:01", true),
    ];
    for (now, is_sealed) in script {
        house.clock.step_to(time(now));
        let (done, kept) = oneshot::channel();
        let ack = crate::recorder::Ack::call(move |ok| done.send(ok).unwrap());
        house.handle.readings(vec![reading(time(now))], ack).await.unwrap();
        assert!(kept.await.unwrap());
        // A seal is done in slices, one at a look at the clock; so long as it goes on, so does the look.
        for _ in 0..4 {
            house.handle.tick();
            house.settle().await;
        }
        let unsealed = house.reader.sizes().unwrap().unsealed;
        assert_eq!(unsealed == 0, is_sealed, "{now}: {unsealed}");
    }
    // Not while nobody knows what time it is.
    house.clock.set_trusted(false);
    house.clock.step_to(time("20T10:00:00"));
    let (done, kept) = oneshot::channel();
    let ack = crate::recorder::Ack::call(move |ok| done.send(ok).unwrap());
    house.handle.readings(vec![reading(time("03T07:00:00"))], ack).await.unwrap();
    assert!(kept.await.unwrap());
    house.handle.tick();
    house.settle().await;
    assert_eq!(house.reader.sizes().unwrap().unsealed, 1);
    house.stop().await;
}
