//! Four weeks with a clock that is wrong again and again, in any order: no reading is lost, dated twice or dated wrong.

use proptest::prelude::*;

use super::*;

/// A probe without a clock reports twice an hour.
const EVERY: Span = Span::minutes(30);
const FOUR_WEEKS: usize = 28 * 48;

/// For some readings the clock is right, then for some it is wrong.
#[derive(Clone, Debug)]
struct Stretch {
    right: usize,
    wrong: usize,
    how: How,
}

#[derive(Clone, Copy, Debug)]
enum How {
    /// Not set, and anywhere: a boot without a time service.
    NotSet(i64),
    /// Believed, and behind by more than the stretch is long.
    Back,
    /// Believed, and days ahead.
    Ahead(i64),
}

fn stretches() -> impl Strategy<Value = Vec<Stretch>> {
    let how = prop_oneof![
        (-20_000_i64 * 1_440..400 * 1_440).prop_map(How::NotSet),
        Just(How::Back),
        (2_i64..4_000).prop_map(How::Ahead),
    ];
    let stretch =
        (1_usize..60, 1_usize..60, how).prop_map(|(right, wrong, how)| Stretch { right, wrong, how });
    prop::collection::vec(stretch, 20..40)
}

async fn four_weeks(stretches: Vec<Stretch>) {
    let mut house = house(At::MIN);
    let (mut now, mut published, mut stored) = (NOON, 0, Vec::new());
    'all: for Stretch { right, wrong, how } in stretches {
        for (readings, is_wrong) in [(right, false), (wrong, true)] {
            let off_by = match how {
                _ if !is_wrong => Span::ZERO,
                How::NotSet(minutes) => Span::minutes(minutes),
                How::Back => Span(-(i64::try_from(wrong).unwrap() + 2) * EVERY.0),
                How::Ahead(days) => Span::days(days),
            };
            house.clock.set_trusted(!is_wrong || !matches!(how, How::NotSet(_)));
            for _ in 0..readings {
                house.clock.advance(EVERY);
                now = now + EVERY;
                house.clock.step_to(now + off_by);
                house.send(&LIVE, "k1", &format!(r#"{{"c":{published}}}"#)).await;
                published += 1;
                if published == FOUR_WEEKS {
                    break 'all;
                }
            }
            let handed_in = house.readings().await;
            assert!(!is_wrong || handed_in.is_empty(), "dated by a wrong clock: {handed_in:?}");
            stored.extend(handed_in);
        }
    }
    house.clock.step_to(now);
    house.clock.set_trusted(true);
    house.clock.advance(Span::minutes(1));
    stored.extend(house.readings().await);
    let wanted: Vec<String> = (0..published)
        .map(|n| format!("k1 {n} {}", rfc3339(NOON + Span(EVERY.0 * (i64::try_from(n).unwrap() + 1)))))
        .collect();
    assert_eq!(stored, wanted);
    assert_eq!(usize::try_from(house.acked()).unwrap(), published);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(500))]
    #[test]
    fn whatever_the_clock_does_every_reading_is_dated_when_it_came(stretches in stretches()) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build().unwrap();
        runtime.block_on(four_weeks(stretches));
    }
}
