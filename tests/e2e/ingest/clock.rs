//! Clocks that are wrong, with the whole daemon under libfaketime: boot in 1970, boot hours behind, a step back, a leap
//! ahead, both changes of daylight saving, the end of a year and of 32 bits.
//!
//! Devices publish without a time of their own (except for daylight saving). Wherever the clock stands meanwhile, each
//! reading has to be there once, at the instant when it was published, to the second.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use heapward::model::time::{local, parse_rfc3339};
use heapward_rules::units::{At, Span};
use heapward_tests::daemon::{binary, config_text, now};
use heapward_tests::process::{Process, free_port, is_listening};
use heapward_tests::site::Site;
use heapward_tests::wait::wait_until;

use super::numbered::{PROBES, stored_at};
use super::repeater::{Plan, Repeater};

const TOLERANCE: Span = Span::seconds(1);
const ZONE: chrono_tz::Tz = chrono_tz::America::New_York;

/// A daemon whose wall clock is off by what a file says, and believes it only when another file is there.
struct Farm {
    dir: tempfile::TempDir,
    process: Process,
    site: Site,
    repeater: Repeater,
    /// When each number was published, by a clock that is right.
    published: Arc<Mutex<BTreeMap<u64, At>>>,
}

/// A story of a clock, under its name.
type Case = fn(&str);

/// What a device says of the time.
#[derive(Clone, Copy)]
enum Device {
    Silent,
    /// Local time without an offset, by a clock that is off as the daemon's is.
    Naive,
}

fn library() -> PathBuf {
    let found = ["x86_64-linux-gnu", "aarch64-linux-gnu", "arm-linux-gnueabihf"]
        .map(|kind| Path::new("/usr/lib").join(kind).join("faketime/libfaketimeMT.so.1"))
        .into_iter()
        .find(|path| path.exists());
    found.expect("libfaketime is missing: apt-get install libfaketime")
}

