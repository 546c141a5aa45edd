//! Checkable by anybody: eight attacks at twenty random places each, by the command, by the script and by hand.

use std::path::{Path, PathBuf};

use chrono::NaiveDate;
use heapward::record::sealed::check::{Checked, folder, store};
use heapward::record::sealed::signature;
use heapward::standards;
use heapward::store::{Digest, Head, Store, StoreOptions};
use heapward_tests::daemon::heapward;

use crate::farm::{BUILT, Farm, ZONE};
use crate::forger::{Dice, Forger, key, script};
use crate::tools::said;

const PLACES: u64 = 20;
const SHELLS: [&[&str]; 2] = [&["dash"], &["busybox", "sh"]];

/// A folder as it was written, and the digests of its days as mails had them.
struct Written {
    farm: Farm,
    folder: PathBuf,
    mails: Vec<Head>,
}

impl Written {
    fn new() -> Written {
        Written::of(Farm::new())
    }

    fn of(farm: Farm) -> Written {
        let folder = farm.record("record");
        let mails = mails_of(&folder);
        Written { farm, folder, mails }
    }

    fn forger(&self) -> Forger {
        Forger::new(&self.folder)
    }
}

/// `HEAD` of every morning: number and digest of each sealed day.
fn mails_of(folder: &Path) -> Vec<Head> {
    let forger = Forger::new(folder);
    let sections = forger.days().into_iter().map(|day| forger.read(&format!("{day}.txt"))).zip(1..);
    sections.map(|(text, seq)| Head { seq, digest: Digest::of(text.as_bytes()) }).collect()
}

fn checked(path: &Path, mailed: &[Head]) -> Checked {
    folder(path, &standards::built_in().unwrap(), mailed)
}

fn day_of(name: &str) -> NaiveDate {
    name[name.len() - 10..].parse().unwrap()
}

/// Command and script see it, and name the day; what the command says.
#[track_caller]
fn is_caught(forger: &Forger, day: Option<&str>) -> Checked {
    let found = checked(forger.path(), &[]);
    assert!(!found.doubts.is_empty(), "{day:?}: not seen");
    if let Some(day) = day {
        assert_eq!(found.first_bad_day(), Some(day_of(day)), "{:#?}", found.doubts);
    }
    let (content, text) = script(SHELLS[0], forger.path(), None);
    assert!(!content && text.contains("WRONG"), "{day:?}: the script says {text}");
    found
}

#[test]
fn a_folder_as_it_was_written_is_good_for_everybody() {
    let written = Written::new();
    let found = checked(&written.folder, &written.mails);
    assert_eq!(found.doubts, vec![]);
    assert_eq!(
        found.days.map(|((first, from), (last, to))| (first, from.to_string(), last, to.to_string())),
        Some((1, "2026-05-01".to_owned(), 46, "2026-06-15".to_owned()))
    );
    let last = written.mails.last().unwrap();
    let (number, digest) = (last.seq.to_string(), last.digest.to_string());
    for shell in SHELLS {
        for mailed in [None, Some((number.as_str(), digest.as_str()))] {
            let (content, text) = script(shell, &written.folder, mailed);
            assert!(content, "{shell:?}: {text}");
            assert!(text.contains(&format!("HEAD {number}:{digest}")), "{text}");
        }
    }
    let lines = std::fs::read_to_string(written.folder.join("verify.sh")).unwrap().lines().count();
    assert!(lines <= 30, "the script has {lines} lines");
    // By hand: sums, and a day against the third line of the day after it.
    let dir = written.folder.display().to_string();
    said("sh", &["-c", "cd \"$1\" && sha256sum --quiet --check SHA256SUMS", "sh", &dir], "coreutils");
    let by_hand =
        said("sh", &["-c", "cd \"$1\" && sha256sum < sealed/00006-2026-05-06.txt", "sh", &dir], "coreutils");
    let forger = written.forger();
    let next = forger.read("sealed/00007-2026-05-07.txt");
    assert!(next.contains(&format!("\nprev {}\n", by_hand.split(' ').next().unwrap())));
    // The document on paper bears the same digest.
    let html = forger.read("record.html");
    assert!(html.contains(&format!("HEAD {number}:{digest}")));
    let head = format!("{number}:{digest}");
    let done = heapward(&["verify", &dir, "--head", &head]);
    let text = String::from_utf8_lossy(&done.stdout).into_owned();
    assert!(done.status.success() && text.contains("as it was mailed"), "{text}");
    assert!(text.contains("Sealed days 1 to 46: Friday 1 May 2026 to Monday 15 June 2026."), "{text}");
    assert!(text.contains("Every reading by a probe in readings.csv is one that was sealed."), "{text}");
}

