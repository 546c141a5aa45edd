//! The daily summary: one mail each local day, always sent; its absence is a signal too.
//!
//! `compose` is a pure function of a [`Snapshot`]; [`schedule`] says when the next one is due.
//! `telling::policy::Teller::summary` makes the messages of it.

pub mod chart;
mod html;
mod lines;
mod png;
mod raster;
pub mod schedule;
pub mod snapshot;
pub mod week;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use heapward_rules::units::Span;

pub use snapshot::Snapshot;

use crate::limits;
use crate::telling::{gsm, wording};

/// A summary in words and pictures.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Summary {
    pub subject: String,
    /// At most twelve lines, and who wrote it.
    pub text: String,
    pub html: String,
    /// Images of the HTML: content id and PNG bytes in base64.
    pub images: Vec<(String, String)>,
    /// The same in at most 160 characters, for a text channel.
    pub one_line: String,
}

/// Writes the summary of a snapshot.
pub fn compose(snapshot: &Snapshot) -> Summary {
    let lines = lines::lines(snapshot);
    let farm = gsm::clip(&gsm::one_line(&snapshot.site.farm), limits::FARM_CHARS_SHOWN);
    let day = crate::model::time::local(snapshot.now, snapshot.site.zone).format("%a %-d %b");
    let subject = format!("{farm}, {day}: {}", first_words(&lines));
    let plain: Vec<String> = lines.iter().map(ToString::to_string).collect();
    let signature = wording::signature(&snapshot.site, snapshot.now);
    Summary {
        text: format!("{}\n\n{signature}", plain.join("\n")),
        html: html::page(snapshot, &subject, &lines),
        subject,
        images: images(snapshot),
        one_line: lines::one_line(snapshot),
    }
}

/// A summary's page with some lines before all others: what waited for it.
pub fn page_with(page: &str, lines: &str) -> String {
    html::with_before(page, lines)
}

/// The day's job in the subject: some people read no further.
fn first_words(lines: &[lines::Line]) -> String {
    let job = lines.iter().find(|line| line.label == "Today").map_or("", |line| line.text.as_str());
    gsm::clip(job, limits::SUBJECT_CHARS_SHOWN)
}

fn images(snapshot: &Snapshot) -> Vec<(String, String)> {
    let charts = snapshot.piles.iter().enumerate().filter(|(_, pile)| !pile.chart.is_empty());
    charts
        .map(|(index, pile)| {
            let from = (snapshot.now - limits::CHART_WINDOW).max(pile.built);
            let frame = chart::Frame {
                from: from.min(snapshot.now - Span::hours(6)),
                to: snapshot.now,
                zone: snapshot.site.zone,
                shows: snapshot.site.shows,
                gap: limits::CHART_GAP,
            };
            (html::content_id(index), STANDARD.encode(chart::png(&pile.chart, frame)))
        })
        .collect()
}

#[cfg(test)]
mod tests;
