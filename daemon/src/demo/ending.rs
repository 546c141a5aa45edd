//! The last lines of the demo: what came in, what was proven, what was told.

use std::fmt::Write as _;

use chrono_tz::Tz;
use heapward_rules::units::At;
use heapward_rules::verdict::{Judgement, Status};

use super::farm::BEGINS;
use super::scene::Scene;
use super::screen;
use crate::model::message::{Delivery, OutboxMessage};
use crate::run::Daemon;

/// Messages shown at the end; a long demo has told more.
const SHOWN_MAX: usize = 40;

pub fn summary(scene: &Scene, daemon: &Daemon, zone: Tz) -> String {
    let span = scene.now() - BEGINS;
    let (sent, acknowledged) = scene.messages();
    let mut out = format!("\n{} of a farm's life are over.\n", screen::days_and_hours(span));
    let _ = writeln!(
        out,
        "{sent} messages were published, {acknowledged} acknowledged, each after its readings were on the disk."
    );
    for view in daemon.handle.views() {
        let _ = writeln!(out, "  {}", verdict(&view.pile.id, &view.judgement, zone));
    }
    match daemon.reader.messages(None, 1_000) {
        Ok(messages) => told(&mut out, &messages, zone),
        Err(problem) => {
            let _ = writeln!(out, "What was told can't be read: {problem}");
        }
    }
    out
}

fn verdict(pile: &str, judgement: &Judgement, zone: Tz) -> String {
    let Some(verdict) = judgement.verdicts.first() else { return format!("{pile}: not judged") };
    match (verdict.status, verdict.at) {
        (Status::Qualified, Some(at)) => {
            format!("{pile}  qualified under {} on {}", verdict.standard, screen::day_and_time(at, zone))
        }
        _ => format!("{pile}  {} ({})", screen::proven(verdict), verdict.standard),
    }
}

/// What went out, oldest first.
fn told(out: &mut String, messages: &[OutboxMessage], zone: Tz) {
    let mut sent: Vec<(At, &OutboxMessage)> = messages
        .iter()
        .filter_map(|message| match message.delivery {
            Delivery::Sent { at_ms } => Some((At(at_ms), message)),
            _ => None,
        })
        .collect();
    sent.sort_by_key(|(at, message)| (*at, message.id.clone()));
    let mails = sent.iter().filter(|(_, message)| is_mail(message)).count();
    let _ = writeln!(out, "Told: {} texts and {mails} mails.", sent.len() - mails);
    for (at, message) in sent.iter().rev().take(SHOWN_MAX).rev() {
        let kind = if is_mail(message) { "mail" } else { "text" };
        let words = if is_mail(message) { &message.subject } else { &message.text };
        let _ = writeln!(out, "{}", screen::row(*at, zone, &format!("{kind}  {words}")));
    }
}

fn is_mail(message: &OutboxMessage) -> bool {
    message.channel == "mail"
}