#[test]
fn a_moisture_probe_beside_a_thermometer_casts_no_doubt_though_it_is_configured_no_more() {
    let (with, without) = (Written::of(Farm::with_moisture()), Written::new());
    assert_eq!(checked(&with.folder, &with.mails).doubts, vec![]);
    let (content, text) = script(SHELLS[0], &with.folder, None);
    assert!(content, "{text}");
    let (with, without) = (with.forger(), without.forger());
    assert!(with.read("readings.csv").contains(",m1,57.5,%"), "what it said is part of the record");
    for file in ["pile.toml", "verdict.json"] {
        assert_eq!(with.read(file), without.read(file), "{file}");
    }
}

#[test]
fn a_reading_that_was_changed_is_caught_with_its_day() {
    let written = Written::new();
    for place in 0..PLACES {
        let (mut dice, forger) = (Dice(place), written.forger());
        let days = forger.days_with_readings();
        let day = &days[dice.below(days.len())];
        forger.warmer(day, &mut dice);
        if place % 3 > 0 {
            forger.list_again(day);
        }
        if place % 3 > 1 {
            forger.sums_again();
        }
        is_caught(&forger, Some(day));
        if place == 0 {
            let done = heapward(&["verify", &forger.path().display().to_string()]);
            assert_eq!(done.status.code(), Some(1));
            let named = day_of(day).format("%A %-d %B %Y");
            let said = String::from_utf8_lossy(&done.stderr).into_owned();
            assert!(
                said.contains(&format!("The first day that is not as it was sealed: {named}.")),
                "{said}"
            );
        }
    }
    // The same in the table alone, its sum redone: the shell sees nothing, the command does.
    for place in 0..PLACES {
        let (mut dice, forger) = (Dice(100 + place), written.forger());
        let table = forger.read("readings.csv");
        let rows: Vec<&str> =
            table.lines().filter(|row| row.starts_with("2026-05-0") && !row.contains("hand:")).collect();
        let row = rows[dice.below(rows.len())];
        let fields: Vec<&str> = row.split(',').collect();
        let changed = match place % 3 {
            0 => String::new(),
            1 => format!(
                "{},{},{},{}\n",
                fields[0],
                fields[1],
                fields[2].parse::<f64>().unwrap() + 1.0,
                fields[3]
            ),
            _ => format!(
                "{row}\n{}7Z,{},{},{}\n",
                &fields[0][..fields[0].len() - 2],
                fields[1],
                fields[2],
                fields[3]
            ),
        };
        forger.write("readings.csv", &table.replacen(&format!("{row}\n"), &changed, 1));
        forger.sums_again();
        let found = checked(forger.path(), &[]);
        assert_eq!(found.first_bad_day(), Some(day_of(&row[..10])), "{row}: {:#?}", found.doubts);
    }
}

#[test]
fn a_day_that_was_taken_out_is_caught() {
    let written = Written::new();
    for place in 0..PLACES {
        let (mut dice, forger) = (Dice(200 + place), written.forger());
        let days = forger.days();
        let n = dice.below(days.len());
        forger.remove_day(&days[n]);
        if place % 2 > 0 && n > 0 {
            forger.sums_again();
        }
        is_caught(&forger, Some(&days[n]));
    }
    // The first day is nobody's successor: the script needs the sums or the signature, the command has the table.
    let forger = written.forger();
    forger.remove_day(&forger.days()[0]);
    forger.sums_again();
    assert_eq!(checked(forger.path(), &[]).first_bad_day(), NaiveDate::from_ymd_opt(2026, 5, 1));
}

