//! Where log lines go: standard error, which is the journal under systemd.

use tracing_subscriber::filter::{LevelFilter, Targets};
use tracing_subscriber::fmt;
use tracing_subscriber::layer::SubscriberExt as _;
use tracing_subscriber::util::SubscriberInitExt as _;

/// Sets up logging for the process; `RUST_LOG` chooses what is shown in place of `least`. Later calls change nothing.
pub(super) fn set_up(least: LevelFilter) {
    let asked = std::env::var("RUST_LOG").ok().and_then(|asked| asked.parse().ok());
    let filter: Targets = asked.unwrap_or_else(|| Targets::new().with_default(least));
    let lines = fmt::layer().with_writer(std::io::stderr).with_target(false);
    // The journal stamps each line itself. An error means that logging stands already, as in tests.
    let _ = if std::env::var_os("JOURNAL_STREAM").is_some() {
        tracing_subscriber::registry().with(filter).with(lines.without_time()).try_init()
    } else {
        tracing_subscriber::registry().with(filter).with(lines).try_init()
    };
}
