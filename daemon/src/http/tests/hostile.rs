//! Clients that mean no good, or know no better: each figure of the limits with its test.

use std::time::{Duration, Instant};

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

use super::farm::TestFarm;
use crate::limits::{HTTP_CONNECTIONS_MAX, HTTP_HEAD_SECONDS_MAX};

#[tokio::test]
async fn a_silent_and_a_half_sent_request_are_closed_in_time() {
    let farm = TestFarm::new().await;
    let began = Instant::now();
    for sent in ["", "GET / HTTP/1.1\r\nHost: loc"] {
        let mut stream = TcpStream::connect(farm.at).await.unwrap();
        stream.write_all(sent.as_bytes()).await.unwrap();
        let mut bytes = Vec::new();
        let _ = tokio::time::timeout(Duration::from_secs(8), stream.read_to_end(&mut bytes)).await.unwrap();
    }
    assert!(began.elapsed() < Duration::from_secs(2 * HTTP_HEAD_SECONDS_MAX + 3));
}

#[tokio::test]
async fn five_hundred_half_sent_requests_keep_nobody_waiting() {
    let farm = TestFarm::new().await;
    let mut crowd = Vec::new();
    for _ in 0..500 {
        let mut stream = TcpStream::connect(farm.at).await.unwrap();
        let _ = stream.write_all(b"GET / HTTP/1.1\r\nHost: loc").await;
        crowd.push(stream);
    }
    let began = Instant::now();
    assert_eq!(farm.get("/").await.status, 200);
    assert!(began.elapsed() < Duration::from_secs(1), "{:?}", began.elapsed());
    // All but the last ones were put out at once.
    let mut open = 0;
    for mut stream in crowd {
        let mut byte = [0];
        let end = tokio::time::timeout(Duration::from_millis(2), stream.read(&mut byte)).await;
        open += usize::from(end.is_err());
    }
    assert!(open <= HTTP_CONNECTIONS_MAX, "{open}");
}

#[tokio::test]
async fn a_stop_does_not_wait_for_half_sent_requests() {
    let mut farm = TestFarm::new().await;
    let mut half = TcpStream::connect(farm.at).await.unwrap();
    half.write_all(b"GET / HTTP/1.1\r\nHost: loc").await.unwrap();
    assert_eq!(farm.get("/").await.status, 200);
    let began = Instant::now();
    farm.stop.take().unwrap().send(()).unwrap();
    farm.served.await.unwrap();
    assert!(began.elapsed() < Duration::from_secs(1), "{:?}", began.elapsed());
}

#[tokio::test]
async fn odd_requests() {
    let farm = TestFarm::new().await;
    let host = format!("Host: {}", farm.at);
    let long = "x".repeat(9_000);
    for (request, status) in [
        (format!("GET http://evil.example/ HTTP/1.1\r\n{host}\r\n\r\n"), 400),
        ("GET / HTTP/1.1\r\n\r\n".to_owned(), 400),
        (format!("GET / HTTP/1.1\r\n{host}\r\n{host}\r\n\r\n"), 400),
        ("GET / HTTP/1.1\r\nHost: evil.example\r\n\r\n".to_owned(), 421),
        ("GET / HTTP/1.1\r\nHost: 192.168.7.20\r\n\r\n".to_owned(), 421),
        ("GET / HTTP/1.1\r\nHost: localhost:1\r\n\r\n".to_owned(), 200),
        (
            format!(
                "POST /v1/piles HTTP/1.1\r\n{host}\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n"
            ),
            400,
        ),
        (
            format!(
                "POST /v1/piles HTTP/1.1\r\n{host}\r\nTransfer-Encoding: chunked\r\nContent-Length: 5\r\n\r\n0\r\n\r\n"
            ),
            400,
        ),
        (
            format!(
                "POST /v1/piles HTTP/1.1\r\n{host}\r\nContent-Length: 5\r\nContent-Length: 6\r\n\r\n0\r\n\r\n"
            ),
            400,
        ),
        (format!("GET / HTTP/1.1\r\n{host}\r\nA: b\r\n c\r\n\r\n"), 400),
        (format!("GET / HTTP/1.1\r\n{host}\r\nA: {long}\r\n\r\n"), 431),
        (format!("GET /{long} HTTP/1.1\r\n{host}\r\n\r\n"), 431),
        (format!("DELETE / HTTP/1.1\r\n{host}\r\n\r\n"), 405),
        (format!("PUT /v1/piles HTTP/1.1\r\n{host}\r\n\r\n"), 405),
        (format!("HEAD / HTTP/1.1\r\n{host}\r\n\r\n"), 200),
        ("\u{0}\u{1}\u{2}\r\n\r\n".to_owned(), 400),
    ] {
        let reply = farm.raw(&request).await;
        assert_eq!(reply.status, status, "{} {reply:?}", request.chars().take(80).collect::<String>());
    }
}