/// The sealed day stays, and what a probe said on it goes, with everything that nothing sealed holds made to fit.
#[test]
fn readings_that_were_taken_out_are_caught_with_their_day() {
    let written = Written::new();
    let table = |forger: &Forger, is_kept: &dyn Fn(&str) -> bool| {
        let rows = forger.read("readings.csv");
        let kept: String = rows.split_inclusive('\n').filter(|row| is_kept(row)).collect();
        assert!(kept.len() < rows.len(), "nothing was taken out of the table");
        forger.write("readings.csv", &kept);
    };
    for place in 0..PLACES {
        let (mut dice, forger) = (Dice(900 + place), written.forger());
        let days = forger.days_with_readings();
        let day = &days[dice.below(days.len())];
        let date = day_of(day).to_string();
        match place % 4 {
            // The whole day: its folder.
            0 => {
                std::fs::remove_dir_all(forger.file(day)).unwrap();
                table(&forger, &|row| !row.starts_with(&date) || row.contains(",hand:"));
            }
            // One probe's text of a day, or all of them with the list left.
            1 | 2 => {
                let texts = forger.texts(day);
                let one = dice.below(texts.len());
                for (n, name) in texts.iter().enumerate() {
                    if place % 4 == 2 || n == one {
                        std::fs::remove_file(forger.file(&format!("{day}/{name}"))).unwrap();
                    }
                }
                let of_one = format!(",k{},", one + 1);
                let goes =
                    |row: &str| if place % 4 == 2 { !row.contains(",hand:") } else { row.contains(&of_one) };
                table(&forger, &|row| !row.starts_with(&date) || !goes(row));
            }
            // The list alone.
            _ => std::fs::remove_file(forger.file(&format!("{day}/list"))).unwrap(),
        }
        forger.sums_again();
        is_caught(&forger, Some(day));
    }
    // A day on which the pile had no probe any more has its list too.
    let forger = written.forger();
    let last = forger.days().pop().unwrap();
    std::fs::remove_dir_all(forger.file(&last)).unwrap();
    forger.sums_again();
    is_caught(&forger, Some(&last));
}

/// What the pile is, and how it is judged, was sealed with it.
#[test]
fn another_pile_in_its_place_is_caught() {
    let written = Written::new();
    for (was, is) in [
        ("max_gap = \"4h\"", "max_gap = \"9h\""),
        ("method = \"aerated-static\"", "method = \"in-vessel\""),
        ("material = \"manure\"", "material = \"plant\""),
        ("zone = \"outer\"", "zone = \"cover\""),
        ("\"us-produce\"", "\"us-biosolids\""),
    ] {
        let forger = written.forger();
        let text = forger.read("pile.toml");
        assert!(text.contains(was), "{was}: {text}");
        forger.write("pile.toml", &text.replace(was, is));
        forger.sums_again();
        let found = checked(forger.path(), &[]);
        let seen = |doubt: &heapward::store::Doubt| doubt.what == "it is not the pile that was sealed";
        assert!(found.doubts.iter().any(seen), "{was}: {:#?}", found.doubts);
    }
}

/// Whoever takes a probe out everywhere, out of the pile's file and the list of its probes too, has the shell believe it:
/// the command has the pile as it was sealed.
#[test]
fn a_probe_that_was_taken_out_everywhere_is_caught() {
    let later = Written::of(Farm::with_days_before());
    assert!(later.forger().days()[0].ends_with("2026-04-29"), "{:?}", later.forger().days()[0]);
    let first = Written::new();
    let piles = [&first, &later]
        .into_iter()
        .flat_map(|written| ["k1", "k2", "k3", "k4"].map(|probe| (written, probe)));
    for (written, probe) in piles {
        let forger = written.forger();
        for day in forger.days_with_readings() {
            for name in forger.texts(&day).iter().filter(|name| name.ends_with(&format!("-{probe}.txt"))) {
                std::fs::remove_file(forger.file(&format!("{day}/{name}"))).unwrap();
            }
        }
        let without = |file: &str, part: &str, parted_by: &str| {
            let text = forger.read(file);
            let kept: Vec<&str> = text.split(parted_by).filter(|one| !one.contains(part)).collect();
            assert!(kept.concat().len() < text.len(), "{file} does not name {probe}");
            forger.write(file, &kept.join(parted_by));
        };
        without("readings.csv", &format!(",{probe},"), "\n");
        without("pile.toml", &format!("probe = \"{probe}\""), "\n\n");
        without("sealed/probes", &format!(" {probe}.txt"), "\n");
        forger.sums_again();
        let found = checked(forger.path(), &[]);
        let of_probe = |doubt: &&heapward::store::Doubt| doubt.file.ends_with(&format!("-{probe}.txt"));
        assert_eq!(found.doubts.iter().filter(of_probe).count(), 15, "{:#?}", found.doubts);
        assert_eq!(found.first_bad_day(), NaiveDate::from_ymd_opt(2026, 5, 1), "{:#?}", found.doubts);
    }
}

#[test]
fn last_days_that_were_taken_out_are_caught() {
    let written = Written::new();
    for place in 0..PLACES {
        let (mut dice, forger) = (Dice(300 + place), written.forger());
        let days = forger.days();
        let count = if place == 0 { 3 } else { 1 + dice.below(days.len() - 1) };
        for day in &days[days.len() - count..] {
            forger.remove_day(day);
        }
        forger.sums_again();
        is_caught(&forger, None);
        // Whoever makes HEAD fit too is caught by a mail of one of those days.
        forger.head_again();
        forger.sums_again();
        let mail = written.mails[days.len() - 1 - dice.below(count)];
        let found = checked(forger.path(), &[mail]);
        assert!(found.doubts.iter().any(|doubt| doubt.what.contains("of the mail is missing")), "{found:?}");
        let (content, text) = mailed_script(&forger, mail);
        assert!(!content && text.contains("of the mail is not in this folder"), "{text}");
    }
}