impl Farm {
    fn boot(device: Device, off_by: Span, is_set: bool) -> Farm {
        let dir = tempfile::tempdir().unwrap();
        let port = free_port();
        let time = match device {
            Device::Silent => String::new(),
            Device::Naive => {
                format!("time = \"/time\"\ntime_format = \"naive\"\nzone = \"{}\"\n", ZONE.name())
            }
        };
        let probe = |n| {
            format!(
                "[[probe]]\nid = \"k{n}\"\ntopic = \"quillback/k{n}\"\nevery = \"1m\"\nvalue = \"/c\"\nunit = \"C\"\n\
                 {time}"
            )
        };
        let probes: String = (0..PROBES).map(probe).collect();
        let rest = format!("[endpoint]\nlisten = \"127.0.0.1:{port}\"\n{probes}");
        let site = Site { port: free_port(), pass: None };
        let text = config_text(dir.path(), site.port, &rest).replace("hardware_clock = true\n", "");
        std::fs::write(dir.path().join("heapward.toml"), text).unwrap();
        for folder in ["records", "timesync"] {
            std::fs::create_dir_all(dir.path().join(folder)).unwrap();
        }
        set_clock(dir.path(), off_by);
        if is_set {
            trust_clock(dir.path());
        }
        let process = start(dir.path());
        wait_until("the endpoint to listen", || is_listening(port));
        let published = Arc::<Mutex<BTreeMap<u64, At>>>::default();
        let publishing = Arc::clone(&published);
        let repeater = Repeater::start(Plan {
            port,
            client_id: "gate".to_owned(),
            count: u64::MAX,
            per_second: u32::try_from(PROBES).unwrap(),
            message: Box::new(move |number| {
                let at = *publishing.lock().unwrap().entry(number).or_insert_with(now);
                let local = local(at + off_by, ZONE).format("%Y-%m-%dT%H:%M:%S%.3f");
                (format!("quillback/k{}", number % PROBES), format!(r#"{{"c":{number},"time":"{local}"}}"#))
            }),
        });
        Farm { dir, process, site, repeater, published }
    }

    /// Some seconds of readings, none of which is acknowledged.
    fn none_is_acknowledged(&self, seconds: u64) {
        std::thread::sleep(Duration::from_secs(1));
        let before = self.repeater.acknowledged();
        std::thread::sleep(Duration::from_secs(seconds));
        assert_eq!(self.repeater.acknowledged(), before, "acknowledged while the clock is wrong");
    }

    /// Everything in the daemon that goes by the clock is told.
    fn clock_is_trusted(&self, wanted: bool) {
        let line = format!("heapward_clock_trusted {}", u8::from(wanted));
        wait_until("the clock to be trusted, or not", || self.site.text("/metrics").contains(&line));
    }

    fn some_are_acknowledged(&self) {
        let before = self.repeater.acknowledged();
        wait_until("acknowledgements", || self.repeater.acknowledged() >= before + 2 * PROBES);
    }

    /// Every reading is there once, at its instant by a clock that is off by so much.
    fn check(self, name: &str, off_by: Span) {
        let Farm { dir, mut process, site: _, repeater, published } = self;
        let outcome = repeater.stop();
        assert!(process.stop().success(), "{name}");
        let stored = stored_at(dir.path());
        let published = published.lock().unwrap();
        println!("{name}: {} published, {} stored", published.len(), stored.len());
        assert_eq!(outcome.acknowledged.len(), published.len(), "{name}");
        assert_eq!(stored.len(), published.len(), "{name}");
        for (number, instants) in &stored {
            let wanted = published[number] + off_by;
            let [at] = instants.as_slice() else { panic!("{name}: {number} is stored at {instants:?}") };
            assert!(
                (*at - wanted).0.abs() <= TOLERANCE.0,
                "{name}: {number} of {wanted:?} is stored at {at:?}"
            );
        }
    }
}

/// Moves the wall clock of the daemon.
fn set_clock(dir: &Path, off_by: Span) {
    let new = dir.join("clock.new");
    std::fs::write(&new, format!("{:+}.{:03}\n", off_by.0 / 1_000, off_by.0.abs() % 1_000)).unwrap();
    std::fs::rename(new, dir.join("clock")).unwrap();
}

/// What a time service does when it has set the clock.
fn trust_clock(dir: &Path) {
    std::fs::write(dir.join("timesync/synchronized"), "").unwrap();
}

/// The daemon sees our folder where systemd's time service puts its mark, and our clock.
fn start(dir: &Path) -> Process {
    let mut command = Command::new("unshare");
    let script = "mkdir -p /run/systemd/timesync && mount --bind \"$1/timesync\" /run/systemd/timesync && export \
                  LD_PRELOAD=\"$2\" && exec \"$3\" run --config \"$1/heapward.toml\"";
    command
        .args(["--mount", "sh", "-c", script, "sh"])
        .arg(dir)
        .arg(library())
        .arg(binary())
        .env("FAKETIME_TIMESTAMP_FILE", dir.join("clock"))
        .env("FAKETIME_NO_CACHE", "1")
        .env("FAKETIME_DONT_FAKE_MONOTONIC", "1")
        .env("DONT_FAKE_MONOTONIC", "1")
        .env("NO_FAKE_STAT", "1")
        .env_remove("NOTIFY_SOCKET");
    Process::start(&mut command, &dir.join("heapward.log"), "apt-get install util-linux; it needs root")
}

/// The clock is wrong at the boot, and set later. `is_chip`: it is believed to have a battery.
fn set_after_boot(name: &str, off_by: Span, is_chip: bool) {
    let farm = Farm::boot(Device::Silent, off_by, is_chip);
    farm.none_is_acknowledged(3);
    assert_eq!(farm.repeater.acknowledged(), 0, "{name}");
    farm.clock_is_trusted(false);
    set_clock(farm.dir.path(), Span::ZERO);
    trust_clock(farm.dir.path());
    farm.some_are_acknowledged();
    farm.clock_is_trusted(true);
    farm.check(name, Span::ZERO);
}

/// A clock that is believed steps, and is set right later.
fn stepped(name: &str, step: Span) {
    let farm = Farm::boot(Device::Silent, Span::ZERO, true);
    farm.some_are_acknowledged();
    set_clock(farm.dir.path(), step);
    farm.none_is_acknowledged(3);
    farm.clock_is_trusted(false);
    set_clock(farm.dir.path(), Span::ZERO);
    farm.some_are_acknowledged();
    farm.clock_is_trusted(true);
    farm.check(name, Span::ZERO);
}

/// Over an instant at which calendars do something: some seconds before it, and some after.
fn passing(name: &str, device: Device, edge: &str) {
    let edge = parse_rfc3339(edge).unwrap();
    let off_by = edge - Span::seconds(9) - now();
    let farm = Farm::boot(device, off_by, true);
    farm.some_are_acknowledged();
    assert!(now() + off_by < edge, "{name}: the machine is too slow for this test");
    while now() + off_by < edge + Span::seconds(3) {
        std::thread::sleep(Duration::from_millis(100));
    }
    farm.check(name, off_by);
}

#[test]
fn wherever_the_clock_stands_readings_are_dated_when_they_were_published() {
    let cases: [(&str, Case); 9] = [
        ("boot in 1970, set later", |name| set_after_boot(name, At(60_000) - now(), false)),
        ("boot six hours behind, set later", |name| set_after_boot(name, Span::hours(-6), false)),
        ("a clock chip without its battery, set later", |name| {
            set_after_boot(name, parse_rfc3339("2000-01-01T00:00:00Z").unwrap() - now(), true);
        }),
        ("a step back of an hour", |name| stepped(name, Span::hours(-1))),
        ("a leap of 400 days", |name| stepped(name, Span::days(400))),
        ("the hour that happens twice", |name| passing(name, Device::Naive, "2026-11-01T06:00:00Z")),
        ("the hour that is left out", |name| passing(name, Device::Naive, "2026-03-08T07:00:00Z")),
        ("the end of the year", |name| passing(name, Device::Silent, "2027-01-01T00:00:00Z")),
        ("the end of 32 bits", |name| passing(name, Device::Silent, "2038-01-19T03:14:08Z")),
    ];
    std::thread::scope(|scope| {
        for (name, case) in cases {
            scope.spawn(move || case(name));
        }
    });
}
