//! A person at the command line beside a running daemon: as root on its machine no pass is asked for.

use heapward_tests::broker::publish;
use heapward_tests::daemon::{Daemon, heapward};
use heapward_tests::process::free_port;
use heapward_tests::wait::wait_until;

struct Shell<'a>(&'a str);

impl Shell<'_> {
    /// Runs a command that must be good, and tells what it printed.
    #[track_caller]
    fn good(&self, args: &[&str]) -> String {
        let (code, out, err) = self.run(args);
        assert_eq!((code, err.as_str()), (Some(0), ""), "{args:?}\n{out}");
        out
    }

    #[track_caller]
    fn bad(&self, args: &[&str], wanted: &str) {
        let (code, out, err) = self.run(args);
        assert_eq!(code, Some(1), "{args:?}\n{out}\n{err}");
        assert!(err.contains(wanted), "{args:?}: `{wanted}` is not in:\n{err}");
    }

    fn run(&self, args: &[&str]) -> (Option<i32>, String, String) {
        let output = heapward(&[args, &["--config", self.0]].concat());
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        (output.status.code(), text(&output.stdout), text(&output.stderr))
    }
}

#[test]
fn a_pile_is_begun_and_kept_from_the_command_line() {
    let dir = tempfile::tempdir().unwrap();
    let mqtt = free_port();
    let probe = "[[probe]]\nid = \"k1\"\ntopic = \"heap/k1\"\nevery = \"1m\"\nvalue = \"\"\nunit = \"F\"\n";
    let daemon = Daemon::start(dir.path(), &format!("[endpoint]\nlisten = \"127.0.0.1:{mqtt}\"\n{probe}"));
    let shell = Shell(daemon.config().to_str().unwrap());

    assert_eq!(shell.good(&["pile", "list"]), "There is no pile yet: heapward pile new --help\n");
    let begun = shell.good(&[
        "pile",
        "new",
        "2026-03",
        "--bay",
        "1",
        "--initial-cn",
        "30",
        "--spot",
        "heart:core:24",
        "--spot",
        "toe:base",
    ]);
    assert!(begun.contains("heart          core, 24 in deep: no probe"), "{begun}");
    assert!(begun.contains("heapward pile place 2026-03 PROBE heart"), "{begun}");
    shell.bad(&["pile", "new", "2026-03", "--spot", "heart:core"], "2026-03");
    let placed = shell.good(&["pile", "place", "2026-03", "k1", "heart", "--by", "OM"]);
    assert!(placed.contains("heart          core, 24 in deep: k1 since "), "{placed}");
    shell.bad(&["pile", "place", "2026-03", "k1", "liver"], "liver");

    assert!(
        shell
            .good(&["pile", "reading", "2026-03", "toe", "138.5 F", "--by", "BO"])
            .contains("Read by hand at toe: 138.5 \u{b0}F. [BO]")
    );
    let watered = shell.good(&["pile", "watered", "2026-03", "--litres", "40", "--note", "dry at the toe"]);
    assert!(watered.contains("Watered with 11 gallons (40 litres). dry at the toe [cli]"), "{watered}");
    assert!(
        shell
            .good(&["pile", "enter", "2026-03", "covered", "depth_in=6"])
            .contains("Covered, 6 inches deep. [cli]")
    );
    shell.bad(&["pile", "enter", "2026-03", "covered", "height=6"], "height");
    shell.bad(&["pile", "turned", "2026-99"], "2026-99");
    let log = shell.good(&["pile", "log", "2026-03"]);
    for event in
        ["Read by hand at toe: 138.5 \u{b0}F. [BO]", "Watered with 11 gallons", "Covered, 6 inches deep."]
    {
        assert!(log.contains(event), "{event}:\n{log}");
    }

    publish(mqtt, "heap/k1", "141.3");
    wait_until("the reading", || shell.good(&["pile", "history", "2026-03"]).contains(",k1,141.3,F"));
    let shown = shell.good(&["pile", "show", "2026-03"]);
    assert!(shown.contains("us-organic: "), "{shown}");

    let (code, out, err) = shell.run(&["doctor"]);
    assert_eq!((code, err.as_str()), (Some(0), ""), "{out}");
    assert!(out.contains("Nobody is told anything"), "{out}");

    assert!(shell.good(&["pair"]).contains("/pair/"));
    shell.good(&["pass", "new", "spreadsheet"]);
    let passes = shell.good(&["pass", "list"]);
    assert!(
        passes.contains("spreadsheet") && !passes.contains("cli"),
        "the pass of a command is taken away: {passes}"
    );
    shell.good(&["pass", "forget", "spreadsheet"]);
}

#[test]
fn the_doctor_says_what_is_wrong() {
    let dir = tempfile::tempdir().unwrap();
    let mqtt = free_port();
    let probe = "[[probe]]\nid = \"k1\"\ntopic = \"heap/k1\"\nevery = \"1m\"\nvalue = \"\"\nunit = \"F\"\n";
    let mut daemon =
        Daemon::start(dir.path(), &format!("[endpoint]\nlisten = \"127.0.0.1:{mqtt}\"\n{probe}"));
    let config = daemon.config().to_owned();
    let shell = Shell(config.to_str().unwrap());
    publish(mqtt, "heap/k1", "hot");
    wait_until("the message to be refused", || shell.run(&["doctor"]).1.contains("could not be read"));
    let (code, out, err) = shell.run(&["doctor"]);
    assert_eq!((code, err.as_str()), (Some(1), "2 things are wrong\n"), "{out}");
    assert!(out.contains("Nothing was ever heard of the probe `k1`"), "{out}");
    assert!(out.contains("1 messages on heap/k1 could not be read"), "{out}");

    daemon.process().stop();
    let (_, out, _) = shell.run(&["doctor"]);
    assert!(out.contains("The daemon does not answer"), "{out}");
}

#[test]
fn the_first_configuration_is_written_and_mail_that_does_not_go_out_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let config = dir.path().join("heapward.toml");
    let password = dir.path().join("of-the-mail-server");
    std::fs::write(&password, "long and secret\n").unwrap();
    let shell = Shell(config.to_str().unwrap());
    let args = ["init", "--yes", "--mail", "odile@quillback.example", "--mail-server", "barn@127.0.0.1"];
    let (code, out, err) =
        shell.run(&[&args[..], &["--mail-password-file", password.to_str().unwrap()]].concat());
    assert_eq!(code, Some(1), "{out}\n{err}");
    assert!(out.contains("is written") && out.contains("systemctl restart heapward"), "{out}");
    assert!(err.contains("no mail goes out with it") && err.contains("heapward send-test"), "{err}");
    assert!(shell.good(&["check"]).contains("mail to odile@quillback.example"));
}

#[test]
fn the_doctor_names_the_example_that_was_kept_as_a_password() {
    let dir = tempfile::tempdir().unwrap();
    let config = dir.path().join("heapward.toml");
    let shell = Shell(config.to_str().unwrap());
    shell.good(&["init", "--yes", "--network"]);
    std::fs::write(dir.path().join("probes-password"), "change-me\n").unwrap();
    let (code, _, err) = shell.run(&["doctor"]);
    assert_eq!(code, Some(64), "{err}");
    assert!(err.contains("still holds an example"), "{err}");
}