fn mailed_script(forger: &Forger, mail: Head) -> (bool, String) {
    script(SHELLS[0], forger.path(), Some((&mail.seq.to_string(), &mail.digest.to_string())))
}

#[test]
fn days_that_were_swapped_are_caught() {
    let written = Written::new();
    for place in 0..PLACES {
        let (mut dice, forger) = (Dice(400 + place), written.forger());
        let days = forger.days();
        let one = dice.below(days.len() - 1);
        let other = one + 1 + dice.below(days.len() - 1 - one);
        for ending in ["", ".txt"] {
            let [a, b] = [one, other].map(|n| forger.file(&format!("{}{ending}", days[n])));
            if !(a.exists() && b.exists()) {
                continue;
            }
            let between = forger.file("between");
            std::fs::rename(&a, &between).unwrap();
            std::fs::rename(&b, &a).unwrap();
            std::fs::rename(&between, &b).unwrap();
        }
        if place % 2 > 0 {
            forger.sums_again();
        }
        is_caught(&forger, None);
    }
}

#[test]
fn a_line_that_was_added_to_the_last_day_is_caught() {
    let written = Written::new();
    for place in 0..PLACES {
        let (mut dice, forger) = (Dice(500 + place), written.forger());
        let last = forger.days().pop().unwrap();
        let file = format!("{last}.txt");
        let text = forger.read(&file);
        let line = match dice.below(3) {
            0 => format!("late 2026-05-{:02}T11:00:00.000Z 57.5 temperature C k4\n", 1 + dice.below(13)),
            1 => "pile {}\n".to_owned(),
            _ => format!("seq {}\n", 47 + dice.below(9)),
        };
        let lines: Vec<&str> = text.split_inclusive('\n').collect();
        let at = if place % 2 == 0 { lines.len() } else { 4 + dice.below(lines.len() - 4) };
        forger.write(&file, &[&lines[..at].concat(), line.as_str(), &lines[at..].concat()].concat());
        forger.sums_again();
        is_caught(&forger, Some(&last));
    }
}

/// Made anew from a day on without a seam: no folder shows that by itself. The signature does, unless it was made with
/// the farm's own key; the digest of an earlier mail does always.
#[test]
fn a_chain_that_was_made_anew_is_caught_by_signature_and_mail() {
    let written = Written::new();
    let keys = tempfile::tempdir().unwrap();
    let ((own, allowed), (foreign, _)) = (key(keys.path(), "own"), key(keys.path(), "foreign"));
    let out = written.farm.dir.path().join("signed");
    let [config, out_text, own_text] =
        [&written.farm.config(), &out, &own].map(|path| path.display().to_string());
    let done =
        heapward(&["record", "2026-03", "--out", &out_text, "--config", &config, "--sign-with", &own_text]);
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let by_command = |folder: &Path| {
        heapward(&["verify", &folder.display().to_string(), "--signed-by", &allowed.display().to_string()])
    };
    assert!(by_command(&out).status.success());
    // What an inspector types.
    let by_hand = "cd \"$1\" && ssh-keygen -Y verify -f \"$2\" -I heapward -n heapward-record -s SHA256SUMS.sig < SHA256SUMS";
    said(
        "sh",
        &["-c", by_hand, "sh", &out_text, &allowed.display().to_string()],
        "apt-get install openssh-client",
    );

    for place in 0..PLACES {
        let (mut dice, forger) = (Dice(600 + place), Forger::new(&out));
        let days = forger.days();
        // From day 6 to day 12 the pile is hot everywhere: a degree more changes no verdict.
        let n = 5 + dice.below(7);
        forger.without_a_seam(&days[n], &mut dice);
        assert_eq!(checked(forger.path(), &[]).doubts, vec![], "{place}: a seam");
        assert!(script(SHELLS[0], forger.path(), None).0);
        // Without the key.
        assert!(signature::check(forger.path(), &allowed).is_err(), "{place}: the old signature holds");
        // With a key of somebody else.
        std::fs::remove_file(forger.file("SHA256SUMS.sig")).unwrap();
        signature::sign(forger.path(), &foreign).unwrap();
        assert!(signature::check(forger.path(), &allowed).is_err(), "{place}: a foreign key is taken");
        if place == 0 {
            let refused = by_command(forger.path());
            assert!(String::from_utf8_lossy(&refused.stderr).contains("the signature does not hold"));
        }
        // With the farm's own key.
        std::fs::remove_file(forger.file("SHA256SUMS.sig")).unwrap();
        signature::sign(forger.path(), &own).unwrap();
        assert!(signature::check(forger.path(), &allowed).is_ok());
        let mail = written.mails[n + dice.below(days.len() - n)];
        let found = checked(forger.path(), &[mail]);
        assert_eq!(found.doubts.len(), 1, "{:#?}", found.doubts);
        assert!(found.doubts[0].what.contains("changed after its digest was mailed"));
        let (content, text) = mailed_script(&forger, mail);
        assert!(!content && text.contains("is not the day that was mailed"), "{text}");
        // All mails together name the day; those before it still agree.
        assert_eq!(checked(forger.path(), &written.mails).first_bad_day(), Some(day_of(&days[n])));
        assert_eq!(checked(forger.path(), &written.mails[..n]).doubts, vec![]);
    }
}

