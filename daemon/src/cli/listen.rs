//! `heapward listen`: what the probes of the configuration read right now, what is published beside, the numbers in it,
//! and blocks to paste.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use heapward_rules::units::Span;
use tokio::net::TcpListener;

use super::{ConfigArg, Failure, Outcome, print};
use crate::clock::{SharedClock, SystemClock};
use crate::config::{BrokerConfig, Config, Secret};
use crate::ingest::heard::{Heard, Told};
use crate::ingest::overhear;
use crate::ingest::router::Router;
use crate::limits::LISTEN_SECONDS_MAX;

const MQTT_PORT: u16 = 1883;

/// What to listen to, and for how long
#[derive(Clone, Debug, clap::Args)]
pub struct ListenArgs {
    #[command(flatten)]
    pub config: ConfigArg,
    /// Listen to this broker, not to the one of the configuration
    #[arg(long, value_name = "HOST[:PORT]")]
    pub broker: Option<String>,
    /// User name for --broker
    #[arg(long, requires = "broker")]
    pub user: Option<String>,
    /// File with the password for --broker, alone on one line
    #[arg(long, value_name = "FILE", requires = "user")]
    pub password_file: Option<PathBuf>,
    /// Topics to listen to
    #[arg(long, value_name = "FILTER", default_value = "#")]
    pub topic: String,
    /// Seconds to listen; give it a few minutes for devices that seldom speak
    #[arg(long = "for", value_name = "SECONDS", default_value_t = 60)]
    pub seconds: u64,
}

pub fn run(args: &ListenArgs) -> Outcome {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| Failure::failed(format!("no runtime can be made ({error})")))?;
    print(&runtime.block_on(listen(args))?)
}

async fn listen(args: &ListenArgs) -> Result<String, Failure> {
    let listen = Duration::from_secs(args.seconds.clamp(1, LISTEN_SECONDS_MAX));
    let span = Span::seconds(i64::try_from(listen.as_secs()).unwrap_or(i64::MAX));
    // With a broker named on the command line no configuration is needed; if there is one, its probes are named.
    let config = match &args.broker {
        Some(_) if !args.config.config.exists() => None,
        _ => Some(args.config.load()?),
    };
    let known = match &config {
        Some(config) => {
            Router::new(&config.probes).map_err(|problem| Failure::failed(problem.to_string()))?
        }
        None => Router::default(),
    };
    let zone = config.as_ref().map_or(chrono_tz::UTC, |config| config.farm.timezone);
    let clock: SharedClock = Arc::new(SystemClock::new(true));
    let heard = match (broker(args, config.as_ref())?, config.and_then(|config| config.endpoint)) {
        (Some(broker), _) => {
            tracing::info!("listening to {}:{} for {} s", broker.host, broker.port, listen.as_secs());
            let (mut heard, began) = (Heard::new(known), Instant::now());
            let hear = |topic: &str, payload: &[u8], is_retained| {
                let at = Span(i64::try_from(began.elapsed().as_millis()).unwrap_or(i64::MAX));
                heard.add(topic, payload, is_retained, at);
            };
            let listened = overhear::on_broker(broker, Arc::clone(&clock), &args.topic, listen, hear).await;
            listened.map_err(Failure::failed)?;
            heard
        }
        (None, Some(endpoint)) => {
            let listener = TcpListener::bind(endpoint.listen).await.map_err(|error| {
                Failure::failed(format!(
                    "{} can't be listened on ({error}); while Heapward runs there, its page shows what comes in that \
                     no probe is set up for",
                    endpoint.listen
                ))
            })?;
            overhear::on_endpoint(listener, endpoint.passes, Arc::clone(&clock), listen, Heard::new(known))
                .await
        }
        (None, None) => return Err(Failure::failed("there is nothing to listen to; give --broker HOST")),
    };
    Ok(heard.report(Told { listened: span, now: clock.now(), zone }))
}

fn broker(args: &ListenArgs, config: Option<&Config>) -> Result<Option<BrokerConfig>, Failure> {
    let Some(name) = &args.broker else { return Ok(config.and_then(|config| config.broker.clone())) };
    let (host, port) = match name.rsplit_once(':') {
        Some((host, port)) => {
            let port = port
                .parse()
                .map_err(|_| Failure::failed(format!("`{port}` is no port; write --broker HOST:1883")))?;
            (host.trim_matches(['[', ']']), port)
        }
        None => (name.as_str(), MQTT_PORT),
    };
    let password = args.password_file.as_ref().map(|file| {
        std::fs::read_to_string(file).map(|text| Secret::new(text.trim_end_matches(['\r', '\n']))).map_err(
            |error| Failure::failed(format!("{}: the password can't be read ({error})", file.display())),
        )
    });
    Ok(Some(BrokerConfig {
        host: host.to_owned(),
        port,
        tls: None,
        client_id: "heapward".to_owned(),
        user: args.user.clone(),
        password: password.transpose()?,
    }))
}
