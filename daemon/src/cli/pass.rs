//! `heapward pair` and `heapward pass`: who may enter something. Works on the folder of the records, with or without the daemon.

use clap::Subcommand;
use heapward_rules::units::At;

use super::{ConfigArg, Failure, Outcome, print};
use crate::clock::{Clock, SystemClock};
use crate::config::Config;
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

/// Shows a one-time link as text and as squares to scan.
pub fn pair(args: &ConfigArg) -> Outcome {
    let config = args.load()?;
    let keys = keys(&config)?;
    let code = keys.make_code(now()).map_err(|error| unusable(&config, &error))?;
    let machine = std::fs::read_to_string("/proc/sys/kernel/hostname").ok();
    let address = invitation::address(config.http.listen, &config.http.hosts, machine.as_deref());
    print(&invitation::text(&address, &code))
}

pub fn run(args: &PassArgs) -> Outcome {
    let config = args.config.load()?;
    let keys = keys(&config)?;
    let failed = |error: std::io::Error| unusable(&config, &error);
    match &args.command {
        PassCommand::New { name } => print(&format!("{}\n", keys.make_pass(name, now()).map_err(failed)?)),
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

fn keys(config: &Config) -> Result<Keys, Failure> {
    let dir = &config.store.dir;
    if dir.is_dir() {
        return Ok(Keys::new(dir));
    }
    let dir = dir.display();
    Err(Failure::failed(format!("there is no folder {dir}; start the daemon once, it makes the folder")))
}

fn unusable(config: &Config, error: &std::io::Error) -> Failure {
    let dir = config.store.dir.display();
    Failure::failed(format!("{dir}: passes can't be used there ({error}); run this as root"))
}

fn now() -> At {
    SystemClock::new(true).now()
}
