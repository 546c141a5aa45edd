//! JSON Pointers (RFC 6901).

use super::json::Json;
use super::reason::Reason;

/// A parsed pointer.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Pointer {
    steps: Vec<String>,
    /// Whether a step may be a position in an array.
    by_position: bool,
}

// === impl Pointer ===

impl Pointer {
    /// Parses a pointer; `None` if it is none. With `by_position`, digits lead into arrays too: positions move when a
    /// probe is added or lost, so this has to be wanted.
    pub fn parse(text: &str, by_position: bool) -> Option<Pointer> {
        if text.is_empty() {
            return Some(Pointer { steps: Vec::new(), by_position });
        }
        let steps = text.strip_prefix('/')?.split('/').map(unescape).collect::<Option<_>>()?;
        Some(Pointer { steps, by_position })
    }

    /// The value that it points to, if the document has it.
    pub fn find<'j, 'a>(&self, document: &'j Json<'a>) -> Result<&'j Json<'a>, Reason> {
        self.steps.iter().try_fold(document, |at, step| match at {
            Json::Object(_) => at.member(step).ok_or(Reason::NoSuchField),
            Json::Array(items) if self.by_position => {
                position(step).and_then(|i| items.get(i)).ok_or(Reason::NoSuchField)
            }
            Json::Array(_) if position(step).is_some() => Err(Reason::ByPosition),
            _ => Err(Reason::NoSuchField),
        })
    }

    /// Name of the field, in small letters; empty for the whole document.
    pub fn last_step(&self) -> String {
        self.steps.last().map(|step| step.to_ascii_lowercase()).unwrap_or_default()
    }
}

/// One step as it stands in a pointer: a tilde becomes `~0`, a slash `~1`.
pub fn escape(step: &str) -> String {
    step.replace('~', "~0").replace('/', "~1")
}

fn unescape(step: &str) -> Option<String> {
    let mut plain = String::with_capacity(step.len());
    let mut chars = step.chars();
    while let Some(c) = chars.next() {
        match c {
            '~' => match chars.next() {
                Some('0') => plain.push('~'),
                Some('1') => plain.push('/'),
                _ => return None,
            },
            _ => plain.push(c),
        }
    }
    Some(plain)
}

/// An array index by RFC 6901: digits without a leading zero.
fn position(step: &str) -> Option<usize> {
    let digits = !step.is_empty() && step.bytes().all(|b| b.is_ascii_digit());
    (digits && (step == "0" || !step.starts_with('0'))).then(|| step.parse().ok())?
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The examples of RFC 6901, section 5.
    #[test]
    fn the_rfcs_own_examples() {
        let text =
            r#"{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,"m~n":8}"#;
        let document = Json::read(text).unwrap();
        let whole = [
            ("/", 0),
            ("/a~1b", 1),
            ("/c%d", 2),
            ("/e^f", 3),
            ("/g|h", 4),
            ("/i\\j", 5),
            ("/k\"l", 6),
            ("/ ", 7),
            ("/m~0n", 8),
        ];
        for (pointer, number) in whole {
            let found = Pointer::parse(pointer, false).unwrap().find(&document).cloned();
            assert_eq!(found, Ok(Json::Whole(number)), "{pointer}");
        }
        assert_eq!(Pointer::parse("", false).unwrap().find(&document), Ok(&document));
        let first = Pointer::parse("/foo/0", true).unwrap();
        assert_eq!(first.find(&document), Ok(&Json::Text("bar".into())));
        assert_eq!(Pointer::parse("/foo/0", false).unwrap().find(&document), Err(Reason::ByPosition));
        assert_eq!(Pointer::parse("/foo/00", true).unwrap().find(&document), Err(Reason::NoSuchField));
        assert_eq!(Pointer::parse("/foo/2", true).unwrap().find(&document), Err(Reason::NoSuchField));
    }

    #[test]
    fn tildes_are_decoded_in_the_order_of_the_rfc() {
        assert_eq!(unescape("~01").as_deref(), Some("~1"));
        assert_eq!(unescape("~1~0"), Some("/~".to_owned()));
        assert_eq!(unescape("~2"), None);
        assert_eq!(unescape("~"), None);
        assert_eq!(Pointer::parse("no-slash", false), None);
        assert_eq!(unescape(&escape("t~avg/1")).as_deref(), Some("t~avg/1"));
    }
}
