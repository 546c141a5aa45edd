//! What pages load besides themselves, built into the binary.

use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};

const STYLE: &str = include_str!("style.css");
const SCRIPT: &str = include_str!("live.js");

/// Kept by browsers for a year: the address changes with the content.
const KEPT: &str = "public, max-age=31536000, immutable";

pub(in crate::http) async fn style() -> Response {
    ([(CONTENT_TYPE, "text/css; charset=utf-8"), (CACHE_CONTROL, KEPT)], STYLE).into_response()
}

pub(super) async fn script() -> Response {
    ([(CONTENT_TYPE, "text/javascript; charset=utf-8"), (CACHE_CONTROL, KEPT)], SCRIPT).into_response()
}

pub(super) fn style_address() -> String {
    format!("/style.css?{:08x}", crc32fast::hash(STYLE.as_bytes()))
}

pub(super) fn script_address() -> String {
    format!("/live.js?{:08x}", crc32fast::hash(SCRIPT.as_bytes()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    /// Relative luminance of `#rrggbb` or `#rgb` (WCAG 2.2).
    fn luminance(colour: &str) -> f64 {
        let digits = colour.strip_prefix('#').unwrap();
        let digits =
            if digits.len() == 3 { digits.chars().flat_map(|c| [c, c]).collect() } else { digits.to_owned() };
        let part = |n: usize| f64::from(u8::from_str_radix(&digits[2 * n..2 * n + 2], 16).unwrap()) / 255.0;
        let linear = |c: f64| if c <= 0.040_45 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) };
        0.2126 * linear(part(0)) + 0.7152 * linear(part(1)) + 0.0722 * linear(part(2))
    }

    fn contrast(a: &str, b: &str) -> f64 {
        let (a, b) = (luminance(a) + 0.05, luminance(b) + 0.05);
        a.max(b) / a.min(b)
    }

    /// `var(--ink)` as the colour that it stands for.
    fn resolved(value: &str) -> &str {
        let Some(name) = value.strip_prefix("var(").and_then(|value| value.strip_suffix(')')) else {
            return value;
        };
        STYLE.split(&format!("{name}: ")).nth(1).and_then(|rest| rest.split(';').next()).unwrap()
    }

    /// All values that the sheet gives to a property.
    fn given(property: &str) -> BTreeSet<&'static str> {
        let declarations = STYLE.split(['{', ';', '}']).filter_map(|one| one.trim().split_once(": "));
        declarations.filter(|(name, _)| *name == property).map(|(_, value)| resolved(value)).collect()
    }

    #[test]
    fn whatever_is_read_stands_out_seven_to_one() {
        let (ink, paper) = (resolved("var(--ink)"), resolved("var(--paper)"));
        assert_eq!(given("color"), [ink, paper, "#000", "inherit"].into(), "another colour of letters");
        assert_eq!(given("background"), [ink, paper, "#fff"].into(), "another ground");
        for (letters, ground) in [(ink, paper), (ink, "#fff"), (paper, ink), ("#000", "#fff")] {
            assert!(
                contrast(letters, ground) >= 7.0,
                "{letters} on {ground}: {:.2}",
                contrast(letters, ground)
            );
        }
        // The red pencil underlines words; hairlines are no words, and are asked for three to one.
        assert!(contrast(resolved("var(--pencil)"), paper) >= 7.0);
        assert!(contrast(resolved("var(--rule)"), paper) >= 3.0);
        assert!((contrast("#000", "#fff") - 21.0).abs() < 1e-9);
    }
}
