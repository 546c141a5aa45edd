//! Readings of a pile: raw, exactly as they were reported, or in buckets.
//!
//! Raw (no `step`): ascending by time, paged by `limit` and `after`. Buckets (`step=15m`): minimum, mean, maximum and
//! count of each piece and source, all at once; a step that would make more than [`HISTORY_POINTS_MAX`] points is
//! widened, and the answer says so. `format` is `json`, `csv` (raw: the columns that `heapward judge` reads) or
//! `sheet` (the same for spreadsheets: local time, and texts that can't be taken for formulas).

use std::sync::Arc;

use axum::extract::State;
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE, LINK};
use axum::http::{HeaderName, HeaderValue, Uri};
use axum::response::{IntoResponse, Response};
use heapward_rules::ids::is_plain_name;
use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::{At, Span};
use serde_json::{Map, Value, json};

use super::body;
use super::shape::time;
use crate::http::house::{House, OfPile};
use crate::http::params::{Params, digits};
use crate::http::problem::{Problem, shown};
use crate::http::sources::{Piece, Source, sources};
use crate::http::table::{self, Table};
use crate::limits::HISTORY_POINTS_MAX;
use crate::model::pile::PileRecord;
use crate::model::reading::{quantity_word, unit_word};
use crate::recorder::PileView;
use crate::store::{Reader, StoreError};

/// What is asked, after it was read.
#[derive(Clone, Debug)]
struct Question {
    from: At,
    to: At,
    step: Option<Span>,
    quantity: Quantity,
    spot: Option<String>,
    format: Format,
    limit: usize,
    after: Cursor,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Format {
    Json,
    Csv,
    Sheet,
}

/// How far raw readings were given: all before an instant, and so many of that instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Cursor {
    at: At,
    given: usize,
}

struct Raw {
    source: usize,
    at: At,
    value: f64,
}

/// The answer before it is written down.
struct Answer {
    question: Question,
    sources: Vec<Source>,
    points: Points,
    note: Option<String>,
}

enum Points {
    Raw { readings: Vec<Raw>, next: Option<Cursor> },
    Buckets { step: Span, buckets: Vec<(usize, Piece)> },
}

const QUANTITIES: [(&str, Quantity); 5] = [
    ("temperature", Quantity::Temperature),
    ("moisture", Quantity::Moisture),
    ("oxygen", Quantity::Oxygen),
    ("blower", Quantity::Blower),
    ("battery", Quantity::Battery),
];

const FORMATS: [(&str, Format); 3] = [("json", Format::Json), ("csv", Format::Csv), ("sheet", Format::Sheet)];

/// Steps that divide a day, then whole days: a widened step is one of these.
const STEPS_MINUTES: [i64; 18] =
    [1, 2, 3, 5, 10, 15, 20, 30, 60, 120, 180, 240, 360, 720, 1_440, 2_880, 7_200, 14_400];

pub(super) async fn history(
    State(house): State<Arc<House>>,
    uri: Uri,
    OfPile(view): OfPile,
    params: Params,
) -> Result<Response, Problem> {
    let question = Question::read(params, &view)?;
    let record = view.pile.clone();
    let answer = house.read(move |reader| answer(reader, &record, question)).await?;
    let zone = house.app.config.farm.timezone;
    let pile = &view.pile.id;
    Ok(match answer.question.format {
        Format::Json => body::json(&answer.to_json(pile)),
        Format::Csv => answer.to_csv(pile, &uri, answer.rows(&Table::plain())),
        Format::Sheet => answer.to_csv(pile, &uri, answer.rows(&Table::for_sheets(zone))),
    })
}

fn answer(reader: &Reader, pile: &PileRecord, question: Question) -> Result<Answer, StoreError> {
    let sources = sources(reader, pile, question.quantity, question.spot.as_deref())?;
    let mut note = None;
    let points = match question.step {
        None => raw(reader, &sources, &question)?,
        Some(wanted) => {
            let step = widened(wanted, question.to - question.from, sources.len());
            if step != wanted {
                note = Some(format!(
                    "the step was widened from {} s to {} s, so that there are at most {HISTORY_POINTS_MAX} points",
                    wanted.0 / 1_000,
                    step.0 / 1_000
                ));
            }
            let from = At(question.from.0 - question.from.0.rem_euclid(step.0));
            let span = (question.to - from).0;
            let to = from + Span((span + step.0 - 1) / step.0 * step.0);
            let mut buckets = Vec::new();
            for (index, source) in sources.iter().enumerate() {
                let part = source.buckets(reader, from, to, step)?;
                buckets.extend(part.into_iter().map(|bucket| (index, bucket)));
            }
            buckets.sort_by_key(|(index, bucket)| (bucket.from, *index));
            Points::Buckets { step, buckets }
        }
    };
    Ok(Answer { question, sources, points, note })
}

