//! `heapward verify`: whether a record's folder, or the store, is as it was sealed.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use chrono::NaiveDate;

use super::copy::Copy;
use super::{ConfigArg, Failure, Outcome, WRONG_USE, print, standards_of};
use crate::limits::VERIFY_HEADS_MAX;
use crate::record::sealed::check::{self, Checked};
use crate::record::sealed::signature;
use crate::store::{Digest, Head};

const EXAMPLES: &str = "\
Each daily summary names the newest sealed day: `HEAD 42:9f86d0...`. With --head it is compared:

  heapward verify /media/stick/2026-03 --head 42:9f86d0...

Without that a record proves only that it fits together. Exit code 1: something is not as it was sealed.";

/// Whether a record's folder, or the store, is as it was sealed; names the first day that is not
#[derive(Clone, Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub struct VerifyArgs {
    /// A record's folder, a store or a backup of one [default: the configured store]
    #[arg(value_name = "DIR")]
    dir: Option<PathBuf>,
    /// Number and digest of a sealed day as a mail has them; more than one is good
    #[arg(long = "head", value_name = "NUMBER:SHA-256", value_parser = mailed)]
    heads: Vec<Head>,
    /// The folder has to be signed by a key that this list names for `heapward` (needs ssh-keygen)
    #[arg(long, value_name = "ALLOWED_SIGNERS")]
    signed_by: Option<PathBuf>,
    /// A folder with standards of the farm's own, beside those built in
    #[arg(long, value_name = "DIR")]
    standards: Option<PathBuf>,
    #[command(flatten)]
    config: ConfigArg,
}

fn mailed(text: &str) -> Result<Head, String> {
    let head = text.split_once(':').and_then(|(seq, digest)| {
        Some(Head { seq: seq.parse().ok()?, digest: Digest::parse(&digest.to_ascii_lowercase())? })
    });
    head.ok_or_else(|| {
        "write the number of the day, a colon, and 64 hex digits, as the mail has them".to_owned()
    })
}

pub fn run(args: &VerifyArgs) -> Outcome {
    if args.heads.len() > VERIFY_HEADS_MAX {
        return Err(Failure::new(WRONG_USE, format!("--head: give at most {VERIFY_HEADS_MAX} at once")));
    }
    let is_folder = |dir: &Path| !dir.join("store.redb").exists();
    match args.dir.as_deref().filter(|dir| is_folder(dir)) {
        Some(dir) => folder(args, dir),
        None => store(args),
    }
}

fn folder(args: &VerifyArgs, dir: &Path) -> Outcome {
    if !dir.is_dir() {
        return Err(Failure::failed(format!("{}: there is no such folder", dir.display())));
    }
    let known = standards_of(args.standards.as_deref())?;
    let checked = check::folder(dir, &known, &args.heads);
    let mut text = String::new();
    if let Some(allowed) = &args.signed_by {
        signature::check(dir, allowed).map_err(|problem| {
            Failure::failed(format!("{}: the signature does not hold: {problem}", dir.display()))
        })?;
        text.push_str("It is signed by a key that you allow.\n");
    }
    said(&checked, &args.heads, dir, text)
}

/// Works on a copy of the store: the daemon may go on writing.
fn store(args: &VerifyArgs) -> Outcome {
    if args.signed_by.is_some() {
        return Err(Failure::new(WRONG_USE, "--signed-by: only the folder of a record is signed; name it"));
    }
    // A store elsewhere needs no configuration: the zone only cuts days of tables that are not looked at.
    let (dir, zone) = if let Some(dir) = &args.dir {
        (dir.clone(), chrono_tz::UTC)
    } else {
        let config = args.config.load()?;
        (config.store.dir, config.farm.timezone)
    };
    let head = std::fs::read_to_string(dir.join("HEAD")).ok();
    let (_copy, store) = Copy::open(&dir, zone, "verify")?;
    let checked = check::store(&store.reader(), head.as_deref(), &args.heads)
        .map_err(|error| Failure::failed(format!("{}: {error}", dir.display())))?;
    said(&checked, &args.heads, &dir, String::new())
}

fn said(checked: &Checked, mailed: &[Head], dir: &Path, mut text: String) -> Outcome {
    let _ = match &checked.days {
        Some(((first, from), (last, to))) => {
            writeln!(text, "Sealed days {first} to {last}: {} to {}.", in_words(*from), in_words(*to))
        }
        None => writeln!(text, "No day is sealed here; a day is sealed 26 hours after it ended."),
    };
    if let Some(head) = &checked.head {
        let _ = writeln!(text, "HEAD {}:{}", head.seq, head.digest);
    }
    if checked.doubts.is_empty() {
        text.extend(checked.reach.iter().flat_map(|reach| [reach, "\n"]));
        text.push_str(match mailed {
            [] => "All of it fits together. That nothing was made anew is shown by the HEAD of an earlier mail: --head NUMBER:SHA-256\n",
            _ => "All of it is as it was sealed, and as it was mailed.\n",
        });
        return print(&text);
    }
    print(&text)?;
    let mut wrong = String::new();
    if let Some(day) = checked.first_bad_day() {
        let _ = writeln!(wrong, "The first day that is not as it was sealed: {}.", in_words(day));
    }
    for doubt in &checked.doubts {
        let day = doubt.day.map(|day| format!(" ({day})")).unwrap_or_default();
        let _ = writeln!(wrong, "  {}{day}: {}", doubt.file, doubt.what);
    }
    let things = if checked.doubts.len() == 1 {
        "1 thing is"
    } else {
        &format!("{} things are", checked.doubts.len())
    };
    let _ = writeln!(wrong, "{}: {things} not as sealed.", dir.display());
    Err(Failure::failed(wrong))
}

/// `Tuesday 12 May 2026`.
fn in_words(day: NaiveDate) -> String {
    day.format("%A %-d %B %Y").to_string()
}
