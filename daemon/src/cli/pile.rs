//! `heapward pile`: begin a pile, stick probes into it, write into its log, look at it. Asks the running daemon.

mod show;

use std::path::PathBuf;

use clap::Subcommand;
use serde_json::{Map, Value, json};

use super::client::Reach;
use super::{Failure, Outcome, print};
use crate::model::words;

#[derive(Debug, clap::Args)]
pub struct PileArgs {
    #[command(flatten)]
    reach: Reach,
    #[command(subcommand)]
    command: PileCommand,
}

#[derive(Debug, Subcommand)]
enum PileCommand {
    /// Show all piles with their verdicts
    List,
    /// Show one pile
    Show { pile: String },
    /// Begin a pile
    New(NewArgs),
    /// Stick a probe into a spot of a pile; ends what the probe and the spot had before
    Place(PlaceArgs),
    /// Write down a thermometer reading by hand: `heapward pile reading 2026-03 core-north "138.5 F"`
    Reading {
        pile: String,
        spot: String,
        /// Number and unit, such as "138.5 F" or "59 C"
        value: String,
        #[command(flatten)]
        entry: EntryArgs,
    },
    /// The pile was turned
    Turned {
        pile: String,
        #[command(flatten)]
        entry: EntryArgs,
    },
    /// The pile was watered
    Watered {
        pile: String,
        #[arg(long)]
        litres: Option<f64>,
        #[command(flatten)]
        entry: EntryArgs,
    },
    /// Fresh material was added: all counting begins anew
    Added {
        pile: String,
        /// What was added
        what: String,
        /// Needed where hours are counted already: they are lost
        #[arg(long)]
        yes: bool,
        #[command(flatten)]
        entry: EntryArgs,
    },
    /// A spot is given up: it no longer holds the pile up, and the record prints the reason
    GiveUp {
        pile: String,
        spot: String,
        reason: String,
        #[command(flatten)]
        entry: EntryArgs,
    },
    /// The pile was moved to curing: its bay and its probes are free
    Curing {
        pile: String,
        #[command(flatten)]
        entry: EntryArgs,
    },
    /// A test of maturity: self-heating 6.5 (rise in °C), carbon-dioxide 3 (mg), oxygen 350 (mg), pot passed or pot failed
    Tested {
        pile: String,
        /// self-heating, carbon-dioxide, oxygen or pot
        test: String,
        /// What was measured, or for a pot test passed or failed
        result: String,
        #[command(flatten)]
        entry: EntryArgs,
    },
    /// The pile was used: which bed, when, how much, for what; raw manure has its dates of harvest
    Used(UsedArgs),
    /// Anything else that happened: covered, aeration-changed, check, calibration, probe-removed, asked, note
    Enter {
        pile: String,
        event: String,
        /// Figures of the event, as `depth_in=6`
        #[arg(value_name = "NAME=VALUE")]
        figures: Vec<String>,
        #[command(flatten)]
        entry: EntryArgs,
    },
    /// What to do about water and air now, and why
    Advise { pile: String },
    /// The log of a pile
    Log { pile: String },
    /// Readings of a pile as CSV
    History(HistoryArgs),
}

#[derive(Debug, clap::Args)]
struct NewArgs {
    /// Short and speakable: 2026-03
    pile: String,
    /// aerated-static, in-vessel or windrow
    #[arg(long, default_value = "aerated-static")]
    method: String,
    /// plant, animal or manure; `us-organic` asks for no heat where it is plant alone [default: as the mix says, else
    /// manure]
    #[arg(long)]
    material: Option<String>,
    /// A line of its recipe as `heapward mix` prints it: "horse-manure=2yd3 Ford stable, 3 May"; gives the C:N
    #[arg(long = "mix", value_name = "LINE")]
    mix: Vec<String>,
    /// Place where it stands
    #[arg(long)]
    bay: Option<String>,
    /// When it was built [default: now]
    #[arg(long, value_name = "TIME")]
    built: Option<String>,
    /// Carbon to nitrogen ratio of the recipe, such as 30
    #[arg(long, value_name = "RATIO")]
    initial_cn: Option<f64>,
    /// Rules to judge it by [default: those of the configuration]
    #[arg(long = "standard", value_name = "ID")]
    standards: Vec<String>,
    /// A spot: NAME:ZONE or NAME:ZONE:INCHES, zone core, middle, outer, base, cover or ambient
    #[arg(long = "spot", value_name = "SPOT", required = true)]
    spots: Vec<String>,
    /// Who enters it [default: the name of the pass]
    #[arg(long, value_name = "INITIALS")]
    by: Option<String>,
}