fn raw(reader: &Reader, sources: &[Source], question: &Question) -> Result<Points, StoreError> {
    let Cursor { at, given } = question.after;
    let mut readings = Vec::new();
    for (index, source) in sources.iter().enumerate() {
        let part = source.range(reader, at, question.to, question.limit + given + 1)?;
        readings.extend(part.into_iter().map(|(at, value)| Raw { source: index, at, value }));
    }
    readings.sort_by(|a, b| (a.at, a.source).cmp(&(b.at, b.source)).then(a.value.total_cmp(&b.value)));
    readings.drain(..given.min(readings.len()));
    let more = readings.len() > question.limit;
    readings.truncate(question.limit);
    let next = readings.last().filter(|_| more).map(|last| {
        let of_that_instant = readings.iter().rev().take_while(|one| one.at == last.at).count();
        let before = if last.at == at { given } else { 0 };
        Cursor { at: last.at, given: before + of_that_instant }
    });
    Ok(Points::Raw { readings, next })
}

/// The step, or the next rounder one with which `sources` lines over `span` stay within the limit of points.
fn widened(step: Span, span: Span, sources: usize) -> Span {
    let lines = i64::try_from(sources.max(1)).unwrap_or(i64::MAX);
    let most = i64::try_from(HISTORY_POINTS_MAX).unwrap_or(i64::MAX) / lines;
    // Two more pieces than the span holds can be touched.
    let fits = |step: Span| span.0 / step.0 + 2 <= most;
    if fits(step) {
        return step;
    }
    let rounder = STEPS_MINUTES.iter().map(|minutes| Span::minutes(*minutes));
    rounder.filter(|one| *one > step).find(|one| fits(*one)).unwrap_or(Span(span.0 / most.max(3) * 2 + 1))
}

// === impl Question ===

impl Question {
    fn read(mut params: Params, view: &PileView) -> Result<Question, Problem> {
        let built = At(view.pile.built_ms);
        let newest = view.judged_to.max(built) + Span(1);
        let from = params.instant("from")?.unwrap_or(built);
        let to = params.instant("to")?.unwrap_or(newest.max(from + Span(1)));
        if from >= to {
            return Err(Problem::bad("`from` is not before `to`; `to` itself is not included"));
        }
        let after = params.text("after").map(|text| Cursor::read(&text)).transpose()?;
        let question = Question {
            from,
            to,
            step: params.span("step")?,
            quantity: params.word("quantity", &QUANTITIES)?.unwrap_or(Quantity::Temperature),
            spot: params.text("spot"),
            format: params.word("format", &FORMATS)?.unwrap_or(Format::Json),
            limit: params.limit(HISTORY_POINTS_MAX, HISTORY_POINTS_MAX)?,
            after: after.unwrap_or(Cursor { at: from, given: 0 }),
        };
        params.done("from, to, step, quantity, spot, format, limit, after")?;
        if question.after.at < from {
            return Err(Problem::bad("`after` lies before `from`; ask the next page with the same `from`"));
        }
        match &question.spot {
            Some(spot) if !view.pile.spots.iter().any(|one| one.name == *spot) => {
                Err(Problem::not_found(format!("pile {} has no spot `{}`", view.pile.id, shown(spot))))
            }
            _ => Ok(question),
        }
    }
}

// === impl Cursor ===

impl Cursor {
    fn read(text: &str) -> Result<Cursor, Problem> {
        let parts = text.split_once('.').and_then(|(at, given)| Some((digits(at, 15)?, digits(given, 5)?)));
        parts
            .and_then(|(at, given)| Some((at, usize::try_from(given).ok()?)))
            .filter(|(_, given)| *given <= HISTORY_POINTS_MAX)
            .map(|(at, given)| Cursor { at: At(at), given })
            .ok_or_else(|| Problem::bad("`after` is the `next` of the page before"))
    }

    fn text(self) -> String {
        format!("{}.{}", self.at.0, self.given)
    }
}

// === impl Answer ===

impl Answer {
    fn next(&self) -> Option<String> {
        match &self.points {
            Points::Raw { next, .. } => next.map(Cursor::text),
            Points::Buckets { .. } => None,
        }
    }

