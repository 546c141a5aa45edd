//! Talks to the running daemon, as any script would: by its API, with a pass.
//!
//! Whoever may write into the folder of the records needs to bring no pass: one is made there for the call and taken
//! away after it.

use std::path::{Path, PathBuf};
use std::time::Duration;

use reqwest::{Method, Response, Url};
use serde_json::Value;

use super::{ConfigArg, Failure};
use crate::clock::{Clock, SystemClock};
use crate::config::{Config, HttpConfig};
use crate::http::Keys;
use crate::limits::CLI_REQUEST_SECONDS_MAX;
use crate::telling::request::trusting;

/// How the daemon is reached.
#[derive(Clone, Debug, clap::Args)]
pub(super) struct Reach {
    /// Address of the daemon [default: the one of the configuration, else port 8080 of this machine]
    #[arg(long = "at", value_name = "URL", global = true, env = "HEAPWARD_AT")]
    url: Option<String>,
    /// File with the pass, alone on one line [default: on the daemon's machine, as root, none is needed]
    #[arg(long, value_name = "FILE", global = true, env = "HEAPWARD_PASS_FILE")]
    pass_file: Option<PathBuf>,
    #[command(flatten)]
    config: ConfigArg,
}

/// A connection to be used for one command.
pub(super) struct Client {
    http: reqwest::Client,
    base: Url,
    pass: Option<String>,
    /// Where the pass was made that is to be taken away again.
    made: Option<Keys>,
}

// === impl Reach ===

impl Reach {
    /// The configuration of the daemon on this machine.
    pub(super) fn config(&self) -> Result<Config, Failure> {
        self.config.load()
    }

    /// Makes a client that can only read.
    pub(super) fn reader(&self) -> Result<Client, Failure> {
        let config =
            std::fs::exists(&self.config.config).unwrap_or(false).then(|| self.config.load()).transpose()?;
        let base = match &self.url {
            Some(url) => url.clone(),
            None => format!(
                "http://{}",
                config.as_ref().map_or_else(default_address, |config| page_address(&config.http))
            ),
        };
        let base = Url::parse(&base).map_err(|error| {
            Failure::failed(format!("`{base}` is no address ({error}); write --at http://127.0.0.1:8080"))
        })?;
        let mut http = reqwest::Client::builder()
            .timeout(Duration::from_secs(CLI_REQUEST_SECONDS_MAX))
            .connect_timeout(Duration::from_secs(5))
            .no_proxy();
        if base.scheme() == "https" {
            http = trusting(http, None).map_err(Failure::failed)?;
        }
        let http = http
            .build()
            .map_err(|error| Failure::failed(format!("no connection can be made: {}", chain(&error))))?;
        let pass = self.pass_file.as_deref().map(read_pass).transpose()?;
        let mut client = Client { http, base, pass, made: None };
        if let (None, None, Some(config)) = (&client.pass, &self.url, &config) {
            client.make_pass(&config.store.dir)?;
        }
        Ok(client)
    }

    /// Makes a client that can write, or says what is missing.
    pub(super) fn writer(&self) -> Result<Client, Failure> {
        let client = self.reader()?;
        if client.pass.is_none() {
            return Err(Failure::failed(
                "entering something needs a pass: run this as root on the daemon's machine, or make one there with \
                 `heapward pass new NAME` and give its file with --pass-file",
            ));
        }
        Ok(client)
    }
}

fn default_address() -> String {
    "127.0.0.1:8080".to_owned()
}

/// A listener on all addresses is reached by loopback.
fn page_address(http: &HttpConfig) -> String {
    if http.listen.ip().is_unspecified() {
        format!("127.0.0.1:{}", http.listen.port())
    } else {
        http.listen.to_string()
    }
}

fn read_pass(file: &Path) -> Result<String, Failure> {
    let text = std::fs::read_to_string(file).map_err(|error| {
        Failure::failed(format!("{}: the pass can't be read ({error}); check --pass-file", file.display()))
    })?;
    Ok(text.trim().to_owned())
}

