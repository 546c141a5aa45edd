#!/usr/bin/env python3
"""A second judge of compost piles, to hold the one in `rules/` against: slow, plain, and written from the text of the
design alone, without a look at the other. Standard library only; exact arithmetic throughout.

    judge_reference.py PILE.toml READINGS.csv [--log LOG.csv]

Numbers such as 5.2.4 name a section of the design and a rule in it. Where its text admits two readings, these were
chosen; the first five matter most:

* A hand reading from before the pile was built counts as a reading and proves nothing.
* A spot has qualified *before* it was given up only if its own instant is strictly earlier.
* Any two readings prove what lies between them, not only neighbours: an added reading never shortens a run.
* The 15 days of a windrow are consecutive, except for `us-produce`, which says cumulative.
* A run that holds the spot's newest reading of all has not ended, even if its segment has.
* Nobody lags (no required spot, all given up, or all qualified but not together): `not-met`.
* A single reading in range is no run. An intersection of no length proves nothing.
* A cumulative run has no allowance: it ends at its last proven instant, and the next reading gives the reason.
* A segment's end after readings in range, in a trailing allowance, is `no-evidence`: the next reading decides.
* Under `together` the allowance of a turn begins with the earliest reading of the required spots not given up by
  then; a break stands under the first spot that has truly ended; `running` looks at the spots' own runs.
* `turns-close-together` looks at all turns since the pile was built, whatever the method and the lot.
* Two givings-up of a spot at one instant: the reason that is first in the alphabet, so that order changes nothing.
* Runs and qualifying instants are shown for all spots, required or not, given up or not; a spot given up keeps its
  breaks and its cautions.
* Equal values and fault values are compared exactly. -40 °C and 110 °C are not yet outside the sensor's range.
* A fault value is tested with the `near` of its own placement.
* Of probe readings equally near to a hand reading all have to agree with it.
* Overheating: of readings of a spot at one instant the hottest speaks for it; there is no longest gap in a series;
  every spot that ever showed 155 °F has to be below it.
"""

import argparse
import functools
import itertools
import json
import sys
from dataclasses import dataclass, field
from fractions import Fraction

from judge_files import DAY, HOUR, MINUTE, NEVER, Unreadable, fahrenheit, format_time
from judge_files import read_log, read_pile, read_readings

# Every temperature comparison has this tolerance in °C (5.5).
TOLERANCE = Fraction(1, 10**6)


def is_above(c, bound):
    return c > bound + TOLERANCE


def is_below(c, bound):
    return c < bound - TOLERANCE


def is_within(c, other, distance):
    return abs(c - other) <= distance + TOLERANCE


# === standards ===


@dataclass(frozen=True)
class Profile:
    lo: Fraction
    hi: Fraction | None
    required: int
    mode: str
    turns: int


def profiles_of(standard, method):
    def static(lo, days, hi=None):
        return Profile(fahrenheit(lo), hi and fahrenheit(hi), days * DAY, "consecutive", 0)

    def turned(mode, hi=None):
        return Profile(fahrenheit(131), hi and fahrenheit(hi), 15 * DAY, mode, 5)

    windrow = method == "windrow"
    match standard:
        case "us-organic":  # 7 CFR 205.203(c)(2)
            return [turned("consecutive", hi=170) if windrow else static(131, 3, hi=170)]
        case "us-organic-5021":  # NOP 5021: any method, no upper end
            return [static(131, 3)]
        case "us-biosolids" | "us-california" | "canada-ccme":
            return [turned("consecutive") if windrow else static(131, 3)]
        case "us-produce":  # 21 CFR 112.54(b)
            return [turned("cumulative") if windrow else static(131, 3)]
        case "eu-cmc3":  # Regulation (EU) 2019/1009, CMC 3: 70 °C, 65 °C, 60 °C or 55 °C
            return [static(158, 3), static(149, 5), static(140, 7), static(131, 14)]
    raise KeyError(standard)


# === 5.1: which readings count ===


@dataclass(eq=False)
class Reading:
    """`c` is calibrated. `state` is one of the names under `readings` in the answer."""

    source: str
    at: int
    reported: Fraction
    placement: object
    spot: str | None
    c: Fraction
    state: str | None = None

    @property
    def by_hand(self):
        return self.source.startswith("hand:")

    @property
    def near(self):
        return max(HOUR, 2 * (self.placement.every if self.placement else MINUTE))


