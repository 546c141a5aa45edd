//! Table of contents: the one TLS library, the command line, and the exit code.

use std::process::ExitCode;

use heapward::cli;

fn main() -> ExitCode {
    // Broker, mail and texts share one TLS library; whoever is first to install it wins, and here nobody else does.
    let _ = rustls::crypto::ring::default_provider().install_default();
    match cli::read(std::env::args_os()) {
        Ok(command) => cli::finish(cli::run(command)),
        Err(answer) => cli::refuse(&answer),
    }
}
