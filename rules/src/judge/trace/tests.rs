use super::*;
use crate::ids::{PileId, SpotName, StandardId};
use crate::log::{LogEntry, LogEvent};
use crate::pile::{Material, Method, Pile, Settings, Spot, Zone};
use crate::standard::{Asks, MethodRule, Mode, Profile, Standard};
use crate::units::Span;

const COLD: f64 = 40.0;
const HOT: f64 = 80.0;
const GOOD: f64 = 60.0;

/// First and last hour, side, first and last hour by hand.
type Expected = (i64, i64, Side, Option<(i64, i64)>);

/// (hour, C, by hand), in order of time, and the pieces that they make.
type Case<'a> = (&'a [(i64, f64, bool)], &'a [Expected]);

#[test]
fn readings_on_one_side_without_a_gap_make_one_piece() {
    let cases: [Case; 8] = [
        (&[(0, GOOD, false), (4, GOOD, false), (8, GOOD, false)], &[(0, 8, Side::In, None)]),
        (&[(0, GOOD, false), (5, GOOD, false)], &[(0, 0, Side::In, None), (5, 5, Side::In, None)]),
        (&[(0, COLD, false), (50, COLD, false)], &[(0, 50, Side::Cold, None)]),
        (&[(0, HOT, false), (50, HOT, false)], &[(0, 50, Side::Hot, None)]),
        (
            &[(0, GOOD, false), (1, COLD, false), (2, HOT, false), (3, HOT, false)],
            &[(0, 0, Side::In, None), (1, 1, Side::Cold, None), (2, 3, Side::Hot, None)],
        ),
        // By hand 26 h are proven from the newest hand reading on, whoever reads next.
        (
            &[(0, GOOD, true), (26, GOOD, true), (29, GOOD, false), (52, GOOD, false)],
            &[(0, 52, Side::In, Some((0, 26)))],
        ),
        (
            &[(0, GOOD, true), (27, GOOD, true)],
            &[(0, 0, Side::In, Some((0, 0))), (27, 27, Side::In, Some((27, 27)))],
        ),
        (&[(0, GOOD, false), (2, GOOD, true), (3, GOOD, false)], &[(0, 3, Side::In, Some((2, 2)))]),
    ];
    for (readings, pieces) in cases {
        assert_eq!(traced(&[], readings), traced_as(pieces), "{readings:?}");
    }
}

#[test]
fn no_piece_spans_an_entry() {
    let readings = [(1, GOOD, false), (2, GOOD, false), (3, GOOD, false)];
    let one = |first, last| (first, last, Side::In, None);
    let cases: [(i64, &[_]); 5] = [
        (0, &[one(1, 3)]),
        (1, &[one(1, 1), one(2, 3)]),
        (2, &[one(1, 1), one(2, 2), one(3, 3)]),
        (3, &[one(1, 2), one(3, 3)]),
        (4, &[one(1, 3)]),
    ];
    for (turned, pieces) in cases {
        assert_eq!(traced(&[turned], &readings), traced_as(pieces), "turned at {turned}");
    }
}

#[test]
fn a_packed_day_gives_its_pieces_back_by_spot_and_range() {
    let frame = frame(&[]);
    let mut day = Day::new(&frame);
    day.add(&frame, 0, hour(1), &[(Celsius(GOOD), true)]);
    day.add(&frame, 1, hour(2), &[(Celsius(HOT), false)]);
    day.add(&frame, 0, hour(3), &[(Celsius(GOOD), false)]);
    day.add(&frame, 7, hour(3), &[(Celsius(GOOD), false)]); // no such spot
    let day = day.close();
    let piece = |side, first, last, by_hand| Piece { side, first: hour(first), last: hour(last), by_hand };
    let of = |spot, range| day.pieces(spot, range).collect::<Vec<_>>();
    let by_hand = Some((hour(1), hour(1)));
    assert_eq!(frame.ranges.len(), 2);
    assert_eq!(of(0, 0), [piece(Side::In, 1, 3, by_hand)]);
    assert_eq!(of(0, 1), [piece(Side::In, 1, 3, by_hand)]);
    assert_eq!(of(1, 0), [piece(Side::Hot, 2, 2, None)]);
    assert_eq!(of(1, 1), [piece(Side::In, 2, 2, None)]);
    assert_eq!(of(2, 0), []);
}

fn traced(turns: &[i64], readings: &[(i64, f64, bool)]) -> Vec<Piece> {
    let frame = frame(turns);
    let mut day = Day::new(&frame);
    for (at, c, by_hand) in readings {
        day.add(&frame, 0, hour(*at), &[(Celsius(*c), *by_hand)]);
    }
    day.close().pieces(0, 0).collect()
}

fn traced_as(pieces: &[Expected]) -> Vec<Piece> {
    let piece = |(first, last, side, hand): &Expected| Piece {
        side: *side,
        first: hour(*first),
        last: hour(*last),
        by_hand: hand.map(|(first, last)| (hour(first), hour(last))),
    };
    pieces.iter().map(piece).collect()
}

fn hour(hours: i64) -> At {
    At(1_777_593_600_000) + Span::hours(hours)
}

/// Two spots, built an hour before hour 0; ranges 55 to 77 C and from 55 C on.
fn frame(turns: &[i64]) -> Frame {
    let profile =
        |hi| Profile { lo: Celsius(55.0), hi, required: Span::days(3), mode: Mode::Consecutive, turns: 0 };
    let standard = Standard {
        id: StandardId::new("farm"),
        title: String::new(),
        clause: String::new(),
        meaning: String::new(),
        verified: true,
        rules: vec![MethodRule {
            methods: vec![Method::Windrow],
            profiles: vec![profile(Some(Celsius(77.0))), profile(None)],
        }],
        initial_cn: None,
        no_heat_for: Vec::new(),
        asks_curing: false,
        readings_per_day: None,
        asks: Asks::default(),
    };
    let spot =
        |name| Spot { name: SpotName::new(name), zone: Zone::Core, depth_in: None, watched_only: false };
    let pile = Pile {
        id: PileId::new("2026-07"),
        method: Method::Windrow,
        material: Material::Manure,
        built: hour(-1),
        initial_cn: None,
        standards: vec![standard.id.clone()],
        spots: vec![spot("heart"), spot("toe")],
        placements: Vec::new(),
        settings: Settings::default(),
    };
    let log: Vec<LogEntry> =
        turns.iter().map(|at| LogEntry { at: hour(*at), event: LogEvent::Turned }).collect();
    Frame::new(pile, vec![standard], &log)
}
