//! What was heard on a broker, topic by topic, and how it is told: for `heapward listen`.

mod reads;

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::Arc;

use heapward_rules::units::Span;

use reads::Reads;
pub use reads::Told;

use super::reason::Reason;
use super::router::Router;
use super::status::{printable, usual_interval};
use super::suggest::{Proposal, Suggestion, block, suggest};
use crate::limits::{EXAMPLE_BYTES_MAX, HEARD_TOPICS_MAX, PAYLOAD_BYTES_MAX};
use crate::model::reading::unit_word;

/// All messages of a while.
#[derive(Clone, Debug, Default)]
pub struct Heard {
    topics: BTreeMap<String, Topic>,
    /// Messages on more topics than are kept.
    more: u64,
    /// The probes that are set up already, and what they make of it.
    known: Arc<Router>,
    reads: Reads,
}

#[derive(Clone, Debug, Default)]
struct Topic {
    live: u32,
    retained: u32,
    /// The newest message; a live one is kept before a retained one.
    payload: Vec<u8>,
    first: Span,
    last: Span,
}

// === impl Heard ===

impl Heard {
    /// Nothing yet; `known` are the probes that are set up.
    pub fn new(known: Router) -> Heard {
        Heard { known: Arc::new(known), ..Heard::default() }
    }

    /// `at`: monotonic time of its arrival, since listening began.
    pub fn add(&mut self, topic: &str, payload: &[u8], is_retained: bool, at: Span) {
        self.reads.add(&self.known, topic, payload, (is_retained, at));
        if !self.topics.contains_key(topic) && self.topics.len() >= HEARD_TOPICS_MAX {
            self.more += 1;
            return;
        }
        let known = self.topics.entry(topic.to_owned()).or_default();
        if is_retained {
            known.retained += 1;
        } else {
            if known.live == 0 {
                known.first = at;
            }
            known.live += 1;
            known.last = at;
        }
        if !is_retained || known.live == 0 {
            // One byte more than is read, so that it is known to be too large.
            known.payload = payload.get(..=PAYLOAD_BYTES_MAX).unwrap_or(payload).to_vec();
        }
    }

    /// Everything in words: what each probe reads, the topics with their numbers, then blocks for what no probe listens
    /// to yet.
    pub fn report(&self, told: Told) -> String {
        let mut text = self.reads.report(&self.known, told);
        let mut blocks = Vec::new();
        for (name, topic) in &self.topics {
            let suggestion = suggest(name, &topic.payload, topic.every());
            let probes: Vec<&str> = self.known.route(name).map(|mapping| mapping.probe.as_str()).collect();
            tell(&mut text, name, topic, &suggestion, &probes);
            if probes.is_empty() {
                blocks.extend(suggestion.proposals.into_iter().map(|proposal| (topic.clone(), proposal)));
            }
        }
        if self.topics.is_empty() {
            let seconds = told.listened.0 / 1_000;
            return text
                + &format!(
                    "Nothing was published in {seconds} s. Is a device switched on, and does it publish to this broker?\n"
                );
        }
        if self.more > 0 {
            let _ = writeln!(text, "... and {} messages on more topics; narrow it with --topic\n", self.more);
        }
        if !blocks.is_empty() {
            text.push_str(
                "# To use one of these, paste its block into the configuration, give it your own id, check\n",
            );
            text.push_str("# the unit, and run `heapward check`.\n");
        }
        for (topic, proposal) in &blocks {
            paste(&mut text, topic, proposal);
        }
        text
    }
}

fn tell(text: &mut String, name: &str, topic: &Topic, suggestion: &Suggestion, probes: &[&str]) {
    let _ = writeln!(text, "{}", printable(name.as_bytes(), EXAMPLE_BYTES_MAX));
    let _ = writeln!(text, "    {}", topic.how());
    if !probes.is_empty() {
        let _ = writeln!(text, "    read by {}", probes.join(", "));
    }
    if topic.payload.is_empty() {
        let _ = writeln!(text, "    an empty message: a retained one was cleared\n");
        return;
    }
    let _ = writeln!(text, "    {}", printable(&topic.payload, EXAMPLE_BYTES_MAX));
    let width = suggestion.fields.iter().map(|field| field.pointer.chars().count()).max().unwrap_or(0);
    for field in &suggestion.fields {
        let pointer = format!("\"{}\"", printable(field.pointer.as_bytes(), EXAMPLE_BYTES_MAX));
        let quotes = if field.in_quotes { "  (in quotes)" } else { "" };
        let _ = writeln!(text, "      {pointer:<width$}  {}{quotes}", field.value, width = width + 2);
    }
    if let Some(remark) = suggestion.remark {
        let _ = writeln!(text, "    {remark}");
    }
    text.push('\n');
}

