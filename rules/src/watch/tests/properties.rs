use proptest::prelude::*;

use super::*;

/// A line of a random script: minutes since the line before, kind, spot and a value.
fn steps() -> impl Strategy<Value = Vec<(i64, u8, usize, f64)>> {
    prop::collection::vec((0_i64..240, 0_u8..40, 0..SPOTS.len(), -10.0..95.0_f64), 1..120)
}

/// Temperatures that wander, with everything else that may happen between them.
fn script(steps: &[(i64, u8, usize, f64)]) -> Vec<Event> {
    let mut at = At(0);
    let mut told = Told::default();
    let mut now = [50.0_f64; SPOTS.len()];
    let mut events = Vec::new();
    for (minutes, kind, spot, value) in steps {
        at = at + Span::minutes(*minutes);
        let name = SPOTS[*spot].0;
        now[*spot] = (now[*spot] + (value - 42.0) / 8.0).clamp(-10.0, 95.0);
        let (temperature, percent) = (format!("{}C", now[*spot]), format!("{}", value.abs()));
        let words: Vec<&str> = match kind {
            0 => vec!["turned"],
            1 => vec!["watered"],
            2 => vec!["material-added"],
            3 => vec!["curing"],
            4 => vec!["run", name, "40h"],
            5 => vec!["qualified", name],
            6 => vec!["met"],
            7 => vec!["unmet"],
            8 => vec!["give-up", name],
            9..=11 => vec!["fault", name, "85C"],
            12 | 13 => vec!["moisture", name, &percent],
            14 => vec!["battery", name, &percent],
            15 => vec!["blower", name, if *value > 40.0 { "1" } else { "0" }],
            16 => vec!["hand", name, &temperature],
            _ => vec![name, &temperature],
        };
        events.push(event(at, 0.0, &words, &mut told));
    }
    events
}

fn all(watch: &mut Watch, events: &[Event]) -> Vec<Finding> {
    events.iter().flat_map(|event| watch.step(event)).collect()
}

proptest! {
    #[test]
    fn the_same_events_give_the_same_findings_however_often_the_time_is_told(
        steps in steps(), ticks in prop::collection::vec(0_i64..60, 0..200),
    ) {
        let events = script(&steps);
        let plain = all(&mut Watch::new(&pile(Method::AeratedStatic), &Params::default()), &events);
        let again = all(&mut Watch::new(&pile(Method::AeratedStatic), &Params::default()), &events);
        prop_assert_eq!(&plain, &again);

        let mut ticked = Watch::new(&pile(Method::AeratedStatic), &Params::default());
        let mut found = Vec::new();
        let mut ticks = ticks.iter().cycle();
        for pair in events.windows(2) {
            found.extend(ticked.step(&pair[0]));
            let mut at = pair[0].at();
            for minutes in ticks.by_ref() {
                at = at + Span::minutes(*minutes + 1);
                if at > pair[1].at() {
                    break;
                }
                found.extend(ticked.step(&Event::Tick(at)));
            }
        }
        found.extend(events.last().map(|last| ticked.step(last)).unwrap_or_default());
        prop_assert_eq!(found, plain);
    }

    #[test]
    fn an_incident_opens_once_only_worsens_and_ends_after_it_began(steps in steps()) {
        let events = script(&steps);
        let mut watch = Watch::new(&pile(Method::AeratedStatic), &Params::default());
        let mut open: BTreeMap<Subject, Finding> = BTreeMap::new();
        for event in &events {
            for finding in watch.step(event) {
                let subject = (finding.kind, finding.spot.clone(), finding.probe.clone());
                prop_assert!(finding.at >= finding.opened);
                match finding.change {
                    Change::Opened => prop_assert!(open.insert(subject, finding).is_none()),
                    Change::Worsened => {
                        let before = open.insert(subject, finding.clone());
                        prop_assert!(before.is_some_and(|b| b.level < finding.level && b.opened == finding.opened));
                    }
                    Change::Closed => {
                        let before = open.remove(&subject);
                        prop_assert!(before.is_some_and(|b| b.level == finding.level && b.opened == finding.opened));
                    }
                }
            }
            prop_assert!(watch.next_deadline().is_none_or(|deadline| deadline > event.at()));
        }
        let left: Vec<&Finding> = watch.open().collect();
        prop_assert_eq!(left, open.values().collect::<Vec<_>>());
    }

    #[test]
    fn late_readings_open_and_close_nothing(steps in steps(), late in steps()) {
        let mut events = script(&steps);
        let end = events.last().map_or(At(0), Event::at) + Span::days(9);
        events.push(Event::Tick(end));
        let mut watch = Watch::new(&pile(Method::AeratedStatic), &Params::default());
        all(&mut watch, &events);
        let open: Vec<Finding> = watch.open().cloned().collect();
        let past = script(&late).into_iter().filter(|event| {
            matches!(event, Event::Reading(seen) if end - seen.at > Span::hours(2) && seen.class == Class::Counts)
        });
        let past: Vec<Event> = past.collect();
        prop_assert_eq!(all(&mut watch, &past), vec![]);
        prop_assert_eq!(watch.open().cloned().collect::<Vec<_>>(), open);
    }
}
