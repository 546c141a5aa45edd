//! Names of piles, spots, probes and standards: one type each, so that none is taken for another.

use std::fmt;
use std::sync::Arc;

macro_rules! name_type {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(Arc<str>);

        impl $name {
            pub fn new(name: impl Into<String>) -> $name {
                $name(name.into().into())
            }

            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }
    };
}

name_type!(
    /// A pile, short and speakable: `2026-03`.
    PileId
);
name_type!(
    /// A named place in a pile: `core-north`. Only `[a-z0-9-]`.
    SpotName
);
name_type!(
    /// One measured quantity at one point, as the farm calls it: `t1`.
    ProbeId
);
name_type!(
    /// A published time-and-temperature rule: `us-organic`.
    StandardId
);

/// Whether a text can be the name of a spot or a pile: `[a-z0-9-]+`.
pub fn is_plain_name(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plain_names_are_small_letters_digits_and_hyphens() {
        for name in ["heart", "b-2", "2026-03", "a", "7", "-"] {
            assert!(is_plain_name(name), "{name}");
        }
        for name in ["", "Heart", "core north", "toe_1", "kr\u{f6}te", "a.b"] {
            assert!(!is_plain_name(name), "{name}");
        }
        assert_eq!(SpotName::new("toe").to_string(), "toe");
        assert_eq!(SpotName::new("toe").as_str(), "toe");
    }
}
