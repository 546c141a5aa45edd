//! A record's folder in the hands of somebody who wants it to say something else, and knows how it is made.

use std::path::{Path, PathBuf};
use std::process::Command;

use heapward::record::digest::{sha256, sha256_of};

use crate::tools::said;

const OPENSSH: &str = "apt-get install openssh-client";

/// A copy of a folder that may be changed.
pub(crate) struct Forger {
    dir: tempfile::TempDir,
}

/// Numbers that look random and are the same in every run.
pub(crate) struct Dice(pub(crate) u64);

// === impl Dice ===

impl Dice {
    pub(crate) fn below(&mut self, count: usize) -> usize {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        usize::try_from(self.0 >> 33).unwrap() % count
    }
}

// === impl Forger ===

impl Forger {
    pub(crate) fn new(folder: &Path) -> Forger {
        let dir = tempfile::tempdir().unwrap();
        said(
            "cp",
            &["-r", &format!("{}/.", folder.display()), &dir.path().display().to_string()],
            "coreutils",
        );
        Forger { dir }
    }

    pub(crate) fn path(&self) -> &Path {
        self.dir.path()
    }

    pub(crate) fn file(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    pub(crate) fn read(&self, name: &str) -> String {
        std::fs::read_to_string(self.file(name)).unwrap()
    }

    pub(crate) fn write(&self, name: &str, text: &str) {
        std::fs::write(self.file(name), text).unwrap();
    }

    /// `sealed/00001-2026-05-01` and so on.
    pub(crate) fn days(&self) -> Vec<String> {
        let files = std::fs::read_dir(self.file("sealed")).unwrap().map(|file| file.unwrap().path());
        let sections = files.filter(|path| path.extension().is_some_and(|end| end == "txt"));
        let mut days: Vec<String> =
            sections.map(|path| format!("sealed/{}", path.file_stem().unwrap().display())).collect();
        days.sort();
        days
    }

    /// Those on which a probe of the pile said something.
    pub(crate) fn days_with_readings(&self) -> Vec<String> {
        self.days().into_iter().filter(|day| self.file(day).is_dir() && !self.texts(day).is_empty()).collect()
    }

    /// Texts of readings of a day, by their names in the day's folder.
    pub(crate) fn texts(&self, day: &str) -> Vec<String> {
        let files = std::fs::read_dir(self.file(day)).unwrap().map(|file| file.unwrap().file_name());
        let mut names: Vec<String> =
            files.map(|name| name.into_string().unwrap()).filter(|name| name != "list").collect();
        names.sort();
        names
    }

    pub(crate) fn remove_day(&self, day: &str) {
        std::fs::remove_file(self.file(&format!("{day}.txt"))).unwrap();
        if self.file(day).is_dir() {
            std::fs::remove_dir_all(self.file(day)).unwrap();
        }
    }

    /// Makes one reading of a day warmer by a degree and gives its line before and after.
    pub(crate) fn warmer(&self, day: &str, dice: &mut Dice) -> (String, String, String) {
        let names = self.texts(day);
        let name = &names[dice.below(names.len())];
        let file = format!("{day}/{name}");
        let text = self.read(&file);
        let lines: Vec<&str> = text.lines().skip(1).collect();
        let line = lines[dice.below(lines.len())];
        let (at, value) = line.split_once(' ').unwrap();
        let warmer = format!("{at} {}", value.parse::<f64>().unwrap() + 1.0);
        self.write(&file, &text.replacen(&format!("\n{line}\n"), &format!("\n{warmer}\n"), 1));
        (name.clone(), line.to_owned(), warmer)
    }

    /// Makes the lists fit the texts of a day.
    pub(crate) fn list_again(&self, day: &str) {
        let mut list = String::new();
        for line in self.read(&format!("{day}/list")).lines() {
            let (digest, name) = line.split_once("  ").unwrap();
            let text = std::fs::read(self.file(&format!("{day}/{name}")));
            let digest = text.map_or(digest.to_owned(), |text| sha256(&text));
            list.extend([digest.as_str(), "  ", name, "\n"]);
        }
        self.write(&format!("{day}/list"), &list);
    }

    /// Makes everything fit what the texts and sections say now: lists, chain, `HEAD`, sums.
    pub(crate) fn chain_again(&self) {
        let mut before: Option<String> = None;
        for day in self.days() {
            let file = format!("{day}.txt");
            let mut section = self.read(&file);
            if let Some(before) = &before {
                let prev = section.lines().nth(2).unwrap().to_owned();
                section = section.replacen(&prev, &format!("prev {before}"), 1);
            }
            if self.file(&day).is_dir() {
                self.list_again(&day);
                let readings = section.lines().nth(3).unwrap().to_owned();
                let (kept, _) = readings.rsplit_once(' ').unwrap();
                let digest = sha256_of(&self.file(&format!("{day}/list"))).unwrap();
                section = section.replacen(&readings, &format!("{kept} {digest}"), 1);
            }
            self.write(&file, &section);
            before = Some(sha256(section.as_bytes()));
        }
        self.head_again();
        self.sums_again();
    }

    pub(crate) fn head_again(&self) {
        let last = self.days().pop().unwrap();
        let section = self.read(&format!("{last}.txt"));
        let number = section.lines().next().unwrap().strip_prefix("seq ").unwrap().to_owned();
        self.write("HEAD", &format!("head {number} {}\n", sha256(section.as_bytes())));
    }

    /// Digests of every file that is there now, as `sha256sum` would make them.
    pub(crate) fn sums_again(&self) {
        let list = said(
            "sh",
            &[
                "-c",
                "cd \"$1\" && find . -type f ! -name 'SHA256SUMS*' | sed 's|^./||' | LC_ALL=C sort | xargs sha256sum",
                "sh",
                &self.path().display().to_string(),
            ],
            "findutils",
        );
        self.write("SHA256SUMS", &list);
    }

    /// A forgery without a seam: one reading warmer in its text and in the table, and everything else made to fit.
    pub(crate) fn without_a_seam(&self, day: &str, dice: &mut Dice) {
        let (name, line, warmer) = self.warmer(day, dice);
        let probe = name.rsplit('-').next().unwrap().strip_suffix(".txt").unwrap();
        let row = |line: &str| {
            let (at, value) = line.split_once(' ').unwrap();
            format!("{at},{probe},{value},")
        };
        let table = self.read("readings.csv");
        assert!(table.contains(&row(&line)), "{line}");
        self.write("readings.csv", &table.replacen(&row(&line), &row(&warmer), 1));
        self.chain_again();
    }
}

/// A new key, and the list that allows it.
pub(crate) fn key(dir: &Path, name: &str) -> (PathBuf, PathBuf) {
    let key = dir.join(name);
    said("ssh-keygen", &["-q", "-t", "ed25519", "-N", "", "-f", &key.display().to_string()], OPENSSH);
    let public = std::fs::read_to_string(key.with_extension("pub")).unwrap();
    let allowed = dir.join(format!("{name}-allowed"));
    std::fs::write(&allowed, format!("heapward {public}")).unwrap();
    (key, allowed)
}

/// Runs the script of a folder by a shell that finds nothing but `sha256sum`; whether it is content, and what it says.
pub(crate) fn script(shell: &[&str], folder: &Path, mailed: Option<(&str, &str)>) -> (bool, String) {
    let tools = tempfile::tempdir().unwrap();
    let (program, args) = shell.split_first().unwrap();
    let program =
        said("sh", &["-c", "command -v \"$1\"", "sh", program], &format!("apt-get install {program}"));
    // With the small shell goes its own sha256sum.
    let sum = if args.is_empty() {
        said("sh", &["-c", "command -v sha256sum"], "apt-get install coreutils")
    } else {
        program.clone()
    };
    std::os::unix::fs::symlink(sum.trim(), tools.path().join("sha256sum")).unwrap();
    let mut command = Command::new(program.trim());
    command.args(args).arg(folder.join("verify.sh")).env_clear().env("PATH", tools.path());
    if let Some((number, digest)) = mailed {
        command.args([number, digest]);
    }
    let output = command.output().unwrap();
    let text =
        String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    (output.status.success(), text)
}
