//! Times as PDF readers have it: which byte is which letter, and how wide each is.

/// The two cuts that are used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Face {
    Regular,
    Bold,
}

/// Widths of the bytes 32 to 255 in Windows Latin 1, in thousandths of the size: the metrics of Times-Roman, which free
/// metric-compatible fonts share.
#[rustfmt::skip]
const REGULAR: [u16; 224] = [
    250, 333, 408, 500, 500, 833, 778, 180, 333, 333, 500, 564, 250, 333, 250, 278,
    500, 500, 500, 500, 500, 500, 500, 500, 500, 500, 278, 278, 564, 564, 564, 444,
    921, 722, 667, 667, 722, 611, 556, 722, 722, 333, 389, 722, 611, 889, 722, 722,
    556, 722, 667, 556, 611, 722, 722, 944, 722, 722, 611, 333, 278, 333, 469, 500,
    333, 444, 500, 444, 500, 444, 333, 500, 500, 278, 278, 500, 278, 778, 500, 500,
    500, 500, 333, 389, 278, 500, 500, 722, 500, 500, 444, 480, 200, 480, 541, 0,
    500, 0, 333, 500, 444, 1000, 500, 500, 333, 1000, 556, 333, 889, 0, 611, 0,
    0, 333, 333, 444, 444, 350, 500, 1000, 333, 980, 389, 333, 722, 0, 444, 722,
    250, 333, 500, 500, 500, 500, 200, 500, 333, 760, 276, 500, 564, 333, 760, 500,
    400, 549, 300, 300, 333, 576, 453, 250, 333, 300, 310, 500, 750, 750, 750, 444,
    722, 722, 722, 722, 722, 722, 889, 667, 611, 611, 611, 611, 333, 333, 333, 333,
    722, 722, 722, 722, 722, 722, 722, 564, 722, 722, 722, 722, 722, 722, 556, 500,
    444, 444, 444, 444, 444, 444, 667, 444, 444, 444, 444, 444, 278, 278, 278, 278,
    500, 500, 500, 500, 500, 500, 500, 549, 500, 500, 500, 500, 500, 500, 500, 500,
];

/// The same of Times-Bold.
#[rustfmt::skip]
const BOLD: [u16; 224] = [
    250, 333, 555, 500, 500, 1000, 833, 278, 333, 333, 500, 570, 250, 333, 250, 278,
    500, 500, 500, 500, 500, 500, 500, 500, 500, 500, 333, 333, 570, 570, 570, 500,
    930, 722, 667, 722, 722, 667, 611, 778, 778, 389, 500, 778, 667, 944, 722, 778,
    611, 778, 722, 556, 667, 722, 722, 1000, 722, 722, 667, 333, 278, 333, 581, 500,
    333, 500, 556, 444, 556, 444, 333, 500, 556, 278, 333, 556, 278, 833, 556, 500,
    556, 556, 444, 389, 333, 556, 500, 722, 500, 500, 444, 394, 220, 394, 520, 0,
    500, 0, 333, 500, 500, 1000, 500, 500, 333, 1000, 556, 333, 1000, 0, 667, 0,
    0, 333, 333, 500, 500, 350, 500, 1000, 333, 1000, 389, 333, 722, 0, 444, 722,
    250, 333, 500, 500, 500, 500, 220, 500, 333, 747, 300, 500, 570, 333, 747, 500,
    400, 549, 300, 300, 333, 576, 540, 250, 333, 300, 330, 500, 750, 750, 750, 500,
    722, 722, 722, 722, 722, 722, 1000, 722, 667, 667, 667, 667, 389, 389, 389, 389,
    722, 722, 778, 778, 778, 778, 778, 570, 778, 722, 722, 722, 722, 722, 611, 556,
    500, 500, 500, 500, 500, 500, 722, 444, 444, 444, 444, 444, 278, 278, 278, 278,
    500, 556, 500, 500, 500, 500, 500, 549, 500, 556, 556, 556, 556, 500, 556, 500,
];

