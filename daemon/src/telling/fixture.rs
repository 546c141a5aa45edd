//! The farm of the tests. Quillback Farm: Odile Marsh has a telephone and a mail address, Bram Okafor is the second
//! person. Quiet hours 21:00 to 06:30, reminders after 2 h.

use chrono::NaiveTime;
use heapward_rules::finding::Level;
use heapward_rules::units::{At, Span};

use super::wording::Site;
use crate::config::{ChannelConfig, ChannelKind, ContactConfig, DisplayUnit, TellingConfig};
use crate::model::time::parse_rfc3339;

pub(crate) const ZONE: chrono_tz::Tz = chrono_tz::America::New_York;

pub(crate) fn clock(text: &str) -> NaiveTime {
    NaiveTime::parse_from_str(text, "%H:%M").unwrap()
}

/// `12 14:20`: day of May 2026 and local time.
pub(crate) fn at(text: &str) -> At {
    let (day, time) = text.split_once(' ').unwrap();
    parse_rfc3339(&format!("2026-05-{day:0>2}T{time}:00-04:00")).unwrap()
}

pub(crate) fn telling() -> TellingConfig {
    let contact = |name: &str, addresses: &[(&str, &str)], second| ContactConfig {
        name: name.to_owned(),
        addresses: addresses.iter().map(|(c, a)| ((*c).to_owned(), (*a).to_owned())).collect(),
        from_level: Level::Act,
        second,
        quiet: None,
        summary_by: (!second).then(|| "mail".to_owned()),
    };
    TellingConfig {
        quiet_from: clock("21:00"),
        quiet_until: clock("06:30"),
        summary_at: clock("06:30"),
        remind_after: Span::hours(2),
        channels: ["phone", "mail"]
            .map(|name| ChannelConfig { name: name.to_owned(), kind: ChannelKind::Terminal })
            .to_vec(),
        contacts: vec![
            contact("odile", &[("phone", "5550100"), ("mail", "odile@quillback.example")], false),
            contact("bram", &[("phone", "5550101")], true),
        ],
        heartbeat: None,
    }
}

pub(crate) fn site() -> Site {
    Site { farm: "Quillback Farm".to_owned(), zone: ZONE, shows: DisplayUnit::Fahrenheit, page: None }
}

pub(crate) fn letter(text: &str) -> super::channel::Letter {
    super::channel::Letter {
        id: "0b".repeat(32),
        to: "odile".to_owned(),
        address: "+15550100".to_owned(),
        level: "act".to_owned(),
        subject: "pile 2026-03, core-north above 160 F".to_owned(),
        text: text.to_owned(),
        html: None,
        images: vec![],
        sent_at: at("12 14:20"),
    }
}
