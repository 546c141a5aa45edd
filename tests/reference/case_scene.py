"""A random pile for one generated case: its facts, its spots and who measures there. Readings and log come later."""

import random
from dataclasses import dataclass
from fractions import Fraction

from judge_files import HOUR, MINUTE, NEVER, STANDARDS, fahrenheit, format_time, parse_duration, parse_rfc3339

# Values at and around every bound that a rule names, as a probe or a person writes them.
LOW_END = "55.0C 131F 55C 54.9C 130.9F 54.999C 54.9999995C 54.99999C 55.00C 131.0F 130.99F".split()
HIGH_END = "170F 170.0F 76.67C 76.66C 76.6666666C 76.6666674C 76.66667C 170.1F 77C 78C 76.7C".split()
FAULT_VALUES = "85.0C 85C 185F 185.0F -127C -127.0C -196.6F".split()
PHYSICAL_ENDS = "110C 110.1C 230F -40C -40.1C -40F 150C 230.2F".split()
UNIT_BOUND = "45.0C 113F 45.1C 44.9C".split()
EU_ENDS = "60C 140F 59.9C 65C 149F 64.9C 70C 158F 69.9C".split()


def decimal(value):
    """A fraction that has a finite decimal expansion, as text."""
    value = Fraction(value)
    for places in range(20):
        scaled = value * 10**places
        if scaled.denominator == 1:
            digits = f"{abs(scaled.numerator):0{places + 1}d}"
            if places:
                digits = f"{digits[:-places]}.{digits[-places:]}"
            return ("-" if value < 0 else "") + digits
    raise ValueError(value)


def hundredths(value):
    return Fraction(round(value * 100), 100)


@dataclass
class ScenePlacement:
    probe: str
    spot: str
    start: int
    every: int
    until: int | None = None
    offset: str | None = None

    def again(self, start, **changes):
        """The same probe stuck in again, or what `changes` say."""
        return ScenePlacement(**{**vars(self), "start": start, "until": None, **changes})


@dataclass
class SceneSpot:
    """`how` it is measured: probe, hand or mixed."""

    name: str
    zone: str
    watched_only: bool | None = None
    how: str = "probe"

    @property
    def required(self):
        return self.zone not in ("cover", "ambient") and not self.watched_only


