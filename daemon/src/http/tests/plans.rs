//! Planning a mix and a season.

use super::farm::TestFarm;
use super::phone::Phone;

#[tokio::test]
async fn a_mix_is_planned_printed_and_kept_with_its_pile() {
    let farm = TestFarm::new().await;
    let phone = Phone::paired(&farm).await;
    let page = farm.get("/mix").await.body;
    assert!(page.contains("<form class=\"write\" method=\"get\" action=\"/mix\">"), "{page}");
    assert!(page.contains("Feedstocks that are known: 48"));
    let what = "what=horse-manure%3D2yd3+Ford+stable%0D%0Aleaves%3D4+yd3%0D%0Awater%3D60gal&bay=4yd3";
    let page = farm.get(&format!("/mix?{what}")).await.body;
    assert!(page.contains("C:N 36.4:1, moisture"), "{page}");
    assert!(page.contains("It makes more than the bay holds"), "{page}");
    assert!(page.contains("aminopyralid") && page.contains("within 10 % of 40:1"), "{page}");
    let card = farm.get(&format!("/mix?{what}&card=yes")).await.body;
    assert!(card.contains("BUILD CARD") && card.contains("layers, each of them:"), "{card}");
    let wrong = farm.get("/mix?what=leaves%3D2heaps").await;
    assert_eq!(wrong.status, 200);
    assert!(wrong.body.contains("`2heaps` is no amount") && wrong.body.contains(">leaves=2heaps</textarea>"));
    let blocked = farm.get("/mix?what=hen-manure%0Abroiler-litter&make=8yd3").await.body;
    assert!(blocked.contains("C:N stands in the way"), "{blocked}");

    let start = card.split("href=\"/start?mix=").nth(1).unwrap().split('"').next().unwrap();
    let started = phone.get(&format!("/start?mix={start}")).await.body;
    assert!(
        started.contains("horse-manure=2758lb Ford stable\nleaves=800lb\nwater=501lb</textarea>"),
        "{started}"
    );
    let recipe = "horse-manure=2758lb Ford stable\r\nleaves=800lb\r\nwater=501lb";
    let wrong = phone.fill("/start", &[("recipe", recipe), ("material", "plant")]).await;
    assert_eq!(wrong.status, 400);
    assert!(wrong.body.contains("By its recipe this is `manure`, not `plant`"), "{wrong:?}");
    let reply = phone.fill("/start", &[("recipe", recipe)]).await;
    assert_eq!(reply.status, 303, "{reply:?}");
    let pile = farm.get("/piles/2026-01").await.body;
    assert!(pile.contains("carbon to nitrogen ratio is 36.37:1"), "{pile}");
    assert!(
        pile.contains("Horse manure, general with bedding, 2758 lb") && pile.contains("manure, Ford stable")
    );
}

#[tokio::test]
async fn a_script_starts_a_pile_with_a_mix() {
    let farm = TestFarm::new().await;
    let spots = serde_json::json!([{ "name": "core", "zone": "core" }]);
    let new = |pile: &str, mix: &[&str]| serde_json::json!({ "pile": pile, "method": "aerated-static", "spots": spots, "mix": mix });
    let made = farm.post("/v1/piles", &new("2026-03", &["leaves=100lb", "grass-clippings=300lb Bram"])).await;
    assert_eq!(made.status, 201, "{made:?}");
    let made: serde_json::Value = serde_json::from_str(&made.body).unwrap();
    assert_eq!((&made["material"], &made["recipe"]["parts"][1]["source"]), (&"plant".into(), &"Bram".into()));
    assert_eq!(made["initial_cn"], made["recipe"]["cn"]["typical"]);
    let wrong = farm.post("/v1/piles", &new("2026-04", &["leaves=100heaps"])).await;
    assert_eq!(wrong.status, 400, "{wrong:?}");
    let bare = farm.post("/v1/piles", &new("2026-04", &[])).await;
    assert!(bare.status == 400 && bare.body.contains("`material` is missing"), "{bare:?}");
}

#[tokio::test]
async fn a_season_is_planned_and_the_seasons_so_far_stand_below() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let page = farm.get("/season").await.body;
    assert!(page.contains("action=\"/season\"") && page.contains("Seasons so far"), "{page}");
    assert!(page.contains("<th>2026</th>"), "{page}");
    let plan = "beds=north-4+100x4+1+2026-09-01%0D%0Asouth+1300+1+2026-10-01&bays=1&from=2026-05-02";
    let page = farm.get(&format!("/season?{plan}")).await.body;
    assert!(page.contains("5.2 cubic yards wanted: 2 piles to build, each gives 4.0."), "{page}");
    assert!(page.contains("<li>north-4: 2026-06-16</li>"), "{page}");
    let late = farm.get("/season?beds=north-4+100x4+1+2026-06-01").await.body;
    assert!(late.contains("Short by 1.2 cubic yards, up to"), "{late}");
    for (plan, wanted) in [
        ("beds=north-4+big", "such as north-4 100x4 1 2027-04-15"),
        ("beds=north-4+400+1+soon", "write a date such as"),
        ("beds=north-4+400+1+2026-09-01&bays=0", "bays.count = 0"),
        ("beds=north-4+400+1+2026-09-01&pile=much", "is no number"),
    ] {
        let page = farm.get(&format!("/season?{plan}")).await;
        assert!(page.status == 200 && page.body.contains(wanted), "{plan}: {page:?}");
    }
}