def classify(pile, rows):
    """All readings, each with its state."""
    values = {}
    for source, at, reported in rows:
        values.setdefault((source, at), set()).add(reported)
    by_source = {}
    for (source, at), different in sorted(values.items()):
        readings = [placed(pile, source, at, reported) for reported in sorted(different)]
        if len(readings) > 1:  # rule 0
            for reading in readings:
                reading.state = "conflict"
        by_source.setdefault(source, []).extend(readings)
    for readings in by_source.values():
        classify_source(pile, [reading for reading in readings if reading.state is None])
    return [reading for readings in by_source.values() for reading in readings]


def placed(pile, source, at, reported):
    if source.startswith("hand:"):
        return Reading(source, at, reported, None, source.removeprefix("hand:"), reported)
    for placement in pile.placements:
        if placement.probe == source and placement.start <= at < placement.end:
            return Reading(source, at, reported, placement, placement.spot, reported + placement.offset)
    return Reading(source, at, reported, None, None, reported)


def classify_source(pile, readings):
    """Rules 1 to 5 for the readings of one source, in order of time."""
    previous, held = None, None  # the previous counting reading, and the one that waits for its confirmation
    for reading in readings:
        reading.state = state_before_jumps(pile, reading, previous)
        if reading.state is not None:
            continue
        if held is not None:
            confirmed = (
                reading.placement is held.placement
                and reading.at - held.at <= held.near
                and is_within(reading.c, held.c, 5)
            )
            held.state = "counting" if confirmed else "fault"
            previous = held if confirmed else previous
            held = None
        jumps = (
            previous is not None
            and previous.placement is reading.placement
            and reading.at - previous.at <= reading.near
            and not is_within(reading.c, previous.c, 15)
        )
        if jumps and not reading.by_hand:
            reading.state, held = "held", reading
        else:
            reading.state, previous = "counting", reading


def state_before_jumps(pile, reading, previous):
    """Rules 1 to 3; none for what goes on to rule 4."""
    if is_below(reading.c, -40) or is_above(reading.c, 110):
        return "fault"
    if reading.by_hand:
        return "counting"
    believed = (
        previous is not None and reading.at - previous.at <= reading.near and is_within(reading.c, previous.c, 10)
    )
    if reading.reported in pile.fault_values and not believed:
        return "fault"
    if reading.placement is None or reading.at < pile.built:
        return "unplaced"
    if reading.at - reading.placement.start < pile.settle:
        return "warming_up"
    return None


# === 5.2: stretches of time ===


def union(stretches):
    """In order of time, joined where they touch or overlap."""
    joined = []
    for start, end in sorted(stretches):
        if joined and start <= joined[-1][1]:
            joined[-1][1] = max(joined[-1][1], end)
        else:
            joined.append([start, end])
    return [(start, end) for start, end in joined]


def intersection(some, others):
    shared = [(max(a, c), min(b, d)) for a, b in some for c, d in others]
    return union((start, end) for start, end in shared if start < end)


@dataclass(eq=False)
class Instant:
    """The counting readings of one spot that share an instant: one (5.2.2)."""

    at: int
    temperatures: list
    by_hand: bool

    def is_cold(self, profile, guard):
        return any(is_below(c, profile.lo + guard) for c in self.temperatures)

    def is_hot(self, profile, guard):
        return profile.hi is not None and any(is_above(c, profile.hi - guard) for c in self.temperatures)

    def is_in_range(self, profile, guard):
        return not self.is_cold(profile, guard) and not self.is_hot(profile, guard)


@dataclass(eq=False)
class Segment:
    start: int
    end: int
    lot: int
    ended_by: str | None
    turns: list


@dataclass(eq=False)
class Run:
    """`start` and `last` are its first and last proven instant, `piece` proven time and allowances joined."""

    segment: Segment
    mode: str
    piece: tuple
    start: int
    last: int
    counted: int
    qualified_at: int | None

    def holds(self, at):
        return self.piece[0] <= at <= self.piece[1]


def runs_of(proven, allowances, segment, profile):
    """5.2.5."""
    if not proven:
        return []
    if profile.mode == "cumulative":
        pieces = [(proven[0][0], proven[-1][1])]
    else:
        pieces = union(proven + allowances)
    runs = []
    for piece in pieces:
        inside = [(start, end) for start, end in proven if piece[0] <= start and end <= piece[1]]
        if inside:
            runs.append(run_of(inside, piece, segment, profile))
    return runs