// === impl Client ===

impl Client {
    pub(super) fn get(&self, path: &[&str], query: &[(&str, String)]) -> Result<Value, Failure> {
        let text = self.text(path, query)?;
        serde_json::from_str(&text)
            .map_err(|error| Failure::failed(format!("{} gives no Heapward answer ({error})", self.base)))
    }

    pub(super) fn text(&self, path: &[&str], query: &[(&str, String)]) -> Result<String, Failure> {
        self.send(Method::GET, path, query, None)
    }

    pub(super) fn post(&self, path: &[&str], body: &Value) -> Result<Value, Failure> {
        let text = self.send(Method::POST, path, &[], Some(body))?;
        serde_json::from_str(&text)
            .map_err(|error| Failure::failed(format!("{} gives no Heapward answer ({error})", self.base)))
    }

    /// For what has no answer but that it was done.
    pub(super) fn send_only(&self, path: &[&str], body: &Value) -> Result<(), Failure> {
        self.send(Method::POST, path, &[], Some(body)).map(|_| ())
    }

    fn send(
        &self,
        method: Method,
        path: &[&str],
        query: &[(&str, String)],
        body: Option<&Value>,
    ) -> Result<String, Failure> {
        let mut url = self.base.clone();
        if let Ok(mut segments) = url.path_segments_mut() {
            segments.pop_if_empty().extend(path);
        }
        if !query.is_empty() {
            url.query_pairs_mut().extend_pairs(query);
        }
        let mut request = self.http.request(method, url);
        if let Some(body) = body {
            request = request.json(body);
        }
        if let Some(pass) = &self.pass {
            request = request.bearer_auth(pass);
        }
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .map_err(|error| Failure::failed(format!("no runtime can be made ({error})")))?;
        runtime.block_on(async {
            let response = request.send().await.map_err(|error| {
                let why = chain(&error);
                Failure::failed(format!("{} can't be reached: {why}; is `heapward run` at work?", self.base))
            })?;
            answer(response).await
        })
    }

    fn make_pass(&mut self, store_dir: &Path) -> Result<(), Failure> {
        if !store_dir.join("passes").is_dir() && !store_dir.is_dir() {
            return Ok(());
        }
        let keys = Keys::new(store_dir);
        match keys.make_pass("cli", SystemClock::new(true).now()) {
            Ok(pass) => {
                self.pass = Some(pass);
                self.made = Some(keys);
                Ok(())
            }
            // Somebody without rights there brings a pass, or only reads.
            Err(error) if error.kind() == std::io::ErrorKind::PermissionDenied => Ok(()),
            Err(error) => {
                Err(Failure::failed(format!("{}: no pass can be made there ({error})", store_dir.display())))
            }
        }
    }
}

impl Drop for Client {
    fn drop(&mut self) {
        if let (Some(keys), Some(pass)) = (&self.made, &self.pass)
            && let Err(error) = keys.forget(pass)
        {
            tracing::warn!(%error, "the pass of this command could not be taken away; `heapward pass forget cli` does it");
        }
    }
}

/// The body, or what the daemon says is wrong.
async fn answer(response: Response) -> Result<String, Failure> {
    let status = response.status();
    let text = response
        .text()
        .await
        .map_err(|error| Failure::failed(format!("the answer broke off: {}", chain(&error))))?;
    if status.is_success() {
        return Ok(text);
    }
    let problem: Option<Value> = serde_json::from_str(&text).ok();
    let detail = problem.as_ref().and_then(|problem| problem.get("detail")).and_then(Value::as_str);
    Err(Failure::failed(detail.map_or_else(|| format!("the daemon answers {status}"), str::to_owned)))
}

/// An error with its causes: those of the HTTP library hide the reason in the last one.
fn chain(error: &dyn std::error::Error) -> String {
    let mut last = error;
    while let Some(source) = last.source() {
        last = source;
    }
    last.to_string()
}
