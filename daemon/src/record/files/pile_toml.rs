//! A pile as the file that `heapward judge` reads (design 5.4).

use std::fmt::Write as _;

use heapward_rules::pile::{Pile, Settings};
use heapward_rules::units::{At, Span};

use crate::exchange::quoted;
use crate::model::time::rfc3339;
use crate::model::words::{agreement_word, material_word, method_word, zone_word};

/// The whole file.
pub fn text(pile: &Pile) -> String {
    let mut out = String::new();
    let _ = writeln!(out, "id = {}", quoted(pile.id.as_str()));
    let _ = writeln!(out, "method = {}", quoted(method_word(pile.method)));
    let _ = writeln!(out, "material = {}", quoted(material_word(pile.material)));
    let _ = writeln!(out, "built = {}", instant(pile.built));
    if let Some(cn) = pile.initial_cn {
        let _ = writeln!(out, "initial_cn = {}", number(cn));
    }
    let standards: Vec<String> = pile.standards.iter().map(|id| quoted(id.as_str())).collect();
    let _ = writeln!(out, "standards = [{}]", standards.join(", "));
    for spot in &pile.spots {
        let _ = writeln!(
            out,
            "\n[[spot]]\nname = {}\nzone = {}",
            quoted(spot.name.as_str()),
            quoted(zone_word(spot.zone))
        );
        if let Some(depth) = spot.depth_in {
            let _ = writeln!(out, "depth_in = {}", number(depth));
        }
        if spot.watched_only {
            out.push_str("watched_only = true\n");
        }
    }
    for placement in &pile.placements {
        let _ = writeln!(
            out,
            "\n[[placement]]\nprobe = {}\nspot = {}\nfrom = {}",
            quoted(placement.probe.as_str()),
            quoted(placement.spot.as_str()),
            instant(placement.from)
        );
        if let Some(until) = placement.until {
            let _ = writeln!(out, "until = {}", instant(until));
        }
        let _ = writeln!(out, "every = {}\noffset_c = {}", span(placement.every), number(placement.offset_c));
    }
    settings(&pile.settings, &mut out);
    out
}

fn settings(settings: &Settings, out: &mut String) {
    let faults: Vec<String> = settings.fault_values.iter().map(|c| number(c.0)).collect();
    let _ = writeln!(
        out,
        "\n[settings]\nmax_gap = {}\nhand_gap = {}\nturn_allowance = {}\nguard = {}\nagreement = {}\nsettle = {}\n\
         fault_values = [{}]",
        span(settings.max_gap),
        span(settings.hand_gap),
        span(settings.turn_allowance),
        number(settings.guard_c),
        quoted(agreement_word(settings.agreement)),
        span(settings.settle),
        faults.join(", ")
    );
}

fn instant(at: At) -> String {
    quoted(&rfc3339(at))
}

/// Always with a decimal point: TOML has whole numbers as a kind of their own.
fn number(value: f64) -> String {
    format!("{value:?}")
}

/// In the largest unit that needs no fraction.
fn span(span: Span) -> String {
    let units = [("d", 86_400_000), ("h", 3_600_000), ("m", 60_000), ("s", 1_000)];
    let whole = units.into_iter().find(|(_, ms)| span.0 != 0 && span.0 % ms == 0);
    let (unit, ms) = whole.unwrap_or(("ms", 1));
    quoted(&format!("{}{unit}", span.0 / ms))
}