class Scene:
    """`rows` are [instant, source, value, unit], `log` is [instant, event, detail]; values are text as written."""

    def __init__(self, seed):
        self.seed, self.random = seed, random.Random(seed)
        self.rows, self.log, self.spots, self.placements, self.settings = [], [], [], [], {}
        self.make_facts()
        self.make_settings()
        self.make_spots()
        self.make_placements()

    def chance(self, probability):
        return self.random.random() < probability

    def one(self, *choices):
        return self.random.choice(choices)

    def weighted(self, **weights):
        return self.random.choices(list(weights), list(weights.values()))[0]

    # -- facts

    def make_facts(self):
        self.story = self.weighted(static=36, windrow=24, hand=6, hot=9, rules=8, eu=9, cumulative=8)
        turned = self.story in ("windrow", "cumulative") or self.chance(0.07)
        self.method = "windrow" if turned else self.one("aerated-static", "in-vessel")
        self.material = self.weighted(manure=6, animal=2, plant=1)
        # Both ends of 25:1 to 40:1, just beside them, and not recorded.
        self.initial_cn = self.random.choices(["30.0", "25.0", "40", "24.99", "40.01", None], [6, 1, 1, 1, 1, 2])[0]
        self.built = parse_rfc3339("2026-04-18T20:30:00Z") + self.random.randrange(200) * HOUR
        self.built += self.one(0, 0, 1, 59_999)
        self.share_f = self.one(0, 0, 0.1, 0.5, 1)
        self.level = self.one(57, 58, 60, 62, 64)
        self.nasty = self.one(*((0, 0, 0.002, 0.005, 0.02) if turned else (0, 0, 0.003, 0.01, 0.03, 0.08)))
        self.standards = self.choose_standards()

    def choose_standards(self):
        names = list(STANDARDS)
        self.random.shuffle(names)
        if self.chance(0.02):
            return []
        if self.story in ("hot", "rules"):
            return names[:1]
        names = names if self.chance(0.15) else names[: self.random.randint(1, 3)]
        asked = {"eu": "eu-cmc3", "cumulative": "us-produce"}.get(self.story, "us-organic")
        return names if asked in names else [asked, *names[1:]]

    def make_settings(self):
        choices = {
            "max_gap": (0.2, '"2h"', '"6h"', '"240m"', '"14400000ms"', '"3h"', '"1d"'),
            "hand_gap": (0.15, '"25h"', '"24h"', '"36h"', '"2d"', '"3h"'),
            "turn_allowance": (0.2, '"0h"', '"12h"', '"2d"', '"2d"', '"6h"', '"86400s"', '"30h"'),
            "guard": (0.12, "0.5", "1", "0.25", "2.0", "0"),
            "agreement": (0.35, *['"together"'] * 9, '"each"'),
            "settle": (0.15, '"0m"', '"1h"', '"10m"', '"30m"'),
            "fault_values": (0.1, "[]", "[85.0]", "[60.0, -127]", "[0, 85.0]", "[65.5]"),
        }
        for key, (probability, *values) in choices.items():
            if self.chance(probability):
                self.settings[key] = self.one(*values)
        self.max_gap = self.duration("max_gap", 4 * HOUR)
        self.hand_gap = self.duration("hand_gap", 26 * HOUR)
        self.turn_allowance = self.duration("turn_allowance", 24 * HOUR)
        self.settle = self.duration("settle", 30 * MINUTE)

    def duration(self, key, default):
        return parse_duration(self.settings[key].strip('"')) if key in self.settings else default

    # -- spots and probes

    def make_spots(self):
        count = self.random.choices([0, 1, 2, 3, 4], [1, 25, 40, 25, 8])[0]
        if self.method == "windrow":
            count = min(count, 3)
        names = ["core-north", "outer-south", "toe", "heart", "b-2", "middle"]
        self.random.shuffle(names)
        for name in names[:count]:
            self.spots.append(SceneSpot(name, self.one("core", "middle", "outer", "base")))
        if self.chance(0.3):
            self.spots.append(SceneSpot("lid", "cover"))
        if self.chance(0.2):
            self.spots.append(SceneSpot("shed", "ambient"))
        if self.chance(0.2) or not self.spots:
            self.spots.append(SceneSpot("lance", "core", watched_only=True))
        if self.chance(0.05):
            self.spots[0].watched_only = False
        self.random.shuffle(self.spots)
        for spot in self.spots:
            spot.how = self.weighted(probe=75, hand=8, mixed=17)
            if self.story in ("windrow", "cumulative"):
                spot.how = self.weighted(probe=40, hand=40, mixed=20)
            elif self.story == "hand":
                spot.how = "hand"
            elif self.story == "rules":
                spot.how = self.one("probe", "mixed")

    def make_placements(self):
        self.every = self.one(MINUTE, 15 * MINUTE, 30 * MINUTE, HOUR, 2 * HOUR, 4 * HOUR)
        for spot in self.spots:
            if spot.how == "hand" and not self.chance(0.1):
                continue
            start = self.built + self.one(-HOUR, 0, 0, HOUR, HOUR, 30 * MINUTE, 2 * HOUR)
            offset = self.one(None, None, None, "0.0", "-0.4", "1.5", "0.05")
            self.placements.append(ScenePlacement(self.next_probe(), spot.name, start, self.every, offset=offset))
        for placement in list(self.placements):
            self.change_placement(placement)
        self.drop_equal_starts()
        if self.chance(0.5):
            self.random.shuffle(self.placements)

    def next_probe(self):
        return f"k{len({placement.probe for placement in self.placements}) + 1}"

    def change_placement(self, placement):
        """What happens to probes: replaced, stuck in again, pulled out, moved, moved away and back."""
        hours = (4 if self.method != "windrow" else 15) * 24
        later = placement.start + self.random.randrange(2, hours) * HOUR
        others = [spot.name for spot in self.spots if spot.name != placement.spot]
        happening = self.weighted(replaced=12, again=6, pulled=8, moved=6, returned=4, nothing=64)
        if happening == "replaced":
            offset = self.one(None, "0.3", "-1")
            self.placements.append(placement.again(later, probe=self.next_probe(), offset=offset))
        elif happening == "again":
            self.placements.append(placement.again(later))
        elif happening == "pulled":
            placement.until = later
        elif happening == "moved" and others:
            self.placements.append(placement.again(later + 7 * MINUTE, spot=self.one(*others)))
        elif happening == "returned" and others:
            self.placements.append(placement.again(later + MINUTE, spot=self.one(*others)))
            self.placements.append(placement.again(later + self.one(1, 5, 12) * HOUR + 2 * MINUTE))

    def drop_equal_starts(self):
        """Two placements of one probe, or at one spot, must not begin at one instant."""
        kept = []
        for placement in self.placements:
            rivals = (other for other in kept if other.start == placement.start)
            if not any(other.probe == placement.probe or other.spot == placement.spot for other in rivals):
                kept.append(placement)
        self.placements = kept

    def end_of(self, placement):
        ends = [placement.until or NEVER]
        for other in self.placements:
            if other.start > placement.start and (other.probe == placement.probe or other.spot == placement.spot):
                ends.append(other.start)
        return min(ends)

    def placement_at(self, spot, at):
        for placement in self.placements:
            if placement.spot == spot and placement.start <= at < self.end_of(placement):
                return placement
        return None

    # -- one reading

    def add(self, at, source, value):
        """`value` is text such as `55.0C`, or a number in °C that is written in either unit."""
        if isinstance(value, str):
            self.rows.append([int(at), source, value[:-1], value[-1]])
            return
        c = hundredths(value)
        if self.random.random() < self.share_f:
            text, unit = decimal(c * Fraction(9, 5) + 32), "F"
        else:
            text, unit = decimal(c), "C"
            if "." not in text and self.chance(0.5):
                text += ".0"
        if text[0] != "-" and self.chance(0.02):
            text = "+" + text
        self.rows.append([int(at), source, text, unit])

    def measure(self, spot, at, value, by_hand=None):
        """One reading of a spot by whoever is there; where nobody is, mostly none."""
        if by_hand is None:
            by_hand = spot.how == "hand" or (spot.how == "mixed" and self.chance(0.15))
        placement = self.placement_at(spot.name, at)
        if by_hand:
            self.add(at, f"hand:{spot.name}", value)
        elif placement is not None:
            if not isinstance(value, str) and placement.offset:
                value -= float(placement.offset)
            self.add(at, placement.probe, value)
        elif self.chance(0.25):
            gone = [placement.probe for placement in self.placements if placement.spot == spot.name]
            self.add(at, self.one(*gone) if gone else "k99", value)
        elif self.chance(0.5):
            self.add(at, f"hand:{spot.name}", value)

    def wild(self):
        """A value that some rule looks at."""
        bounds = self.one(LOW_END, LOW_END, HIGH_END, HIGH_END, FAULT_VALUES, EU_ENDS, PHYSICAL_ENDS, UNIT_BOUND)
        return self.one(self.one(*bounds), self.one(*bounds), self.one(50, 48.5, 30, 79, 83, 90))

    def instants(self):
        return sorted({row[0] for row in self.rows}) or [self.built + HOUR]

    # -- the pile as a file

    def pile_lines(self):
        """PILE.toml as lines."""
        lines = [
            f'id = "case-{self.seed}"',
            f'method = "{self.method}"',
            f'material = "{self.material}"',
            f'built = "{short_time(self.built)}"',
        ]
        if self.initial_cn is not None:
            lines.append(f"initial_cn = {self.initial_cn}")
        standards = ", ".join(f'"{name}"' for name in self.standards)
        lines.append(f"standards = [{standards}]")
        for spot in self.spots:
            lines += ["", "[[spot]]", f'name = "{spot.name}"', f'zone = "{spot.zone}"']
            if len(spot.name) % 3 == 0:
                lines.append("depth_in = 24" if len(spot.name) % 2 else "depth_in = 14.5")
            if spot.watched_only is not None:
                lines.append(f"watched_only = {str(spot.watched_only).lower()}")
        for placement in self.placements:
            lines += ["", "[[placement]]", f'probe = "{placement.probe}"', f'spot = "{placement.spot}"']
            lines.append(f'from = "{short_time(placement.start)}"')
            if placement.until is not None:
                lines.append(f'until = "{short_time(placement.until)}"')
            if placement.every != MINUTE:
                lines.append(f'every = "{placement.every // MINUTE}m"')
            if placement.offset is not None:
                lines.append(f"offset_c = {placement.offset}")
        if self.settings:
            lines += ["", "[settings]", *(f"{key} = {value}" for key, value in self.settings.items())]
        return lines


def short_time(at):
    return format_time(at).replace(".000Z", "Z")


def celsius(row):
    """The value of a row in °C."""
    value = Fraction(row[2])
    return fahrenheit(value) if row[3] == "F" else value
