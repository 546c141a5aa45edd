//! `heapward completions`: what a shell needs to complete the commands.

use clap::CommandFactory;
use clap_complete::Shell;

use super::{Cli, Outcome, print};

/// Print the completions of a shell
#[derive(Debug, clap::Args)]
pub struct CompletionsArgs {
    shell: Shell,
}

pub fn run(args: &CompletionsArgs) -> Outcome {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "heapward", &mut script);
    print(&String::from_utf8_lossy(&script))
}
