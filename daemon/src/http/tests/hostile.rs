//! Clients that mean no good, or know no better: each figure of the limits with its test.

use std::time::{Duration, Instant};

use hyper::service::Service;
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

use heapward_rules::units::Span;

use super::farm::TestFarm;
use crate::http::house::House;
use crate::http::routes;
use crate::http::server::Peer;
use crate::limits::{
    HTTP_CONNECTIONS_MAX, HTTP_HEAD_SECONDS_MAX, HTTP_HEADERS_MAX, HTTP_REQUEST_SECONDS_MAX,
    HTTP_REQUESTS_BURST, HTTP_REQUESTS_PER_SECOND, HTTP_STALL_SECONDS_MAX, HTTP_STREAMS_MAX,
};

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

/// Head and body of an answer, as they come over the wire.
async fn over_the_wire(farm: &TestFarm, target: &str, takes: &str) -> (String, Vec<u8>) {
    let mut stream = TcpStream::connect(farm.at).await.unwrap();
    let head = format!("GET {target} HTTP/1.1\r\nHost: {}\r\nAccept-Encoding: {takes}\r\n\r\n", farm.at);
    stream.write_all(head.as_bytes()).await.unwrap();
    let mut bytes = Vec::new();
    stream.read_to_end(&mut bytes).await.unwrap();
    let end = bytes.windows(4).position(|four| four == b"\r\n\r\n").unwrap();
    (String::from_utf8_lossy(&bytes[..end]).to_lowercase(), bytes.split_off(end + 4))
}

