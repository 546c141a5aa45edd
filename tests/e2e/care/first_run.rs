//! `heapward init` at a terminal, as a person answers it, in place of the machine's own folders.

use std::io::{Read as _, Write as _};
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};

use heapward_tests::daemon::{binary, heapward};
use heapward_tests::mounts::{Memory, inside};
use heapward_tests::wait::wait_until;

const QUESTIONS: [(&str, &str); 6] = [
    ("Name of the farm", "Quillback Farm"),
    ("Time zone", "America/New_York"),
    ("May probes and phones on the network reach this machine", "yes"),
    ("Your mail address", "odile@quillback.example"),
    ("Mail server", "barn@127.0.0.1"),
    ("Its password", "long and secret"),
];

/// A program at a terminal of its own, and everything that it has shown so far.
struct Terminal {
    child: Child,
    shown: Arc<Mutex<String>>,
}

impl Terminal {
    fn start(command: &str) -> Terminal {
        let mut child = Command::new("script")
            .args(["--quiet", "--return", "--command", command, "/dev/null"])
            .env_remove("HEAPWARD_CONFIG")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap_or_else(|error| panic!("script can't be started ({error}): apt-get install bsdutils"));
        let shown = Arc::new(Mutex::new(String::new()));
        let (mut out, into) = (child.stdout.take().unwrap(), Arc::clone(&shown));
        std::thread::spawn(move || {
            let mut buffer = [0; 4_096];
            while let Ok(n @ 1..) = out.read(&mut buffer) {
                into.lock().unwrap().push_str(&String::from_utf8_lossy(&buffer[..n]));
            }
        });
        Terminal { child, shown }
    }

    fn shown(&self) -> String {
        self.shown.lock().unwrap().clone()
    }

    fn answer(&mut self, question: &str, answer: &str) {
        wait_until(question, || self.shown().contains(question));
        let input = self.child.stdin.as_mut().unwrap();
        writeln!(input, "{answer}").unwrap();
        input.flush().unwrap();
    }

    fn finish(mut self) -> (i32, String) {
        let status = self.child.wait().unwrap();
        let mut before = String::new();
        wait_until("the rest of what it showed", || {
            let now = self.shown();
            let is_all = now == before && !now.is_empty();
            before = now;
            is_all
        });
        (status.code().unwrap(), self.shown())
    }
}

#[test]
fn six_answers_at_a_terminal_make_everything_and_show_the_way_in_for_a_phone() {
    if !inside("care::first_run::six_answers_at_a_terminal_make_everything_and_show_the_way_in_for_a_phone") {
        return;
    }
    // The folder that the package makes for the records, on a file system of this test alone.
    let _state = Memory::mount(Path::new("/var/lib"), "64m");
    std::fs::create_dir_all("/var/lib/heapward").unwrap();
    let dir = tempfile::tempdir().unwrap();
    let config = dir.path().join("heapward.toml");
    let mut terminal = Terminal::start(&format!("{} init --config {}", binary().display(), config.display()));
    for (question, answer) in QUESTIONS {
        terminal.answer(question, answer);
    }
    let (code, shown) = terminal.finish();
    // A test mail is tried at once; nobody serves mail here, and that is said.
    assert_eq!(code, 1, "{shown}");
    assert!(shown.contains("no mail goes out with it") && shown.contains("heapward send-test"), "{shown}");
    for (question, _) in QUESTIONS {
        assert_eq!(shown.matches(question).count(), 1, "{question}: {shown}");
    }
    assert!(shown.contains("/pair/"), "{shown}");
    let square =
        shown.lines().filter(|line| line.matches(['\u{2588}', '\u{2580}', '\u{2584}']).count() > 10).count();
    assert!(square > 10, "no square code: {shown}");
    for file in ["heapward.toml", "probes-password", "mail-password"] {
        let about = std::fs::metadata(dir.path().join(file)).unwrap();
        assert_eq!(about.permissions().mode() & 0o007, 0, "{file} can be read by others");
    }
    let checked = heapward(&["check", "--config", config.to_str().unwrap()]);
    let text = String::from_utf8_lossy(&checked.stdout).into_owned();
    assert!(checked.status.success() && text.contains("mail to odile@quillback.example"), "{text}");
}

#[test]
fn with_yes_nothing_is_asked_at_a_terminal_either() {
    let dir = tempfile::tempdir().unwrap();
    let config = dir.path().join("heapward.toml");
    let terminal =
        Terminal::start(&format!("{} init --yes --config {}", binary().display(), config.display()));
    let (code, shown) = terminal.finish();
    assert_eq!(code, 0, "{shown}");
    for (question, _) in QUESTIONS {
        assert!(!shown.contains(question), "{question}: {shown}");
    }
    assert!(config.exists());
}
