//! The daily summary of the whole daemon, as a real mail server got it: every line with the figures of the store.

use std::path::Path;
use std::time::Duration;

use heapward::model::entry::{Event, NewEntry};
use heapward::model::pile::{PileRecord, PlacementRecord, SettingsRecord, SpotRecord};
use heapward::model::reading::{DatedBy, DatedReading};
use heapward_rules::ids::ProbeId;
use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::{At, Span};
use heapward_tests::broker::publish;
use heapward_tests::mail::{Mail, MailServer};
use tokio::sync::oneshot;
use tokio::sync::oneshot::error::TryRecvError;

use crate::NOW;
use crate::barn::Barn;

fn pile(id: &str, built: At, probe: Option<&str>) -> PileRecord {
    let placement = |probe: &str| PlacementRecord {
        probe: probe.to_owned(),
        spot: "core-north".to_owned(),
        from_ms: built.0,
        until_ms: None,
        every_ms: Span::minutes(10).0,
        offset_c: 0.0,
    };
    PileRecord {
        id: id.to_owned(),
        bay: None,
        method: "aerated-static".to_owned(),
        material: "manure".to_owned(),
        built_ms: built.0,
        initial_cn: Some(29.0),
        recipe: None,
        standards: vec!["us-organic".to_owned()],
        spots: vec![SpotRecord {
            name: "core-north".to_owned(),
            zone: "core".to_owned(),
            depth_in: Some(24.0),
            watched_only: false,
        }],
        placements: probe.map(placement).into_iter().collect(),
        settings: SettingsRecord::default(),
    }
}

fn entry(pile: &str, at: At, event: Event) -> NewEntry {
    NewEntry {
        pile: Some(pile.to_owned()),
        at_ms: at.0,
        entered_ms: at.0,
        by: "OM".to_owned(),
        note: String::new(),
        corrects: None,
        event,
    }
}

impl Barn {
    /// With a sensor's noise: one that says the same all night would be called stuck.
    async fn read(&self, at: At, f: f64) {
        let noise = [0.0, 0.2, -0.1, 0.3, -0.3, 0.1, -0.2];
        let f = f + noise[usize::try_from(at.0 / 600_000 % 7).unwrap()];
        let reading = DatedReading {
            probe: ProbeId::new("k1"),
            quantity: Quantity::Temperature,
            unit: Unit::Fahrenheit,
            at,
            value: f,
            dated_by: DatedBy::Payload,
        };
        let (done, mut kept) = oneshot::channel();
        let ack = heapward::recorder::Ack::call(move |ok| done.send(ok).unwrap());
        self.daemon.handle.readings(vec![reading], ack).await.unwrap();
        // The commit waits for this clock.
        let kept = loop {
            match kept.try_recv() {
                Ok(kept) => break kept,
                Err(TryRecvError::Empty) => self.clock.advance(Span(10)),
                Err(TryRecvError::Closed) => panic!("the recorder is gone"),
            }
            tokio::time::sleep(Duration::from_millis(1)).await;
        };
        assert!(kept);
    }

    async fn ten_minutes(&self) {
        for _ in 0..10 {
            self.clock.advance(Span::minutes(1));
            tokio::time::sleep(Duration::from_millis(4)).await;
        }
    }
}

/// The line of a label.
fn line<'a>(mail: &'a Mail, label: &str) -> &'a str {
    let text = mail.text.as_deref().unwrap();
    let found = text.lines().find_map(|line| line.strip_prefix(&format!("{label}: ")));
    found.unwrap_or_else(|| panic!("no line `{label}` in:\n{text}"))
}

/// The nightly copy, and a mail address for the summary.
fn copies_and_mail(stick: &Path, server: &MailServer) -> String {
    format!(
        r#"
[endpoint]
listen = "127.0.0.1:0"

[backup]
dir = "{}"
same_disk = true

[[channel]]
name = "mail"
kind = "mail"
host = "127.0.0.1"
port = {}
security = "plain"
from = "Heapward <barn@quillback.example>"

[[contact]]
name = "Quillback Farm"
addresses = {{ mail = "odile@quillback.example" }}
from_level = "danger"
summary_by = "mail"
"#,
        stick.display(),
        server.port
    )
}