/// What comes packed unpacks to what comes as it is; small answers are not packed.
#[tokio::test]
async fn answers_are_packed_for_who_takes_it() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    for target in ["/", "/v1/piles/2026-03", "/style.css", "/v1/openapi.json", "/piles/2026-03/none"] {
        let (head, plain) = over_the_wire(&farm, target, "gzip;q=0").await;
        assert!(!head.contains("content-encoding"), "{target}: {head}");
        assert!(head.contains("vary: accept-encoding"), "{target}: {head}");
        let (head, body) = over_the_wire(&farm, target, "br, gzip").await;
        assert!(head.contains(&format!("content-length: {}", body.len())), "{target}: {head}");
        let is_packed = head.contains("content-encoding: gzip");
        assert_eq!(is_packed, plain.len() >= 1024, "{target}: {head}");
        let mut unpacked = Vec::new();
        if is_packed {
            assert!(body.len() * 3 < plain.len() * 2, "{target}: {} of {}", body.len(), plain.len());
            std::io::Read::read_to_end(&mut flate2::read::GzDecoder::new(&body[..]), &mut unpacked).unwrap();
        } else {
            unpacked = body;
        }
        assert!(unpacked == plain, "{target}");
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
    farm.clock.advance(Span::minutes(1));
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

#[tokio::test]
async fn a_body_that_trickles_in_is_cut_off() {
    let farm = TestFarm::new().await;
    let pass = farm.keys.make_pass("OM", super::farm::BUILT).unwrap();
    let mut stream = TcpStream::connect(farm.at).await.unwrap();
    let head = format!(
        "POST /v1/piles HTTP/1.1\r\nHost: {}\r\nAuthorization: Bearer {pass}\r\nContent-Type: application/json\r\n\
         Content-Length: 4000\r\n\r\n",
        farm.at
    );
    stream.write_all(head.as_bytes()).await.unwrap();
    let (mut read, mut write) = stream.into_split();
    let began = Instant::now();
    let trickle = tokio::spawn(async move {
        while write.write_all(b" ").await.is_ok() {
            tokio::time::sleep(Duration::from_millis(200)).await;
        }
    });
    let mut text = String::new();
    let _ = tokio::time::timeout(Duration::from_secs(15), read.read_to_string(&mut text)).await.unwrap();
    trickle.abort();
    assert!(text.starts_with("HTTP/1.1 408"), "{text}");
    assert!(began.elapsed() < Duration::from_secs(HTTP_REQUEST_SECONDS_MAX + 2), "{:?}", began.elapsed());
}

/// A body that is announced and never comes, after a head that took its time: ten seconds from the connection on, not
/// from the head. Who may not write, and who asks for what has no body, is answered at once, body or not.
#[tokio::test]
async fn a_body_that_never_comes_is_cut_off() {
    let farm = TestFarm::new().await;
    let pass = farm.keys.make_pass("OM", super::farm::BUILT).unwrap();
    let announced = "Content-Type: application/json\r\nContent-Length: 4000\r\n";
    let allowed = format!("Authorization: Bearer {pass}\r\n{announced}");
    let whole = HTTP_REQUEST_SECONDS_MAX;
    for (first, slow, rest, status, seconds) in [
        ("POST /v1/piles", 3, allowed.as_str(), "408", whole - 1..=whole + 1),
        ("POST /v1/piles", 0, announced, "401", 0..=1),
        ("GET /v1/piles", 0, announced, "200", 0..=1),
        ("GET /none", 0, announced, "404", 0..=1),
    ] {
        let mut stream = TcpStream::connect(farm.at).await.unwrap();
        let began = Instant::now();
        stream.write_all(format!("{first} HTTP/1.1\r\nHost: {}\r\n", farm.at).as_bytes()).await.unwrap();
        tokio::time::sleep(Duration::from_secs(slow)).await;
        stream.write_all(format!("{rest}\r\n{{\"pile\":").as_bytes()).await.unwrap();
        let mut text = Vec::new();
        let read = tokio::time::timeout(Duration::from_secs(20), stream.read_to_end(&mut text)).await;
        let text = String::from_utf8_lossy(&text);
        assert!(read.is_ok(), "{first} is still open after {:?}: {text}", began.elapsed());
        assert!(text.starts_with(&format!("HTTP/1.1 {status}")), "{first}: {text}");
        assert!(seconds.contains(&began.elapsed().as_secs()), "{first}: {:?}", began.elapsed());
    }
}

#[tokio::test]
async fn headers_are_counted() {
    let farm = TestFarm::new().await;
    let request = |headers: usize| {
        let more = (1..headers).fold(String::new(), |all, n| format!("{all}A{n}: b\r\n"));
        format!("GET / HTTP/1.1\r\nHost: {}\r\n{more}\r\n", farm.at)
    };
    assert_eq!(farm.raw(&request(HTTP_HEADERS_MAX)).await.status, 200);
    assert_eq!(farm.raw(&request(HTTP_HEADERS_MAX + 1)).await.status, 431);
}

/// A crowd of taps from one phone: what is over the burst is told when to come again, others are served.
#[tokio::test]
async fn an_address_has_its_pace() {
    let farm = TestFarm::new().await;
    let (_stopping, stops) = tokio::sync::watch::channel(false);
    let router = TowerToHyperService::new(routes::router(House::new(farm.app.clone(), stops)));
    let ask = async |from: &str| {
        let mut request = axum::extract::Request::new(axum::body::Body::empty());
        request.headers_mut().insert("host", "localhost".parse().unwrap());
        let address = |text: &str| std::net::SocketAddr::new(text.parse().unwrap(), 4_000);
        request.extensions_mut().insert(Peer::of(address(from), address("192.168.7.20")));
        let answer = router.call(request).await.unwrap();
        let again = answer.headers().get("retry-after").map(|after| after.to_str().unwrap().to_owned());
        (answer.status().as_u16(), again)
    };
    for _ in 0..HTTP_REQUESTS_BURST {
        assert_eq!(ask("192.168.7.30").await, (200, None));
    }
    assert_eq!(ask("192.168.7.30").await, (429, Some("1".to_owned())));
    assert_eq!(ask("192.168.7.31").await.0, 200);
    farm.clock.advance(Span::seconds(1));
    for _ in 0..HTTP_REQUESTS_PER_SECOND {
        assert_eq!(ask("192.168.7.30").await.0, 200);
    }
    assert_eq!(ask("192.168.7.30").await.0, 429);
}

#[tokio::test]
async fn clients_that_do_not_read_keep_nobody_waiting() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    for probe in ["k1", "k2", "k3", "k4"] {
        farm.readings(probe, Span::minutes(1), (0..2_500).map(f64::from)).await;
    }
    let mut crowd = Vec::new();
    for _ in 0..HTTP_CONNECTIONS_MAX {
        let socket = tokio::net::TcpSocket::new_v4().unwrap();
        socket.set_recv_buffer_size(4_096).unwrap();
        let mut stream = socket.connect(farm.at).await.unwrap();
        let request = format!("GET /v1/piles/2026-03/history HTTP/1.1\r\nHost: {}\r\n\r\n", farm.at);
        stream.write_all(request.as_bytes()).await.unwrap();
        crowd.push(stream);
    }
    tokio::time::sleep(Duration::from_millis(500)).await;
    let began = Instant::now();
    assert_eq!(farm.get("/healthz").await.status, 200);
    // The answers that nobody takes are given up after the time without progress, and make room.
    assert!(began.elapsed() < Duration::from_secs(HTTP_STALL_SECONDS_MAX + 3), "{:?}", began.elapsed());
}

