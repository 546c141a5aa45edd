//! The chart of a pile.

use heapward_rules::finding::Level;
use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::Span;

use super::farm::{BUILT, TestFarm};
use super::phone::Phone;
use crate::config::{ChannelConfig, ChannelKind, Config, ContactConfig};

#[tokio::test]
async fn the_chart_shows_gaps_crosses_and_hands() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    farm.readings(
        "k1",
        Span::minutes(1),
        (0..300).map(|n| if n == 100 { 185.0 } else { 100.0 + f64::from(n) / 10.0 }),
    )
    .await;
    farm.readings_from("k1", BUILT + Span::hours(12), Span::minutes(1), (0..300).map(|_| 135.0)).await;
    farm.clock.advance(Span::hours(18));
    let phone = Phone::paired(&farm).await;
    phone
        .fill("/piles/2026-03/write/reading", &[("spot", "core-north"), ("value", "120"), ("unit", "F")])
        .await;
    let page = phone.get("/piles/2026-03").await.body;
    let line = page.split("<path class=\"line p0\" d=\"").nth(1).unwrap().split('"').next().unwrap();
    assert_eq!(line.matches('M').count(), 2, "{line}");
    assert!(page.contains("class=\"cross\""));
    assert!(page.contains("class=\"hand\""));
    assert!(page.len() < 120_000, "{}", page.len());
    for range in ["6h", "1d", "3d", "7d", "30d", "all"] {
        let page = phone.get(&format!("/piles/2026-03?range={range}")).await;
        assert_eq!(page.status, 200, "{range}");
        assert!(page.body.contains("aria-current"), "{range}");
    }
    assert_eq!(phone.get("/piles/2026-03?range=2d").await.status, 400);
}

/// The widest chart that a page can have: six spots whose readings leap at every column, and all that people did.
#[tokio::test]
async fn the_fullest_page_stays_below_120_kb() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    for (n, probe) in (0_u32..).zip(["k1", "k2", "k3", "k4"]) {
        let leap = |minute: i32| 120.0 + 20.0 * (f64::from(minute) * 0.7 + f64::from(n)).sin();
        farm.readings(probe, Span::minutes(1), (0..4_000).map(leap)).await;
    }
    farm.clock.advance(Span::hours(67));
    let phone = Phone::paired(&farm).await;
    for n in 0..30 {
        let at = format!("2026-05-02T{:02}:30", n % 24);
        let note = "x".repeat(490);
        phone.fill("/piles/2026-03/write/watered", &[("gallons", "40"), ("at", &at), ("note", &note)]).await;
    }
    let page = phone.get("/piles/2026-03").await.body;
    assert!(page.matches("Watered with").count() >= 8 && page.contains(">watered<"), "{page}");
    // Two of six spots are not there: each line takes its part of what is drawn.
    let lines: usize = page.split("<path class=\"line ").skip(1).map(|path| path.find('>').unwrap()).sum();
    assert!(page.len() + lines / 2 < 120_000, "{} with {lines} of lines", page.len());
}

/// A long stretch is drawn by days; a day in which a probe came or went holds only what it said in this pile.
#[tokio::test]
async fn a_year_is_drawn_by_days() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    farm.readings("k1", Span::hours(1), (0..8_760).map(|n| if n % 24 == 3 { 150.0 } else { 140.0 })).await;
    farm.clock.advance(Span::days(365));
    let page = farm.get("/piles/2026-03?range=all").await.body;
    let line = page.split("<path class=\"line p0\" d=\"").nth(1).unwrap().split('"').next().unwrap();
    assert_eq!(line.matches('M').count(), 1, "one stroke without a gap: {line}");
    // Each day from 140 to 150 degrees: a stroke up or down in every column.
    assert!(line.matches('v').count() > 250, "{line}");
    let json = farm.get("/v1/piles/2026-03/history?step=24h").await.json();
    assert_eq!(json["buckets"].as_array().unwrap().len(), 366, "UTC days");
}

/// Somebody who is told of everything by text.
fn with_a_contact(config: &mut Config) {
    config.telling.channels = vec![ChannelConfig { name: "text".to_owned(), kind: ChannelKind::Terminal }];
    config.telling.contacts = vec![ContactConfig {
        name: "Odile Marsh".to_owned(),
        addresses: vec![("text".to_owned(), "+1 555 0100".to_owned())],
        from_level: Level::Act,
        second: false,
        summary_by: None,
        quiet: None,
    }];
}