#[derive(Debug, clap::Args)]
struct PlaceArgs {
    pile: String,
    probe: String,
    spot: String,
    /// Since when it is there [default: now]
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// How often it reports [default: as configured]
    #[arg(long, value_name = "DURATION")]
    every: Option<String>,
    /// Added to each of its readings, in degrees C, as the last calibration says
    #[arg(long, default_value_t = 0.0, allow_negative_numbers = true)]
    offset_c: f64,
    /// Who enters it [default: the name of the pass]
    #[arg(long, value_name = "INITIALS")]
    by: Option<String>,
}

#[derive(Debug, clap::Args)]
struct UsedArgs {
    pile: String,
    /// Bed or field
    #[arg(long)]
    bed: String,
    /// Cubic yards
    #[arg(long, value_name = "YARDS")]
    yd3: Option<f64>,
    #[arg(long)]
    crop: Option<String>,
    /// Whether what is eaten of the crop touches the soil: yes or no
    #[arg(long, value_name = "YES|NO", value_parser = yes_or_no)]
    touches_soil: Option<bool>,
    /// First harvest planned for, such as 2026-08-29; refused where raw manure would be too fresh for it
    #[arg(long, value_name = "DATE")]
    harvest: Option<String>,
    #[command(flatten)]
    entry: EntryArgs,
}

/// What every entry has.
#[derive(Debug, clap::Args)]
struct EntryArgs {
    /// When it happened, as 2026-05-01T15:00:00-04:00 [default: now]
    #[arg(long = "when", value_name = "TIME")]
    at: Option<String>,
    /// Who enters it [default: the name of the pass]
    #[arg(long, value_name = "INITIALS")]
    by: Option<String>,
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
    /// Number of the entry that this one stands in for
    #[arg(long, value_name = "NUMBER")]
    corrects: Option<u64>,
}

