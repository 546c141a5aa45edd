//! A season of Quillback Farm from a seed, through the real recorder and store: however the messages are cut,
//! repeated, delayed and interrupted, the verdicts are the same, and so are the incidents unless something was late.
//!
//! `HEAPWARD_SEEDS` names the seeds (`HEAPWARD_SEEDS=17,18`); a seed and a commit replay a failure exactly.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test that cannot go on fails")]

mod faults;
mod house;
mod moments;
mod stories;
mod tape;
mod texts;

use heapward::demo::chance::Chance;
use heapward_rules::units::Span;

use house::{House, Outcome};
use tape::{Item, Step, Tape};

const DAYS: i64 = 16;

fn seeds() -> Vec<u64> {
    let named = std::env::var("HEAPWARD_SEEDS").unwrap_or_else(|_| "1,2".to_owned());
    named
        .split(',')
        .map(|seed| seed.trim().parse().expect("HEAPWARD_SEEDS: numbers with commas between"))
        .collect()
}

/// Plays a tape into a new house, stopped and opened again before the steps of these numbers.
async fn play(steps: &[Step], restarts: &[usize]) -> Outcome {
    // Nothing is pulled out here: memory will do, where the system has a folder in it.
    let memory = std::path::Path::new("/dev/shm");
    let dir = if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() }.unwrap();
    let mut house = House::open(dir.path(), steps[0].at);
    for (number, step) in steps.iter().enumerate() {
        if restarts.contains(&number) {
            house.stop().await;
            house = House::open(dir.path(), steps[number - 1].at);
        }
        house.take(step).await;
    }
    let outcome = house.outcome().await;
    house.stop().await;
    outcome
}

/// Readings handed in by the hour.
fn by_hour(tape: &Tape) -> Vec<Step> {
    let mut steps: Vec<Step> = Vec::new();
    for step in &tape.steps {
        let hour = |at: heapward_rules::units::At| at.0.div_euclid(Span::hours(1).0);
        match (steps.last_mut(), &step.item) {
            (Some(Step { at, item: Item::Readings(kept) }), Item::Readings(more))
                if hour(*at) == hour(step.at) =>
            {
                kept.extend(more.iter().cloned());
                *at = step.at;
            }
            _ => steps.push(step.clone()),
        }
    }
    steps
}

/// Every message may come again, at once or much later.
fn repeated(tape: &Tape, chance: &mut Chance) -> Vec<Step> {
    let mut steps: Vec<Step> = Vec::new();
    for (number, step) in tape.steps.iter().enumerate() {
        steps.push(step.clone());
        if let Item::Readings(_) = step.item {
            if chance.happens(0.15) {
                steps.push(step.clone());
            }
            let earlier = usize::try_from(chance.below(500)).unwrap();
            if let Some(Step { item: Item::Readings(old), .. }) =
                tape.steps.get(number.saturating_sub(earlier))
                && chance.happens(0.15)
            {
                steps.push(Step { at: step.at, item: Item::Readings(old.clone()) });
            }
        }
    }
    steps
}

/// Gateways keep what they hear for up to a day, and send it in any order.
fn late(tape: &Tape, chance: &mut Chance) -> Vec<Step> {
    let mut steps: Vec<(i64, u64, Step)> = Vec::new();
    for step in &tape.steps {
        match &step.item {
            Item::Readings(readings) => {
                for reading in readings {
                    let held = if chance.happens(0.4) { chance.between(0.0, 24.0) } else { 0.0 };
                    #[expect(clippy::cast_possible_truncation, reason = "at most a day of minutes")]
                    let at = step.at + Span::minutes((held * 60.0) as i64);
                    let item = Item::Readings(vec![reading.clone()]);
                    steps.push((at.0, chance.next_u64(), Step { at, item }));
                }
            }
            _ => steps.push((step.at.0, 0, step.clone())),
        }
    }
    steps.sort_by_key(|(at, order, _)| (*at, *order));
    let tape = Tape { steps: steps.into_iter().map(|(_, _, step)| step).collect() };
    by_hour(&tape)
}

#[tokio::test(flavor = "multi_thread")]
async fn order_repetition_lateness_and_restarts_change_nothing() {
    for seed in seeds() {
        let tape = Tape::of_season(seed, DAYS);
        let mut chance = Chance::new(seed).branch("disorder");
        let plain = play(&tape.steps, &[]).await;
        assert!(plain.incidents.len() > 5, "seed {seed}: {:?}", plain.incidents);

        let hourly = by_hour(&tape);
        plain.assert_same(&play(&hourly, &[]).await, seed, "by the hour");
        let restarts: Vec<usize> =
            (0..6).map(|_| usize::try_from(1 + chance.below(hourly.len() as u64 - 1)).unwrap()).collect();
        plain.assert_same(&play(&hourly, &restarts).await, seed, &format!("restarts at {restarts:?}"));
        let repeated = by_hour(&Tape { steps: repeated(&tape, &mut chance) });
        plain.assert_same(&play(&repeated, &restarts).await, seed, "repeated");
        plain.assert_same_verdicts(&play(&late(&tape, &mut chance), &restarts).await, seed, "late");
    }
}