    fn to_json(&self, pile: &str) -> Value {
        let mut answer = Map::new();
        let mut put = |key: &str, value: Value| answer.insert(key.to_owned(), value);
        put("pile", json!(pile));
        put("quantity", json!(quantity_word(self.question.quantity)));
        put("from", json!(time(self.question.from)));
        put("to", json!(time(self.question.to)));
        put("note", json!(self.note));
        match &self.points {
            Points::Raw { readings, .. } => {
                let reading = |one: &Raw| {
                    let source = &self.sources[one.source];
                    json!({
                        "time": time(one.at), "source": source.name, "spot": source.spot,
                        "value": one.value, "unit": unit_word(source.unit),
                    })
                };
                put("readings", readings.iter().map(reading).collect());
            }
            Points::Buckets { step, buckets } => {
                let bucket = |(index, one): &(usize, Piece)| {
                    let source = &self.sources[*index];
                    json!({
                        "time": time(one.from), "source": source.name, "spot": source.spot,
                        "minimum": one.summary.min, "mean": one.summary.mean(), "maximum": one.summary.max,
                        "count": one.summary.count, "unit": unit_word(source.unit),
                    })
                };
                put("step_ms", json!(step.0));
                put("buckets", buckets.iter().map(bucket).collect());
            }
        }
        put("next", json!(self.next()));
        Value::Object(answer)
    }

    fn rows(&self, table: &Table) -> String {
        let unit = |unit: Unit| unit_word(unit).to_owned();
        match &self.points {
            Points::Raw { readings, .. } => table.write(
                &["time", "source", "value", "unit"],
                readings.iter().map(|one| {
                    let source = &self.sources[one.source];
                    (one.at, vec![table.text(&source.name), table::number(one.value), unit(source.unit)])
                }),
            ),
            Points::Buckets { buckets, .. } => table.write(
                &["time", "source", "minimum", "mean", "maximum", "count", "unit"],
                buckets.iter().map(|(index, one)| {
                    let source = &self.sources[*index];
                    let summary = &one.summary;
                    let numbers =
                        [summary.min, summary.mean().unwrap_or(f64::NAN), summary.max].map(table::number);
                    let mut cells = vec![table.text(&source.name)];
                    cells.extend(numbers);
                    cells.extend([summary.count.to_string(), unit(source.unit)]);
                    (one.from, cells)
                }),
            ),
        }
    }

    fn to_csv(&self, pile: &str, uri: &Uri, rows: String) -> Response {
        let mut response =
            ([(CONTENT_TYPE, "text/csv; charset=utf-8; header=present")], rows).into_response();
        let mut put = |name: HeaderName, text: String| {
            if let Ok(value) = HeaderValue::from_str(&text) {
                response.headers_mut().insert(name, value);
            }
        };
        let name = if is_plain_name(pile) { pile } else { "pile" };
        put(CONTENT_DISPOSITION, format!("attachment; filename=\"{name}-readings.csv\""));
        if let Some(next) = self.next() {
            put(LINK, format!("<{}>; rel=\"next\"", with_after(uri, &next)));
        }
        if let Some(note) = &self.note {
            put(HeaderName::from_static("heapward-note"), note.clone());
        }
        response
    }
}

/// The same address with another cursor.
fn with_after(uri: &Uri, after: &str) -> String {
    let kept = uri
        .query()
        .unwrap_or_default()
        .split('&')
        .filter(|pair| !pair.is_empty() && !pair.starts_with("after="));
    let query: Vec<String> = kept.map(str::to_owned).chain([format!("after={after}")]).collect();
    format!("{}?{}", uri.path(), query.join("&"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_is_widened_only_when_it_must() {
        let year = Span::days(365);
        assert_eq!(widened(Span::minutes(5), Span::days(7), 4), Span::minutes(5));
        assert_eq!(widened(Span(1), year, 6), Span::minutes(360));
        assert_eq!(widened(Span::minutes(7), Span::days(30), 6), Span::minutes(30));
        for sources in [0, 1, 6, 24, 200] {
            for days in [1, 365, 3_650, 1_000_000] {
                let step = widened(Span(1), Span::days(days), sources);
                let points = (Span::days(days).0 / step.0 + 2) * i64::try_from(sources.max(1)).unwrap();
                assert!(points <= 10_000, "{sources} {days} {points}");
            }
        }
    }

    #[test]
    fn the_next_page_has_the_same_address_with_another_cursor() {
        let uri: Uri = "/v1/piles/a/history?from=1&after=3.1&limit=2".parse().unwrap();
        assert_eq!(with_after(&uri, "4.1"), "/v1/piles/a/history?from=1&limit=2&after=4.1");
    }
}
