//! `heapward demo`: the whole main job on one machine, with nothing to install.

use std::time::Duration;

use heapward_rules::units::Span;

use super::{Failure, Outcome};
use crate::demo::run::Options;
use crate::limits::{DEMO_SPEED_MAX, WORKER_THREADS};
use crate::model::words::parse_span;

/// How the demo is shown.
#[derive(Debug, clap::Args)]
pub struct DemoArgs {
    /// End by itself after this long, such as 60s or 5m
    #[arg(long = "for", value_name = "TIME", value_parser = duration)]
    lasts: Option<Duration>,
    /// End by itself after so many days of the farm's life
    #[arg(long, value_name = "N", conflicts_with = "lasts")]
    days: Option<u32>,
    /// Times the speed of a clock: 7200 shows two hours of a pile in a second
    #[arg(long, value_name = "N", default_value_t = 7200, value_parser = clap::value_parser!(u32).range(1..=DEMO_SPEED_MAX))]
    speed: u32,
    /// Another seed is another season
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Port of the page on this machine
    #[arg(long, value_name = "PORT", default_value_t = 8080)]
    port: u16,
}

/// Shows the demo until Ctrl-C, or until its time is over.
pub fn run(args: &DemoArgs) -> Outcome {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(WORKER_THREADS)
        .enable_all()
        .build()
        .map_err(|error| Failure::failed(format!("no threads to run on: {error}")))?;
    let options =
        Options { lasts: args.lasts, days: args.days, speed: args.speed, seed: args.seed, port: args.port };
    runtime.block_on(async {
        let stop = super::run::stop_signal()?;
        crate::demo::run::run(options, stop).await.map_err(|error| Failure::failed(error.to_string()))
    })
}

fn duration(text: &str) -> Result<Duration, String> {
    let span = parse_span(text).filter(|span| *span > Span::ZERO);
    span.map(|span| Duration::from_millis(span.0.unsigned_abs()))
        .ok_or_else(|| "write a whole number and s, m or h, such as 60s".to_owned())
}