#[tokio::test]
async fn live_views_leave_room_for_pages() {
    let farm = TestFarm::new().await;
    let mut views = Vec::new();
    for n in 0..HTTP_STREAMS_MAX + 2 {
        let mut stream = TcpStream::connect(farm.at).await.unwrap();
        stream
            .write_all(format!("GET /v1/live HTTP/1.1\r\nHost: {}\r\n\r\n", farm.at).as_bytes())
            .await
            .unwrap();
        let mut head = [0; 12];
        stream.read_exact(&mut head).await.unwrap();
        let wanted = if n < HTTP_STREAMS_MAX { "HTTP/1.1 200" } else { "HTTP/1.1 503" };
        assert_eq!(String::from_utf8_lossy(&head), wanted, "{n}");
        views.push(stream);
    }
    assert_eq!(farm.get("/").await.status, 200);
    // A view that is closed gives its seat back.
    views.clear();
    tokio::time::sleep(Duration::from_millis(300)).await;
    let mut stream = TcpStream::connect(farm.at).await.unwrap();
    stream.write_all(format!("GET /v1/live HTTP/1.1\r\nHost: {}\r\n\r\n", farm.at).as_bytes()).await.unwrap();
    let mut head = [0; 12];
    stream.read_exact(&mut head).await.unwrap();
    assert_eq!(String::from_utf8_lossy(&head), "HTTP/1.1 200");
}

#[tokio::test]
async fn texts_with_line_ends_make_no_header_and_no_second_line() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    for evil in [
        "a\r\nSet-Cookie: x=y",
        "a\nb",
        "a\rb",
        "a\u{2028}b",
        "a\u{202e}b",
        "a\u{0}b",
        "a\u{7f}b",
        "a\u{200b}b",
    ] {
        let figures = serde_json::json!({ "what": evil });
        for body in [
            serde_json::json!({ "event": "material-added", "figures": figures }),
            serde_json::json!({ "event": "turned", "by": evil }),
        ] {
            let reply = farm.post("/v1/piles/2026-03/entries", &body).await;
            assert_eq!(reply.status, 400, "{evil:?} {reply:?}");
            assert!(!reply.head.contains("set-cookie"), "{reply:?}");
        }
    }
    for target in
        ["/pair/a%0d%0aSet-Cookie:x", "/piles/a%0d%0aSet-Cookie:x", "/v1/piles?after=a%0d%0aSet-Cookie:x"]
    {
        assert!(!farm.get(target).await.head.contains("set-cookie"), "{target}");
    }
}
