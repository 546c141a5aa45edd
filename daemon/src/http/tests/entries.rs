//! What people write down with a phone in the barn.

use heapward_rules::units::Span;

use super::farm::TestFarm;
use super::phone::Phone;

#[tokio::test]
async fn a_pile_is_started_filled_with_a_probe_and_written_about() {
    let farm = TestFarm::new().await;
    let phone = Phone::paired(&farm).await;
    let reply =
        phone.fill("/start", &[("bay", "2"), ("cn", "28,5"), ("recipe", "4 loads of stable bedding")]).await;
    assert_eq!((reply.status, reply.header("location")), (303, Some("/piles/2026-01/place")), "{reply:?}");
    let reply = phone.fill("/piles/2026-01/place", &[("probe", "k1"), ("spot", "core-north")]).await;
    assert_eq!((reply.status, reply.header("location")), (303, Some("/piles/2026-01")), "{reply:?}");
    let fields =
        [("spot", "outer-south"), ("value", "131,5"), ("unit", "F"), ("note", "dial <b>thermometer</b>")];
    let reply = phone.fill("/piles/2026-01/write/reading", &fields).await;
    assert_eq!(reply.status, 303, "{reply:?}");
    let page = phone.get(reply.header("location").unwrap()).await.body;
    assert!(
        page.contains(">Fri 1 May, 11:00</time> by OM: Read by hand at outer-south: 131.5 °F."),
        "{page}"
    );
    assert!(page.contains("dial &lt;b&gt;thermometer&lt;/b&gt;"), "{page}");
    assert!(page.contains("4 loads of stable bedding"));
    assert!(page.contains("<svg"));
}

#[tokio::test]
async fn every_form_can_be_sent() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let phone = Phone::paired(&farm).await;
    for (what, fields) in [
        ("reading", vec![("spot", "core-north"), ("value", "55"), ("unit", "C")]),
        ("turned", vec![]),
        ("watered", vec![("gallons", "40")]),
        ("check", vec![("squeeze", "right"), ("smell", "earthy"), ("blower", "yes")]),
        ("covered", vec![("depth", "8")]),
        ("aeration", vec![("on", "1,5"), ("off", "20")]),
        ("material", vec![("what", "a load of leaves"), ("sure", "yes")]),
        ("give-up", vec![("spot", "outer-south"), ("reason", "lance broken")]),
        ("compared", vec![("probe", "k1"), ("reference", "32"), ("read", "33,8"), ("unit", "F")]),
        ("probe-out", vec![("probe", "k4")]),
        ("curing", vec![]),
        ("tested", vec![("test", "self-heating"), ("figure", "6,5")]),
        ("note", vec![("note", "wind")]),
        ("used", vec![("bed", "bed 4"), ("yards", "2"), ("soil", "no")]),
    ] {
        let reply = phone.fill(&format!("/piles/2026-03/write/{what}"), &fields).await;
        assert_eq!(reply.status, 303, "{what} {}", reply.body);
    }
    let log = phone.get("/piles/2026-03/log").await.body;
    for words in [
        "Watered with 40 gallons",
        "Aeration set to 1 min 30 s on, 20 min off",
        "Spot outer-south given up: lance broken",
        "Probe k1 compared: it said 33.8 °F at 32.0 °F",
        "Self-heating test: 6.5 °C over the room, class V: finished.",
        "Used 2 cubic yards on bed 4, which does not touch the soil.",
    ] {
        assert!(log.contains(words), "{words}");
    }
}

#[tokio::test]
async fn what_was_typed_wrong_comes_back_with_the_reason() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let phone = Phone::paired(&farm).await;
    for (fields, words) in [
        (vec![("spot", "core-north"), ("value", "hot"), ("unit", "F")], "is no number"),
        (vec![("spot", "core-north"), ("value", "900"), ("unit", "F")], "no temperature of a pile"),
        (
            vec![("spot", "core-north"), ("value", "131"), ("unit", "F"), ("at", "2026-06-01T00:00")],
            "ahead of the clock",
        ),
        (
            vec![("spot", "core-north"), ("value", "131"), ("unit", "F"), ("by", "")],
            "who wrote it is missing",
        ),
    ] {
        let reply = phone.fill("/piles/2026-03/write/reading", &fields).await;
        assert_eq!(reply.status, 400, "{reply:?}");
        assert!(reply.body.to_lowercase().contains(words), "{words} {}", reply.body);
        assert!(reply.body.contains("value=\"core-north\" checked"), "{}", reply.body);
    }
}

