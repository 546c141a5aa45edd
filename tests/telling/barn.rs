//! The whole daemon in this process, on a clock that is moved; a telephone that keeps its texts.

use std::sync::Arc;
use std::time::Duration;

use heapward::clock::{Clock, ManualClock};
use heapward::config::Config;
use heapward::config::read::load;
use heapward::run::{Daemon, Parts};
use heapward::standards;
use heapward_rules::units::{At, Span};
use heapward_tests::receiver::Receiver;
use tokio::net::TcpListener;

use crate::NOW;

pub(crate) struct Barn {
    pub(crate) clock: Arc<ManualClock>,
    pub(crate) receiver: Receiver,
    pub(crate) daemon: Daemon,
    /// Port of the endpoint for probes.
    pub(crate) endpoint: u16,
    _dir: tempfile::TempDir,
}

fn config(dir: &std::path::Path, way_in: &str, port: u16) -> Config {
    let file = dir.join("heapward.toml");
    let text = format!(
        r#"
[farm]
name = "Quillback Farm"
timezone = "America/New_York"

[store]
dir = "{dir}"
commit_every = "10ms"

[http]
listen = "127.0.0.1:0"

{way_in}

[[probe]]
id = "k1"
topic = "heap/k1"
every = "1m"
value = ""
unit = "F"

[[channel]]
name = "text"
kind = "request"
url = "http://127.0.0.1:{port}/text"
body = "{{{{text}}}}"
content_type = "text/plain"

[[contact]]
name = "Odile Marsh"
addresses = {{ text = "+15550100" }}

[heartbeat]
url = "http://127.0.0.1:{port}/alive"
every = "1m"
"#,
        dir = dir.join("records").display()
    );
    std::fs::write(&file, text).unwrap();
    load(&file).unwrap_or_else(|problems| panic!("{problems}"))
}

impl Barn {
    /// With a way in for probes, and whatever else stands before the probe in the file.
    pub(crate) async fn start(way_in: &str) -> Barn {
        heapward::telling::install_tls();
        let dir = tempfile::tempdir().unwrap();
        let receiver = Receiver::start();
        // Half past nine: far from quiet hours.
        let clock = Arc::new(ManualClock::new(NOW + Span::hours(3)));
        let endpoint = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = endpoint.local_addr().unwrap().port();
        let parts = Parts {
            config: config(dir.path(), way_in, receiver.port),
            standards: standards::built_in().unwrap(),
            clock: clock.clone(),
            http: TcpListener::bind("127.0.0.1:0").await.unwrap(),
            endpoint: Some(endpoint),
            terminal: || Box::new(std::io::sink()),
        };
        let daemon = Daemon::start(parts).await.unwrap();
        Barn { clock, receiver, daemon, endpoint: port, _dir: dir }
    }

    /// Lets time pass by the five seconds in which the daemon looks at itself.
    pub(crate) async fn pass(&self, span: Span) {
        for _ in 0..span.0 / 5_000 {
            self.clock.advance(Span::seconds(5));
            tokio::time::sleep(Duration::from_millis(4)).await;
        }
        // What goes over a socket needs real time.
        tokio::time::sleep(Duration::from_millis(200)).await;
    }

    pub(crate) fn clock_now(&self) -> At {
        self.clock.now()
    }

    /// Heartbeats while a span passes.
    pub(crate) async fn beats(&self, span: Span) -> usize {
        let before = self.receiver.with("/alive").len();
        self.pass(span).await;
        self.receiver.with("/alive").len() - before
    }

    pub(crate) fn texts(&self) -> Vec<String> {
        self.receiver.with("/text").into_iter().map(|request| request.body).collect()
    }
}
