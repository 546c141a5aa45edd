//! `heapward restore`: puts a copy of the store in place where no store is.

use std::path::PathBuf;

use super::{ConfigArg, Failure, Outcome, print};
use crate::store::{self, StoreOptions};

/// Put a copy of the store in place where no store is
#[derive(Clone, Debug, clap::Args)]
pub struct RestoreArgs {
    #[command(flatten)]
    config: ConfigArg,
    /// A folder that `heapward backup` made
    #[arg(value_name = "DIR")]
    from: PathBuf,
}

pub fn run(args: &RestoreArgs) -> Outcome {
    let config = args.config.load()?;
    let options = StoreOptions::new(&config.store.dir, config.farm.timezone);
    let report = store::restore(&args.from, &options).map_err(|error| {
        Failure::failed(format!("nothing was restored to {}: {error}", options.dir.display()))
    })?;
    let mut text = format!(
        "{} holds the copy of {} now, and it was checked. Start the daemon as the user who owns that folder.\n",
        options.dir.display(),
        args.from.display()
    );
    for sentence in report.sentences() {
        text.push_str(&sentence);
        text.push('\n');
    }
    print(&text)
}