def run_of(inside, piece, segment, profile):
    start = inside[0][0]
    reached, missing = None, profile.required
    for begin, end in inside:
        if end - begin >= missing:
            reached = begin + missing
            break
        missing -= end - begin
    turns = [turn for turn in segment.turns if turn >= start and (profile.mode == "cumulative" or turn <= piece[1])]
    qualified_at = None
    if reached is not None and len(turns) >= profile.turns:
        qualified_at = max([reached, *turns[: profile.turns]])
    counted = sum(end - begin for begin, end in inside)
    return Run(segment, profile.mode, piece, start, inside[-1][1], counted, qualified_at)


def earliest(runs):
    return min((run.qualified_at for run in runs if run.qualified_at is not None), default=None)


def once(method):
    """Computes a method of the judge once for its arguments."""

    @functools.wraps(method)
    def wrapper(self, *arguments):
        key = (method.__name__, *arguments)
        if key not in self.known:
            self.known[key] = method(self, *arguments)
        return self.known[key]

    return wrapper


@dataclass(eq=False)
class Judge:
    pile: object
    rows: set
    log: list
    known: dict = field(default_factory=dict)

    def __post_init__(self):
        self.readings = classify(self.pile, self.rows)
        self.log = [entry for entry in self.log if entry[0] >= self.pile.built]
        self.order = {spot.name: spot.index for spot in self.pile.spots}
        self.required = [spot.name for spot in self.pile.spots if spot.required]
        self.instants = {name: self.instants_of(name) for name in self.order}
        self.turns = sorted({at for at, event, _ in self.log if event == "turned"})
        self.segments = self.cut_into_segments()
        self.present = self.segments[-1]
        self.given_up = {}
        for at, event, detail in self.log:
            if event == "spot-given-up":
                spot, reason = detail
                self.given_up[spot] = min(self.given_up.get(spot, (at, reason)), (at, reason))

    def instants_of(self, spot):
        together = {}
        for reading in self.readings:
            if reading.state == "counting" and reading.spot == spot:
                together.setdefault(reading.at, []).append(reading)
        return [
            Instant(at, [reading.c for reading in readings], any(reading.by_hand for reading in readings))
            for at, readings in sorted(together.items())
        ]

    def cut_into_segments(self):
        """5.2.1."""
        boundaries = {}
        if self.pile.method != "windrow":
            boundaries.update((at, "turned") for at in self.turns)
        boundaries.update((at, event) for at, event, _ in self.log if event == "material-added")
        segments, start, lot = [], self.pile.built, 0
        for end in [*sorted(boundaries), NEVER]:
            ended_by = boundaries.get(end)
            turns = [turn for turn in self.turns if start <= turn < end]
            segments.append(Segment(start, end, lot, ended_by, turns))
            start = end
            lot += ended_by == "material-added"
        return segments

    def present_lot(self):
        return [segment for segment in self.segments if segment.lot == self.present.lot]

    # -- one spot in one segment

    @once
    def instants_in(self, spot, segment):
        return [instant for instant in self.instants[spot] if segment.start <= instant.at < segment.end]

    @once
    def proven(self, spot, segment, profile):
        """5.2.2: the union over any two counting readings that prove."""
        readings = [
            (instant.at, instant.by_hand, instant.is_in_range(profile, self.pile.guard))
            for instant in self.instants_in(spot, segment)
        ]
        stretches = []
        for index, (first, first_by_hand, in_range) in enumerate(readings):
            if not in_range:
                continue
            for second, second_by_hand, in_range in readings[index + 1 :]:
                if not in_range:
                    break
                by_hand = first_by_hand or second_by_hand
                gap = second - first
                if gap <= self.pile.max_gap or (by_hand and gap <= self.pile.hand_gap):
                    stretches.append((first, second))
        return union(stretches)

    def allowances(self, segment, profile, spots_at):
        """5.2.4; `spots_at` gives the spots whose readings a turn looks back to."""
        if self.pile.method != "windrow":
            return []
        allowances = []
        for turn in segment.turns:
            starts = [self.allowance_start(spot, segment, turn, profile) for spot in spots_at(turn)]
            end = min(turn + self.pile.turn_allowance, segment.end)
            allowances.append((min(starts, default=turn), end))
        return allowances

    def allowance_start(self, spot, segment, turn, profile):
        """r of 5.2.4."""
        before = [instant for instant in self.instants[spot] if instant.at <= turn]
        if not before:
            return turn
        newest = before[-1]
        oldest = turn - (self.pile.hand_gap if newest.by_hand else self.pile.max_gap)
        good = newest.at >= max(segment.start, oldest) and newest.is_in_range(profile, self.pile.guard)
        return newest.at if good else turn

    @once
    def runs(self, spot, segment, profile):
        allowances = self.allowances(segment, profile, lambda turn: [spot])
        return runs_of(self.proven(spot, segment, profile), allowances, segment, profile)

    def qualified_in(self, spot, segment, profile):
        return earliest(self.runs(spot, segment, profile))

    def given_up_in(self, spot, segment):
        """When the spot was given up, as far as the segment is concerned (5.2.3)."""
        at = self.given_up.get(spot, (NEVER,))[0]
        return at if at < segment.end else None

    def some_spot_qualified_itself(self, segment, profile):
        for spot in self.required:
            own, given_up = self.qualified_in(spot, segment, profile), self.given_up_in(spot, segment)
            if own is not None and (given_up is None or own < given_up):
                return True
        return False

    # -- the pile (5.2.6)

    def reached(self, segment, profile):
        """(instant, the spot that held it up), or none."""
        if not self.some_spot_qualified_itself(segment, profile):
            return None
        if self.pile.agreement == "each":
            return self.reached_each(segment, profile)
        return self.reached_together(segment, profile)

    def reached_each(self, segment, profile):
        instants = []
        for spot in self.required:
            both = (self.qualified_in(spot, segment, profile), self.given_up_in(spot, segment))
            known = [at for at in both if at is not None]
            if not known:
                return None
            instants.append((min(known), spot))
        at = max(instant for instant, _ in instants)
        return at, next(spot for instant, spot in instants if instant == at)

    def reached_together(self, segment, profile):
        qualified = [run for run in self.common_runs(segment, profile) if run.qualified_at is not None]
        if not qualified:
            return None
        run = min(qualified, key=lambda run: run.qualified_at)
        for spot in self.required:
            begins = [start for start, _ in self.proven(spot, segment, profile)]
            if run.start in (*begins, self.given_up_in(spot, segment)):
                return run.qualified_at, spot
        return run.qualified_at, None

    @once
    def proven_or_given_up(self, spot, segment, profile):
        """A given-up spot proves everything from then on."""
        stretches = list(self.proven(spot, segment, profile))
        given_up = self.given_up_in(spot, segment)
        if given_up is not None:
            stretches.append((max(given_up, segment.start), segment.end))
        return union(stretches)

    @once
    def common_runs(self, segment, profile):
        if not self.required:
            return []
        proven = [(segment.start, segment.end)]
        for spot in self.required:
            proven = intersection(proven, self.proven_or_given_up(spot, segment, profile))
        given_up = [self.given_up_in(spot, segment) for spot in self.required]
        if None not in given_up:  # nothing is proven once the last is given up
            proven = intersection(proven, [(self.pile.built, max(given_up))])

        def spots_at(turn):
            return [spot for spot in self.required if self.given_up.get(spot, (NEVER,))[0] > turn]

        return runs_of(proven, self.allowances(segment, profile, spots_at), segment, profile)

    # -- breaks (5.2.7, 5.5)

    def has_ended(self, run, spot):
        if run.mode == "cumulative" and run.segment is self.present:
            return False
        instants = self.instants[spot]
        return not (instants and run.holds(instants[-1].at))

    def break_of(self, run, spot, profile):
        after = [instant for instant in self.instants_in(spot, run.segment) if instant.at > run.last]
        if not after:
            reason = run.segment.ended_by or "no-evidence"
        elif after[0].is_cold(profile, self.pile.guard):
            reason = "too-cold"
        elif after[0].is_hot(profile, self.pile.guard):
            reason = "too-hot"
        else:
            reason = "no-evidence"
        return run.piece[1], spot, reason

    def breaks(self, profile):
        breaks = []
        for segment in self.segments:
            if self.pile.agreement == "each":
                breaks += self.breaks_each(segment, profile)
            else:
                breaks += self.breaks_together(segment, profile)
        return sorted(breaks, key=lambda found: (found[0], self.order[found[1]]))

    def breaks_each(self, segment, profile):
        for spot in self.required:
            qualified = self.qualified_in(spot, segment, profile)
            for run in self.runs(spot, segment, profile):
                late = qualified is not None and run.start > qualified
                if run.qualified_at is None and not late and self.has_ended(run, spot):
                    yield self.break_of(run, spot, profile)

    def breaks_together(self, segment, profile):
        reached = self.reached(segment, profile)
        for run in self.common_runs(segment, profile):
            if run.qualified_at is not None or (reached is not None and run.start > reached[0]):
                continue
            ended = [
                spot
                for spot in self.required
                if any(end == run.last for _, end in self.proven_or_given_up(spot, segment, profile))
            ]
            if not ended:  # the last spot was given up there
                ended = [spot for spot in self.required if self.given_up_in(spot, segment) == run.last]
            spot = next((spot for spot in ended if self.has_ended(run, spot)), None)
            if spot is not None:
                yield self.break_of(run, spot, profile)

    # -- how far it has got (5.5)

    def lot_runs(self, spot, profile):
        return [run for segment in self.present_lot() for run in self.runs(spot, segment, profile)]

    def longest(self, spot, profile):
        return min(self.lot_runs(spot, profile), key=lambda run: (-run.counted, run.start), default=None)

    def longest_counted(self, spot, profile):
        run = self.longest(spot, profile)
        return run.counted if run else 0

    def open_run(self, spot, profile):
        instants = self.instants_in(spot, self.present)
        for run in self.runs(spot, self.present, profile):
            if profile.mode == "cumulative" or (instants and run.holds(instants[-1].at)):
                return run
        return None

    def lagging(self, profile):
        """Required spots neither given up nor qualified in the present segment, the one that lags most first."""

        def key(spot):
            run = self.open_run(spot, profile)
            return run.counted if run else 0, self.longest_counted(spot, profile), self.order[spot]

        lagging = [
            spot
            for spot in self.required
            if spot not in self.given_up and self.qualified_in(spot, self.present, profile) is None
        ]
        return sorted(lagging, key=key)

    def is_running(self, profile):
        lagging = self.lagging(profile)
        return bool(lagging) and all(self.open_run(spot, profile) for spot in lagging)

    def progress(self, profile):
        left = [spot for spot in self.required if spot not in self.given_up]
        shares = [Fraction(self.longest_counted(spot, profile), profile.required) for spot in left]
        return min(Fraction(1), min(shares, default=Fraction(0)))

    # -- cautions

    def unit_unconfirmed(self, spot):
        """5.1, end: hot from the first hour, or never below 45 °C, and no hand reading that confirms it."""
        counting = [reading for reading in self.readings if reading.state == "counting" and reading.spot == spot]
        by_probe = sorted((reading for reading in counting if not reading.by_hand), key=lambda reading: reading.at)
        if not by_probe:
            return False
        starts_hot = is_above(by_probe[0].c, 45) and by_probe[0].at - self.pile.built <= 24 * HOUR
        if not starts_hot and any(is_below(reading.c, 45) for reading in by_probe):
            return False
        for hand in (reading for reading in counting if reading.by_hand):
            distance = min(abs(reading.at - hand.at) for reading in by_probe)
            nearest = [reading for reading in by_probe if abs(reading.at - hand.at) == distance]
            if all(is_within(reading.c, hand.c, 5) and distance <= reading.near for reading in nearest):
                return False
        return True

    def cautions(self):
        cautions = [f"unit-unconfirmed:{spot}" for spot in self.required if self.unit_unconfirmed(spot)]
        if any(later - turn < 12 * HOUR for turn, later in itertools.pairwise(self.turns)):
            cautions.append("turns-close-together")
        return cautions

    # -- the answer (5.4)

    @once
    def outcome(self, standard):
        """Status, instant, the spot that held it up, and the profile that is shown."""
        profiles = profiles_of(standard, self.pile.method)
        reached = []
        for index, profile in enumerate(profiles):
            found = (self.reached(segment, profile) for segment in self.present_lot())
            found = next((found for found in found if found is not None), None)
            if found is not None:
                reached.append((found[0], index, found[1]))
        if reached:
            at, index, held_up_by = min(reached, key=lambda found: found[:2])
            shown, status = profiles[index], "qualified"
            if standard == "us-organic" and not (self.pile.initial_cn and 25 <= self.pile.initial_cn <= 40):
                status = "temperature-met"
        else:
            shown = max(profiles, key=self.progress)
            at, held_up_by = None, next(iter(self.lagging(shown)), None)
            status = "running" if any(self.is_running(profile) for profile in profiles) else "not-met"
        if standard == "us-organic" and self.pile.material == "plant":
            status, at, held_up_by = "not-required", None, None
        return status, at, held_up_by, shown

    def verdict(self, standard):
        status, at, held_up_by, shown = self.outcome(standard)
        return {
            "standard": standard,
            "status": status,
            "at": format_time(at),
            "held_up_by": held_up_by,
            "cautions": self.cautions(),
            "spots": [self.spot_answer(spot, shown) for spot in self.pile.spots],
            "breaks": [
                {"at": format_time(at), "spot": spot, "reason": reason} for at, spot, reason in self.breaks(shown)
            ],
        }

    def spot_answer(self, spot, profile):
        qualified_at = earliest(self.lot_runs(spot.name, profile))
        run = self.longest(spot.name, profile)
        given_up = self.given_up.get(spot.name)
        if given_up is not None:
            given_up = {"at": format_time(given_up[0]), "reason": given_up[1]}
        return {
            "spot": spot.name,
            "required": spot.required,
            "qualified_at": format_time(qualified_at),
            "longest_run": run and self.run_answer(run, qualified_at),
            "given_up": given_up,
        }

    def run_answer(self, run, qualified_at):
        until = max(run.last, qualified_at or run.last)
        return {
            "start": format_time(run.start),
            "end": format_time(run.last),
            "counted_ms": run.counted,
            "turns": len([turn for turn in run.segment.turns if run.start <= turn <= until]),
        }

    def answer(self):
        counts = dict.fromkeys(("counting", "conflict", "fault", "unplaced", "warming_up", "held"), 0)
        for reading in self.readings:
            counts[reading.state] += 1
        watched = [spot.name for spot in self.pile.spots if spot.zone != "ambient"]
        return {
            "pile": self.pile.id,
            "verdicts": [self.verdict(standard) for standard in self.pile.standards],
            "readings": counts,
            "incidents": overheating({spot: self.instants[spot] for spot in watched}),
        }


