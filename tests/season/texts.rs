//! What the telephones get in a season, from readings to texts: a good pile costs two at most, and those that go wrong
//! get the right one at the right time (`texts.txt`).
//!
//! After a wanted change: `HEAPWARD_WRITE_TABLES=1 cargo nextest run -p heapward-tests --test season texts`, then read the
//! difference.

use super::house::House;
use super::tape::Tape;

/// From build to move.
const DAYS: i64 = 30;
const TEXTS_OF_A_GOOD_PILE_MAX: usize = 2;

#[tokio::test(flavor = "multi_thread")]
async fn a_good_pile_costs_two_texts_and_bad_ones_get_theirs_in_time() {
    let tape = Tape::of_one_good_pile(1, DAYS);
    let dir = tempfile::tempdir().unwrap();
    let house = House::open(dir.path(), tape.steps[0].at);
    for step in &tape.steps {
        house.take(step).await;
    }
    let texts = house.texts().await;
    house.stop().await;

    let table = texts.join("\n") + "\n";
    if std::env::var_os("HEAPWARD_WRITE_TABLES").is_some() {
        std::fs::write(concat!(env!("CARGO_MANIFEST_DIR"), "/season/texts.txt"), &table).unwrap();
    } else {
        assert_eq!(table, include_str!("texts.txt"));
    }
    let of = |pile: &str| texts.iter().filter(|text| text.starts_with(pile)).collect::<Vec<_>>();
    let good = of("2026-03");
    assert!(good.len() <= TEXTS_OF_A_GOOD_PILE_MAX, "{good:#?}");
    assert!(good.iter().any(|text| text.contains(" qualified opened, ")), "{good:#?}");
    assert!(!of("2026-04").is_empty() && !of("2026-05").is_empty(), "{texts:#?}");
}