#[derive(Debug, clap::Args)]
struct HistoryArgs {
    pile: String,
    /// First instant [default: when it was built]
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// First instant after them [default: now]
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// Length of a bucket, such as 1h [default: every single reading]
    #[arg(long, value_name = "DURATION")]
    step: Option<String>,
    /// A file instead of the terminal
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

pub fn run(args: &PileArgs) -> Outcome {
    let reach = &args.reach;
    let enter = |pile: &str, event: &str, figures: Value, entry: &EntryArgs| {
        let mut body = entry.members();
        body.insert("event".to_owned(), json!(event));
        body.insert("figures".to_owned(), figures);
        let done = reach.writer()?.post(&["v1", "piles", pile, "entries"], &Value::Object(body))?;
        print(&show::entered(&here(reach, done)?))
    };
    match &args.command {
        PileCommand::List => print(&show::piles(&here(reach, reach.reader()?.get(&["v1", "piles"], &[])?)?)),
        PileCommand::Show { pile } => {
            print(&show::pile(&here(reach, reach.reader()?.get(&["v1", "piles", pile], &[])?)?))
        }
        PileCommand::New(new) => new_pile(reach, new),
        PileCommand::Place(place) => place_probe(reach, place),
        PileCommand::Reading { pile, spot, value, entry } => {
            let (value, unit) = temperature(value)?;
            let mut body = entry.members();
            body.extend([
                ("spot".to_owned(), json!(spot)),
                ("value".to_owned(), json!(value)),
                ("unit".to_owned(), json!(unit)),
            ]);
            let done = reach.writer()?.post(&["v1", "piles", pile, "readings"], &Value::Object(body))?;
            print(&show::entered(&here(reach, done)?))
        }
        PileCommand::Turned { pile, entry } => enter(pile, "turned", json!({}), entry),
        PileCommand::Watered { pile, litres, entry } => {
            enter(pile, "watered", json!({ "litres": litres }), entry)
        }
        PileCommand::Added { pile, what, yes, entry } => {
            if !yes {
                would_lose(reach, pile)?;
            }
            enter(pile, "material-added", json!({ "what": what }), entry)
        }
        PileCommand::GiveUp { pile, spot, reason, entry } => {
            enter(pile, "spot-given-up", json!({ "spot": spot, "reason": reason }), entry)
        }
        PileCommand::Curing { pile, entry } => {
            enter(pile, "moved-to-curing", json!({}), entry)?;
            print(&format!(
                "Its bay and its probes are free. So that Heapward sees when it is cured, stick one into its heart:\n  \
                 heapward pile place {pile} PROBE SPOT\n"
            ))
        }
        PileCommand::Tested { pile, test, result, entry } => {
            enter(pile, "maturity-tested", test_result(test, result)?, entry)
        }
        PileCommand::Used(used) => {
            let figures = json!({
                "bed": used.bed,
                "cubic_yards": used.yd3,
                "crop": used.crop,
                "touches_soil": used.touches_soil,
                "harvest": used.harvest,
            });
            enter(&used.pile, "used", figures, &used.entry)?;
            let pile = reach.reader()?.get(&["v1", "piles", &used.pile], &[])?;
            print(&show::last_use(&pile))
        }
        PileCommand::Enter { pile, event, figures, entry } => {
            enter(pile, event, read_figures(figures)?, entry)
        }
        PileCommand::Advise { pile } => {
            print(&show::advice(&reach.reader()?.get(&["v1", "piles", pile, "advice"], &[])?))
        }
        PileCommand::Log { pile } => log(reach, pile),
        PileCommand::History(history) => show_history(reach, history),
    }
}

/// An answer with its instants on the farm's clock; what is for programs comes from the API.
fn here(reach: &Reach, mut answer: Value) -> Result<Value, Failure> {
    let about = reach.reader()?.get(&["v1", "about"], &[])?;
    show::on_the_farm(&about, &mut answer);
    Ok(answer)
}

fn new_pile(reach: &Reach, new: &NewArgs) -> Outcome {
    let mut body = Map::new();
    body.insert("pile".to_owned(), json!(new.pile));
    body.insert("method".to_owned(), json!(new.method));
    match &new.material {
        Some(material) => put(&mut body, "material", Some(material)),
        None if new.mix.is_empty() => put(&mut body, "material", Some("manure")),
        None => {}
    }
    if !new.mix.is_empty() {
        body.insert("mix".to_owned(), json!(new.mix));
    }
    body.insert("spots".to_owned(), new.spots.iter().map(|spot| read_spot(spot)).collect::<Result<_, _>>()?);
    if !new.standards.is_empty() {
        body.insert("standards".to_owned(), json!(new.standards));
    }
    put(&mut body, "bay", new.bay.as_ref());
    put(&mut body, "built", new.built.as_ref());
    put(&mut body, "initial_cn", new.initial_cn);
    put(&mut body, "by", new.by.as_ref());
    let made = reach.writer()?.post(&["v1", "piles"], &Value::Object(body))?;
    let spot = new.spots.first().and_then(|spot| spot.split(':').next()).unwrap_or("SPOT");
    print(&format!(
        "{}\nStick the probes in and say where each one is:\n  heapward pile place {} PROBE {spot}\n",
        show::pile(&here(reach, made)?),
        new.pile
    ))
}

fn place_probe(reach: &Reach, place: &PlaceArgs) -> Outcome {
    let mut body = Map::new();
    body.insert("probe".to_owned(), json!(place.probe));
    body.insert("spot".to_owned(), json!(place.spot));
    body.insert("offset_c".to_owned(), json!(place.offset_c));
    put(&mut body, "from", place.from.as_ref());
    put(&mut body, "every", place.every.as_ref());
    put(&mut body, "by", place.by.as_ref());
    let made = reach.writer()?.post(&["v1", "piles", &place.pile, "placements"], &Value::Object(body))?;
    print(&show::pile(&here(reach, made)?))
}

fn log(reach: &Reach, pile: &str) -> Outcome {
    let client = reach.reader()?;
    let mut query = Vec::new();
    loop {
        let page = client.get(&["v1", "piles", pile, "entries"], &query)?;
        let next = page.get("next").and_then(Value::as_str).map(str::to_owned);
        print(&show::entries(&here(reach, page)?))?;
        match next {
            Some(next) => query = vec![("after", next)],
            None => return Ok(()),
        }
    }
}

fn show_history(reach: &Reach, history: &HistoryArgs) -> Outcome {
    let mut query = vec![("format", "csv".to_owned())];
    let given = [("from", &history.from), ("to", &history.to), ("step", &history.step)];
    query.extend(given.into_iter().filter_map(|(name, value)| value.clone().map(|value| (name, value))));
    let text = reach.reader()?.text(&["v1", "piles", &history.pile, "history"], &query)?;
    match &history.out {
        None => print(&text),
        Some(file) => std::fs::write(file, text)
            .map_err(|error| Failure::failed(format!("{}: can't be written ({error})", file.display()))),
    }
}

/// Refuses to throw counted hours away without a yes.
fn would_lose(reach: &Reach, pile: &str) -> Result<(), Failure> {
    let shown = reach.reader()?.get(&["v1", "piles", pile], &[])?;
    let Some(lost) = show::counted(&shown) else { return Ok(()) };
    Err(Failure::new(
        super::WRONG_USE,
        format!(
            "with fresh material pile {pile} is a new lot, and {lost} no longer counts; add --yes if it really went in"
        ),
    ))
}

/// A figure, or for a pot test a word.
fn test_result(test: &str, result: &str) -> Result<Value, Failure> {
    let passed = match result {
        "passed" => Some(true),
        "failed" => Some(false),
        _ => None,
    };
    match (passed, result.parse::<f64>()) {
        (Some(passed), _) => Ok(json!({ "test": test, "passed": passed })),
        (None, Ok(figure)) if figure.is_finite() => Ok(json!({ "test": test, "figure": figure })),
        _ => Err(Failure::new(
            super::WRONG_USE,
            format!("`{result}` is no result; write what was measured, such as 6.5, or passed or failed"),
        )),
    }
}

fn yes_or_no(text: &str) -> Result<bool, String> {
    match text {
        "yes" => Ok(true),
        "no" => Ok(false),
        _ => Err("write yes or no".to_owned()),
    }
}

/// `core-north:core:24` as the API wants it.
fn read_spot(text: &str) -> Result<Value, Failure> {
    let wrong = || {
        let zones = words::zone_choices();
        Failure::new(
            super::WRONG_USE,
            format!("`{text}` is no spot; write NAME:ZONE or NAME:ZONE:INCHES, where the zone is {zones}"),
        )
    };
    let mut parts = text.split(':');
    let (Some(name), Some(zone)) = (parts.next(), parts.next()) else {
        return Err(wrong());
    };
    words::parse_zone(zone).ok_or_else(wrong)?;
    let depth: Option<f64> = parts.next().map(str::parse).transpose().map_err(|_| wrong())?;
    if parts.next().is_some() || name.is_empty() {
        return Err(wrong());
    }
    Ok(json!({ "name": name, "zone": zone, "depth_in": depth }))
}

/// `138.5 F` or `59C`.
fn temperature(text: &str) -> Result<(f64, &str), Failure> {
    let (number, unit) = text.split_at(text.len() - text.chars().last().map_or(0, char::len_utf8));
    match (number.trim().parse::<f64>(), unit) {
        (Ok(value), "C" | "F") if value.is_finite() => Ok((value, unit)),
        _ => Err(Failure::new(
            super::WRONG_USE,
            format!("`{text}` is no temperature; write number and unit, such as \"138.5 F\""),
        )),
    }
}

/// `depth_in=6` and the like; what is a number, true or false goes as such.
fn read_figures(texts: &[String]) -> Result<Value, Failure> {
    let figure = |text: &String| {
        let (name, value) = text.split_once('=').ok_or_else(|| {
            Failure::new(
                super::WRONG_USE,
                format!("`{text}` is no figure; write NAME=VALUE, such as depth_in=6"),
            )
        })?;
        let plain =
            serde_json::from_str(value).ok().filter(|value: &Value| value.is_number() || value.is_boolean());
        Ok((name.to_owned(), plain.unwrap_or_else(|| json!(value))))
    };
    texts.iter().map(figure).collect::<Result<Map<_, _>, _>>().map(Value::Object)
}

fn put(body: &mut Map<String, Value>, name: &str, value: Option<impl serde::Serialize>) {
    if let Some(value) = value {
        body.insert(name.to_owned(), json!(value));
    }
}

// === impl EntryArgs ===

impl EntryArgs {
    fn members(&self) -> Map<String, Value> {
        let mut members = Map::new();
        put(&mut members, "at", self.at.as_ref());
        put(&mut members, "by", self.by.as_ref());
        put(&mut members, "note", self.note.as_ref());
        put(&mut members, "corrects", self.corrects);
        members
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spots_figures_and_temperatures_of_the_command_line() {
        assert_eq!(
            read_spot("core-north:core:24"),
            Ok(json!({ "name": "core-north", "zone": "core", "depth_in": 24.0 }))
        );
        assert_eq!(read_spot("toe:base"), Ok(json!({ "name": "toe", "zone": "base", "depth_in": null })));
        for text in ["", "core", "a:heart", "a:core:deep", "a:core:1:2", ":core"] {
            assert!(read_spot(text).is_err(), "{text}");
        }
        for (text, wanted) in [("138.5 F", (138.5, "F")), ("59C", (59.0, "C")), ("-4 C", (-4.0, "C"))] {
            assert_eq!(temperature(text), Ok(wanted));
        }
        for text in ["", "138.5", "F", "138.5 K", "138.5 °", "nan C"] {
            assert!(temperature(text).is_err(), "{text}");
        }
        let figures = ["depth_in=6", "blower_heard=true", "bed=North 4"].map(str::to_owned);
        assert_eq!(
            read_figures(&figures),
            Ok(json!({ "depth_in": 6, "blower_heard": true, "bed": "North 4" }))
        );
        assert!(read_figures(&["depth".to_owned()]).is_err());
    }
}