#[tokio::test]
async fn an_entry_is_corrected_and_nothing_is_lost() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let phone = Phone::paired(&farm).await;
    let reply = phone.fill("/piles/2026-03/write/watered", &[("gallons", "400")]).await;
    let seq: u64 = reply.header("location").unwrap().rsplit('=').next().unwrap().parse().unwrap();
    let reply = phone.fill(&format!("/piles/2026-03/log/{seq}/anew"), &[("gallons", "40")]).await;
    assert_eq!(reply.status, 303, "{reply:?}");
    let second: u64 = reply.header("location").unwrap().rsplit('=').next().unwrap().parse().unwrap();
    let reply =
        phone.fill(&format!("/piles/2026-03/log/{second}"), &[("reason", "that was the other pile")]).await;
    assert_eq!(reply.status, 303, "{reply:?}");
    let log = phone.get("/piles/2026-03/log").await.body;
    assert_eq!(log.matches("class=\"gone\"").count(), 2, "{log}");
    for words in ["400 gallons", "with 40 gallons", "Withdrawn: that was the other pile."] {
        assert!(log.contains(words), "{words}");
    }
}

#[tokio::test]
async fn raw_manure_has_its_dates_and_a_harvest_too_early_is_refused() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let phone = Phone::paired(&farm).await;
    // Built on 1 May; worked in on the same day.
    let early = [("bed", "north-4"), ("soil", "yes"), ("harvest", "2026-08-28")];
    let reply = phone.fill("/piles/2026-03/write/used", &early).await;
    assert_eq!(reply.status, 400, "{reply:?}");
    assert!(
        reply.body.contains("may be harvested from 2026-08-29 on, 120 days after 2026-05-01"),
        "{reply:?}"
    );
    assert!(reply.body.contains("value=\"2026-08-28\""), "{reply:?}");
    let fitting = [("bed", "north-4"), ("soil", "yes"), ("harvest", "2026-08-29")];
    let reply = phone.fill("/piles/2026-03/write/used", &fitting).await;
    assert_eq!(reply.status, 303, "{reply:?}");
    let page = farm.get("/piles/2026-03").await.body;
    assert!(
        page.contains(
            "raw manure: not before 2026-08-29 where it touches the soil, 2026-07-30 where it does not"
        ),
        "{page}"
    );
    assert!(page.contains("Was in bay 2") && page.contains("used "), "{page}");
}

#[tokio::test]
async fn a_pile_that_cures_frees_its_bay_and_its_probes() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let phone = Phone::paired(&farm).await;
    farm.clock.advance(Span::minutes(5));
    let moved = phone.fill("/piles/2026-03/write/curing", &[]).await;
    assert_eq!(moved.status, 303, "{moved:?}");
    let page = farm.get("/piles/2026-03").await.body;
    assert!(page.contains("Was in bay 2") && page.contains("curing since 1 May 2026"), "{page}");
    assert!(page.contains("stick one into its heart"), "{page}");
    let pile: serde_json::Value = serde_json::from_str(&farm.get("/v1/piles/2026-03").await.body).unwrap();
    assert_eq!(pile["stage"], "curing");
    assert!(pile["placements"].as_array().unwrap().iter().all(|one| !one["until"].is_null()), "{pile}");
    let bare = phone.fill("/piles/2026-03/write/material", &[("what", "a load of bedding")]).await;
    assert_eq!(bare.status, 400, "{bare:?}");
}

#[tokio::test]
async fn a_pile_is_silent_for_a_while_with_a_reason_and_speaks_again_by_itself() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let phone = Phone::paired(&farm).await;
    let page = phone.get("/piles/2026-03").await.body;
    let inputs = page.split("action=\"/mute\"").nth(1).unwrap().split("</form>").next().unwrap();
    let token = inputs.split("name=\"form\" value=\"").nth(1).unwrap().split('"').next().unwrap();
    for words in ["watering now", "moving probes", "value=\"2\" checked"] {
        assert!(inputs.contains(words), "{words} in {inputs}");
    }
    let ask = |reason, hours| [("form", token), ("pile", "2026-03"), ("reason", reason), ("hours", hours)];
    for (reason, hours) in
        [("", "2"), ("watering now", "0"), ("watering now", "25"), ("watering now", "ever")]
    {
        let reply = phone.send("/mute", &ask(reason, hours), &phone.origin()).await;
        assert_eq!(reply.status, 400, "{reason} {hours}: {reply:?}");
    }
    let reply = phone.send("/mute", &ask("moving probes", "2"), &phone.origin()).await;
    assert_eq!((reply.status, reply.header("location")), (303, Some("/piles/2026-03")), "{reply:?}");
    let is_silent = async || {
        let page = phone.get("/piles/2026-03").await.body;
        page.contains("No messages about this pile until") && page.contains(": moving probes. Danger is told")
    };
    assert!(is_silent().await);
    farm.clock.advance(Span::minutes(119));
    assert!(is_silent().await);
    farm.clock.advance(Span::minutes(1));
    assert!(!is_silent().await);
    farm.stopped().await;
}