/// The page of a pile from top to bottom: verdict, today, chart, figures, log; in the chart the range of its standard
/// as two ruled lines, and on its time axis what people did and what they were told.
#[tokio::test]
async fn a_page_is_read_from_the_verdict_down() {
    let farm = TestFarm::with(with_a_contact).await;
    farm.with_pile().await;
    farm.handle.tick();
    for probe in ["k1", "k2", "k3", "k4"] {
        farm.readings(probe, Span::minutes(10), (0..30).map(|n| 80.0 + 2.4 * f64::from(n))).await;
    }
    // One probe falls silent and one spot grows far too hot; somebody is told, waters and turns.
    let phone = Phone::paired(&farm).await;
    farm.clock.advance(Span::hours(8));
    for (probe, step) in [("k2", 2.0), ("k3", 0.0), ("k4", 0.0)] {
        let later = BUILT + Span::hours(5);
        let values = (0..18).map(|n| 150.0 + step * f64::from(n));
        farm.readings_from(probe, later, Span::minutes(10), values).await;
    }
    farm.handle.tick();
    farm.settled().await;
    // What comes late is told when the rest of it has had time to come.
    farm.clock.advance(Span::minutes(1));
    farm.handle.tick();
    farm.settled().await;
    for what in ["watered", "turned"] {
        assert_eq!(phone.fill(&format!("/piles/2026-03/write/{what}"), &[]).await.status, 303);
    }
    let page = phone.get("/piles/2026-03").await.body;
    let parts = [
        ">Quillback Farm</a>",
        "<h1>Pile 2026-03</h1>",
        "class=\"verdict\"",
        "class=\"today\"",
        "aria-label=\"Write down\"",
        "<svg class=\"wide\"",
        "<h2>Spots</h2>",
        "<h2>What was noticed</h2>",
        "<h2>Log</h2>",
        "<nav ",
    ];
    let places: Vec<Option<usize>> = parts.iter().map(|part| page.find(part)).collect();
    assert!(places.iter().all(Option::is_some) && places.is_sorted(), "{places:?} {page}");

    let chart = page.split("<svg class=\"wide\"").nth(1).unwrap().split("</svg>").next().unwrap();
    assert_eq!(chart.matches("class=\"limit\"").count(), 2, "{chart}");
    for words in [">131</text>", ">170</text>", ">watered</text>", ">turned</text>", ">text</text>"] {
        assert!(chart.contains(words), "{words}: {chart}");
    }
    // A turn begins the hours anew: ruled through the chart.
    assert_eq!(chart.matches("class=\"through\"").count(), 1, "{chart}");
    // Every spot has its name at the line's end and a stroke of its own.
    for (n, spot) in ["core-north", "core-south", "outer-north", "outer-south"].iter().enumerate() {
        assert!(chart.contains(&format!(">{spot}</text>")), "{spot}: {chart}");
        assert_eq!(
            chart.matches(&format!("class=\"line p{n}\"")).count(),
            2,
            "line and key of {spot}: {chart}"
        );
    }
    let outbox = phone.get("/outbox").await.body;
    assert!(
        outbox.contains("Odile Marsh") && outbox.contains("core-south") && outbox.contains("By text"),
        "{outbox}"
    );
    let log = phone.get("/piles/2026-03/incidents").await.body;
    assert!(log.contains("Odile Marsh"), "{log}");
}

