//! The reference libraries: a Python environment of the repository, and small programs in `tests/reference`.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use serde_json::Value;

/// Gives the input as JSON to a program of `tests/reference`; its JSON answer.
pub(crate) fn ask(program: &str, input: &Value) -> Value {
    let python = interpreter();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("reference").join(program);
    // -B: no compiled files beside the sources.
    let mut process = Command::new(&python)
        .arg("-B")
        .arg(&script)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap_or_else(|error| panic!("{} does not start ({error}); {HOW}", python.display()));
    let text = input.to_string();
    let mut stdin = process.stdin.take().expect("it was piped");
    let writer = std::thread::spawn(move || stdin.write_all(text.as_bytes()));
    let output = process.wait_with_output().expect("the program ends");
    writer.join().expect("the input was written").expect("the program read its input");
    assert!(output.status.success(), "{program} failed; {HOW}");
    serde_json::from_slice(&output.stdout).expect("JSON")
}

const HOW: &str = "run tests/run once, or: python3 -m venv .venv && .venv/bin/pip install -r tests/requirements.txt \
                   (another place: HEAPWARD_VENV=FOLDER)";

fn interpreter() -> PathBuf {
    let repository = Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the repository");
    let venv = std::env::var_os("HEAPWARD_VENV").map_or_else(|| repository.join(".venv"), PathBuf::from);
    let python = venv.join("bin/python3");
    assert!(python.exists(), "no Python environment at {}; {HOW}", venv.display());
    python
}