/// Addresses of the links on a page.
fn links(page: &str) -> Vec<&str> {
    page.split(" href=\"").skip(1).map(|rest| rest.split('"').next().unwrap()).collect()
}

/// One tap shows the form, or all that can be written down; the second shows the form.
#[tokio::test]
async fn whatever_is_written_down_is_two_taps_from_the_pile() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let phone = Phone::paired(&farm).await;
    let pile = phone.get("/piles/2026-03").await.body;
    let first = links(&pile);
    let more = phone.get("/piles/2026-03/write").await.body;
    assert!(first.contains(&"/piles/2026-03/write"), "{first:?}");
    let second = links(&more);
    for what in [
        "reading",
        "turned",
        "watered",
        "covered",
        "aeration",
        "check",
        "give-up",
        "curing",
        "used",
        "tested",
        "material",
        "probe-out",
        "compared",
        "asked",
        "note",
    ] {
        let address = format!("/piles/2026-03/write/{what}");
        assert!(first.contains(&address.as_str()) || second.contains(&address.as_str()), "{what}");
        let sheet = phone.get(&address).await.body;
        // When it happened can be set back in each of them, and somebody's initials stand below it.
        for field in ["type=\"datetime-local\"", "name=\"by\"", "name=\"note\""] {
            assert!(sheet.contains(field), "{what}: {field}");
        }
    }
    assert!(second.contains(&"/piles/2026-03/place"), "{second:?}");
    assert!(first.contains(&"/start"), "{first:?}");
    // A correction is two taps away too: the log on the pile's page leads to it.
    phone.fill("/piles/2026-03/write/turned", &[]).await;
    let pile = phone.get("/piles/2026-03").await.body;
    let correct = links(&pile).into_iter().find(|link| link.starts_with("/piles/2026-03/log/")).unwrap();
    let choice = phone.get(correct).await.body;
    assert!(links(&choice).contains(&format!("{correct}/anew").as_str()), "{choice}");
}

#[tokio::test]
async fn what_happened_earlier_is_dated_earlier_on_the_farms_clock() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    farm.clock.advance(Span::days(200));
    let phone = Phone::paired(&farm).await;
    // Summer time of the first Sunday in November is over at 2:00; the hour before it comes twice, and the first is meant.
    for (typed, meant) in [
        ("2026-05-03T07:30", "2026-05-03T11:30:00.000Z"),
        ("2026-11-01T00:30", "2026-11-01T04:30:00.000Z"),
        ("2026-11-01T01:30", "2026-11-01T05:30:00.000Z"),
        ("2026-11-01T03:30", "2026-11-01T08:30:00.000Z"),
    ] {
        let reply = phone.fill("/piles/2026-03/write/watered", &[("at", typed), ("gallons", "40")]).await;
        let seq = reply.header("location").unwrap().rsplit('=').next().unwrap().parse::<u64>().unwrap();
        let entry = farm.get(&format!("/v1/piles/2026-03/entries?limit=1&after={}", seq - 1)).await.json();
        let entry = &entry["items"][0];
        assert_eq!((&entry["at"], &entry["event"]), (&meant.into(), &"watered".into()), "{entry}");
        assert_ne!(entry["at"], entry["entered"], "{entry}");
    }
}

