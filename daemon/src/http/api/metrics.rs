//! Whether Heapward is at work, and its counters as Prometheus text (exposition format 0.0.4).

use std::fmt::Write;
use std::sync::Arc;

use axum::extract::State;
use axum::http::StatusCode;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use serde_json::json;

use super::body;
use crate::http::house::House;
use crate::http::params::Params;
use crate::http::problem::Problem;
use crate::model::reading::quantity_word;
use crate::model::words::status_word;
use crate::recorder::PileView;
use crate::store::Reader;

/// 200 while the store answers and takes what comes, else 503 with a problem. A broker that is away is no illness of ours: it is told
/// beside.
pub(super) async fn health(State(house): State<Arc<House>>, params: Params) -> Result<Response, Problem> {
    params.done("none")?;
    house.read(Reader::latest).await?;
    if let Some(trouble) = house.store_trouble() {
        return Err(Problem::unavailable(trouble));
    }
    let ingest = (house.app.ingest)();
    Ok(body::json(&json!({
        "status": "ok",
        "clock_trusted": house.app.clock.is_trusted(),
        "messages_come_in": ingest.source.is_some().then_some(ingest.connected),
    })))
}

pub(super) async fn metrics(State(house): State<Arc<House>>, params: Params) -> Result<Response, Problem> {
    params.done("none")?;
    let latest = house.read(Reader::latest).await?;
    let ingest = (house.app.ingest)();
    let telling = (house.app.telling)();
    let now = house.now();
    let mut page = Page::default();
    page.family("heapward_info", "gauge", "Version of Heapward.");
    page.sample("heapward_info", &[("version", env!("CARGO_PKG_VERSION"))], 1.0);
    page.one(
        "heapward_clock_trusted",
        "gauge",
        "1 while the system clock may date readings.",
        house.app.clock.is_trusted().into(),
    );
    page.one("heapward_ingest_connected", "gauge", "1 while messages can come in.", ingest.connected.into());
    page.one(
        "heapward_messages_total",
        "counter",
        "Messages taken in since the start.",
        count(ingest.messages),
    );
    page.one(
        "heapward_readings_total",
        "counter",
        "Readings committed since the start.",
        count(ingest.readings),
    );
    page.one(
        "heapward_messages_retained_total",
        "counter",
        "Retained messages, which are never readings.",
        count(ingest.retained),
    );
    page.one(
        "heapward_messages_undated_total",
        "counter",
        "Messages of a backlog that could not be dated.",
        count(ingest.undated),
    );
    page.family("heapward_messages_refused_total", "counter", "Messages that could not be read.");
    for refused in &ingest.refused {
        page.sample(
            "heapward_messages_refused_total",
            &[("topic", &refused.topic), ("reason", &refused.reason)],
            count(refused.count),
        );
    }
    page.one("heapward_outbox_waiting", "gauge", "Messages in the outbox that wait.", count(telling.waiting));
    page.one("heapward_outbox_sent_total", "counter", "Messages sent since the start.", count(telling.sent));
    page.one(
        "heapward_outbox_failed_total",
        "counter",
        "Messages given up since the start.",
        count(telling.failed),
    );
    page.family("heapward_probe_age_seconds", "gauge", "Age of the newest reading of a probe.");
    for newest in &latest {
        let labels = [("probe", newest.key.probe.as_str()), ("quantity", quantity_word(newest.key.quantity))];
        page.sample("heapward_probe_age_seconds", &labels, (now - newest.reading.at).as_hours() * 3_600.0);
    }
    page.family("heapward_verdict", "gauge", "1 for the status that a pile has under a standard; verified: whether its figures were seen in its text.");
    page.family("heapward_run_counted_seconds", "gauge", "Proven time in the open run of a spot.");
    for view in house.app.handle.views() {
        verdicts(&mut page, &view);
    }
    let kind = "text/plain; version=0.0.4; charset=utf-8";
    Ok((StatusCode::OK, [(CONTENT_TYPE, kind)], page.finish()).into_response())
}

fn verdicts(page: &mut Page, view: &PileView) {
    let pile = view.pile.id.as_str();
    for verdict in &view.judgement.verdicts {
        let standard = verdict.standard.as_str();
        let status = status_word(verdict.status);
        let verified = if verdict.verified { "true" } else { "false" };
        let labels = [("pile", pile), ("standard", standard), ("status", status), ("verified", verified)];
        page.sample("heapward_verdict", &labels, 1.0);
        for spot in verdict.spots.iter().filter(|spot| spot.required) {
            let counted = spot.open_run.map_or(0.0, |run| run.counted.as_hours() * 3_600.0);
            let labels = [("pile", pile), ("standard", standard), ("spot", spot.spot.as_str())];
            page.sample("heapward_run_counted_seconds", &labels, counted);
        }
    }
}

#[expect(clippy::cast_precision_loss, reason = "a counter above 2^52 would take a million years")]
fn count(n: u64) -> f64 {
    n as f64
}

/// Families in the order of their declaration, each with its samples.
#[derive(Default)]
struct Page(Vec<(&'static str, String)>);

// === impl Page ===

impl Page {
    fn family(&mut self, name: &'static str, kind: &str, help: &str) {
        self.0.push((name, format!("# HELP {name} {help}\n# TYPE {name} {kind}\n")));
    }

    fn one(&mut self, name: &'static str, kind: &str, help: &str, value: f64) {
        self.family(name, kind, help);
        self.sample(name, &[], value);
    }

    fn sample(&mut self, name: &str, labels: &[(&str, &str)], value: f64) {
        let Some((_, text)) = self.0.iter_mut().find(|(family, _)| *family == name) else {
            return;
        };
        let labels: Vec<String> =
            labels.iter().map(|(key, value)| format!("{key}=\"{}\"", escaped(value))).collect();
        let labels = if labels.is_empty() { String::new() } else { format!("{{{}}}", labels.join(",")) };
        // Writing into a String can't fail.
        let _ = writeln!(text, "{name}{labels} {value}");
    }

    fn finish(self) -> String {
        self.0.into_iter().map(|(_, text)| text).collect()
    }
}

fn escaped(text: &str) -> String {
    text.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}
