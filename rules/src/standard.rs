//! A published time-and-temperature rule, as data (`config/standards/*.toml`).

use crate::ids::StandardId;
use crate::pile::{Material, Method};
use crate::units::{Celsius, Span};

/// Whether the time has to be in one piece.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mode {
    Consecutive,
    Cumulative,
}

/// One way to meet a standard with a method.
#[derive(Clone, Debug, PartialEq)]
pub struct Profile {
    /// Lower end of the range, included.
    pub lo: Celsius,
    /// Upper end of the range, included; none where the standard names none.
    pub hi: Option<Celsius>,
    pub required: Span,
    pub mode: Mode,
    pub turns: usize,
}

/// The ways open to some methods.
#[derive(Clone, Debug, PartialEq)]
pub struct MethodRule {
    pub methods: Vec<Method>,
    /// Alternatives: the earliest that is met wins.
    pub profiles: Vec<Profile>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Standard {
    pub id: StandardId,
    pub title: String,
    /// Where the rule is written: `7 CFR 205.203(c)(2)`.
    pub clause: String,
    /// What it means, in one plain sentence.
    pub meaning: String,
    /// Whether the figures were seen in a copy of the text, not only remembered.
    pub verified: bool,
    pub rules: Vec<MethodRule>,
    /// Initial C:N that the recipe must have, both ends included.
    pub initial_cn: Option<(f64, f64)>,
    /// Materials for which the standard asks for no heat.
    pub no_heat_for: Vec<Material>,
    /// Whether the verdict cautions that curing has to be recorded as well.
    pub asks_curing: bool,
    /// Readings a day that the rule asks for, if it names a number.
    pub readings_per_day: Option<u32>,
    /// What else it asks for.
    pub asks: Asks,
}

/// What a standard asks for beside heat, turns and recipe, in sentences: printed beside the verdict for a person to
/// judge, never judged here.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Asks {
    pub curing: Option<String>,
    /// Number and place of readings.
    pub readings: Option<String>,
    /// Tests of the product.
    pub tests: Option<String>,
    pub records: Option<String>,
}

// === impl Standard ===

impl Standard {
    /// The profiles open to a method; empty where the standard knows no way for it.
    pub fn profiles(&self, method: Method) -> &[Profile] {
        self.rules
            .iter()
            .find(|rule| rule.methods.contains(&method))
            .map_or(&[], |rule| rule.profiles.as_slice())
    }
}
