//! What a grower sees at a glance: the order of piles, the farm's troubles, what was written down last, whole figures.

use heapward_rules::units::Span;
use serde_json::json;

use super::farm::{BUILT, TestFarm};
use super::phone::Phone;
use crate::recorder::StoreTrouble;

/// Another pile than that of [`TestFarm::with_pile`], without probes.
async fn started(farm: &TestFarm, pile: &str, built: &str) {
    let spots = json!([{ "name": "heart", "zone": "ambient" }]);
    let pile = json!({ "pile": pile, "method": "aerated-static", "material": "manure", "spots": spots, "built": built });
    assert_eq!(farm.post("/v1/piles", &pile).await.status, 201);
}

/// Names of the piles as the first page has them.
async fn order(farm: &TestFarm) -> Vec<String> {
    let page = farm.get("/").await.body;
    let piles = page.split("<h2><a href=\"/piles/").skip(1);
    piles.map(|rest| rest.split('"').next().unwrap().to_owned()).collect()
}

#[tokio::test]
async fn what_needs_somebody_today_stands_first() {
    let farm = TestFarm::new().await;
    farm.clock.advance(Span::hours(2));
    started(&farm, "2026-04", "2026-05-01T16:00:00Z").await;
    started(&farm, "2026-05", "2026-05-01T17:00:00Z").await;
    assert_eq!(order(&farm).await, ["2026-05", "2026-04"], "the same need: the newest first");
    farm.with_pile().await;
    for probe in ["k1", "k2", "k3"] {
        farm.readings(probe, Span::minutes(10), (0..13).map(|n| 100.0 + f64::from(n))).await;
    }
    // A spot of the oldest says nothing: that can wait, but it is more than nothing.
    farm.handle.tick();
    farm.settled().await;
    assert_eq!(order(&farm).await[0], "2026-03");
    let place = json!({ "probe": "k9", "spot": "heart", "from": "2026-05-01T16:00:00Z" });
    assert_eq!(farm.post("/v1/piles/2026-04/placements", &place).await.status, 201);
    farm.readings_from("k9", BUILT + Span::hours(1), Span::minutes(1), (0..60).map(|_| 60.0)).await;
    let hot = (0..60).map(|n| 150.0 + f64::from(n) / 2.0);
    farm.readings_from("k1", BUILT + Span::minutes(121), Span::minutes(1), hot).await;
    farm.clock.advance(Span::hours(1));
    let page = farm.get("/").await.body;
    let first = page.split("<section").nth(1).unwrap();
    assert!(
        first.contains("Pile 2026-03") && first.contains("<span class=\"act\">core-north is too hot"),
        "{page}"
    );
    // k9 has said nothing for a while: the older pile goes before the newer one, in which nothing is open.
    assert_eq!(order(&farm).await, ["2026-03", "2026-04", "2026-05"]);
}

/// The verdict may stand still because the farm is in trouble, so that is said beside it, wherever a pile is looked at.
#[tokio::test]
async fn the_farms_troubles_stand_on_every_page_about_piles() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let phone = Phone::paired(&farm).await;
    let pages =
        ["/", "/piles/2026-03", "/piles/2026-03/log", "/piles/2026-03/incidents", "/piles/2026-03/write"];
    let says = async |words: &str, wanted: bool| {
        for page in pages {
            let body = phone.get(page).await.body;
            assert_eq!(body.contains(words), wanted, "{page}: {words}: {body}");
            let (said, verdict) = (body.find(words), body.find("class=\"verdict\""));
            if page == "/piles/2026-03" && wanted {
                assert!(said > verdict, "nothing stands above the verdict: {body}");
            }
        }
    };
    let clock =
        "<span class=\"act\">The clock is not trusted yet: readings without a time of their own wait.";
    says(clock, false).await;
    farm.clock.set_trusted(false);
    says(clock, true).await;
    farm.clock.set_trusted(true);
    says(clock, false).await;

    // A broker that is away for a moment is no work for anybody yet.
    let broker = "<span class=\"\">Not connected to 127.0.0.1:1883: no probe is heard.</span>";
    farm.ingest.lock().unwrap().source = Some("127.0.0.1:1883".to_owned());
    says(broker, true).await;
    farm.ingest.lock().unwrap().connected = true;
    says(broker, false).await;

    let card = "<span class=\"act\">Readings can't be kept since Fri 1 May, 11:00: no room left on the card.";
    says(card, false).await;
    let trouble = StoreTrouble { since: BUILT, reason: "no room left on the card".to_owned() };
    farm.handle.show_store_trouble(Some(trouble));
    says(card, true).await;
    farm.handle.show_store_trouble(None);
    says(card, false).await;

    // Whatever was noticed of the farm as a whole.
    for probe in ["k1", "k2", "k3", "k4"] {
        farm.readings(probe, Span::minutes(1), (0..30).map(|n| 70.0 + f64::from(n) / 10.0)).await;
    }
    farm.clock.advance(Span::hours(4));
    farm.handle.tick();
    farm.settled().await;
    says("<span class=\"act\">All probes silent", true).await;
}