#[test]
fn a_store_is_checked_like_a_folder() {
    let written = Written::new();
    let records = written.farm.dir.path().join("records");
    let last = written.mails.last().unwrap();
    let config = written.farm.config().display().to_string();
    let head = format!("{}:{}", last.seq, last.digest);
    let done = heapward(&["verify", "--config", &config, "--head", &head]);
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));

    // Twenty places of the month's file; the day of the place or the one that was sealed upon it is named.
    let month = records.join("record/2026-05.txt");
    let text = std::fs::read_to_string(&month).unwrap();
    let digits: Vec<usize> =
        text.char_indices().filter(|(_, c)| c.is_ascii_digit()).map(|(at, _)| at).collect();
    for place in 0..PLACES {
        let at = digits[Dice(700 + place).below(digits.len())];
        let mut changed = text.clone();
        let other = if &text[at..=at] == "4" { "7" } else { "4" };
        changed.replace_range(at..=at, other);
        std::fs::write(&month, &changed).unwrap();
        let done = heapward(&["verify", "--config", &config]);
        assert_eq!(done.status.code(), Some(1), "place {at}: {}", String::from_utf8_lossy(&done.stdout));
        let said = String::from_utf8_lossy(&done.stderr).into_owned();
        assert!(said.contains("not as sealed"), "{said}");
    }
    std::fs::write(&month, &text).unwrap();
    std::fs::remove_file(records.join("HEAD")).unwrap();
    let done = heapward(&["verify", &records.display().to_string()]);
    assert!(String::from_utf8_lossy(&done.stderr).contains("HEAD (2026-06-15): it is missing"), "{done:?}");
}

/// A store that was made anew with one reading changed: only the record beside it or a mail shows that.
#[test]
fn a_store_that_was_made_anew_is_caught_by_its_record_or_by_a_mail() {
    let farm = Farm::new();
    let true_records = farm.dir.path().join("records");
    let true_head = std::fs::read_to_string(true_records.join("HEAD")).unwrap();
    let true_month = std::fs::read(true_records.join("record/2026-05.txt")).unwrap();
    for place in 0..PLACES {
        let mut readings = farm.readings.clone();
        let mut dice = Dice(800 + place);
        let sealed: Vec<usize> = (0..readings.len())
            .filter(|n| readings[*n].at < BUILT + heapward_rules::units::Span::days(13))
            .collect();
        let n = sealed[dice.below(sealed.len())];
        readings[n].value += 0.5;
        let day = heapward::model::time::utc(readings[n].at).unwrap().date_naive();
        let other = tempfile::tempdir().unwrap();
        Farm::fill(other.path(), &readings);
        let open = || Store::open(&StoreOptions::new(other.path(), ZONE)).unwrap().0;
        let head = std::fs::read_to_string(other.path().join("HEAD")).unwrap();
        let mailed = Head::parse(&true_head).unwrap();
        let found = store(&open().reader(), Some(&head), &[]).unwrap();
        assert_eq!(found.doubts, vec![], "{place}: made anew as a whole, it fits together");
        let found = store(&open().reader(), Some(&head), &[mailed]).unwrap();
        assert!(
            found.doubts.iter().any(|doubt| doubt.what.contains("after its digest was mailed")),
            "{found:?}"
        );
        // Whoever leaves the record alone is caught by it.
        std::fs::write(other.path().join("record/2026-05.txt"), &true_month).unwrap();
        std::fs::write(other.path().join("HEAD"), &true_head).unwrap();
        let found = store(&open().reader(), Some(&true_head), &[mailed]).unwrap();
        assert_eq!(found.first_bad_day(), Some(day), "{:#?}", found.doubts);
    }
}
