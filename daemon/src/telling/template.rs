//! A text with places to fill in: `{{text}}`, `{{to}}`, `{{name}}`, `{{subject}}`, `{{id}}`, `{{level}}`,
//! `{{secret:NAME}}`, and `{{basic:NAME}}` for a secret `user:password` as HTTP Basic wants it.
//!
//! What is filled in is escaped for the place where it stands, so that no name can leave it.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;

use super::channel::Letter;
use super::gsm;
use crate::config::Secret;

#[derive(Clone, Debug)]
pub struct Template {
    parts: Vec<Part>,
}

#[derive(Clone, Debug)]
enum Part {
    Literal(String),
    Field(Field),
    Secret(Secret),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Field {
    Text,
    To,
    Name,
    Subject,
    Id,
    Level,
}

/// How a filled-in value is escaped.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Escape {
    /// Inside a JSON string.
    Json,
    /// A value of `application/x-www-form-urlencoded` or of a URL.
    Percent,
    /// One line of visible text: a header or a plain body.
    Line,
}

const FIELDS: [(&str, Field); 6] = [
    ("text", Field::Text),
    ("to", Field::To),
    ("name", Field::Name),
    ("subject", Field::Subject),
    ("id", Field::Id),
    ("level", Field::Level),
];

// === impl Template ===

impl Template {
    /// Reads a template. The error names the place that is not known.
    pub fn parse(text: &str, secrets: &[(String, Secret)]) -> Result<Template, String> {
        let mut parts = Vec::new();
        let mut rest = text;
        while let Some((before, after)) = rest.split_once("{{") {
            let Some((place, after)) = after.split_once("}}") else {
                return Err("a `{{` has no `}}` after it".to_owned());
            };
            parts.push(Part::Literal(before.to_owned()));
            parts.push(Part::of(place.trim(), secrets)?);
            rest = after;
        }
        parts.push(Part::Literal(rest.to_owned()));
        Ok(Template { parts })
    }

    pub fn fill(&self, letter: &Letter, escape: Escape) -> String {
        let filled = self.parts.iter().map(|part| match part {
            Part::Literal(text) => text.clone(),
            Part::Field(field) => escape.apply(field.of(letter)),
            Part::Secret(secret) => escape.apply(secret.reveal().trim()),
        });
        filled.collect()
    }
}

// === impl Part ===

impl Part {
    fn of(place: &str, secrets: &[(String, Secret)]) -> Result<Part, String> {
        if let Some((_, field)) = FIELDS.iter().find(|(word, _)| *word == place) {
            return Ok(Part::Field(*field));
        }
        let secret = |name: &str| secrets.iter().find(|(known, _)| known == name).map(|(_, secret)| secret);
        let found = match place.split_once(':') {
            Some(("secret", name)) => secret(name).cloned(),
            Some(("basic", name)) => secret(name).map(|s| Secret::new(STANDARD.encode(s.reveal().trim()))),
            _ => None,
        };
        found.map(Part::Secret).ok_or_else(|| {
            format!(
                "`{{{{{place}}}}}` is not known; write text, to, name, subject, id, level, secret:NAME or basic:NAME \
                 with a NAME among the secrets"
            )
        })
    }
}

// === impl Field ===

impl Field {
    fn of(self, letter: &Letter) -> &str {
        match self {
            Field::Text => &letter.text,
            Field::To => &letter.address,
            Field::Name => &letter.to,
            Field::Subject => &letter.subject,
            Field::Id => &letter.id,
            Field::Level => &letter.level,
        }
    }
}

// === impl Escape ===

impl Escape {
    /// By the content type of a body.
    pub fn of_content_type(content_type: &str) -> Escape {
        let essence = content_type.split(';').next().unwrap_or_default().trim().to_ascii_lowercase();
        if essence == "application/json" || essence.ends_with("+json") {
            Escape::Json
        } else if essence == "application/x-www-form-urlencoded" {
            Escape::Percent
        } else {
            Escape::Line
        }
    }

    pub fn apply(self, value: &str) -> String {
        match self {
            Escape::Json => {
                let quoted = serde_json::Value::from(value).to_string();
                quoted.get(1..quoted.len().saturating_sub(1)).unwrap_or_default().to_owned()
            }
            Escape::Percent => percent(value),
            Escape::Line => gsm::one_line(value),
        }
    }
}

/// Everything but the unreserved characters of RFC 3986 as `%XX`.
fn percent(value: &str) -> String {
    value.bytes().fold(String::with_capacity(value.len()), |mut out, byte| {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            out.push(char::from(byte));
        } else {
            const HEX: &[u8; 16] = b"0123456789ABCDEF";
            out.push('%');
            out.extend(
                [byte >> 4, byte & 15].map(|n| char::from(HEX.get(usize::from(n)).copied().unwrap_or(b'0'))),
            );
        }
        out
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::telling::fixture::letter;

    fn fill(template: &str, text: &str, escape: Escape) -> String {
        let secrets =
            [("token".to_owned(), Secret::new("s3cr\"t\n")), ("login".to_owned(), Secret::new("user:pass"))];
        Template::parse(template, &secrets).unwrap().fill(&letter(text), escape)
    }

    #[test]
    fn values_are_escaped_for_their_place() {
        let nasty = "say \"57 C\" & more\r\nX: y\\z";
        for (template, escape, wanted) in [
            (r#"{"t":"{{text}}"}"#, Escape::Json, r#"{"t":"say \"57 C\" & more\r\nX: y\\z"}"#),
            ("Body={{text}}", Escape::Percent, "Body=say%20%2257%20C%22%20%26%20more%0D%0AX%3A%20y%5Cz"),
            ("{{ text }}!", Escape::Line, r#"say "57 C" & more X: y\z!"#),
            ("{{to}}/{{name}}/{{level}}", Escape::Line, "+15550100/odile/act"),
            ("Bearer {{secret:token}}", Escape::Line, "Bearer s3cr\"t"),
            ("Basic {{basic:login}}", Escape::Line, "Basic dXNlcjpwYXNz"),
            ("no places, { one } brace", Escape::Line, "no places, { one } brace"),
        ] {
            assert_eq!(fill(template, nasty, escape), wanted);
        }
    }

    #[test]
    fn an_unknown_place_is_named() {
        for (template, wanted) in [
            ("{{tekst}}", "tekst"),
            ("{{secret:none}}", "secret:none"),
            ("{{text", "no `}}`"),
            ("{{}}", "not known"),
        ] {
            let error = Template::parse(template, &[]).unwrap_err();
            assert!(error.contains(wanted), "{error}");
        }
    }

    proptest! {
        #[test]
        fn any_text_survives_json_and_form(text in any::<String>()) {
            let json = fill(r#"{"a":["{{text}}"]}"#, &text, Escape::Json);
            let value: serde_json::Value = serde_json::from_str(&json).unwrap();
            prop_assert_eq!(value["a"][0].as_str(), Some(text.as_str()));
            let form = fill("a={{text}}&b=1", &text, Escape::Percent);
            prop_assert!(form.is_ascii() && form.matches(['&', '=']).count() == 3);
            prop_assert!(!fill("{{text}}", &text, Escape::Line).chars().any(char::is_control));
        }
    }
}
