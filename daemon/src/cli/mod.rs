//! The commands of the binary.
//!
//! What was asked for goes to standard output, everything else to standard error. Exit codes: 0 good, 1 failed, 2 input
//! of `judge` that can't be read, 64 a configuration or a command line that is wrong.

pub mod backup;
pub mod check;
mod client;
pub mod completions;
mod copy;
pub mod demo;
pub mod doctor;
pub mod export;
pub mod harvest;
pub mod import;
pub mod incidents;
pub mod init;
pub mod judge;
pub mod listen;
mod logging;
pub mod mix;
pub mod pass;
pub mod pile;
pub mod record;
pub mod replay;
pub mod restore;
pub mod run;
pub mod season;
pub mod send_test;
pub mod store;
mod tried;
pub mod verify;
pub mod water;

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Parser, Subcommand};
use heapward_rules::ids::StandardId;
use heapward_rules::standard::Standard;
use tracing_subscriber::filter::LevelFilter;

use crate::clock::SystemClock;
use crate::config::Config;
use crate::config::read::{Problems, load};
use crate::standards;

/// Something went wrong that is neither the input's nor the configuration's fault.
pub const FAILED: u8 = 1;
/// Input of `judge` can't be read; nothing was judged.
pub const UNREADABLE: u8 = 2;
/// The configuration or the command line is wrong (`EX_USAGE`); starting again would not help.
pub const WRONG_USE: u8 = 64;

const EXIT_CODES: &str = "\
Exit codes: 0 good; 1 failed; 2 input of `judge` that can't be read; 64 a configuration or a command line that is wrong.
Messages go to standard error; RUST_LOG=debug shows more of them.";

/// Watches aerated compost piles: probes in over MQTT, verdicts by the rules, texts to the grower, a record for the
/// inspector
#[derive(Debug, Parser)]
#[command(name = "heapward", version, after_help = EXIT_CODES, max_term_width = 100)]
pub struct Cli {
    #[command(subcommand)]
    pub command: Command,
}

#[derive(Debug, Subcommand)]
pub enum Command {
    /// Run the daemon in the foreground, until it is told to stop
    Run(ConfigArg),
    /// Show the whole job on an invented farm, at 7200 times the speed of a clock; nothing to install or to set up
    Demo(demo::DemoArgs),
    /// Make the first configuration, by six questions at most
    Init(init::InitArgs),
    /// Check the configuration: all mistakes at once, or what it means in words
    Check(ConfigArg),
    /// Show what is published right now, the numbers in it, and [[probe]] blocks to paste
    Listen(listen::ListenArgs),
    /// Judge logged readings from files, without daemon, broker or store
    Judge(judge::JudgeArgs),
    /// Judge everything in the store again with other settings or standards, and show what would be different
    Replay(replay::ReplayArgs),
    /// Write the record of a pile into a folder: the document as HTML and PDF, and the data that it follows from
    Record(record::RecordArgs),
    /// Write the records of all piles and every reading as tables into a folder
    Export(export::ExportArgs),
    /// Take readings of other loggers or of a notebook into the store, while the daemon is stopped
    Import(import::ImportArgs),
    /// Plan a mix: what amounts come to, or how much of each to take; a card to build it by
    Mix(mix::MixArgs),
    /// Plan the season: which piles have to be started when; without a plan, the seasons so far side by side
    Season(season::SeasonArgs),
    /// Dates of raw manure: from when on may be harvested, or until when it has to be worked in
    Harvest(harvest::HarvestArgs),
    /// Water to add to a mass, from one moisture to another
    Water(water::WaterArgs),
    /// What the store holds and how large it is; with `--check`, whether all of it is as it was sealed
    Store(store::StoreArgs),
    /// Whether a record's folder, or the store, is as it was sealed; names the first day that is not
    Verify(verify::VerifyArgs),
    /// Copy the store into a new folder, while the daemon goes on or not
    Backup(backup::BackupArgs),
    /// Put a copy of the store in place where no store is
    Restore(restore::RestoreArgs),
    /// Enter and look at piles of the running daemon
    Pile(pile::PileArgs),
    /// Show what was noticed and who was told; say that it was seen; keep a pile quiet for a while
    Incidents(incidents::IncidentsArgs),
    /// Send a test message to every contact by every channel, and say what happened
    SendTest(ConfigArg),
    /// Show a one-time link and its square code, by which a phone gets its pass
    Pair(ConfigArg),
    /// Say what is wrong or unsafe, and what to do
    Doctor(doctor::DoctorArgs),
    /// Passes of phones and scripts: who may enter something
    Pass(pass::PassArgs),
    /// Print what a shell needs to complete the commands
    #[command(hide = true)]
    Completions(completions::CompletionsArgs),
}

/// Where the configuration is.
#[derive(Clone, Debug, clap::Args)]
pub struct ConfigArg {
    /// The configuration file
    #[arg(
        long,
        value_name = "FILE",
        default_value = "/etc/heapward/heapward.toml",
        env = "HEAPWARD_CONFIG",
        global = true
    )]
    pub config: PathBuf,
}

