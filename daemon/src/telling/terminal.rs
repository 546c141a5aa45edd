//! Texts and mails on the terminal, framed as they would arrive: for the demo.

use std::io::Write;
use std::sync::Mutex;

use chrono_tz::Tz;
use heapward_rules::units::At;

use super::channel::{Channel, Failure, Letter, Sending};
use super::gsm;
use crate::model::time::local;

/// Columns inside the frame: readable on a terminal of 80.
const WIDTH: usize = 74;

pub struct TerminalChannel {
    out: Mutex<Box<dyn Write + Send>>,
    zone: Tz,
}

// === impl TerminalChannel ===

impl TerminalChannel {
    pub fn new(out: Box<dyn Write + Send>, zone: Tz) -> TerminalChannel {
        TerminalChannel { out: Mutex::new(out), zone }
    }
}

impl Channel for TerminalChannel {
    fn send<'a>(&'a self, letter: &'a Letter) -> Sending<'a> {
        Box::pin(async move {
            let framed = frame(letter, self.zone);
            let mut out = self.out.lock().map_err(|_| Failure::Later("terminal is in use".to_owned()))?;
            let written = out.write_all(framed.as_bytes()).and_then(|()| out.flush());
            written.map_err(|error| Failure::Later(format!("terminal: {error}")))
        })
    }
}

fn frame(letter: &Letter, zone: Tz) -> String {
    let is_mail = letter.address.contains('@');
    let kind = if is_mail { "mail" } else { "text" };
    let to = gsm::one_line(&format!("{} ({})", letter.to, letter.address));
    let mut lines = Vec::new();
    if is_mail {
        lines.push(format!("Subject: {}", gsm::one_line(&letter.subject)));
        lines.push(String::new());
    }
    lines.extend(letter.text.lines().map(gsm::one_line));
    let edge = "─".repeat(WIDTH + 2);
    let title = gsm::clip(&format!(" {kind} to {to}, {} ", clock(letter.sent_at, zone)), WIDTH);
    let top = format!("┌─{title}{}┐", "─".repeat((WIDTH + 1).saturating_sub(title.chars().count())));
    let wrapped = lines.iter().flat_map(|line| wrap(line));
    let pad = |row: &str| " ".repeat(WIDTH.saturating_sub(row.chars().count()));
    let rows: Vec<String> = wrapped.map(|row| format!("│ {row}{} │", pad(&row))).collect();
    let rows = rows.join("\n");
    format!("\n{top}\n{rows}\n└{edge}┘\n")
}

fn clock(at: At, zone: Tz) -> String {
    local(at, zone).format("%a %-d %b %H:%M").to_string()
}

/// Breaks a line at spaces, and a longer word where it must.
fn wrap(line: &str) -> Vec<String> {
    let mut rows = vec![String::new()];
    for word in line.split(' ') {
        let mut word: Vec<char> = word.chars().collect();
        loop {
            let row = rows.last_mut();
            let Some(row) = row else { break };
            let used = row.chars().count();
            let gap = usize::from(used > 0);
            if used + gap + word.len() <= WIDTH {
                row.extend(" ".repeat(gap).chars().chain(word));
                break;
            }
            if used == 0 {
                row.extend(word.drain(..WIDTH.min(word.len())));
            }
            rows.push(String::new());
        }
    }
    rows
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::telling::fixture::letter;

    #[test]
    fn a_text_and_a_mail_in_their_frames() {
        let text = letter(
            "Pile 2026-03: core-north 163 F, above 160 F since 14:20. Run the air longer or more often; water it if it \
             is dry. Steam scalds.",
        );
        let wanted = "
┌─ text to odile (+15550100), Tue 12 May 14:20 ──────────────────────────────┐
│ Pile 2026-03: core-north 163 F, above 160 F since 14:20. Run the air       │
│ longer or more often; water it if it is dry. Steam scalds.                 │
└────────────────────────────────────────────────────────────────────────────┘
";
        assert_eq!(frame(&text, chrono_tz::America::New_York), wanted);
        let mail = Letter { address: "odile@quillback.example".to_owned(), ..letter("One\n\nTwo\u{1b}[31m") };
        let framed = frame(&mail, chrono_tz::America::New_York);
        assert!(framed.contains("│ Subject: pile 2026-03, core-north above 160 F"), "{framed}");
        assert!(!framed.contains('\u{1b}'));
        for row in framed.lines().skip(1) {
            assert_eq!(row.chars().count(), WIDTH + 4, "{row}");
        }
    }

    #[test]
    fn a_word_longer_than_the_frame_is_cut() {
        let rows = wrap(&format!("a {} b", "x".repeat(200)));
        assert!(rows.iter().all(|row| row.chars().count() <= WIDTH));
        assert_eq!(rows.concat().matches('x').count(), 200);
    }
}
