//! `heapward send-test`: a test message to every contact by every channel, and what became of each.

use std::fmt::Write as _;
use std::sync::Arc;

use super::{ConfigArg, FAILED, Failure, Outcome, print, tried};
use crate::clock::{Clock, SystemClock};
use crate::config::Config;
use crate::ingest::guest::Visitor;
use crate::run::site;
use crate::telling::publish::{Publish, Publishing};
use crate::telling::ways;

/// A lamp that listens to our own endpoint is reached by the daemon that runs there alone.
struct OnlyWhileRunning;

impl Publish for OnlyWhileRunning {
    fn publish<'a>(&'a self, _: &'a str, _: Vec<u8>) -> Publishing<'a> {
        let why = "whoever listens to Heapward's own endpoint is reached by the running Heapward alone, and can't be \
                   tried from here";
        Box::pin(std::future::ready(Err(why.to_owned())))
    }
}

fn publisher(config: &Config) -> Arc<dyn Publish> {
    match &config.broker {
        Some(broker) => Arc::new(Visitor::new(broker.clone(), Arc::new(SystemClock::new(true)))),
        None => Arc::new(OnlyWhileRunning),
    }
}

pub fn run(args: &ConfigArg) -> Outcome {
    let config = args.load()?;
    if config.telling.contacts.is_empty() {
        return Err(Failure::failed(
            "there is no [[contact]] in the configuration: nobody would be told anything",
        ));
    }
    let surroundings = ways::Surroundings {
        zone: config.farm.timezone,
        publish: Some(publisher(&config)),
        terminal: || Box::new(std::io::stdout()),
    };
    let channels =
        ways::connect(&config.telling, &surroundings).map_err(|errors| Failure::failed(errors.join("\n")))?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| Failure::failed(format!("no thread to send with: {error}")))?;
    let now = SystemClock::new(true).now();
    let trials = runtime.block_on(ways::send_test(&config.telling, &channels, &site(&config), now));
    let mut text = String::new();
    for trial in &trials {
        let _ = writeln!(text, "{trial}");
    }
    print(&text)?;
    let went_out = trials.iter().filter(|trial| trial.failure.is_none()).map(|trial| trial.channel.as_str());
    if let Err(error) = tried::add(&config.store.dir, went_out) {
        tracing::debug!(%error, "the test is not remembered for `heapward doctor`");
    }
    let failed = trials.iter().filter(|trial| trial.failure.is_some()).count();
    match (trials.len(), failed) {
        (0, _) => {
            Err(Failure::failed("no contact has an address on any channel; look at [[contact]] addresses"))
        }
        (_, 0) => Ok(()),
        (all, failed) => Err(Failure::new(FAILED, format!("{failed} of {all} test messages failed"))),
    }
}
