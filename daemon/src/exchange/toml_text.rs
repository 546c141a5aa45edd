//! Texts as TOML wants them.

/// A basic string (TOML 1.0, "String"). What JSON escapes TOML escapes alike; only DEL may stand bare there and not here.
pub fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string().replace('\u{7f}', "\\u007F")
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn any_text_comes_back(text in any::<String>()) {
            let read: toml::Table = toml::from_str(&format!("a = {}", quoted(&text))).unwrap();
            prop_assert_eq!(read["a"].as_str(), Some(text.as_str()));
        }
    }

    #[test]
    fn every_control_character_comes_back() {
        let all: String =
            (0..0x80_u8).map(char::from).chain("\u{80}\u{2028}\u{feff}\u{10ffff}".chars()).collect();
        let read: toml::Table = toml::from_str(&format!("a = {}", quoted(&all))).unwrap();
        assert_eq!(read["a"].as_str(), Some(all.as_str()));
    }
}
