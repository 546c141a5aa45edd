//! What becomes of messages in the store.

use super::*;
use crate::model::message::Delivery;

fn mail(id: &str) -> OutboxMessage {
    OutboxMessage {
        id: id.to_owned(),
        channel: "mail".to_owned(),
        contact: "Odile Marsh".to_owned(),
        incident: None,
        level: "note".to_owned(),
        created_ms: built().0,
        about_ms: built().0,
        subject: "Today".to_owned(),
        text: "All is well.".to_owned(),
        html: None,
        images: vec![("chart-1".to_owned(), "iVBORw0KGgo=".to_owned())],
        tries: 0,
        delivery: Delivery::Waiting { due_ms: built().0 },
    }
}

/// A hundred kilobytes a day would be a tenth of the card's writing for nothing.
#[tokio::test]
async fn pictures_are_kept_while_a_mail_may_have_to_be_sent_again() {
    let dir = tempfile::tempdir().unwrap();
    let house = start(dir.path(), built());
    let ids = ["waits", "sent", "given-up", "merged"];
    let mails = ids.iter().map(|id| mail(id)).collect();
    house.handle.summary(mails, "summary", "2026-05-01".to_owned()).await.unwrap();
    let at_ms = built().0;
    let later = Delivery::Waiting { due_ms: at_ms + 60_000 };
    house.handle.delivered("waits".to_owned(), later, 1).await.unwrap();
    house.handle.delivered("sent".to_owned(), Delivery::Sent { at_ms }, 1).await.unwrap();
    let failed = Delivery::Failed { at_ms, reason: "refused".to_owned() };
    house.handle.delivered("given-up".to_owned(), failed, 9).await.unwrap();
    house.handle.merged(mail("digest"), vec!["merged".to_owned()]).await.unwrap();
    // A summary that took a held message along, and went out.
    let out = OutboxMessage { delivery: Delivery::Sent { at_ms }, ..mail("summary") };
    house.handle.merged(out, Vec::new()).await.unwrap();

    for (id, pictures, tries) in [
        ("waits", 1, 1),
        ("digest", 1, 0),
        ("summary", 0, 0),
        ("sent", 0, 1),
        ("given-up", 0, 9),
        ("merged", 0, 0),
    ] {
        let message = house.reader.message(id).unwrap().unwrap();
        assert_eq!((message.images.len(), message.tries), (pictures, tries), "{id}");
        assert_eq!(message.text, "All is well.", "{id}");
    }
    house.stop().await;
}