/// What else is measured is drawn by itself, each quantity with its own axis.
#[tokio::test]
async fn moisture_oxygen_and_the_blower_have_charts_of_their_own() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    for (probe, measures, high) in [
        ("k1", (Quantity::Moisture, Unit::Percent), 55.0),
        ("k2", (Quantity::Oxygen, Unit::Percent), 12.0),
        ("k3", (Quantity::Blower, Unit::Watt), 310.0),
    ] {
        let values = (0..120).map(|n| if n % 2 == 0 { high } else { high / 2.0 });
        farm.says(probe, measures, BUILT, Span::minutes(1), values).await;
    }
    farm.clock.advance(Span::hours(2));
    let page = farm.get("/piles/2026-03").await.body;
    let of = |title: &str| {
        let part =
            page.split(&format!("<h2>{title}</h2>")).nth(1).unwrap_or_else(|| panic!("{title}: {page}"));
        part.split("</figure>").next().unwrap().to_owned()
    };
    for (title, spot, pattern) in
        [("Moisture", "core-north", 0), ("Oxygen", "core-south", 1), ("Blower", "outer-north", 2)]
    {
        let chart = of(title);
        assert!(chart.contains(&format!(">{spot}</text>")), "{title}: {chart}");
        assert!(chart.contains(&format!("class=\"line p{pattern}\"")), "{title}: {chart}");
        assert!(!chart.contains("class=\"limit\""), "nothing is judged by it: {chart}");
    }
    // The blower goes on and off each minute: its mean is one flat line.
    let line = of("Blower")
        .split("<path class=\"line p2\" d=\"")
        .nth(1)
        .unwrap()
        .split('"')
        .next()
        .unwrap()
        .to_owned();
    assert!(!line.contains('v'), "{line}");
}

/// Black and white is enough: the eight strokes differ in their dashes or their width.
#[test]
fn strokes_differ_without_colour() {
    let style = include_str!("../pages/style.css");
    let mut strokes: Vec<(String, String)> = Vec::new();
    for n in 0..8 {
        let rule = style.split(&format!(".chart .p{n} {{")).nth(1).and_then(|rest| rest.split('}').next());
        let value = |key: &str| {
            let found = rule.and_then(|rule| rule.split(&format!("{key}: ")).nth(1));
            found.and_then(|rest| rest.split(';').next()).unwrap_or("usual").trim().to_owned()
        };
        assert!(rule.is_none_or(|rule| !rule.contains("stroke:")), "a colour for pattern {n}");
        strokes.push((value("stroke-width"), value("stroke-dasharray")));
    }
    let all = strokes.len();
    strokes.sort();
    strokes.dedup();
    assert_eq!(strokes.len(), all, "{strokes:?}");
}

/// From six hours to the whole pile, back in time and forward again, by plain links.
#[tokio::test]
async fn stretches_are_plain_links() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    farm.readings("k1", Span::minutes(10), (0..700).map(|n| 100.0 + f64::from(n % 50))).await;
    farm.clock.advance(Span::minutes(7_000));
    let page = farm.get("/piles/2026-03?range=6h").await.body;
    let link = |page: &str, name: &str| -> Option<String> {
        let links = page.split("<a class=\"touch\" href=\"").skip(1);
        let mut named = links
            .filter(|rest| rest.split('>').nth(1).is_some_and(|text| text.starts_with(&format!("{name}<"))));
        named.next().map(|rest| rest.split('"').next().unwrap().replace("&amp;", "&"))
    };
    let caption =
        |page: &str| page.split("<figcaption>").nth(1).unwrap().split('<').next().unwrap().to_owned();
    for name in ["6 hours", "1 day", "3 days", "1 week", "30 days", "Whole pile"] {
        assert!(link(&page, name).is_some(), "{name}: {page}");
    }
    assert!(caption(&page).contains("from Wed 6 May, 01:40 to Wed 6 May, 07:40"), "{}", caption(&page));
    assert_eq!(link(&page, "Later"), None);
    let earlier = farm.get(&link(&page, "Earlier").unwrap()).await.body;
    assert!(caption(&earlier).contains("from Tue 5 May, 19:40 to Wed 6 May, 01:40"), "{}", caption(&earlier));
    let later = farm.get(&link(&earlier, "Later").unwrap()).await.body;
    assert_eq!(caption(&later), caption(&page));
    let whole = farm.get(&link(&page, "Whole pile").unwrap()).await.body;
    assert!(caption(&whole).contains("from Fri 1 May, 11:00 to Wed 6 May, 07:40"), "{}", caption(&whole));
    // Before its beginning there is nothing to go back to.
    let first = farm.get("/piles/2026-03?range=6h&to=1777647600000").await.body;
    assert!(caption(&first).contains("from Fri 1 May, 11:00"), "{}", caption(&first));
}
