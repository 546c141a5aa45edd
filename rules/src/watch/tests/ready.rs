use super::*;

fn check(script: &str, expected: &[&str]) {
    super::check(&[Kind::Qualified, Kind::ReadyToMove], script, expected);
}

const HOT: &str = "0d00:00..1d00:00/1h heart 60F..150F\n1d01:00..15d00:00/1h heart 150F..131F\n4d06:00 met\n";

#[test]
fn qualified_is_told_at_its_instant_and_taken_back_if_the_verdict_is() {
    check(
        "4d06:00 met\n5d00:00 unmet",
        &["4d06:00 Qualified pile opened act", "5d00:00 Qualified pile closed act"],
    );
}

#[test]
fn ready_is_qualified_old_cool_and_slow() {
    let qualified = "4d06:00 Qualified pile opened act";
    let cooling = format!("{HOT} 15d01:00..30d00:00/1h heart 131F..110F\n");
    check(&format!("{cooling} 0d00:00..30d00:00/1h toe 100F"), &[qualified]);
    let others = "4d07:00 give-up toe\n4d07:00 give-up south-side\n";
    check(&format!("{cooling} {others}"), &[qualified, "21d00:00 ReadyToMove pile opened act"]);
    check(
        &format!("{cooling} {others} 25d00:00 curing"),
        &[qualified, "21d00:00 ReadyToMove pile opened act", "25d00:00 ReadyToMove pile closed act"],
    );
    check(
        &format!(
            "{HOT} {others} 15d01:00..25d00:00/1h heart 131F..125F\n25d01:00..27d00:00/1h heart 125F..145F\n27d01:00..28d00:00/1h heart 145F"
        ),
        &[qualified, "21d00:00 ReadyToMove pile opened act", "27d00:00 ReadyToMove pile closed act"],
    );
}

#[test]
fn a_rebound_after_watering_says_that_it_was_dry() {
    let others = "4d07:00 give-up toe\n4d07:00 give-up south-side\n";
    check(
        &format!(
            "{HOT} {others} 15d01:00..19d00:00/1h heart 130F..112F\n19d00:00 watered
             19d01:00..20d00:00/1h heart 112F..124F\n20d01:00..30d00:00/1h heart 124F..110F"
        ),
        &["4d06:00 Qualified pile opened act", "29d00:00 ReadyToMove pile opened act"],
    );
}

#[test]
fn a_verdict_by_figures_from_memory_says_so() {
    let others = "4d07:00 give-up toe\n4d07:00 give-up south-side\n";
    let cooling = format!("{HOT} {others} 15d01:00..30d00:00/1h heart 131F..110F\n");
    for (script, from_memory) in [(cooling.clone(), false), (format!("0d01:00 from-memory\n{cooling}"), true)]
    {
        let found = play(Method::AeratedStatic, &script);
        let told: Vec<(Kind, bool)> = found
            .iter()
            .filter(|finding| matches!(finding.kind, Kind::Qualified | Kind::ReadyToMove))
            .map(|finding| (finding.kind, finding.figures.from_memory))
            .collect();
        assert_eq!(told, [(Kind::Qualified, from_memory), (Kind::ReadyToMove, from_memory)]);
    }
}

#[test]
fn what_was_not_met_is_not_ready_and_what_is_not_heard_takes_nothing_back() {
    let others = "4d07:00 give-up toe\n4d07:00 give-up south-side\n";
    let cool = "0d00:00..1d00:00/1h heart 60F..150F\n1d01:00..15d00:00/1h heart 150F..131F
        15d01:00..30d00:00/1h heart 131F..110F\n";
    let ready = "21d00:00 ReadyToMove pile opened act";
    check(&format!("{cool} {others}"), &[ready]);
    check(&format!("{cool} {others} 0d01:00 unmet"), &[]);
    check(&format!("{cool} {others} 30d01:00..36d00:00/1d tick"), &[ready]);
}