/// Why a command did not do what was asked; the text is for standard error.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Failure {
    pub code: u8,
    pub text: String,
}

pub type Outcome = Result<(), Failure>;

/// Reads the command line. The error holds what clap wants to say: help and version are among it.
pub fn read(args: impl IntoIterator<Item = OsString>) -> Result<Command, clap::Error> {
    Cli::try_parse_from(args).map(|cli| cli.command)
}

/// Does what was asked.
pub fn run(command: Command) -> Outcome {
    // The demo's own lines are the story; the log would only interrupt it.
    logging::set_up(if matches!(command, Command::Demo(_)) { LevelFilter::WARN } else { LevelFilter::INFO });
    match command {
        Command::Run(args) => run::run(&args),
        Command::Demo(args) => demo::run(&args),
        Command::Init(args) => init::run(&args),
        Command::Check(args) => {
            let config = args.load()?;
            print(&check::in_words(&args.config, &config, &SystemClock::new(config.farm.hardware_clock)))
        }
        Command::Listen(args) => listen::run(&args),
        Command::Judge(args) => {
            let text = judge::run(&args).map_err(|error| Failure::new(UNREADABLE, error.to_string()))?;
            print(&text)
        }
        Command::Replay(args) => replay::run(&args),
        Command::Record(args) => record::run(&args),
        Command::Export(args) => export::run(&args),
        Command::Import(args) => import::run(&args),
        Command::Mix(args) => mix::run(&args),
        Command::Season(args) => season::run(&args),
        Command::Harvest(args) => harvest::run(&args),
        Command::Water(args) => water::run(&args),
        Command::Store(args) => store::run(&args),
        Command::Verify(args) => verify::run(&args),
        Command::Backup(args) => backup::run(&args),
        Command::Restore(args) => restore::run(&args),
        Command::Pile(args) => pile::run(&args),
        Command::Incidents(args) => incidents::run(&args),
        Command::Doctor(args) => doctor::run(&args),
        Command::SendTest(args) => send_test::run(&args),
        Command::Pair(args) => pass::pair(&args),
        Command::Pass(args) => pass::run(&args),
        Command::Completions(args) => completions::run(&args),
    }
}

/// Says help, version or what is wrong with the command line.
pub fn refuse(answer: &clap::Error) -> ExitCode {
    // If the terminal is gone there is nobody to tell.
    let _ = answer.print();
    if answer.use_stderr() { ExitCode::from(WRONG_USE) } else { ExitCode::SUCCESS }
}

/// Says why it failed, if it did.
pub fn finish(outcome: Outcome) -> ExitCode {
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            let _ = writeln!(std::io::stderr(), "{}", failure.text.trim_end());
            ExitCode::from(failure.code)
        }
    }
}

/// Writes to standard output. A reader that has seen enough (`| head`) is no failure.
fn print(text: &str) -> Outcome {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
            Err(Failure::failed(format!("the answer can't be written ({error})")))
        }
        _ => Ok(()),
    }
}

// === impl ConfigArg ===

impl ConfigArg {
    pub fn load(&self) -> Result<Config, Failure> {
        load(&self.config).map_err(|problems: Problems| {
            let count = problems.0.len();
            let end = if count == 1 { "1 mistake" } else { &format!("{count} mistakes") };
            Failure::new(WRONG_USE, format!("{problems}\n{end}; nothing was started or changed"))
        })
    }
}

/// The built-in standards and those of the farm's own folder.
fn standards_of(own: Option<&Path>) -> Result<BTreeMap<StandardId, Standard>, Failure> {
    standards::load(own).map_err(|problems| {
        let lines: Vec<String> = problems.iter().map(ToString::to_string).collect();
        Failure::new(WRONG_USE, lines.join("\n"))
    })
}

// === impl Failure ===

impl Failure {
    pub fn new(code: u8, text: impl Into<String>) -> Failure {
        Failure { code, text: text.into() }
    }

    pub fn failed(text: impl Into<String>) -> Failure {
        Failure::new(FAILED, text)
    }
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    use super::*;

    fn code_of(args: &[&str]) -> Option<bool> {
        let args = std::iter::once("heapward").chain(args.iter().copied()).map(OsString::from);
        read(args).err().map(|answer| answer.use_stderr())
    }

    #[test]
    fn the_command_line_is_consistent() {
        Cli::command().debug_assert();
    }

    #[test]
    fn help_is_good_and_nonsense_is_not() {
        assert_eq!(code_of(&["--help"]), Some(false));
        assert_eq!(code_of(&["--version"]), Some(false));
        assert_eq!(code_of(&["chek"]), Some(true));
        assert_eq!(code_of(&["check", "--config"]), Some(true));
        assert_eq!(code_of(&["check", "--config", "a"]), None);
    }
}
