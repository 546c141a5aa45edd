//! What a person configures, after it was read and found good. Reading, with all errors at once, is in
//! `config::read`.

pub mod read;
mod watch;

use std::net::SocketAddr;
use std::path::PathBuf;

use chrono::NaiveTime;
use chrono_tz::Tz;
use heapward_rules::ids::{ProbeId, StandardId};
use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::Span;

pub use watch::WatchConfig;

#[derive(Clone, Debug)]
pub struct Config {
    pub farm: Farm,
    pub store: StoreConfig,
    /// The endpoint of our own, if probes publish to Heapward itself.
    pub endpoint: Option<EndpointConfig>,
    /// An outside broker, if there is one.
    pub broker: Option<BrokerConfig>,
    pub http: HttpConfig,
    pub probes: Vec<ProbeConfig>,
    pub telling: TellingConfig,
    pub watch: WatchConfig,
    /// A folder of standards of the user's own, beside those built in.
    pub standards_dir: Option<PathBuf>,
    /// Feedstocks of the user's own, with a laboratory's figures, beside those built in.
    pub feedstocks: Option<PathBuf>,
    /// Where a copy of the store goes each night.
    pub backup: Option<BackupConfig>,
    /// What all this was read from, for the copy. It holds no secrets: those are in files of their own.
    pub text: String,
}

