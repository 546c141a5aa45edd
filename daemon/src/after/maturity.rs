//! Tests of maturity: what was found, in the classes of the trade.

use heapward_rules::recipe::classes::{DewarClass, MaturityTests, dewar_class, is_mature};

/// What was tested.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Test {
    /// Highest rise over the room in an insulated flask, °C.
    SelfHeating,
    /// mg of carbon as CO2 per g of organic matter and day.
    CarbonDioxide,
    /// mg of oxygen per kg of volatile solids and hour.
    Oxygen,
    /// Beans or cress in pots beside a control: passed or not.
    Pot,
}

pub const TESTS: [(&str, Test); 4] = [
    ("self-heating", Test::SelfHeating),
    ("carbon-dioxide", Test::CarbonDioxide),
    ("oxygen", Test::Oxygen),
    ("pot", Test::Pot),
];

/// What can be measured at all.
pub const FIGURE_MAX: f64 = 5_000.0;

// === impl Test ===

impl Test {
    pub fn parse(word: &str) -> Option<Test> {
        TESTS.iter().find(|(known, _)| *known == word).map(|(_, test)| *test)
    }

    /// Whether it was passed. A rise in the flask passes in class V (Brinton 1995); gases by the Canadian guidelines of
    /// 2005; each of these figures is from memory.
    pub fn is_passed(self, figure: Option<f64>, passed: Option<bool>) -> bool {
        let tests = match self {
            Test::Pot => return passed == Some(true),
            Test::SelfHeating => return figure.is_some_and(|rise| dewar_class(rise) == DewarClass::V),
            Test::CarbonDioxide => {
                MaturityTests { carbon_dioxide_mg_per_g_day: figure, ..MaturityTests::default() }
            }
            Test::Oxygen => MaturityTests { oxygen_mg_per_kg_h: figure, ..MaturityTests::default() },
        };
        // How long it cured is looked at apart from the test.
        is_mature(f64::INFINITY, &tests)
    }
}

/// What is wrong with a test as it was entered.
pub fn check(test: &str, figure: Option<f64>, passed: Option<bool>) -> Result<(), String> {
    let words: Vec<&str> = TESTS.iter().map(|(word, _)| *word).collect();
    match (Test::parse(test), figure, passed) {
        (None, ..) => Err(format!("`test` can't be `{test}`; it is one of {}", words.join(", "))),
        (Some(Test::Pot), _, None) => {
            Err("`passed` is missing: did the seedlings grow as well as beside it?".to_owned())
        }
        (Some(Test::Pot), ..) => Ok(()),
        (_, None, _) => Err("`figure` is missing: what was measured".to_owned()),
        (_, Some(figure), _) if !(0.0..=FIGURE_MAX).contains(&figure) => {
            Err(format!("`figure` is a number from 0 to {FIGURE_MAX}"))
        }
        _ => Ok(()),
    }
}

/// `Self-heating test: 6 °C over the room, class V: finished.`
pub fn sentence(test: &str, figure: Option<f64>, passed: Option<bool>) -> String {
    let Some(kind) = Test::parse(test) else { return format!("Tested: {test}.") };
    let verdict = if kind.is_passed(figure, passed) { "passed" } else { "not passed" };
    let figure = figure.unwrap_or_default();
    match kind {
        Test::SelfHeating => {
            let (class, word) = match dewar_class(figure) {
                DewarClass::V => ("V", "finished"),
                DewarClass::IV => ("IV", "curing"),
                DewarClass::III => ("III", "still working"),
                DewarClass::II => ("II", "young"),
                DewarClass::I => ("I", "fresh"),
            };
            format!("Self-heating test: {figure} °C over the room, class {class}: {word}.")
        }
        Test::CarbonDioxide => {
            format!("Test of carbon dioxide: {figure} mg per g of organic matter and day, {verdict}.")
        }
        Test::Oxygen => {
            format!("Test of oxygen: {figure} mg per kg of volatile solids and hour, {verdict}.")
        }
        Test::Pot => format!("Pot test: {verdict}."),
    }
}
