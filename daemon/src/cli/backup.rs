//! `heapward backup`: a copy of the store, checked whole, while the daemon goes on.

use std::fmt::Write as _;
use std::path::PathBuf;

use super::{ConfigArg, Failure, Outcome, print};
use crate::clock::{Clock as _, SystemClock};
use crate::{copies, store};

/// Copy the store into a new folder, while the daemon goes on or not
#[derive(Clone, Debug, clap::Args)]
pub struct BackupArgs {
    #[command(flatten)]
    config: ConfigArg,
    /// The folder to be made; best on another card or machine
    #[arg(value_name = "DIR")]
    to: PathBuf,
}

pub fn run(args: &BackupArgs) -> Outcome {
    let config = args.config.load()?;
    let dir = &config.store.dir;
    store::backup_folder(dir, &args.to, config.farm.timezone)
        .map_err(|error| Failure::failed(format!("no backup was made of {}: {error}", dir.display())))?;
    let to = args.to.display();
    copies::add_configuration(&config, &args.to).map_err(|error| {
        Failure::failed(format!("{to} holds the records, but not the configuration: {error}"))
    })?;
    let mut text = format!(
        "{to} holds a copy of {}, and it was checked. The configuration is beside it; secrets and passes are not.\n",
        dir.display()
    );
    if let Err(error) = store::note_copy(dir, SystemClock::new(true).now()) {
        let _ = writeln!(text, "The daily summary will not know of it: {}: {error}", dir.display());
    }
    print(&text)
}