# === 5.3: overheating ===

HOT, COOL = fahrenheit(160), fahrenheit(155)
OPENS_AFTER, CLOSES_AFTER = 15 * MINUTE, 30 * MINUTE


def unbroken(series, at, condition):
    """The newest readings of a series up to an instant that all meet a condition, in order of time."""
    stretch = []
    for instant, hottest in reversed(series):
        if instant > at:
            continue
        if not condition(hottest):
            break
        stretch.insert(0, instant)
    return stretch


def overheating(instants):
    """Incidents from the instants of each spot, in the file's order of spots."""
    series = {}
    for spot, of_spot in instants.items():
        series[spot] = [(instant.at, max(instant.temperatures)) for instant in of_spot]
    incidents = []
    for at in sorted({at for of_spot in series.values() for at, _ in of_spot}):
        if incidents and incidents[-1]["closed"] is None:
            if all(is_cool(of_spot, at) for of_spot in series.values()):
                incidents[-1]["closed"] = at
            continue
        for spot, of_spot in series.items():
            stretch = unbroken(of_spot, at, lambda c: is_above(c, HOT))
            if len(stretch) >= 2 and stretch[-1] == at and at - stretch[0] >= OPENS_AFTER:
                incidents.append({"opened": at, "closed": None, "since": stretch[0], "spot": spot})
                break
    return [incident_answer(incident, series) for incident in incidents]


