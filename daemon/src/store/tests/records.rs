//! Log, piles, incidents, outbox, documents; lock and readers.

use super::*;
use crate::model::entry::{Event, NewEntry};
use crate::model::incident::{Incident, Stage};
use crate::model::message::{Delivery, OutboxMessage};
use crate::model::pile::{PileRecord, SettingsRecord};

pub(super) fn entry(pile: Option<&str>, at_ms: i64, event: Event) -> NewEntry {
    NewEntry {
        pile: pile.map(str::to_owned),
        at_ms,
        entered_ms: at_ms,
        by: "om".to_owned(),
        note: String::new(),
        corrects: None,
        event,
    }
}

fn pile(id: &str) -> PileRecord {
    PileRecord {
        id: id.to_owned(),
        bay: Some("1".to_owned()),
        method: "aerated-static".to_owned(),
        material: "manure".to_owned(),
        built_ms: MAY,
        initial_cn: Some(30.0),
        recipe: None,
        standards: vec!["us-organic".to_owned()],
        spots: Vec::new(),
        placements: Vec::new(),
        settings: SettingsRecord::default(),
    }
}

fn incident(id: &str, opened_ms: i64, closed_ms: Option<i64>) -> Incident {
    Incident {
        id: id.to_owned(),
        pile: id.split_once('/').map(|(pile, _)| pile.to_owned()),
        kind: "overheating".to_owned(),
        level: "urgent".to_owned(),
        spot: None,
        read_spot: None,
        probe: None,
        opened_ms,
        closed_ms,
        stage: Stage::Noted,
        figures: [("worst_c".to_owned(), 72.5)].into(),
        tellings: Vec::new(),
        muted_until_ms: None,
    }
}

fn message(id: &str, created_ms: i64, delivery: Delivery) -> OutboxMessage {
    OutboxMessage {
        id: id.to_owned(),
        channel: "text".to_owned(),
        contact: "odile".to_owned(),
        incident: None,
        level: "act".to_owned(),
        created_ms,
        about_ms: created_ms,
        subject: String::new(),
        text: "Pile 2026-03: core 163 F".to_owned(),
        html: None,
        images: Vec::new(),
        tries: 0,
        delivery,
    }
}

#[test]
fn entries_are_chained_by_the_digest_of_the_one_before() {
    let mut bench = Bench::new();
    let first =
        bench.store.transact(|tx| tx.append_entry(entry(Some("2026-03"), MAY, Event::Built))).unwrap();
    assert_eq!((first.seq, first.prev.as_str()), (1, "0".repeat(64).as_str()));
    let mut bench = bench.reopen();
    let second = bench.store.transact(|tx| tx.append_entry(entry(None, MAY + 1, Event::Note))).unwrap();
    let text = serde_json::to_string(&first).unwrap();
    assert_eq!((second.seq, second.prev), (2, tx::entry_digest(text.as_bytes())));
    bench.store.transact(|tx| tx.append_entry(entry(Some("2026-03"), MAY + 2, Event::Turned))).unwrap();
    let seqs = |pile, after, limit| -> Vec<u64> {
        bench.store.reader().entries(pile, after, limit).unwrap().iter().map(|e| e.seq).collect()
    };
    assert_eq!(seqs(None, 0, 9), [1, 2, 3]);
    assert_eq!(seqs(None, 1, 1), [2]);
    assert_eq!(seqs(Some("2026-03"), 0, 9), [1, 3]);
    assert_eq!(seqs(Some("2026-03"), 1, 9), [3]);
    assert_eq!(seqs(Some("2026-04"), 0, 9), [0; 0]);
}

#[test]
fn a_transaction_given_up_leaves_nothing() {
    let mut bench = Bench::new();
    let given_up = bench.store.transact(|tx| {
        tx.append_entry(entry(None, MAY, Event::Note))?;
        tx.put_pile(&pile("2026-03"))?;
        assert_eq!(tx.pile("2026-03")?, Some(pile("2026-03")));
        assert_eq!(tx.entries(None, 0, 9)?.len(), 1);
        Err::<(), _>(StoreError::GivenUp("not now".to_owned()))
    });
    assert!(!given_up.unwrap_err().must_reopen());
    let reader = bench.store.reader();
    assert_eq!(reader.piles().unwrap(), []);
    assert_eq!(reader.entries(None, 0, 9).unwrap(), []);
}

