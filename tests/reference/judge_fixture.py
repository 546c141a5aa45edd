#!/usr/bin/env python3
"""Writes the cases of `tests/data/cases` that can be read as one JSON file for the tests of `rules/`.

    judge_fixture.py > tests/data/judge_cases.json

`rules/` reads neither TOML nor CSV. Instants are UTC milliseconds here; those of a series of readings are written as
the first one and the distance of each next. Values stay text, so that no digit is lost. Beside what `expected.json`
says there is what only the watch sees of a verdict: the open run of each spot, what the shown profile requires, and,
as one letter for each reading in `states`, what the reference judge made of it.
"""

import itertools
import json
import os
import sys
from fractions import Fraction

from judge_cases import FILES
from judge_files import METHODS, NEVER, RFC3339, STANDARDS, fahrenheit, parse_number, parse_rfc3339, parse_time
from judge_files import read_log, read_pile, read_readings, table_rows
from judge_reference import Judge, profiles_of

CASES = os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "data", "cases")
LETTERS = {"counting": "c", "conflict": "x", "fault": "f", "unplaced": "u", "warming_up": "w", "held": "h"}


def standards():
    """The ranges are in °F, whole numbers all of them."""
    return [
        {
            "id": standard,
            "profiles": {method: [profile(found) for found in profiles_of(standard, method)] for method in METHODS},
            "initial_cn": [25, 40] if standard == "us-organic" else None,
            "no_heat_for": ["plant"] if standard == "us-organic" else [],
        }
        for standard in STANDARDS
    ]


def profile(found):
    def in_f(c):
        return None if c is None else float(c * Fraction(9, 5) + 32)

    return {
        "lo_f": in_f(found.lo),
        "hi_f": in_f(found.hi),
        "required": found.required,
        "mode": found.mode,
        "turns": found.turns,
    }


def case(name, expected):
    pile_path, readings_path, log_path = (os.path.join(CASES, name, file) for file in FILES)
    pile = read_pile(pile_path)
    log = read_log(log_path, pile)
    judge = Judge(pile, read_readings(readings_path, pile), log)
    verdicts = [with_inner_figures(judge, verdict) for verdict in expected["verdicts"]]
    return {
        "name": name,
        "pile": pile_facts(pile),
        "log": [[at, event, *(detail if event == "spot-given-up" else [])] for at, event, detail in log],
        "series": series(judge, readings_path),
        "expected": in_millis({**expected, "pile": name, "verdicts": verdicts}),
    }


def with_inner_figures(judge, verdict):
    *_, shown = judge.outcome(verdict["standard"])
    spots = []
    for spot in verdict["spots"]:
        run = judge.open_run(spot["spot"], shown)
        spots.append({**spot, "open_run": run and judge.run_answer(run, run.qualified_at)})
    return {**verdict, "spots": spots, "required": {"time": shown.required, "turns": shown.turns}}


def pile_facts(pile):
    durations = ("max_gap", "hand_gap", "turn_allowance", "settle")
    return {
        "method": pile.method,
        "material": pile.material,
        "built": pile.built,
        "initial_cn": pile.initial_cn and float(pile.initial_cn),
        "standards": pile.standards,
        # Watched only is what would have to heat by its zone and is not required.
        "spots": [[spot.name, spot.zone, spot.required] for spot in pile.spots],
        "placements": [
            {
                "probe": placement.probe,
                "spot": placement.spot,
                "from": placement.start,
                "until": None if placement.until == NEVER else placement.until,
                "every": placement.every,
                "offset_c": float(placement.offset),
            }
            for placement in pile.placements
        ],
        "settings": {
            **{key: getattr(pile, key) for key in durations},
            "guard": float(pile.guard),
            "agreement": pile.agreement,
            "fault_values": [float(value) for value in pile.fault_values],
        },
    }


def series(judge, readings_path):
    rows = set()
    for _, (time, source, value, unit) in table_rows(readings_path, ["time", "source", "value", "unit"]):
        if unit != "%":
            rows.add((source, unit, parse_time(time), value))
    in_c = {row: fahrenheit(parse_number(row[3])) if row[1] == "F" else parse_number(row[3]) for row in rows}
    states = {(reading.source, reading.at, reading.reported): LETTERS[reading.state] for reading in judge.readings}
    found = {}
    for row in sorted(rows, key=lambda row: (row[0], row[1], row[2], row[3])):
        source, unit, at, value = row
        one = found.setdefault((source, unit), {"source": source, "unit": unit, "at": [], "values": [], "states": ""})
        one["at"].append(at)
        one["values"].append(value)
        one["states"] += states[source, at, in_c[row]]
    for one in found.values():
        one["at"] = one["at"][:1] + [later - at for at, later in itertools.pairwise(one["at"])]
        one["values"] = " ".join(one["values"])
    return list(found.values())


def in_millis(answer):
    """Every instant of an answer as milliseconds."""
    if isinstance(answer, dict):
        return {key: in_millis(value) for key, value in answer.items()}
    if isinstance(answer, list):
        return [in_millis(value) for value in answer]
    if isinstance(answer, str) and RFC3339.fullmatch(answer):
        return parse_rfc3339(answer)
    return answer


def main():
    cases = []
    for name in sorted(os.listdir(CASES)):
        path = os.path.join(CASES, name, "expected.json")
        if os.path.exists(path):
            with open(path, encoding="utf-8") as file:
                expected = json.load(file)
            if "exit" not in expected:
                cases.append(case(name, expected))
    lines = ",\n".join(json.dumps(one, separators=(",", ":")) for one in cases)
    known = ",\n".join(json.dumps(one, separators=(",", ":")) for one in standards())
    sys.stdout.write(f'{{"standards":[\n{known}\n],\n"cases":[\n{lines}\n]}}\n')


if __name__ == "__main__":
    main()
