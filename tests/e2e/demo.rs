//! `heapward demo`: the whole main job on one machine, and nothing left of it.

use std::process::{Command, Stdio};

use heapward_tests::daemon::{binary, heapward};

#[test]
fn two_days_of_the_farm_end_by_themselves() {
    let output = heapward(&["demo", "--days", "2", "--speed", "100000", "--port", "0"]);
    let out = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(0), "{out}\n{}", String::from_utf8_lossy(&output.stderr));
    for wanted in ["mail to Quillback Farm", "2 days and 0 hours of a farm's life are over."] {
        assert!(out.contains(wanted), "`{wanted}` is missing in:\n{out}");
    }
    let counts = out.lines().find(|line| line.contains("messages were published")).unwrap();
    let numbers: Vec<u64> =
        counts.split(|c: char| !c.is_ascii_digit()).filter_map(|n| n.parse().ok()).collect();
    assert_eq!(numbers[0], numbers[1], "{counts}");
    assert!(numbers[0] > 4_000, "{counts}");
}

#[test]
fn nothing_is_left_behind() {
    let mut demo = Command::new(binary())
        .args(["demo", "--for", "2s", "--port", "0"])
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    assert!(demo.wait().unwrap().success());
    assert!(!std::env::temp_dir().join(format!("heapward-demo-{}", demo.id())).exists());
}