#[test]
fn incidents_are_found_open_by_pile_and_by_page() {
    let mut bench = Bench::new();
    let ids = ["2026-03/a/-/1", "2026-03/b/-/2", "2026-030/a/-/3", "2026-04/a/-/4"];
    bench
        .store
        .transact(|tx| {
            for (id, opened) in ids.iter().zip(1..) {
                tx.put_incident(&incident(id, opened, None))?;
            }
            tx.put_incident(&incident(ids[1], 2, Some(9)))?;
            assert_eq!(tx.incidents_of("2026-03")?.len(), 2);
            assert_eq!(tx.open_incidents()?.len(), 3);
            Ok(())
        })
        .unwrap();
    let found = |filter: &IncidentFilter, before, limit| -> Vec<String> {
        let found = bench.store.reader().incidents(filter, before, limit).unwrap();
        found.into_iter().map(|i| i.id).collect()
    };
    let all = IncidentFilter::default();
    assert_eq!(found(&all, None, 9), [ids[3], ids[2], ids[1], ids[0]]);
    assert_eq!(found(&all, None, 2), [ids[3], ids[2]]);
    assert_eq!(found(&all, Some((3, ids[2])), 9), [ids[1], ids[0]]);
    let of_pile = IncidentFilter { pile: Some("2026-03".to_owned()), open_only: false };
    assert_eq!(found(&of_pile, None, 9), [ids[1], ids[0]]);
    let open = IncidentFilter { pile: Some("2026-03".to_owned()), open_only: true };
    assert_eq!(found(&open, None, 9), [ids[0]]);
    assert_eq!(bench.store.reader().incident(ids[1]).unwrap().unwrap().closed_ms, Some(9));
}

#[test]
fn messages_come_due_once_and_in_order() {
    let mut bench = Bench::new();
    bench
        .store
        .transact(|tx| {
            tx.put_message(&message("a", 1, Delivery::Waiting { due_ms: 30 }))?;
            tx.put_message(&message("b", 2, Delivery::Waiting { due_ms: 20 }))?;
            tx.put_message(&message("c", 3, Delivery::Waiting { due_ms: 10 }))?;
            tx.put_message(&message("c", 3, Delivery::Sent { at_ms: 11 }))?;
            tx.put_message(&message("b", 2, Delivery::Waiting { due_ms: 40 }))
        })
        .unwrap();
    let reader = bench.store.reader();
    let ids = |messages: Vec<OutboxMessage>| -> Vec<String> { messages.into_iter().map(|m| m.id).collect() };
    assert_eq!(ids(reader.messages_due(At(29), 9).unwrap()), [""; 0]);
    assert_eq!(ids(reader.messages_due(At(30), 9).unwrap()), ["a"]);
    assert_eq!(ids(reader.messages_due(At(99), 9).unwrap()), ["a", "b"]);
    assert_eq!(reader.messages_waiting().unwrap(), 2);
    assert_eq!(ids(reader.messages(None, 2).unwrap()), ["c", "b"]);
    assert_eq!(ids(reader.messages(Some((2, "b")), 9).unwrap()), ["a"]);
}

/// A list of them would else take a hundred kilobytes for each morning since the farm began.
#[test]
fn a_list_of_messages_leaves_their_pictures_in_the_store() {
    let mut bench = Bench::new();
    let images = vec![("pile-1".to_owned(), "A".repeat(100_000))];
    let mail = |id: &str, created_ms| OutboxMessage {
        html: Some("<p>72 h proven</p>".to_owned()),
        images: images.clone(),
        ..message(id, created_ms, Delivery::Waiting { due_ms: created_ms })
    };
    let put = |tx: &mut Tx| (0..9).try_for_each(|n| tx.put_message(&mail(&format!("m{n}"), n)));
    bench.store.transact(put).unwrap();
    let reader = bench.store.reader();
    let listed = reader.messages(None, 9).unwrap();
    assert_eq!(listed.len(), 9);
    assert!(listed.iter().all(|one| one.images.is_empty() && one.html.is_some()));
    // What is sent has them.
    let due = reader.messages_due(At(99), 9).unwrap();
    assert_eq!(due.len(), 9);
    assert!(due.iter().all(|one| one.images == images));
    assert_eq!(reader.message("m3").unwrap().unwrap().images, images);
}

#[test]
fn documents_are_bytes_by_name() {
    let mut bench = Bench::new();
    bench.store.transact(|tx| tx.put_document("judge/2026-03", b"abc")).unwrap();
    bench.store.transact(|tx| tx.put_document("empty", b"")).unwrap();
    let mut bench = bench.reopen();
    let reader = bench.store.reader();
    assert_eq!(reader.document("judge/2026-03").unwrap().as_deref(), Some(b"abc".as_slice()));
    assert_eq!(reader.document("empty").unwrap().as_deref(), Some(b"".as_slice()));
    assert_eq!(reader.document("none").unwrap(), None);
    bench.store.transact(|tx| tx.remove_document("empty")).unwrap();
    assert_eq!(reader.document("empty").unwrap(), None);
}

#[test]
fn a_second_store_on_the_folder_is_refused() {
    let bench = Bench::new();
    let error = Store::open(&StoreOptions::new(bench.dir.path(), ZONE)).unwrap_err();
    assert!(matches!(error, StoreError::Locked(_)), "{error}");
}

#[test]
fn a_reader_outlives_the_store_and_follows_the_next_one() {
    let mut bench = Bench::new();
    let k1 = bench.store.series(&probe("k1")).unwrap();
    bench.append(k1, &[(MAY, 60.0)]);
    let reader = bench.store.reader();
    let Bench { dir, store } = bench;
    drop(store);
    assert!(!reader.is_open());
    assert!(matches!(reader.latest(), Err(StoreError::Closed)));
    let (_store, _) = Store::open_for(&StoreOptions::new(dir.path(), ZONE), &reader).unwrap();
    assert_eq!(reader.latest().unwrap()[0].reading.at, At(MAY));
}
