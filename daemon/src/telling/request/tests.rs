use super::*;
use crate::telling::fixture::letter;
use crate::telling::scripted::{Act, Server};

fn config(server: &Server, body: &str, content_type: &str) -> RequestConfig {
    RequestConfig {
        method: "POST".to_owned(),
        url: format!("http://{}/v1/texts?from=barn", server.address),
        headers: vec![("Authorization".to_owned(), "Bearer {{secret:token}}".to_owned())],
        body: body.to_owned(),
        content_type: content_type.to_owned(),
        secrets: vec![("token".to_owned(), Secret::new("t0p-s3cret\n"))],
        ca_file: None,
    }
}

fn channel(config: &RequestConfig) -> RequestChannel {
    RequestChannel::new(config).unwrap().with_patience(Duration::from_millis(400))
}

#[tokio::test]
async fn json_form_and_get_go_out_escaped_with_the_id() {
    let server = Server::http(&[]).await;
    let json = config(&server, r#"{"to":"{{to}}","text":"{{text}}"}"#, "application/json");
    let form = config(&server, "To={{to}}&Body={{text}}", "application/x-www-form-urlencoded");
    let get = RequestConfig {
        method: "GET".to_owned(),
        url: format!("http://{}/send?n={{{{to}}}}&t={{{{text}}}}", server.address),
        ..json.clone()
    };
    let letter = letter("a \"hot\" pile & more");
    for config in [&json, &form, &get] {
        channel(config).send(&letter).await.unwrap();
    }
    let received = server.received();
    assert!(received[0].starts_with("POST /v1/texts?from=barn HTTP/1.1\r\n"), "{}", received[0]);
    assert!(received[0].contains("authorization: Bearer t0p-s3cret\r\n"), "{}", received[0]);
    assert!(received[0].contains(&format!("idempotency-key: {}\r\n", letter.id)), "{}", received[0]);
    assert!(received[0].ends_with(r#"{"to":"+15550100","text":"a \"hot\" pile & more"}"#), "{}", received[0]);
    assert!(
        received[1].ends_with("To=%2B15550100&Body=a%20%22hot%22%20pile%20%26%20more"),
        "{}",
        received[1]
    );
    assert!(
        received[2].starts_with("GET /send?n=%2B15550100&t=a%20%22hot%22%20pile%20%26%20more HTTP/1.1\r\n")
    );
}

/// What the provider does, and whether it is tried again.
#[tokio::test]
async fn only_what_is_wrong_in_itself_is_given_up() {
    let rows = [
        (Act::Answer("500 Oops", "later"), true),
        (Act::Answer("503 Busy", ""), true),
        (Act::Answer("429 Slow", ""), true),
        (Act::Answer("401 Who", "bad token t0p-s3cret"), true),
        (Act::Answer("402 Pay", ""), true),
        (Act::Answer("302 Elsewhere", ""), true),
        (Act::Answer("400 Wrong", "to is no number"), false),
        (Act::Answer("422 Wrong", ""), false),
        (Act::DropAfterTaking, true),
        (Act::Hang, true),
    ];
    let script: Vec<Act> = rows.iter().map(|(act, _)| act.clone()).collect();
    let server = Server::http(&script).await;
    let channel = channel(&config(&server, "{}", "application/json"));
    for (act, is_tried_again) in rows {
        let failure = channel.send(&letter("text")).await.unwrap_err();
        assert_eq!(matches!(failure, Failure::Later(_)), is_tried_again, "{act:?}: {failure}");
        let words = failure.to_string();
        assert!(!words.contains("s3cret") && !words.contains("/v1/texts"), "{words}");
    }
    channel.send(&letter("text")).await.unwrap();
}

#[tokio::test]
async fn nobody_there_is_tried_again() {
    let server = Server::http(&[]).await;
    let nobody = RequestConfig { url: "http://127.0.0.1:1/".to_owned(), ..config(&server, "", "text/plain") };
    let failure = channel(&nobody).send(&letter("text")).await.unwrap_err();
    assert!(matches!(&failure, Failure::Later(reason) if reason.contains("refused")), "{failure}");
}

#[tokio::test]
async fn what_is_wrong_in_the_configuration_is_said_at_once() {
    let server = Server::http(&[]).await;
    let good = config(&server, "{}", "application/json");
    for (wrong, wanted) in [
        (RequestConfig { body: "{{nothing}}".to_owned(), ..good.clone() }, "{{nothing}}"),
        (RequestConfig { method: "SEND IT".to_owned(), ..good.clone() }, "SEND IT"),
        (RequestConfig { headers: vec![("a b".to_owned(), String::new())], ..good.clone() }, "a b"),
        (RequestConfig { ca_file: Some("/nowhere/ca.pem".into()), ..good.clone() }, "/nowhere/ca.pem"),
    ] {
        let error = RequestChannel::new(&wrong).err().unwrap();
        assert!(error.contains(wanted), "{error}");
    }
}