#[tokio::test]
async fn no_path_opens_a_file() {
    let farm = TestFarm::new().await;
    let climbs =
        ["..", "%2e%2e", "%2E%2e", ".%2e", "..%2f..", "%252e%252e", "..%5c", "..;", "%c0%ae%c0%ae", "%00"];
    let ends = [
        "etc/passwd",
        "etc%2fpasswd",
        "%00",
        "passes",
        "style.css",
        "",
        "v1/piles",
        "heapward.redb",
        "..",
        "a%0d%0ab",
    ];
    for begin in ["", "v1/", "v1/piles/"] {
        for climb in climbs {
            for end in ends {
                let reply = farm.get(&format!("/{begin}{climb}/{end}")).await;
                assert!(matches!(reply.status, 400 | 404), "/{begin}{climb}/{end} {}", reply.status);
            }
        }
    }
}

#[tokio::test]
async fn every_answer_has_its_fences() {
    let farm = TestFarm::new().await;
    for target in ["/", "/style.css", "/v1/piles", "/none", "/v1/none", "/healthz", "/metrics"] {
        let reply = farm.get(target).await;
        let policy = reply.header("content-security-policy").unwrap();
        assert!(
            policy.contains("default-src 'none'") && policy.contains("frame-ancestors 'none'"),
            "{policy}"
        );
        assert!(!policy.contains("unsafe"), "{policy}");
        assert_eq!(reply.header("x-content-type-options"), Some("nosniff"));
        assert_eq!(reply.header("cross-origin-resource-policy"), Some("same-origin"));
        assert!(reply.header("referrer-policy").is_some());
        assert_eq!(reply.header("access-control-allow-origin"), None);
        assert_eq!(reply.header("connection"), Some("close"));
        if target != "/style.css" {
            assert_eq!(reply.header("cache-control"), Some("no-store"), "{target}");
        }
    }
}

#[tokio::test]
async fn writing_needs_a_pass() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let target = "/v1/piles/2026-03/entries";
    let json = ("Content-Type", "application/json");
    let body = "{\"event\":\"turned\"}";
    let pass = farm.keys.make_pass("OM", super::farm::BUILT).unwrap();
    let (good, cookie) = (format!("Bearer {pass}"), format!("heapward={pass}"));
    for (name, value, status) in [
        ("X-Nothing", "", 401),
        ("Authorization", "Bearer 0000", 401),
        ("Authorization", "Basic 0000", 401),
        ("Cookie", cookie.as_str(), 401),
        ("Authorization", good.as_str(), 201),
    ] {
        let reply = farm.ask("POST", target, &[(name, value), json], body).await;
        assert_eq!(reply.status, status, "{name} {reply:?}");
    }
    let reply = farm.ask("POST", &format!("{target}?token={pass}"), &[json], body).await;
    assert_eq!(reply.status, 401);
}

#[tokio::test]
async fn wrong_passes_are_slowed_down() {
    let farm = TestFarm::new().await;
    let mut counts = std::collections::BTreeMap::new();
    for n in 0..1_000 {
        let wrong = format!("Bearer {n:064x}");
        let reply = farm.ask("GET", "/v1/piles", &[("Authorization", &wrong)], "").await;
        *counts.entry(reply.status).or_insert(0) += 1;
    }
    assert_eq!(counts, [(401, 5), (429, 995)].into());
    farm.clock.advance(heapward_rules::units::Span::minutes(1));
    let pass = format!("Bearer {}", farm.keys.make_pass("OM", super::farm::BUILT).unwrap());
    assert_eq!(farm.ask("GET", "/v1/piles", &[("Authorization", &pass)], "").await.status, 200);
}

#[tokio::test]
async fn bodies_are_bounded() {
    let farm = TestFarm::new().await;
    let note = "x".repeat(20_000);
    let reply =
        farm.post("/v1/piles/2026-03/entries", &serde_json::json!({ "event": "note", "note": note })).await;
    assert_eq!(reply.status, 413);
    assert_eq!(reply.header("content-type"), Some("application/problem+json"));
    let pass = format!("Bearer {}", farm.keys.make_pass("OM", super::farm::BUILT).unwrap());
    let reply = farm
        .ask("POST", "/v1/piles", &[("Authorization", &pass), ("Content-Type", "text/plain")], "{}")
        .await;
    assert_eq!(reply.status, 415);
}