/// A pile that goes above 160 F in the morning and is watered at noon; a bed with raw manure whose 90 days end in five; a
/// message that nobody can read. Until the mail of the next morning is there.
async fn a_hot_day(barn: &Barn, server: &MailServer) {
    let start = NOW + Span::hours(3);
    let handle = barn.daemon.handle.clone();
    handle.start_pile(pile("2026-03", start - Span::hours(30), Some("k1")), "OM".to_owned()).await.unwrap();
    // Raw manure on a bed: the 90 days are over in five.
    let raw = pile("2026-01", start - Span::days(100), None);
    handle.start_pile(raw, "OM".to_owned()).await.unwrap();
    let spread = Event::Used {
        bed: "north-4".to_owned(),
        cubic_yards: Some(2.0),
        crop: Some("sweet corn".to_owned()),
        touches_soil: Some(false),
        harvest: None,
    };
    handle.enter(entry("2026-01", start - Span::days(85), spread)).await.unwrap();
    // 30 hours from 70 to 152 F, then three hours above 160 F, and cooler after watering.
    for step in 0..180_i32 {
        barn.read(start - Span::minutes(i64::from(180 - step) * 10), 70.0 + f64::from(step) * 0.46).await;
    }
    for step in 0..18_i64 {
        barn.read(barn.clock_now(), if step < 2 { 158.0 } else { 163.0 }).await;
        barn.ten_minutes().await;
    }
    handle.enter(entry("2026-03", barn.clock_now(), Event::Watered { litres: Some(250.0) })).await.unwrap();
    let unreadable = barn.endpoint;
    let sent = std::thread::spawn(move || publish(unreadable, "heap/k1", "ninety"));
    while !sent.is_finished() {
        barn.pass(Span::seconds(5)).await;
    }
    for _ in 0..18 {
        barn.read(barn.clock_now(), 149.0).await;
        barn.ten_minutes().await;
    }
    // Over night.
    while server.mails().is_empty() && barn.clock_now() < NOW + Span::hours(25) {
        barn.read(barn.clock_now(), 148.0).await;
        barn.ten_minutes().await;
    }
    barn.pass(Span::minutes(1)).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_morning_after_a_hot_day_says_in_its_mail_what_the_store_knows() {
    let (dir, stick) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let server = MailServer::start(dir.path());
    let barn = Barn::start(&copies_and_mail(stick.path(), &server)).await;
    a_hot_day(&barn, &server).await;
    let (number, digest) = barn.daemon.reader.log_head().unwrap().unwrap();
    let sealed = barn.daemon.reader.head().unwrap().map_or("no day sealed yet".to_owned(), |head| {
        format!("HEAD {}:{} (keep this mail)", head.seq, head.digest)
    });
    barn.daemon.stop().await;

    let mails = server.mails();
    assert_eq!(mails.len(), 1, "{mails:#?}");
    let mail = &mails[0];
    let lines: Vec<&str> =
        mail.text.as_deref().unwrap().lines().take_while(|line| !line.is_empty()).collect();
    let labels: Vec<&str> = lines.iter().map(|line| line.split(": ").next().unwrap()).collect();
    let wanted = [
        "2026-03, day 3",
        "Today",
        "Harvest",
        "2026-03 spots",
        "Water",
        "Air",
        "Probes",
        "Since yesterday",
        "Machine",
        "Record",
        "Question",
    ];
    assert_eq!(labels, wanted, "{lines:#?}");
    assert!(lines.len() <= 12);
    assert_eq!(mail.to, ["odile@quillback.example"]);
    assert!(mail.subject.starts_with("Quillback Farm, Wed 13 May: "), "{}", mail.subject);
    assert!(
        line(mail, "2026-03, day 3").starts_with("us-organic running, core-north lags with "),
        "{lines:#?}"
    );
    assert!(line(mail, "Harvest").starts_with("north-4: raw manure, harvest from 2026-05-"), "{lines:#?}");
    let spots = line(mail, "2026-03 spots");
    assert!(spots.starts_with("core-north 14") && spots.contains("/163 ("), "{spots}");
    assert_eq!(line(mail, "Water"), "2026-03 watered Tue 12:30.");
    assert_eq!(line(mail, "Probes"), "1 of 1 heard; 1 message refused.");
    let happened = line(mail, "Since yesterday");
    assert!(happened.contains("2026-03 core-north above 160 F Tue 10:"), "{happened}");
    assert!(happened.contains(", over"), "{happened}");
    let machine = line(mail, "Machine");
    assert!(
        machine.starts_with("card ") && machine.contains(" GB free, clock set, last backup 0"),
        "{machine}"
    );
    let texts = barn.receiver.with("/text").len();
    assert!((2..=4).contains(&texts), "{texts}");
    assert!(machine.contains(&format!("texts in 7 days: {texts} about 1 thing, acted on 1")), "{machine}");
    assert_eq!(line(mail, "Record"), format!("{sealed}; {number} entries, SHA-256 {digest}."));
    // The same lines stand in the HTML, and one chart.
    let html = mail.html.as_deref().unwrap();
    for text in ["north-4: raw manure, harvest from 2026-05-", "1 of 1 heard; 1 message refused.", &digest] {
        assert!(html.contains(text), "{text} in {html}");
    }
    assert_eq!(mail.images.len(), 1);
    assert!(mail.images[0].1 > 1_000 && mail.images[0].1 < 40_000, "{:?}", mail.images);
}
