//! `heapward pass`: who may enter something. Works on the folder of the records, with or without the daemon.

use clap::Subcommand;
use heapward_rules::units::At;

use super::{ConfigArg, Failure, Outcome, print};
use crate::clock::{Clock, SystemClock};
use crate::http::{Keys, invitation};
use crate::model::time::local;

#[derive(Debug, clap::Args)]
pub struct PassArgs {
    #[command(flatten)]
    config: ConfigArg,
    #[command(subcommand)]
    command: PassCommand,
}

#[derive(Debug, Subcommand)]
enum PassCommand {
    /// Show a one-time link and its square code, by which a phone gets its pass
    Pair,
    /// Make a pass for a script; it is printed once and kept nowhere
    New {
        /// Initials or the script's name: stands in the log behind what is entered
        name: String,
    },
    /// Show who has a pass
    List,
    /// Take all passes of a name away
    Forget { name: String },
}

pub fn run(args: &PassArgs) -> Outcome {
    let config = args.config.load()?;
    let dir = &config.store.dir;
    let failed = |error: std::io::Error| {
        Failure::failed(format!("{}: passes can't be used there ({error}); run this as root", dir.display()))
    };
    if !dir.is_dir() {
        return Err(Failure::failed(format!(
            "there is no folder {}; start the daemon once, it makes the folder",
            dir.display()
        )));
    }
    let keys = Keys::new(dir);
    let now = SystemClock::new(true).now();
    match &args.command {
        PassCommand::Pair => {
            let code = keys.make_code(now).map_err(failed)?;
            let machine = std::fs::read_to_string("/proc/sys/kernel/hostname").ok();
            let address = invitation::address(config.http.listen, &config.http.hosts, machine.as_deref());
            print(&invitation::text(&address, &code))
        }
        PassCommand::New { name } => print(&format!("{}\n", keys.make_pass(name, now).map_err(failed)?)),
        PassCommand::List => {
            let passes = keys.passes().map_err(failed)?;
            let day = |ms| local(At(ms), config.farm.timezone).format("%Y-%m-%d %H:%M");
            let lines = passes.iter().map(|pass| format!("{}  {}\n", day(pass.made_ms), pass.name));
            print(&if passes.is_empty() { "Nobody has a pass.\n".to_owned() } else { lines.collect() })
        }
        PassCommand::Forget { name } => match keys.forget_name(name).map_err(failed)? {
            0 => Err(Failure::failed(format!(
                "there is no pass of the name `{name}`; `heapward pass list` shows them"
            ))),
            count => print(&format!("{count} taken away.\n")),
        },
    }
}
