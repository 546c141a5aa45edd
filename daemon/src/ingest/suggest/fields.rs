//! All numbers of a message.

use crate::config::NumberStyle;
use crate::ingest::json::Json;
use crate::ingest::number::of_text;
use crate::ingest::pointer::escape;
use crate::limits::FIELDS_MAX;

/// A number in a message.
#[derive(Clone, Debug, PartialEq)]
pub struct Field {
    /// JSON Pointer to it.
    pub pointer: String,
    /// Name of its place, as the message has it.
    pub name: String,
    pub value: f64,
    /// Whether it stands in quotes.
    pub in_quotes: bool,
}

/// The numbers of a document in their order, up to a bound.
pub fn fields(json: &Json<'_>) -> Vec<Field> {
    let mut found = Vec::new();
    walk(json, "", "", &mut found);
    found
}

fn walk(json: &Json<'_>, pointer: &str, name: &str, found: &mut Vec<Field>) {
    if found.len() >= FIELDS_MAX {
        return;
    }
    let mut add = |value: f64, in_quotes| {
        found.push(Field { pointer: pointer.to_owned(), name: name.to_owned(), value, in_quotes });
    };
    match json {
        #[expect(clippy::cast_precision_loss, reason = "it is shown, not kept")]
        Json::Whole(number) => add(*number as f64, false),
        Json::Float(number) => add(*number, false),
        Json::Text(text) => {
            if let Ok(figure) = of_text(text, NumberStyle::Lenient) {
                add(figure.value, true);
            }
        }
        Json::Array(items) => {
            for (i, item) in items.iter().enumerate() {
                walk(item, &format!("{pointer}/{i}"), name, found);
            }
        }
        Json::Object(members) => {
            for (key, member) in members {
                walk(member, &format!("{pointer}/{}", escape(key)), key, found);
            }
        }
        Json::Null | Json::Bool(_) => {}
    }
}