/// Letters of Windows Latin 1 that are elsewhere in Unicode, with their bytes.
const ELSEWHERE: [(char, u8); 27] = [
    ('\u{20ac}', 0x80),
    ('\u{201a}', 0x82),
    ('\u{192}', 0x83),
    ('\u{201e}', 0x84),
    ('\u{2026}', 0x85),
    ('\u{2020}', 0x86),
    ('\u{2021}', 0x87),
    ('\u{2c6}', 0x88),
    ('\u{2030}', 0x89),
    ('\u{160}', 0x8a),
    ('\u{2039}', 0x8b),
    ('\u{152}', 0x8c),
    ('\u{17d}', 0x8e),
    ('\u{2018}', 0x91),
    ('\u{2019}', 0x92),
    ('\u{201c}', 0x93),
    ('\u{201d}', 0x94),
    ('\u{2022}', 0x95),
    ('\u{2013}', 0x96),
    ('\u{2014}', 0x97),
    ('\u{2dc}', 0x98),
    ('\u{2122}', 0x99),
    ('\u{161}', 0x9a),
    ('\u{203a}', 0x9b),
    ('\u{153}', 0x9c),
    ('\u{17e}', 0x9e),
    ('\u{178}', 0x9f),
];

/// A text in the bytes of the font; a letter that it does not have becomes `?`.
pub fn bytes(text: &str) -> Vec<u8> {
    text.chars().map(byte).collect()
}

fn byte(letter: char) -> u8 {
    let elsewhere = || ELSEWHERE.iter().find(|(other, _)| *other == letter).map(|(_, byte)| *byte);
    match u8::try_from(letter) {
        Ok(byte @ (32..=126 | 160..=255)) => byte,
        _ => elsewhere().unwrap_or(b'?'),
    }
}

/// Width of a text in points.
pub fn width(text: &str, face: Face, size: f32) -> f32 {
    let widths = match face {
        Face::Regular => &REGULAR,
        Face::Bold => &BOLD,
    };
    let of = |letter: char| {
        let index = usize::from(byte(letter)).saturating_sub(32);
        f32::from(widths.get(index).copied().unwrap_or(500))
    };
    text.chars().map(of).sum::<f32>() * size / 1_000.0
}

/// Breaks a text into lines of at most `room` points; a word that is longer than a line is cut.
pub fn lines(text: &str, face: Face, size: f32, room: f32) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        let longer = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
        if width(&longer, face, size) <= room {
            line = longer;
            continue;
        }
        if !line.is_empty() {
            lines.push(std::mem::take(&mut line));
        }
        for letter in word.chars() {
            line.push(letter);
            if width(&line, face, size) > room && line.chars().count() > 1 {
                line.pop();
                lines.push(std::mem::replace(&mut line, letter.to_string()));
            }
        }
    }
    if !line.is_empty() || lines.is_empty() {
        lines.push(line);
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn letters_of_the_font_and_others() {
        assert_eq!(bytes("72 \u{b0}F \u{2013} B\u{e9}la \u{141}\n"), b"72 \xb0F \x96 B\xe9la ??");
        // 722 + 444 + 444 thousandths: the metrics of Times.
        assert!((width("Aae", Face::Regular, 10.0) - 16.1).abs() < 0.01);
        assert!((width("Aae", Face::Bold, 10.0) - 16.66).abs() < 0.01);
    }

    #[test]
    fn lines_fit_and_lose_nothing() {
        let text = "core-north: no reading proves the time after 2026-05-02, and averyveryverylongwordwithoutanyblank";
        for room in [5.0, 30.0, 80.0, 400.0] {
            let lines = lines(text, Face::Regular, 9.0, room);
            let letters = |text: &str| text.chars().filter(|c| !c.is_whitespace()).collect::<String>();
            assert_eq!(letters(&lines.concat()), letters(text));
            for line in lines {
                assert!(width(&line, Face::Regular, 9.0) <= room || line.chars().count() == 1, "{line}");
            }
        }
        assert_eq!(lines("", Face::Regular, 9.0, 80.0), [""]);
    }
}
