//! Piles from building to move, as the rules would tell them.

use super::*;

/// A pile from its building to its move, as the rules would tell it: what happened, and what went to the telephone.
struct Season {
    happened: &'static [(Kind, Level, Change, &'static str, &'static str)],
    texts: &'static [&'static str],
}

/// Everything that a good pile brings forth by itself is for the summary, except two texts.
const GOOD: Season = Season {
    happened: &[
        (Kind::BatteryLow, Level::Note, Change::Opened, "2 09:00", "2 09:00"),
        (Kind::ProbeSilent, Level::Note, Change::Opened, "2 18:00", "2 18:00"),
        (Kind::ProbeSilent, Level::Note, Change::Closed, "2 18:40", "2 18:00"),
        (Kind::OverheatingAhead, Level::Note, Change::Opened, "4 12:00", "4 12:00"),
        (Kind::OverheatingAhead, Level::Note, Change::Closed, "4 20:00", "4 12:00"),
        // A dip with three hours counted costs nothing worth a text.
        (Kind::RunAtRisk, Level::Note, Change::Opened, "3 04:00", "3 04:00"),
        (Kind::RunAtRisk, Level::Note, Change::Closed, "3 09:00", "3 04:00"),
        (Kind::Qualified, Level::Note, Change::Opened, "7 02:10", "7 02:10"),
        (Kind::Drying, Level::Note, Change::Opened, "9 10:00", "9 10:00"),
        (Kind::Drying, Level::Note, Change::Closed, "11 10:00", "9 10:00"),
        (Kind::ReadyToMove, Level::Note, Change::Opened, "28 22:30", "28 22:30"),
        (Kind::ReadyToMove, Level::Note, Change::Closed, "29 15:00", "28 22:30"),
        (Kind::Reheating, Level::Note, Change::Opened, "30 15:00", "30 15:00"),
    ],
    texts: &["7 07:30 qualified opened", "29 06:30 ready-to-move opened"],
};

/// A bad one gets the right text at the right time.
const BAD: Season = Season {
    happened: &[
        (Kind::SlowToHeat, Level::Act, Change::Opened, "4 15:00", "4 15:00"),
        (Kind::SlowToHeat, Level::Act, Change::Closed, "5 19:00", "4 15:00"),
        (Kind::Overheating, Level::Act, Change::Opened, "7 23:10", "7 23:10"),
        (Kind::Overheating, Level::Urgent, Change::Worsened, "8 02:30", "7 23:10"),
        (Kind::Overheating, Level::Urgent, Change::Closed, "8 03:50", "7 23:10"),
        (Kind::RunAtRisk, Level::Act, Change::Opened, "9 10:00", "9 10:00"),
        (Kind::RunAtRisk, Level::Act, Change::Closed, "9 11:30", "9 10:00"),
        (Kind::BlowerOff, Level::Urgent, Change::Opened, "10 01:00", "10 01:00"),
        (Kind::BlowerOff, Level::Urgent, Change::Closed, "10 04:00", "10 01:00"),
        (Kind::SpotShort, Level::Act, Change::Opened, "11 21:30", "11 21:30"),
        (Kind::Drying, Level::Act, Change::Opened, "13 12:00", "13 12:00"),
    ],
    texts: &[
        "4 15:00 slow-to-heat opened",
        "8 02:30 overheating worsened-urgent",
        "8 06:30 overheating all-clear",
        "8 06:30 overheating opened",
        "9 10:00 run-at-risk opened",
        "9 11:30 run-at-risk all-clear",
        "10 03:00 blower-off opened",
        "10 06:30 blower-off all-clear",
        "12 06:30 spot-short opened",
        "13 12:00 drying opened",
    ],
};

#[test]
fn a_good_pile_costs_two_texts_and_a_bad_one_the_right_ones() {
    for season in [GOOD, BAD] {
        let mut farm = Farm::at("1 15:00");
        let mut happened = season.happened.to_vec();
        happened.sort_by_key(|(_, _, _, when, _)| at(when));
        for (kind, level, change, when, opened) in happened {
            farm.until(when);
            farm.take(&finding(kind, level, change, when, opened));
        }
        farm.until("31 12:00");
        assert_eq!(farm.told("odile", "phone"), season.texts);
        assert_eq!(farm.told("bram", "phone"), Vec::<String>::new());
    }
}
