//! `heapward incidents`: what was noticed, how bad it was, and who was told when. Asks the running daemon.

use std::fmt::Write as _;

use chrono_tz::Tz;
use heapward_rules::units::{At, Celsius, Span};
use serde_json::{Value, json};

use super::client::Reach;
use super::{Failure, Outcome, print};
use crate::clock::{Clock, SystemClock};
use crate::model::time::{local, parse_rfc3339, rfc3339};
use crate::model::words::parse_span;

/// Show what was noticed and who was told; say that it was seen; keep a pile quiet for a while
#[derive(Debug, clap::Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct IncidentsArgs {
    #[command(flatten)]
    reach: Reach,
    /// Only what is open
    #[arg(long)]
    open: bool,
    /// Only of one pile
    #[arg(long, value_name = "PILE")]
    pile: Option<String>,
    /// As many of the newest
    #[arg(long, value_name = "N", default_value_t = 20)]
    last: u16,
    #[command(subcommand)]
    command: Option<IncidentCommand>,
}

#[derive(Debug, clap::Subcommand)]
enum IncidentCommand {
    /// You have seen an incident: it is told again only if it gets worse
    Seen { incident: String },
    /// No messages about a pile for a while, danger excepted; everything is recorded
    Mute {
        pile: String,
        /// Why: "watering now", "moving probes"
        reason: String,
        /// For how long; it ends by itself
        #[arg(long = "for", value_name = "TIME", default_value = "2h")]
        time: String,
    },
}

pub fn run(args: &IncidentsArgs) -> Outcome {
    let reach = &args.reach;
    match &args.command {
        Some(IncidentCommand::Seen { incident }) => {
            reach.writer()?.send_only(&["v1", "incidents", "seen"], &json!({ "incident": incident }))?;
            print("Noted: it is told again only if it gets worse, or after half a day.\n")
        }
        Some(IncidentCommand::Mute { pile, reason, time }) => {
            let span = span(time)?;
            let until = SystemClock::new(true).now() + span;
            let body = json!({ "until": rfc3339(until), "reason": reason });
            reach.writer()?.send_only(&["v1", "piles", pile, "mute"], &body)?;
            print(&format!(
                "No messages about pile {pile} for {span}; danger is told all the same, and everything is recorded.\n"
            ))
        }
        None => {
            let mut query = vec![("limit", args.last.to_string())];
            if args.open {
                query.push(("open", "true".to_owned()));
            }
            query.extend(args.pile.clone().map(|pile| ("pile", pile)));
            let client = reach.reader()?;
            let about = client.get(&["v1", "about"], &[])?;
            let zone = about["timezone"].as_str().and_then(|zone| zone.parse().ok()).unwrap_or(Tz::UTC);
            let shows_f = about["shows"] != "C";
            print(&in_words(&client.get(&["v1", "incidents"], &query)?, zone, shows_f))
        }
    }
}

fn span(text: &str) -> Result<Span, Failure> {
    parse_span(text).filter(|span| *span > Span::ZERO).ok_or_else(|| {
        Failure::failed(format!("--for `{text}`: write a number with a unit, such as 30m or 2h"))
    })
}

fn in_words(list: &Value, zone: Tz, shows_f: bool) -> String {
    let incidents: Vec<&Value> = list["items"].as_array().into_iter().flatten().collect();
    if incidents.is_empty() {
        return "Nothing was noticed.\n".to_owned();
    }
    let mut text = String::new();
    for one in incidents {
        // Writing to a String cannot fail.
        let _ = writeln!(text, "{}", headline(one, zone, shows_f));
        for telling in one["tellings"].as_array().into_iter().flatten() {
            let people: Vec<String> = telling["told"].as_array().into_iter().flatten().map(person).collect();
            let people = if people.is_empty() { "nobody".to_owned() } else { people.join(", ") };
            let _ = writeln!(text, "    {} {}: {people}", when(&telling["at"], zone), word(&telling["step"]));
        }
        let _ = writeln!(text, "    id {}", word(&one["incident"]));
    }
    if list["next"].is_string() {
        text.push_str("There are older ones: --last N shows more.\n");
    }
    text
}

