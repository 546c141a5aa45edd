//! The characters that a text message carries, and names made harmless.
//!
//! The GSM 7-bit basic set is that of 3GPP TS 23.038, table 6.2.1. A text with one character outside it (or of its
//! extension table, which counts double) is cut into parts of 70 characters, so we keep to the basic set.

/// The basic set without CR and LF: a text of ours is one line.
const BASIC: &str = "@£$¥èéùìòÇØøÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?¡\
    ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà";

/// Letters and signs outside the set that people do write, and what stands for them.
const STAND_INS: [(&str, &str); 27] = [
    ("áâãāăąª", "a"),
    ("ÁÂÃÀĀĂĄ", "A"),
    ("ćčç", "c"),
    ("ĆČ", "C"),
    ("ďđð", "d"),
    ("ĎĐÐ", "D"),
    ("êëēęě", "e"),
    ("ÊËÈĒĘĚ", "E"),
    ("íîïī", "i"),
    ("ÍÎÏÌĪİ", "I"),
    ("łĺľ", "l"),
    ("ŁĹĽ", "L"),
    ("ńňņ", "n"),
    ("óôõōőº", "o"),
    ("ÓÔÕÒŌŐ", "O"),
    ("řŕ", "r"),
    ("śšşș", "s"),
    ("ŚŠŞȘ", "S"),
    ("ťţț", "t"),
    ("úûūůű", "u"),
    ("ÚÛÙŪŮŰ", "U"),
    ("źžżŹŽŻ", "z"),
    ("ýÿÝ", "y"),
    ("‘’‚‛`´", "'"),
    ("“”„«»", "\""),
    ("–—‐‑‒−~", "-"),
    ("[{", "("),
];

/// Whether a text is one line of the GSM 7-bit basic set.
pub fn is_basic(text: &str) -> bool {
    text.chars().all(|c| BASIC.contains(c))
}

/// The text in the basic set, on one line: letters with foreign marks lose the mark, line breaks and control
/// characters become a space, invisible and direction characters vanish, anything else becomes `?`.
pub fn basic(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if BASIC.contains(c) {
            out.push(c);
        } else if is_invisible(c) {
        } else if c.is_whitespace() || c.is_control() {
            out.push(' ');
        } else {
            out.push_str(stand_in(c));
        }
    }
    squeeze(&out)
}

/// The text on one line for mail, JSON, pages and the log: every script is kept; line breaks and control characters
/// become a space, invisible and direction characters vanish.
pub fn one_line(text: &str) -> String {
    let kept: String = text
        .chars()
        .filter(|c| !is_invisible(*c))
        .map(|c| if c.is_control() || c.is_whitespace() { ' ' } else { c })
        .collect();
    squeeze(&kept)
}

/// At most `most` characters; what is cut is marked by two full stops.
pub fn clip(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_owned();
    }
    let head: String = text.chars().take(most.saturating_sub(2)).collect();
    format!("{}..", head.trim_end())
}

fn stand_in(c: char) -> &'static str {
    match c {
        ']' | '}' => ")",
        '\\' | '|' => "/",
        '^' => "'",
        '°' => "",
        '€' => "EUR",
        '…' => "..",
        'œ' => "oe",
        'Œ' => "OE",
        _ => STAND_INS.iter().find(|(letters, _)| letters.contains(c)).map_or("?", |(_, plain)| plain),
    }
}

/// Characters that show nothing and can turn the reading direction: zero-width, bidi embedding, isolates, joiners,
/// tags and byte order marks.
fn is_invisible(c: char) -> bool {
    matches!(c,
        '\u{00ad}' | '\u{034f}' | '\u{061c}' | '\u{115f}' | '\u{1160}' | '\u{17b4}' | '\u{17b5}' | '\u{180e}'
        | '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{fe00}'..='\u{fe0f}'
        | '\u{feff}' | '\u{fff9}'..='\u{fffb}' | '\u{e0000}'..='\u{e0fff}')
}

fn squeeze(text: &str) -> String {
    text.split(' ').filter(|word| !word.is_empty()).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn the_set_has_its_128_places_less_escape_cr_and_lf() {
        assert_eq!(BASIC.chars().count(), 125);
        let mut sorted: Vec<char> = BASIC.chars().collect();
        sorted.sort_unstable();
        sorted.dedup();
        assert_eq!(sorted.len(), 125);
    }

    #[test]
    fn names_keep_what_a_text_can_carry() {
        for (name, wanted) in [
            ("2026-03", "2026-03"),
            ("Bay „north“ – 57 °C", "Bay \"north\" - 57 C"),
            ("Käthe Müller", "Käthe Müller"),
            ("Čapek\r\nBcc: all", "Capek Bcc: all"),
            ("a\u{202e}b\u{200b}c\u{feff}", "abc"),
            ("tab\there\u{0}", "tab here"),
            ("{heap}[1]|2", "(heap)(1)/2"),
            ("堆肥 🔥", "?? ?"),
            ("  spaced   out ", "spaced out"),
        ] {
            assert_eq!(basic(name), wanted, "{name:?}");
        }
    }

    #[test]
    fn one_line_keeps_every_script() {
        assert_eq!(one_line("堆肥\r\nX: y\u{2028}z\u{202e}"), "堆肥 X: y z");
    }

    #[test]
    fn clipping_marks_what_is_cut() {
        assert_eq!(clip("core-north", 10), "core-north");
        assert_eq!(clip("core-north-east", 10), "core-nor..");
    }

    proptest! {
        #[test]
        fn any_text_becomes_basic_and_stays_so(text in any::<String>()) {
            let once = basic(&text);
            prop_assert!(is_basic(&once), "{once:?}");
            prop_assert_eq!(basic(&once), once.clone());
            let line = one_line(&text);
            prop_assert!(!line.chars().any(|c| c.is_control() || is_invisible(c)), "{line:?}");
        }
    }
}
