//! Whatever happens on a farm, nobody is troubled without need.

use proptest::prelude::*;

use super::*;

/// What can happen on a farm, for the property below.
#[derive(Clone, Debug)]
enum Happening {
    Opens(usize, usize, Level),
    Worsens(usize, Level),
    Ends(usize),
    Passes(i64),
    Muted(i64),
    Seen(usize),
}

fn happening() -> impl Strategy<Value = Happening> {
    let level = || prop::sample::select(vec![Level::Note, Level::Act, Level::Urgent, Level::Danger]);
    prop_oneof![
        3 => (0..KINDS.len(), 0..3_usize, level()).prop_map(|(kind, spot, level)| Happening::Opens(kind, spot, level)),
        2 => (any::<prop::sample::Index>(), level()).prop_map(|(at, level)| Happening::Worsens(at.index(64), level)),
        3 => any::<prop::sample::Index>().prop_map(|at| Happening::Ends(at.index(64))),
        6 => (1..400_i64).prop_map(Happening::Passes),
        1 => (1..300_i64).prop_map(Happening::Muted),
        1 => any::<prop::sample::Index>().prop_map(|at| Happening::Seen(at.index(64))),
    ]
}

const KINDS: [Kind; 7] = [
    Kind::Overheating,
    Kind::RunAtRisk,
    Kind::ProbeSilent,
    Kind::BlowerOff,
    Kind::Drying,
    Kind::Qualified,
    Kind::AllSilent,
];

impl Farm {
    fn open_one(&self, index: usize) -> Option<Incident> {
        let open: Vec<&Incident> = self.incidents.iter().filter(|i| i.closed_ms.is_none()).collect();
        if open.is_empty() { None } else { Some(open[index % open.len()].clone()) }
    }

    fn happens(&mut self, happening: &Happening) {
        match happening {
            Happening::Opens(kind, spot, level) => {
                let now = self.now;
                let mut matter = opened(KINDS[*kind], *level, "1 00:00");
                (matter.at, matter.opened) = (now, now);
                matter.spot = Some(format!("spot-{spot}"));
                self.take(&matter);
            }
            Happening::Worsens(index, level) => {
                if let Some(matter) = self.open_one(*index).and_then(|i| Matter::closing(&i, self.now)) {
                    let level = (*level).max(matter.level);
                    self.take(&Matter { change: Change::Worsened, level, ..matter });
                }
            }
            Happening::Ends(index) => {
                if let Some(matter) = self.open_one(*index).and_then(|i| Matter::closing(&i, self.now)) {
                    self.take(&matter);
                }
            }
            Happening::Passes(minutes) => {
                for _ in 0..*minutes {
                    self.now = self.now + Span::minutes(1);
                    let scene =
                        Scene { now: self.now, recent: &self.incidents, mutes: &self.mutes, unreached: &[] };
                    for told in self.teller.due(scene) {
                        self.keep(told);
                    }
                }
            }
            Happening::Muted(minutes) => {
                self.mutes.push(mute(self.now + Span::minutes(*minutes)));
            }
            Happening::Seen(index) => {
                if let Some(incident) = self.open_one(*index) {
                    let seen = self.teller.seen(&incident, self.now);
                    self.keep(Told { incident: seen, messages: vec![] });
                }
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    /// Whatever happens: no message twice, none in quiet hours that may wait, an all-clear only to who was told and
    /// once, danger at once and to everybody, and no more reminders than the pauses allow.
    #[test]
    fn nobody_is_troubled_without_need(script in prop::collection::vec(happening(), 1..40)) {
        let mut farm = Farm::at("12 06:00");
        for happening in &script {
            farm.happens(happening);
        }
        let mut ids: Vec<&str> = farm.messages.iter().map(|message| message.id.as_str()).collect();
        ids.sort_unstable();
        let count = ids.len();
        ids.dedup();
        prop_assert_eq!(ids.len(), count, "a message was written twice");
        let quiet = farm.teller.book().quiet();
        for incident in &farm.incidents {
            let told: Vec<&Telling> = incident.tellings.iter().filter(|t| !t.messages.is_empty()).collect();
            let steps: Vec<&str> = told.iter().map(|telling| telling.step.as_str()).collect();
            let topic = Topic::parse(&incident.kind).unwrap();
            for telling in &told {
                let level = parse_level(&telling.level);
                let may_wait = Moment::of(topic, level, None).when < When::Now || telling.step == "all-clear";
                let at = At(telling.at_ms);
                prop_assert!(!(may_wait && quiet.contains(at, ZONE)), "{} {}", incident.id, telling.step);
            }
            let clears = steps.iter().filter(|step| **step == "all-clear").count();
            prop_assert!(clears <= 1 && (clears == 0 || steps.len() > 1), "{steps:?}");
            if parse_level(&incident.level) == Level::Danger && topic == Topic::Pile(Kind::Overheating) {
                let contacts = farm.messages.iter().filter(|m| m.incident.as_ref() == Some(&incident.id));
                let bram = contacts.filter(|m| m.contact == "bram").count();
                prop_assert!(bram >= 1, "{} was not told to everybody", incident.id);
            }
            let open_for = farm.now - At(incident.opened_ms);
            let reminders = steps.iter().filter(|step| step.starts_with("reminder")).count();
            let most = usize::try_from(open_for.0 / Span::minutes(15).0).unwrap() + 1;
            prop_assert!(reminders <= most.min(10 + most / 8), "{reminders} in {open_for}");
        }
    }
}