#[derive(Clone, Debug)]
pub struct Farm {
    pub name: String,
    pub timezone: Tz,
    pub shows: DisplayUnit,
    pub altitude_ft: Option<f64>,
    /// A battery-backed clock is fitted: the system clock is trusted from the start.
    pub hardware_clock: bool,
    /// Standards for a new pile, unless it says otherwise.
    pub standards: Vec<StandardId>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DisplayUnit {
    Fahrenheit,
    Celsius,
}

#[derive(Clone, Debug)]
pub struct StoreConfig {
    pub dir: PathBuf,
    /// Longest time that a reading waits for its commit.
    pub commit_every: Span,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BackupConfig {
    pub dir: PathBuf,
    /// Local time.
    pub at: NaiveTime,
    /// Copies that are kept; the oldest goes when a new one is made.
    pub keep: u16,
    /// The copies may lie on the same disk as the records.
    pub same_disk: bool,
}

#[derive(Clone, Debug)]
pub struct EndpointConfig {
    pub listen: SocketAddr,
    /// Empty: anybody who can reach the port may publish (loopback only).
    pub passes: Vec<PassConfig>,
}

/// A user name and password for a group of probes, with the topics that it may speak for.
#[derive(Clone, Debug)]
pub struct PassConfig {
    pub user: String,
    pub password: Secret,
    /// MQTT topic filters.
    pub topics: Vec<String>,
}

#[derive(Clone, Debug)]
pub struct BrokerConfig {
    pub host: String,
    pub port: u16,
    pub tls: Option<TlsConfig>,
    pub client_id: String,
    pub user: Option<String>,
    pub password: Option<Secret>,
}

#[derive(Clone, Debug)]
pub struct TlsConfig {
    /// PEM file of the broker's certificate authority.
    pub ca_file: PathBuf,
    /// PEM files of our own certificate and key.
    pub client: Option<(PathBuf, PathBuf)>,
}

#[derive(Clone, Debug)]
pub struct HttpConfig {
    pub listen: SocketAddr,
    /// Whether reading needs no pass. Writing always does.
    pub open_reading: bool,
    /// Host names by which the page is reached, beside the addresses of the machine.
    pub hosts: Vec<String>,
}

/// A text read from a file that only we can read; never printed.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

/// How the messages of one probe are read (rules and keys: `ingest::mapping`).
#[derive(Clone, Debug)]
pub struct ProbeConfig {
    pub id: ProbeId,
    pub quantity: Quantity,
    /// MQTT topic filter.
    pub topic: String,
    pub every: Span,
    pub mapping: Mapping,
}

/// The keys of a mapping; all pointers are RFC 6901 JSON Pointers.
#[derive(Clone, Debug, Default)]
pub struct Mapping {
    pub format: PayloadFormat,
    pub value: String,
    pub unit: Option<Unit>,
    pub unit_from: Option<String>,
    pub time: Option<String>,
    pub time_format: TimeFormat,
    pub zone: Option<Tz>,
    /// Whether a message whose own time is impossible may be dated by its arrival.
    pub time_fallback_arrival: bool,
    pub guard: Option<Guard>,
    pub select: Option<Select>,
    /// Pointer to an array of readings.
    pub each: Option<String>,
    pub number: NumberStyle,
    /// Values that mean "no reading".
    pub reject: Vec<f64>,
    /// Points (raw, percent) of a table, ascending; empty for none.
    pub calibration: Vec<(f64, f64)>,
    pub bytes: Option<Bytes>,
    /// Regular expression with groups `value` and, if wanted, `time` (format `regex`).
    pub pattern: Option<String>,
    /// Whether numeric steps into arrays are wanted.
    pub fixed_order: bool,
    pub battery: Option<String>,
    /// Above this a blower counts as on.
    pub on_above: Option<f64>,
    /// Words of an availability topic: (online, offline).
    pub availability: Option<(String, String)>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum PayloadFormat {
    #[default]
    Json,
    Text,
    Regex,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum TimeFormat {
    #[default]
    Rfc3339,
    EpochSeconds,
    EpochMillis,
    /// Local wall time without offset; needs `zone`.
    Naive,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum NumberStyle {
    #[default]
    Strict,
    /// Numbers in quotes too.
    Lenient,
    /// A decimal comma.
    Comma,
    /// A unit after the number, which must agree with the declared one.
    Suffix,
}

/// A message is ours only if the value at `pointer` equals the text (numbers are compared by their text).
#[derive(Clone, Debug)]
pub struct Guard {
    pub pointer: String,
    pub equals: String,
}

/// Walks the members of the object or array at `container` and takes the one whose `key` equals the id.
#[derive(Clone, Debug)]
pub struct Select {
    pub container: String,
    pub key: String,
    pub equals: String,
}

/// A number in base64 bytes.
#[derive(Clone, Copy, Debug)]
pub struct Bytes {
    pub at: usize,
    pub kind: ByteKind,
    pub scale: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ByteKind {
    U8,
    I8,
    U16Be,
    U16Le,
    I16Be,
    I16Le,
    F32Be,
    F32Le,
}

#[derive(Clone, Debug)]
pub struct TellingConfig {
    pub quiet_from: NaiveTime,
    pub quiet_until: NaiveTime,
    /// Local time of the daily summary.
    pub summary_at: NaiveTime,
    pub remind_after: Span,
    pub channels: Vec<ChannelConfig>,
    pub contacts: Vec<ContactConfig>,
    /// An address outside that is asked regularly while all is well.
    pub heartbeat: Option<HeartbeatConfig>,
}

#[derive(Clone, Debug)]
pub struct HeartbeatConfig {
    pub url: String,
    pub every: Span,
}

#[derive(Clone, Debug)]
pub struct ChannelConfig {
    pub name: String,
    pub kind: ChannelKind,
}

#[derive(Clone, Debug)]
pub enum ChannelKind {
    Mail(MailConfig),
    /// An HTTP request: any text-message provider.
    Request(RequestConfig),
    /// An MQTT message to a lamp or a siren.
    Publish {
        topic: String,
        body: String,
    },
    /// A GSM or LTE modem that `ModemManager` looks after.
    Modem,
    /// Lines on the terminal: for the demo.
    Terminal,
}

#[derive(Clone, Debug)]
pub struct MailConfig {
    pub host: String,
    pub port: u16,
    pub security: MailSecurity,
    pub user: Option<String>,
    pub password: Option<Secret>,
    pub from: String,
    pub ca_file: Option<PathBuf>,
    /// Only the short text, without subject, HTML or images: for a carrier's mail-to-text address.
    pub as_text: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MailSecurity {
    ImplicitTls,
    StartTls,
    /// Loopback only.
    Plain,
}

#[derive(Clone, Debug)]
pub struct RequestConfig {
    pub method: String,
    pub url: String,
    pub headers: Vec<(String, String)>,
    pub body: String,
    /// Decides how a name is escaped in `body`: `application/json` or `application/x-www-form-urlencoded`.
    pub content_type: String,
    /// Names that `{{secret:NAME}}` in url, headers and body stand for.
    pub secrets: Vec<(String, Secret)>,
    pub ca_file: Option<PathBuf>,
}

#[derive(Clone, Debug)]
pub struct ContactConfig {
    pub name: String,
    /// Mail address or telephone number, by channel: (channel, address).
    pub addresses: Vec<(String, String)>,
    /// Least level that is told at once to this contact.
    pub from_level: heapward_rules::finding::Level,
    /// Told only when the first person does not answer, and of danger at once.
    pub second: bool,
    /// Quiet hours of this contact (from, until) in place of the farm's.
    pub quiet: Option<(NaiveTime, NaiveTime)>,
    /// Channel that gets the daily summary, if any.
    pub summary_by: Option<String>,
}

// === impl Secret ===

impl Secret {
    pub fn new(text: impl Into<String>) -> Secret {
        Secret(text.into())
    }

    /// The text itself, for the one call that needs it.
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("***")
    }
}