/// `open   2026-04 overheating core-a (urgent), told, since Sun 3 May 14:20, worst 172.4 F`
fn headline(one: &Value, zone: Tz, shows_f: bool) -> String {
    let state = if one["closed"].is_string() { "over  " } else { "open  " };
    let place = [&one["pile"], &one["kind"], &one["spot"], &one["probe"]];
    let place: Vec<&str> = place.into_iter().filter_map(Value::as_str).collect();
    let mut line = format!(
        "{state} {} ({}), {}, since {}",
        place.join(" "),
        word(&one["level"]),
        word(&one["stage"]),
        when(&one["opened"], zone)
    );
    if one["closed"].is_string() {
        let _ = write!(line, ", over {}", when(&one["closed"], zone));
    }
    let worst = &one["figures"];
    if let Some(c) = worst["worst_c"].as_f64().or_else(|| worst["temperature_c"].as_f64()) {
        let worst = if shows_f { format!("{:.1} F", Celsius(c).to_f()) } else { format!("{c:.1} C") };
        let _ = write!(line, ", worst {worst}");
    }
    if one["muted_until"].is_string() && !one["closed"].is_string() {
        let _ = write!(line, ", quiet until {}", when(&one["muted_until"], zone));
    }
    line
}

/// `Odile Marsh by text`, with a word where it has not gone out.
fn person(told: &Value) -> String {
    let waits = if told["sent"].is_string() { "" } else { " (not sent)" };
    format!("{} by {}{waits}", word(&told["contact"]), word(&told["channel"]))
}

fn word(value: &Value) -> &str {
    value.as_str().unwrap_or("?")
}

fn when(time: &Value, zone: Tz) -> String {
    let at: Option<At> = time.as_str().and_then(parse_rfc3339);
    at.map_or_else(|| "?".to_owned(), |at| local(at, zone).format("%a %-d %b %H:%M").to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn incidents_as_they_are_shown() {
        let list = json!({ "items": [
            {
                "incident": "2026-04/overheating/core-a/1", "pile": "2026-04", "kind": "overheating",
                "level": "urgent", "stage": "seen", "spot": "core-a", "probe": null, "muted_until": null,
                "opened": "2026-05-03T18:20:00.000Z", "closed": null, "figures": { "worst_c": 78.0 },
                "tellings": [
                    { "at": "2026-05-03T18:20:05.000Z", "step": "opened", "told": [
                        { "contact": "Odile Marsh", "channel": "text", "sent": "2026-05-03T18:20:06.000Z" },
                        { "contact": "Odile Marsh", "channel": "mail", "sent": null },
                    ] },
                    { "at": "2026-05-03T18:30:00.000Z", "step": "seen", "told": [] },
                ],
            },
            {
                "incident": "-/broker-away/-/1", "pile": null, "kind": "broker-away", "level": "act",
                "stage": "over", "spot": null, "probe": null, "muted_until": null,
                "opened": "2026-05-02T10:00:00.000Z", "closed": "2026-05-02T10:04:00.000Z", "figures": {},
                "tellings": [],
            },
        ], "next": "x" });
        let zone = chrono_tz::America::New_York;
        let wanted = "\
open   2026-04 overheating core-a (urgent), seen, since Sun 3 May 14:20, worst 172.4 F
    Sun 3 May 14:20 opened: Odile Marsh by text, Odile Marsh by mail (not sent)
    Sun 3 May 14:30 seen: nobody
    id 2026-04/overheating/core-a/1
over   broker-away (act), over, since Sat 2 May 06:00, over Sat 2 May 06:04
    id -/broker-away/-/1
There are older ones: --last N shows more.
";
        assert_eq!(in_words(&list, zone, true), wanted);
        assert_eq!(in_words(&json!({ "items": [] }), zone, true), "Nothing was noticed.\n");
        assert!(in_words(&list, zone, false).contains("worst 78.0 C"));
        assert_eq!(span("90m"), Ok(Span::minutes(90)));
        assert!(span("soon").is_err() && span("0h").is_err());
    }
}
