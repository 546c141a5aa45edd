//! A probe that nobody has set up: its topic is on the page, whoever says what it reads takes it into use, and it stays in
//! use after a restart.

use std::io::{Read, Write};
use std::net::TcpStream;

use heapward::http::Keys;
use heapward_tests::broker::{Broker, publish};
use heapward_tests::daemon::{Daemon, now};
use heapward_tests::process::free_port;
use heapward_tests::wait::{wait_for, wait_until};

/// A phone that is paired.
struct Phone {
    port: u16,
    cookie: String,
}

impl Phone {
    fn paired(daemon: &Daemon, dir: &std::path::Path) -> Phone {
        let code = Keys::new(&dir.join("records")).make_code(now()).unwrap();
        let phone = Phone { port: daemon.site.port, cookie: String::new() };
        let answer = phone.ask("POST", "/pair", &format!("code={code}&name=OM"));
        let cookie = answer.split("set-cookie: ").nth(1).unwrap_or_else(|| panic!("{answer}"));
        Phone { cookie: cookie.split(';').next().unwrap().to_owned(), ..phone }
    }

    fn ask(&self, method: &str, path: &str, body: &str) -> String {
        let Phone { port, cookie } = self;
        let mut stream = TcpStream::connect(("127.0.0.1", *port)).unwrap();
        let kind = "application/x-www-form-urlencoded";
        let length = body.len();
        let request = format!(
            "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nOrigin: http://127.0.0.1:{port}\r\nCookie: \
             {cookie}\r\nContent-Type: {kind}\r\nContent-Length: {length}\r\nConnection: close\r\n\r\n{body}"
        );
        stream.write_all(request.as_bytes()).unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).unwrap();
        // Figure and unit hang together on the pages.
        String::from_utf8_lossy(&answer).replace('\u{a0}', " ")
    }

    /// What proves that a form came from a page of ours.
    fn token(page: &str) -> &str {
        page.split("name=\"form\" value=\"")
            .nth(1)
            .unwrap_or_else(|| panic!("{page}"))
            .split('"')
            .next()
            .unwrap()
    }

    fn take_into_use(&self, topic: &str, id: &str) {
        let place = format!("topic={}&proposed={id}", topic.replace('/', "%2F"));
        let page = self.ask("GET", &format!("/unassigned/take?{place}"), "");
        assert!(page.contains("What does it read now?"), "{page}");
        let token = Phone::token(&page);
        let answer = self.ask(
            "POST",
            "/unassigned/take",
            &format!("form={token}&{place}&id={id}&every=1m&unit=F&by=OM"),
        );
        assert!(answer.starts_with("HTTP/1.1 303"), "{answer}");
    }
}

#[test]
fn a_new_probe_is_in_use_at_once_and_after_a_restart() {
    let dir = tempfile::tempdir().unwrap();
    let port = free_port();
    let mut daemon = Daemon::start(dir.path(), &format!("[endpoint]\nlisten = \"127.0.0.1:{port}\"\n"));
    let phone = Phone::paired(&daemon, dir.path());
    publish(port, "shed/k9", "143.5");
    wait_until("the topic on the page", || phone.ask("GET", "/unassigned", "").contains("shed/k9"));
    phone.take_into_use("shed/k9", "shed-k9");
    publish(port, "shed/k9", "144.5");
    wait_until("a reading", || phone.ask("GET", "/probes", "").contains("144.5 °F"));
    assert!(phone.ask("GET", "/unassigned", "").contains("Nothing comes in that no probe reads."));

    daemon.process().kill();
    daemon.start_again();
    daemon.wait();
    publish(port, "shed/k9", "145.5");
    wait_until("a reading after the restart", || phone.ask("GET", "/probes", "").contains("145.5 °F"));
    assert!(daemon.process().stop().success());
}

#[test]
fn with_a_broker_the_page_listens_to_its_other_topics_when_asked() {
    let dir = tempfile::tempdir().unwrap();
    let broker = Broker::start(dir.path());
    let daemon =
        Daemon::start(dir.path(), &format!("[broker]\nhost = \"127.0.0.1\"\nport = {}\n", broker.port));
    let phone = Phone::paired(&daemon, dir.path());
    let page = phone.ask("GET", "/unassigned", "");
    let answer = phone.ask("POST", "/unassigned/listen", &format!("form={}", Phone::token(&page)));
    assert!(answer.starts_with("HTTP/1.1 303"), "{answer}");
    wait_for("the topic on the page", || {
        publish(broker.port, "shed/k9", "143.5");
        phone.ask("GET", "/unassigned", "").contains("shed/k9").then_some(())
    });
    phone.take_into_use("shed/k9", "shed-k9");
    wait_for("a reading", || {
        publish(broker.port, "shed/k9", "144.5");
        phone.ask("GET", "/probes", "").contains("144.5 °F").then_some(())
    });
}
