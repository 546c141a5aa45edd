//! A card that can't be read for a while: the pages say so, and go on by themselves.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use heapward_rules::units::Span;

use super::farm::{Reply, TestFarm};
use crate::store::watched::Watched;

const LOG: &str = "/v1/piles/2026-03/entries";

/// A farm with a pile whose database can be made unreadable; nothing of it is kept in memory.
async fn on_a_card(is_out: &Arc<AtomicBool>) -> TestFarm {
    let is_out = Arc::clone(is_out);
    let on_read = move |file: &str| match file {
        "store.redb" if is_out.load(Ordering::Relaxed) => Err(io::Error::other("the card is out")),
        _ => Ok(()),
    };
    let farm = TestFarm::on(
        |_| {},
        |store| {
            store.cache_bytes = 0;
            store.disk = Arc::new(Watched::with_reads(&store.dir, Arc::new(on_read)));
        },
    )
    .await;
    farm.with_pile().await;
    farm
}

fn detail(reply: &Reply) -> String {
    reply.json()["detail"].as_str().unwrap().to_owned()
}

#[tokio::test]
async fn one_failed_read_is_over_with_the_next_look() {
    let is_out = Arc::default();
    let farm = on_a_card(&is_out).await;
    let before = farm.get(LOG).await;
    assert_eq!(before.status, 200, "{before:?}");

    is_out.store(true, Ordering::Relaxed);
    let reply = farm.get(LOG).await;
    assert_eq!((reply.status, reply.header("retry-after")), (503, Some("5")), "{reply:?}");
    assert!(detail(&reply).contains("can't answer at the moment"), "{reply:?}");

    // The card is back; the database has to be opened again, and nobody has to do it.
    is_out.store(false, Ordering::Relaxed);
    farm.handle.tick();
    farm.settled().await;
    let after = farm.get(LOG).await;
    assert_eq!((after.status, after.json()), (200, before.json()), "{after:?}");
    assert!(farm.handle.store_trouble().is_none());
    farm.stopped().await;
}

#[tokio::test]
async fn a_card_that_stays_unreadable_is_told_with_its_reason_until_it_is_back() {
    let is_out = Arc::default();
    let farm = on_a_card(&is_out).await;
    is_out.store(true, Ordering::Relaxed);
    assert_eq!(farm.get(LOG).await.status, 503);
    farm.handle.tick();
    farm.settled().await;
    let reply = farm.get(LOG).await;
    assert_eq!(reply.status, 503);
    assert!(detail(&reply).contains("the card is out"), "{reply:?}");
    let page = farm.get("/").await;
    assert!(page.body.contains("the card is out"), "{page:?}");

    is_out.store(false, Ordering::Relaxed);
    farm.clock.advance(Span::minutes(1));
    farm.handle.tick();
    farm.settled().await;
    assert_eq!(farm.get(LOG).await.status, 200);
    farm.stopped().await;
}
