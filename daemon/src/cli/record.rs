//! `heapward record`: the record of a pile, as a folder that an inspector can take along.

use std::path::PathBuf;

use super::copy::Copy;
use super::{ConfigArg, Failure, Outcome, print, standards_of};
use crate::record::facts::Surroundings;
use crate::record::files;
use crate::record::sealed::signature;

#[derive(Clone, Debug, clap::Args)]
pub struct RecordArgs {
    /// The pile
    pile: String,
    /// A new folder for it
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    #[command(flatten)]
    config: ConfigArg,
    /// A store or a backup of one, in place of the configured one
    #[arg(long, value_name = "DIR")]
    store: Option<PathBuf>,
    /// Sign the folder with this private key of yours, by ssh-keygen
    #[arg(long, value_name = "KEY")]
    sign_with: Option<PathBuf>,
}

/// Works on a copy of the store: the daemon may go on writing.
pub fn run(args: &RecordArgs) -> Outcome {
    let config = args.config.load()?;
    let standards = standards_of(config.standards_dir.as_deref())?;
    let dir = args.store.as_deref().unwrap_or(&config.store.dir);
    let (_copy, store) = Copy::open(dir, config.farm.timezone, "record")?;
    let reader = store.reader();
    let failed = |error: crate::store::StoreError| Failure::failed(error.to_string());
    let facts = Surroundings::of(&config, &standards).gather(&reader, &args.pile).map_err(failed)?;
    let Some(facts) = facts else {
        let piles = reader.piles().map_err(failed)?;
        let names: Vec<&str> = piles.iter().map(|pile| pile.id.as_str()).collect();
        let known = if names.is_empty() { "there is none yet".to_owned() } else { names.join(", ") };
        return Err(Failure::failed(format!("there is no pile {} in {}: {known}", args.pile, dir.display())));
    };
    files::write(&facts, &reader, &args.out).map_err(|problem| Failure::failed(problem.to_string()))?;
    let signed = match &args.sign_with {
        None => "",
        Some(key) => {
            signature::sign(&args.out, key).map_err(|problem| {
                let out = args.out.display();
                Failure::failed(format!("the record is in {out}, but it could not be signed: {problem}"))
            })?;
            " It is signed."
        }
    };
    print(&format!(
        "The record of pile {} is in {}; begin with record.html.{signed}\n",
        args.pile,
        args.out.display()
    ))
}
