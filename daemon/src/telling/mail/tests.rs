use super::*;
use crate::config::Secret;
use crate::telling::fixture::letter;
use crate::telling::scripted::{Act, Server};

fn config(server: &Server) -> MailConfig {
    MailConfig {
        host: server.address.ip().to_string(),
        port: server.address.port(),
        security: MailSecurity::Plain,
        user: Some("barn".to_owned()),
        password: Some(Secret::new("pl4in-s3cret\n")),
        from: "Heapward <barn@quillback.example>".to_owned(),
        ca_file: None,
        as_text: false,
    }
}

fn channel(server: &Server) -> MailChannel {
    MailChannel::new(&config(server)).unwrap().with_patience(Duration::from_millis(400))
}

fn mail(text: &str) -> Letter {
    Letter { address: "odile@quillback.example".to_owned(), ..letter(text) }
}

#[tokio::test]
async fn a_mail_bears_its_stable_id_and_its_own_date() {
    let server = Server::smtp(&[]).await;
    let letter = mail("Pile 2026-03: above 160 F.");
    channel(&server).send(&letter).await.unwrap();
    let received = &server.received()[0];
    for wanted in [
        &format!("Message-ID: <{}@quillback.example>\r\n", letter.id) as &str,
        "Subject: pile 2026-03, core-north above 160 F\r\n",
        "From: Heapward <barn@quillback.example>\r\n",
        "To: odile <odile@quillback.example>\r\n",
        "Date: Tue, 12 May 2026 18:20:00 +0000\r\n",
        "Auto-Submitted: auto-generated\r\n",
        "Pile 2026-03: above 160 F.",
    ] {
        assert!(received.contains(wanted), "{wanted} in {received}");
    }
}

#[tokio::test]
async fn names_break_no_header() {
    let server = Server::smtp(&[]).await;
    let letter = Letter {
        to: "Odile\r\nBcc: all@quillback.example".to_owned(),
        subject: "pile\r\n\r\nX-Evil: 1\u{202e}, Čapek".to_owned(),
        ..mail("text\r\n.\r\nMAIL FROM:<x@y.example>\n")
    };
    channel(&server).send(&letter).await.unwrap();
    let received = &server.received()[0];
    let (headers, body) = received.split_once("\r\n\r\n").unwrap();
    assert!(!headers.contains("\r\nBcc:") && !headers.contains("\r\nX-Evil:"), "{headers}");
    assert!(body.contains("\r\n..\r\nMAIL FROM"), "{body}");
    assert_eq!(server.received().len(), 1);
}

#[tokio::test]
async fn a_summary_has_both_bodies_and_its_image() {
    let server = Server::smtp(&[]).await;
    let letter = Letter {
        html: Some("<p>chart <img src=\"cid:pile-1\"></p>".to_owned()),
        images: vec![("pile-1".to_owned(), STANDARD.encode(b"not really a PNG"))],
        ..mail("plain lines")
    };
    channel(&server).send(&letter).await.unwrap();
    let received = &server.received()[0];
    for wanted in
        ["multipart/alternative", "multipart/related", "Content-ID: <pile-1>", "image/png", "plain lines"]
    {
        assert!(received.contains(wanted), "{wanted} in {received}");
    }
}

#[tokio::test]
async fn mail_to_text_has_the_text_alone() {
    let server = Server::smtp(&[]).await;
    let as_text = MailConfig { as_text: true, ..config(&server) };
    let letter = Letter { html: Some("<p>no</p>".to_owned()), ..mail("Pile 2026-03: above 160 F.") };
    MailChannel::new(&as_text).unwrap().send(&letter).await.unwrap();
    let received = &server.received()[0];
    assert!(!received.contains("Subject:") && !received.contains("multipart"), "{received}");
}

/// What the server does, and whether it is tried again.
#[tokio::test]
async fn only_what_is_final_is_given_up() {
    let rows = [
        (Act::Answer("greeting", "554 not today"), true),
        (Act::Answer("greeting", "421 busy"), true),
        (Act::Answer("auth", "535 wrong password"), true),
        (Act::Answer("mail", "451 try later"), true),
        (Act::Answer("rcpt", "450 greylisted"), true),
        (Act::Answer("rcpt", "550 no such user"), false),
        (Act::Answer("rcpt", "452 mailbox full"), true),
        (Act::Answer("data", "552 too much mail"), false),
        (Act::DropAfterTaking, true),
        (Act::Hang, true),
    ];
    let script: Vec<Act> = rows.iter().map(|(act, _)| act.clone()).collect();
    let server = Server::smtp(&script).await;
    let channel = channel(&server);
    for (act, is_tried_again) in rows {
        let failure = channel.send(&mail("text")).await.unwrap_err();
        assert_eq!(matches!(failure, Failure::Later(_)), is_tried_again, "{act:?}: {failure}");
        assert!(!failure.to_string().contains("s3cret"), "{failure}");
        if let Act::Answer(_, answer) = act {
            assert!(failure.to_string().contains(&answer[..3]), "{failure}");
        }
    }
    channel.send(&mail("text")).await.unwrap();
    let refused = MailConfig { port: 1, ..config(&server) };
    let failure = MailChannel::new(&refused).unwrap().send(&mail("text")).await.unwrap_err();
    assert!(matches!(failure, Failure::Later(_)), "{failure}");
}

#[tokio::test]
async fn an_address_that_is_none_is_final() {
    let server = Server::smtp(&[]).await;
    let letter = Letter { address: "odile at quillback".to_owned(), ..mail("text") };
    let failure = channel(&server).send(&letter).await.unwrap_err();
    assert_eq!(failure, Failure::Never("`odile at quillback` is no mail address".to_owned()));
}