fn paste(text: &mut String, topic: &Topic, proposal: &Proposal) {
    let unit = unit_word(proposal.unit);
    let _ = writeln!(text, "\n# now {} {unit}", proposal.value);
    if let Some(question) = &proposal.question {
        let _ = writeln!(text, "# {question}");
    }
    if topic.live == 0 && proposal.probe.mapping.time.is_none() {
        let _ = writeln!(text, "# Only heard as retained: {}", Reason::Retained.advice());
    }
    if topic.every().is_none() {
        let _ = writeln!(text, "# `every` is a guess: write how often it really reports.");
    }
    text.push_str(&block(&proposal.probe));
}

// === impl Topic ===

impl Topic {
    /// How often it speaks, if that was heard: the mean, up to the next usual interval.
    fn every(&self) -> Option<Span> {
        let gaps = i64::from(self.live.checked_sub(1).filter(|gaps| *gaps > 0)?);
        usual_interval(Span((self.last - self.first).0 / gaps))
    }

    fn how(&self) -> String {
        let retained = match self.retained {
            0 => String::new(),
            _ => " (the broker had kept one, of unknown age)".to_owned(),
        };
        match (self.live, self.every()) {
            (0, _) => "retained only: kept by the broker, of unknown age".to_owned(),
            (1, _) => format!("live, once{retained}"),
            (live, Some(every)) if every.0 > 1_000 => {
                format!("live, {live} times, about every {} s{retained}", every.0 / 1_000)
            }
            (live, _) => format!("live, {live} times{retained}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_report_shows_what_is_there_and_what_to_paste() {
        let mut heard = Heard::default();
        let sensor = r#"{"Time":"2026-05-02T06:15:00","DS18B20":{"Id":"28AA3C5190B4","Temperature":62.3},"TempUnit":"C"}"#;
        heard.add("quillback/k2/state", b"61.9", true, Span::ZERO);
        for second in [1, 11, 21] {
            heard.add("tele/shed/SENSOR", sensor.as_bytes(), false, Span::seconds(second));
        }
        heard.add("shed/status", b"online", true, Span::ZERO);
        let report = heard.report(told(25));
        let expected = r#"quillback/k2/state
    retained only: kept by the broker, of unknown age
    61.9
      ""  61.9

shed/status
    retained only: kept by the broker, of unknown age
    online

tele/shed/SENSOR
    live, 3 times, about every 10 s
    {"Time":"2026-05-02T06:15:00","DS18B20":{"Id":"28AA3C5190B4","Temperature":62.3},"TempUnit":"C"}
      "/DS18B20/Temperature"  62.3

# To use one of these, paste its block into the configuration, give it your own id, check
# the unit, and run `heapward check`.

# now 61.9 C
# It reads 62 C = 143 F now. Right?
# Only heard as retained: a kept message without a time of its own: its age is unknown, so it is no reading
# `every` is a guess: write how often it really reports.
[[probe]]
id = "quillback-k2"
topic = "quillback/k2/state"
every = "5m"
value = ""
unit = "C"

# now 62.3 C
# It reads 62 C = 144 F now. Right?
[[probe]]
id = "28-28aa3c5190b4"
topic = "tele/shed/SENSOR"
every = "10s"
select = { object = "", key = "/Id", equals = "28AA3C5190B4" }
value = "/Temperature"
unit_from = "/TempUnit"
time = "/Time"
time_format = "naive"
"#;
        assert_eq!(report, expected);
        assert!(Heard::default().report(told(25)).starts_with("Nothing was published in 25 s"));
    }

    /// Heard at second 21 of 25, which ended at 06:20:04 in New York.
    #[test]
    fn each_probe_says_what_it_reads_with_unit_time_and_age_or_why_not() {
        let probe = |id: &str, topic: &str, keys: &str| {
            let every = if keys.starts_with("kind") { "" } else { "every = \"1m\"\n" };
            format!("[[probe]]\nid = \"{id}\"\ntopic = \"{topic}\"\n{every}{keys}\n")
        };
        let two = r#"select = { object = "", key = "/Id", equals = "01145800C2AA" }
value = "/Temperature"
unit_from = "/TempUnit""#;
        let own = format!("{two}\ntime = \"/Time\"\ntime_format = \"naive\"");
        let sensor = r#"{"Time":"2026-05-02T06:15:00","DS18B20-1":{"Id":"01145800C2AA","Temperature":62.3},"TempUnit":"C"}"#;
        let guarded = |id: u16| {
            format!(
                "guard = {{ pointer = \"/id\", equals = {id} }}\nvalue = \"/temperature_F\"\nunit = \"F\""
            )
        };
        let (ours, theirs) = (r#"{"id":4177,"temperature_F":143.1}"#, r#"{"id":201,"temperature_F":51.4}"#);
        let plain = "value = \"\"\nunit = \"C\"";
        let ahead = "value = \"/t\"\nunit = \"C\"\ntime = \"/at\"";
        let cases = [
            (plain, "62.4", false, "62.4 C, dated by its arrival, 4 s ago"),
            (plain, "62.4", true, "62.4 C, but no reading: a kept message without a time"),
            (plain, "nan", false, "reads nothing: the device is alive, but has no value from this probe"),
            (&own, sensor, false, "62.3 C, by its own time 2026-05-02 06:15:00 EDT, 5 min ago"),
            (two, &sensor.replace("C2AA", "17B3"), false, "reads nothing: no member of the list has this id"),
            (
                "value = \"/DS18B20/Temperature\"\nunit = \"C\"",
                sensor,
                false,
                "reads nothing: the message has no such field",
            ),
            (&format!("{two}\nunit = \"F\""), sensor, false, "reads nothing: the message says another unit"),
            (
                ahead,
                r#"{"t":62.4,"at":"2026-05-02T06:30:05-04:00"}"#,
                false,
                "62.4 C, but no reading: the message's own time is more than 5 minutes ahead",
            ),
            (&guarded(4177), ours, false, "143.1 F, dated by its arrival, 4 s ago"),
            (
                "kind = \"availability\"\nonline = \"on\"\noffline = \"off\"",
                "off",
                true,
                "its node says that it is gone",
            ),
        ];
        for (keys, payload, is_retained, wanted) in cases {
            let mut heard = Heard::new(router(&probe("k1", "a/b", keys)));
            heard.add("a/b", payload.as_bytes(), is_retained, Span::seconds(21));
            let report = heard.report(told(25));
            let shown = report.starts_with(&format!("k1: {wanted}"))
                && report.contains(&format!("\n    a/b  {payload}\n"));
            assert!(shown, "{keys}: {report}");
        }
        // Of a topic that several devices share each has its own message, and one that says nothing is named.
        let two = [probe("k1", "air/#", &guarded(4_177)), probe("k2", "air/#", &guarded(7))].concat();
        let mut heard = Heard::new(router(&two));
        heard.add("air/events", ours.as_bytes(), false, Span::seconds(21));
        heard.add("air/events", theirs.as_bytes(), false, Span::seconds(22));
        heard.add("air/old", ours.replace("143.1", "60.0").as_bytes(), true, Span::seconds(23));
        let report = heard.report(told(25));
        let wanted = format!(
            "k1: 143.1 F, dated by its arrival, 4 s ago\n    air/events  {ours}\nk2: nothing for it on air/# in 25 s\n"
        );
        assert!(report.starts_with(&wanted), "{report}");
        assert!(Heard::new(router(&two)).report(told(25)).contains("k2: nothing for it on air/#"));
    }

    fn told(seconds: i64) -> Told {
        let now = crate::model::time::parse_rfc3339("2026-05-02T06:20:04-04:00").unwrap();
        Told { listened: Span::seconds(seconds), now, zone: chrono_tz::America::New_York }
    }

    fn router(probes: &str) -> Router {
        let text = format!(
            "[farm]\nname = \"Quillback Farm\"\ntimezone = \"America/New_York\"\n[endpoint]\n{probes}"
        );
        let config = crate::config::read::read("h.toml", &text, std::path::Path::new(""), None).unwrap();
        Router::new(&config.probes).unwrap()
    }

    #[test]
    fn topics_are_bounded() {
        let mut heard = Heard::default();
        for n in 0..HEARD_TOPICS_MAX + 3 {
            heard.add(&format!("t/{n}"), b"1", false, Span::ZERO);
        }
        assert_eq!((heard.topics.len(), heard.more), (HEARD_TOPICS_MAX, 3));
    }
}