#[tokio::test]
async fn a_probe_that_moves_ends_its_time_at_the_old_spot() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    farm.clock.advance(Span::hours(10));
    let phone = Phone::paired(&farm).await;
    // Moved three hours ago, to where k2 stood; the correction is in degrees of the farm.
    let fields = [("probe", "k1"), ("spot", "core-south"), ("at", "2026-05-01T18:00"), ("offset", "-0,9")];
    let reply = phone.fill("/piles/2026-03/place", &fields).await;
    assert_eq!(reply.status, 303, "{reply:?}");
    let list = farm.get("/v1/piles/2026-03/placements").await.json();
    let of = |probe: &str| -> Vec<String> {
        let placements = list["items"].as_array().unwrap().iter().filter(|one| one["probe"] == probe);
        placements
            .map(|one| format!("{} {} {} {}", one["spot"], one["from"], one["until"], one["offset_c"]))
            .collect()
    };
    let (built, moved) = ("\"2026-05-01T15:00:00.000Z\"", "\"2026-05-01T22:00:00.000Z\"");
    assert_eq!(
        of("k1"),
        [format!("\"core-north\" {built} {moved} 0.0"), format!("\"core-south\" {moved} null -0.5")]
    );
    assert_eq!(of("k2"), [format!("\"core-south\" {built} {moved} 0.0")]);
    let page = phone.get("/piles/2026-03").await.body;
    assert!(page.contains("No probe stands at core-north."), "{page}");
    for (fields, words) in [
        (vec![("probe", "k1"), ("spot", "core-north"), ("at", "2026-05-02T18:00")], "in the future"),
        (vec![("probe", "k1"), ("spot", "core-north"), ("offset", "90")], "`offset_c`"),
        (vec![("probe", "k1")], "the spot is missing"),
    ] {
        let reply = phone.fill("/piles/2026-03/place", &fields).await;
        assert!(reply.status == 400 && reply.body.to_lowercase().contains(words), "{words} {reply:?}");
    }
}

#[tokio::test]
async fn the_form_that_starts_a_pile_asks_the_usual_questions_too() {
    let farm = TestFarm::new().await;
    let phone = Phone::paired(&farm).await;
    // What can't be kept is said before there is a pile.
    let endless = "stable bedding, ".repeat(200);
    let reply = phone.fill("/start", &[("recipe", &endless)]).await;
    assert!(reply.status == 400 && reply.body.contains("The note is longer than"), "{reply:?}");
    assert_eq!(farm.get("/v1/piles").await.json()["items"], serde_json::json!([]));

    let fields = [
        ("herbicide", "no"),
        ("sewage_sludge", "unknown"),
        ("recipe", "4 loads of bedding"),
        ("note", "rain"),
    ];
    assert_eq!(phone.fill("/start", &fields).await.status, 303);
    let log = phone.get("/piles/2026-01/log").await.body;
    for words in [
        "The usual questions: persistent herbicide: no; sewage sludge: not known.",
        "Recipe: 4 loads of bedding\nrain",
    ] {
        assert!(log.contains(words), "{words}: {log}");
    }
    assert_eq!(phone.fill("/start", &[]).await.status, 303);
    assert!(!phone.get("/piles/2026-02/log").await.body.contains("usual questions"));
    let reply = phone.fill("/piles/2026-02/write/asked", &[]).await;
    assert!(reply.status == 400 && reply.body.contains("Answer at least one of the questions"), "{reply:?}");
}

/// What to do while nothing counts: first a probe, then patience, then a look at what it says.
#[tokio::test]
async fn what_is_missing_while_nothing_counts() {
    let farm = TestFarm::new().await;
    let phone = Phone::paired(&farm).await;
    assert_eq!(phone.fill("/start", &[]).await.status, 303);
    let says = async |words: &str| {
        let page = phone.get("/piles/2026-01").await.body;
        assert!(page.contains(words), "{words}: {page}");
        assert_eq!(page.matches("No reading counts yet").count(), 1, "{page}");
    };
    says("No reading counts yet. Place the probes, or read by hand").await;
    assert_eq!(
        phone.fill("/piles/2026-01/place", &[("probe", "k1"), ("spot", "core-north")]).await.status,
        303
    );
    says("its readings count from 30 min after it was placed").await;
    farm.readings("k1", Span::minutes(1), [70.0]).await;
    says("its readings count from 30 min after it was placed").await;
    farm.clock.advance(Span::minutes(31));
    says("though a probe stands in the pile").await;
    farm.readings_from("k1", super::farm::BUILT + Span::minutes(31), Span::minutes(1), [70.0]).await;
    assert!(!phone.get("/piles/2026-01").await.body.contains("No reading counts"));
}
