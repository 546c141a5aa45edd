//! Where log lines go: standard error, which is the journal under systemd.

use std::io::IsTerminal;

use tracing_subscriber::EnvFilter;
use tracing_subscriber::filter::LevelFilter;

/// Sets up logging for the process; `RUST_LOG` chooses what is shown in place of `least`. Later calls change nothing.
pub(super) fn set_up(least: LevelFilter) {
    let filter = EnvFilter::builder().with_default_directive(least.into()).from_env_lossy();
    let lines = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_ansi(std::io::stderr().is_terminal())
        .with_target(false);
    // The journal stamps each line itself. An error means that logging stands already, as in tests.
    let _ = if std::env::var_os("JOURNAL_STREAM").is_some() {
        lines.without_time().try_init()
    } else {
        lines.try_init()
    };
}