def is_cool(series, at):
    """A spot that never showed 155 °F, or shows an unbroken series below it that is long enough."""
    if all(is_below(c, COOL) for instant, c in series if instant <= at):
        return True
    stretch = unbroken(series, at, lambda c: is_below(c, COOL))
    return bool(stretch) and stretch[-1] - stretch[0] >= CLOSES_AFTER


def incident_answer(incident, series):
    until = NEVER if incident["closed"] is None else incident["closed"]
    during = [c for of_spot in series.values() for at, c in of_spot if incident["since"] <= at <= until]
    return {
        "kind": "overheating",
        "opened": format_time(incident["opened"]),
        "closed": format_time(incident["closed"]),
        "peak_c": float(max(during)),
        "spot": incident["spot"],
    }


# === the command ===


def judge_files(pile_path, readings_path, log_path=None):
    """The answer, as the JSON of design 5.4."""
    pile = read_pile(pile_path)
    readings = read_readings(readings_path, pile)
    log = read_log(log_path, pile) if log_path else []
    return Judge(pile, readings, log).answer()


def main():
    parser = argparse.ArgumentParser(description="Judge files with the reference judge")
    parser.add_argument("pile")
    parser.add_argument("readings")
    parser.add_argument("--log")
    arguments = parser.parse_args()
    try:
        answer = judge_files(arguments.pile, arguments.readings, arguments.log)
    except Unreadable as error:
        print(error, file=sys.stderr)
        sys.exit(2)
    print(json.dumps(answer, indent=1))


if __name__ == "__main__":
    main()