/// A slip is seen where it was made, and put right in two taps; what was put right, or concluded, is no slip.
#[tokio::test]
async fn what_was_written_down_last_stands_below_the_verdict() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let phone = Phone::paired(&farm).await;
    let line = async || {
        let page = phone.get("/piles/2026-03").await.body;
        let (verdict, line) = (page.find("class=\"verdict\""), page.find("<p class=\"written\""));
        assert!(line.is_none() || line > verdict && line < page.find("<svg"), "{page}");
        line.map(|line| page[line..].split("</p>").next().unwrap().to_owned())
    };
    assert_eq!(line().await, None, "building and placing are none that can be corrected");
    phone.fill("/piles/2026-03/write/watered", &[("gallons", "40")]).await;
    phone.fill("/piles/2026-03/write/note", &[("note", &"stones ".repeat(20))]).await;
    let text = line().await.unwrap();
    assert!(
        text.contains("Last written down, ") && text.contains("by OM: \u{201c}stones") && text.contains('…'),
        "{text}"
    );
    let correct = text.split("href=\"").nth(1).unwrap().split('"').next().unwrap().to_owned();
    assert!(text.ends_with(">Correct</a>"), "{text}");
    phone.fill(&correct, &[("reason", "another pile")]).await;
    let text = line().await.unwrap();
    assert!(text.contains(" by OM: Watered with 40 gallons (151 litres)."), "{text}");
    // Whoever may not write reads it, and is not asked to correct it.
    let page = farm.get("/piles/2026-03").await.body;
    assert!(page.contains(" by OM: Watered with 40") && !page.contains(">Correct</a>"), "{page}");
}

#[tokio::test]
async fn the_log_is_turned_page_by_page_to_its_end_and_back() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    for n in 0..7 {
        let note = json!({ "event": "note", "note": format!("note {n}") });
        assert_eq!(farm.post("/v1/piles/2026-03/entries", &note).await.status, 201);
    }
    let numbers = |page: &str| -> Vec<u64> {
        let lines = page.split("<p class=\"aside\">No. ").skip(1);
        lines.map(|rest| rest.split(['<', ',', ' ']).next().unwrap().parse().unwrap()).collect()
    };
    let link = |page: &str, name: &str| -> Option<String> {
        let end = page.find(&format!("\">{name}</a>"))?;
        Some(page[..end].rsplit("href=\"").next()?.replace("&amp;", "&"))
    };
    let whole = numbers(&farm.get("/piles/2026-03/log").await.body);
    assert!(whole.len() == 12 && whole.is_sorted_by(|a, b| a > b), "{whole:?}");
    let mut seen = Vec::new();
    let mut leaves = vec!["/piles/2026-03/log?limit=5".to_owned()];
    loop {
        let page = farm.get(leaves.last().unwrap()).await.body;
        seen.extend(numbers(&page));
        match link(&page, "Further back") {
            Some(next) => leaves.push(next),
            None => break,
        }
    }
    assert_eq!((&seen, leaves.len()), (&whole, 3), "every entry once");
    // The same way back.
    while let Some(leaf) = leaves.pop() {
        let newer = link(&farm.get(&leaf).await.body, "Newer");
        assert_eq!(newer.as_ref(), leaves.last(), "{leaf}");
    }
    for (after, status) in
        [("0", 200), ("999999", 200), ("x", 400), ("-1", 400), ("9999999999999999999", 400)]
    {
        let reply = farm.get(&format!("/piles/2026-03/log?after={after}")).await;
        assert_eq!(reply.status, status, "{after}: {reply:?}");
    }
}

/// On every page: no line ends between a figure and its unit, or within a date.
#[tokio::test]
async fn no_figure_is_parted_from_its_unit() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    farm.readings("k1", Span::minutes(10), (0..60).map(|n| 100.0 + f64::from(n))).await;
    farm.clock.advance(Span::hours(10));
    let phone = Phone::paired(&farm).await;
    for (page, words) in [
        ("/", "nothing of 72~h proven"),
        ("/", "built 1~May~2026"),
        ("/piles/2026-03", "min~ago"),
        ("/piles/2026-03", "159.0~°F"),
        ("/piles/2026-03/log", ">Fri~1~May,~11:00<"),
        ("/probes", "every 1~min"),
        ("/about", " MB in <code>"),
        ("/piles/2026-03/record", "<span class=\"whole\">2026-05-01 11:00"),
        ("/nowhere", "nothing here"),
    ] {
        let served = phone.get(page).await.served.replace('\u{a0}', "~");
        let words = words.replace(" MB", "~MB");
        assert!(served.contains(&words) || page == "/nowhere", "{page}: {words}: {served}");
        for parted in [" h of ", "1 May", " °F", "72 h"] {
            let text = served.split("<main").nth(1).unwrap();
            let figures = text.match_indices(parted).filter(|(at, _)| {
                let before = &text[..*at];
                let in_chart = before.matches("<svg").count() > before.matches("</svg>").count();
                !in_chart && (before.ends_with(|c: char| c.is_ascii_digit()) || parted.starts_with('7'))
            });
            assert_eq!(figures.count(), 0, "{page}: {parted}: {served}");
        }
    }
}
