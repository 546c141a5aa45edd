//! Mail to a real server, with real certificates; and the daemon's own troubles, told on a clock that is moved.
#![expect(clippy::unwrap_used, clippy::expect_used, reason = "where a test can't be set up it has to fail")]

mod authorities;
mod barn;
mod summary;
mod troubles;

use std::path::{Path, PathBuf};
use std::process::Command;

use base64::Engine as _;
use heapward::config::{DisplayUnit, MailConfig, MailSecurity, Secret};
use heapward::summary::chart::Series;
use heapward::summary::snapshot::{House, PileDay};
use heapward::summary::{Snapshot, compose};
use heapward::telling::channel::{Channel, Failure, Letter};
use heapward::telling::mail::MailChannel;
use heapward::telling::wording::Site;
use heapward_rules::units::{At, Span};
use heapward_tests::mail::MailServer;

/// 12 May 2026, 06:30 in New York.
const NOW: At = At(1_778_581_800_000);

fn openssl(dir: &Path, arguments: &[&str]) {
    let done = Command::new("openssl").args(arguments).current_dir(dir).output();
    let done = done.expect("openssl is missing: apt-get install openssl");
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
}

/// An authority of our own, and a certificate of it for `localhost`.
fn certificates(dir: &Path) {
    let key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"];
    let ca = [
        "req",
        "-x509",
        "-days",
        "2",
        "-subj",
        "/CN=Quillback test authority",
        "-keyout",
        "ca.key",
        "-out",
        "ca.pem",
    ];
    openssl(dir, &[&ca[..], &key[..]].concat());
    let request = ["req", "-subj", "/CN=localhost", "-keyout", "server.key", "-out", "server.csr"];
    openssl(dir, &[&request[..], &key[..]].concat());
    std::fs::write(dir.join("names"), "subjectAltName=DNS:localhost\nextendedKeyUsage=serverAuth\n").unwrap();
    openssl(
        dir,
        &[
            "x509",
            "-req",
            "-days",
            "2",
            "-in",
            "server.csr",
            "-CA",
            "ca.pem",
            "-CAkey",
            "ca.key",
            "-CAcreateserial",
            "-extfile",
            "names",
            "-out",
            "server.pem",
        ],
    );
}

fn server(dir: &Path, tls: &str) -> MailServer {
    let (cert, key) = (dir.join("server.pem"), dir.join("server.key"));
    let login = "barn@quillback.example:pl4in-s3cret";
    MailServer::with(
        dir,
        &["--tls", tls, "--cert", cert.to_str().unwrap(), "--key", key.to_str().unwrap(), "--login", login],
    )
}

fn config(server: &MailServer, security: MailSecurity, ca_file: Option<PathBuf>) -> MailConfig {
    MailConfig {
        host: "localhost".to_owned(),
        port: server.port,
        security,
        user: Some("barn@quillback.example".to_owned()),
        password: Some(Secret::new("pl4in-s3cret\n")),
        from: "barn@quillback.example".to_owned(),
        ca_file,
        as_text: false,
    }
}

fn letter() -> Letter {
    Letter {
        id: "5e".repeat(32),
        to: "Odile Marsh".to_owned(),
        address: "odile@quillback.example".to_owned(),
        level: "act".to_owned(),
        subject: "Quillback Farm: pile 2026-03, core-north above 160 F".to_owned(),
        text: "Pile 2026-03: core-north 163 F, above 160 F since 06:20.".to_owned(),
        html: None,
        images: vec![],
        sent_at: NOW,
    }
}

#[tokio::test]
async fn mail_goes_out_by_both_kinds_of_tls_with_a_login() {
    for (tls, security) in [("implicit", MailSecurity::ImplicitTls), ("starttls", MailSecurity::StartTls)] {
        let dir = tempfile::tempdir().unwrap();
        certificates(dir.path());
        let server = server(dir.path(), tls);
        let authority = dir.path().join("ca.pem");
        let good = config(&server, security, Some(authority.clone()));
        MailChannel::new(&good).unwrap().send(&letter()).await.unwrap();
        let mails = server.mails();
        assert_eq!(mails.len(), 1, "{tls}");
        assert!(mails[0].tls || tls == "implicit", "{tls}");
        assert_eq!(mails[0].message_id, format!("<{}@quillback.example>", "5e".repeat(32)));
        assert_eq!(mails[0].subject, letter().subject);

        // A wrong password may be put right; the secret is in no word of it.
        let wrong = MailConfig { password: Some(Secret::new("gu3ss")), ..good.clone() };
        let failure = MailChannel::new(&wrong).unwrap().send(&letter()).await.unwrap_err();
        assert!(
            matches!(&failure, Failure::Later(why) if why.contains("535") && !why.contains("gu3ss")),
            "{failure}"
        );

        // A server whose authority nobody knows gets neither password nor mail.
        let stranger = config(&server, security, None);
        let failure = MailChannel::new(&stranger).unwrap().send(&letter()).await.unwrap_err();
        assert!(matches!(failure, Failure::Later(_)), "{failure}");
        // Nor does one that doesn't speak TLS.
        let plain = MailServer::start(dir.path());
        let failure =
            MailChannel::new(&config(&plain, security, Some(authority))).unwrap().send(&letter()).await;
        assert!(matches!(failure, Err(Failure::Later(_))), "{failure:?}");
        assert_eq!(server.mails().len(), 1, "{tls}");
    }
}

/// The mail of a summary as Python's own reader of mails sees it.
#[tokio::test]
async fn a_summary_arrives_with_text_html_and_charts() {
    let dir = tempfile::tempdir().unwrap();
    let server = MailServer::start(dir.path());
    let snapshot = Snapshot {
        now: NOW,
        since: NOW,
        site: Site {
            farm: "Quillback Farm".to_owned(),
            zone: "America/New_York".parse().unwrap(),
            shows: DisplayUnit::Fahrenheit,
            page: None,
        },
        piles: vec![PileDay {
            id: "2026-03".to_owned(),
            built: NOW - Span::days(3),
            chart: vec![Series {
                name: "core-north".to_owned(),
                points: (0..72_i64).map(|hour| (NOW - Span::hours(hour), 60.0)).rev().collect(),
            }],
            ..PileDay::default()
        }],
        probes: vec![],
        incidents: vec![],
        harvests: Vec::new(),
        house: House::default(),
    };
    let summary = compose(&snapshot);
    let letter = Letter {
        subject: summary.subject.clone(),
        text: summary.text.clone(),
        html: Some(summary.html.clone()),
        images: summary.images.clone(),
        ..letter()
    };
    let config = MailConfig {
        host: "127.0.0.1".to_owned(),
        user: None,
        password: None,
        ..config(&server, MailSecurity::Plain, None)
    };
    MailChannel::new(&config).unwrap().send(&letter).await.unwrap();
    let mail = &server.mails()[0];
    let lines = |text: &str| text.lines().map(str::to_owned).collect::<Vec<_>>();
    assert_eq!(mail.subject, summary.subject);
    assert_eq!(lines(mail.text.as_deref().unwrap()), lines(&summary.text));
    assert!(mail.html.as_deref().unwrap().contains("cid:chart-1"));
    let png = base64::engine::general_purpose::STANDARD.decode(&summary.images[0].1).unwrap();
    assert_eq!(mail.images, [("<chart-1>".to_owned(), png.len())]);
}
