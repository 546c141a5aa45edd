"""Generated cases with a file that cannot be read: one thing is wrong, in a place that is known."""

from case_scene import short_time
from judge_files import DAY, HOUR

BAD_TIMES = """
2026-05-01T10:00:60Z 2026-05-01T24:00:00Z 2026-05-01T10:60:00Z 2026-05-01T10:00:00+24:00
2026-02-29T10:00:00Z 2026-04-31T10:00:00Z 2026-13-01T10:00:00Z
2026-05-01T10:00:00 2026-05-01T10:00Z 2026-05-01 2026-5-1T10:00:00Z 2026-05-01T10:00:00.Z 2026-05-01T10:00:00+0200
99999999999 -1776580200000 1776580200000.5 1.7e12 yesterday
""".split()
BAD_TIMES += ["", '"2026-05-01T10:00:00,5Z"']
BAD_VALUES = 'NaN 1e2 5. .5 "60,5" 0x10 --5 +-5 inf 60C + 60.5.1 \u0666'.split()
BAD_VALUES += ["", " 60", "6 0"]
BAD_UNITS = "c K \u00b0C f percent CC".split()
BAD_UNITS += ["", " C"]


class Spoiler:
    """Spoils one of the files of a case; the lines still have their ends. `expected` says what has to be named."""

    def __init__(self, scene, pile, readings, log):
        self.scene, self.pile, self.readings, self.log = scene, pile, readings, log
        self.at = short_time(scene.built + HOUR)
        self.expected = None

    def spoil(self):
        ways = [
            (4, lambda: self.put_reading(self.scene.one(*BAD_TIMES), "k1", "60", "C")),
            (4, lambda: self.put_reading(self.at, "k1", self.scene.one(*BAD_VALUES), "C")),
            (4, lambda: self.put_reading(self.at, "k1", "60", self.scene.one(*BAD_UNITS))),
            (2, self.spoil_source),
            (2, self.spoil_reading_fields),
            (2, self.spoil_quotes),
            (2, self.spoil_headers),
            (3, self.spoil_log),
            (8, self.spoil_pile),
        ]
        self.scene.random.choices([way for _, way in ways], [weight for weight, _ in ways])[0]()
        return self.expected

    # -- readings and log

    def put(self, name, *fields):
        """Puts a bad row somewhere; sometimes a second one later, which must not matter."""
        lines = self.readings if name == "readings.csv" else self.log
        place = self.scene.random.randint(1, len(lines))
        line = 1 + "".join(lines[:place]).count("\n")
        lines.insert(place, ",".join(fields) + lines[0][-1 * (2 if lines[0].endswith("\r\n") else 1) :])
        if self.scene.chance(0.3):
            lines.append("what,is,this" + "\n")
        self.expected = {"exit": 2, "file": name, "line": line}
        return place

    def put_reading(self, *fields):
        return self.put("readings.csv", *fields)

    def spoil_source(self):
        bad = self.scene.one("hand:nowhere", "hand:", "")
        self.put_reading(self.at, bad, "60", self.scene.one("C", "%"))

    def spoil_reading_fields(self):
        rows = (["k1", "60"], ["k1", "60", "C", ""], [], ["k1", "60", "C", "x"], ["k1;60;C"])
        self.put_reading(self.at, *self.scene.one(*rows))

    def spoil_quotes(self):
        """A row over two lines, a quote that is not closed, text after a quote, a bare carriage return."""
        bad = self.scene.one('"t\n1",60x,C', 'k1,"60"x,C', "k1,60\r,C", 'k1,60,"C')
        place = self.put_reading(self.at, bad)
        if bad.endswith('"C'):  # it swallows the rest of the file, where no other quote may close it
            del self.readings[place + 1 :]

    def spoil_headers(self):
        """No header, or another one; a file without any line."""
        bad = {
            "readings.csv": ["time,source,value", "Time,Source,Value,Unit", "source,time,value,unit"],
            "log.csv": ["time,event", "time,event,details", "time, event, detail"],
        }
        name = self.scene.one(*bad)
        lines = self.readings if name == "readings.csv" else self.log
        header = self.scene.one(None, "nothing", *bad[name])
        if header is None:
            del lines[:]
        elif header == "nothing":
            del lines[0]
        else:
            lines[0] = header + "\n"
        self.expected = {"exit": 2, "file": name, "line": 1}

    def spoil_log(self):
        spot = self.scene.spots[0].name
        details = ["nowhere: broken", spot, f"{spot}:", f'"{spot}:   "', ""]
        rows = [[self.at, "spot-given-up", detail] for detail in details]
        rows += [[self.at, "turned"], [self.at, "turned", "", ""], [self.scene.one(*BAD_TIMES), "turned", "x"]]
        self.put("log.csv", *self.scene.one(*rows))

    # -- the pile

    def spoil_pile(self):
        later, spot = short_time(self.scene.built + 400 * DAY), self.scene.spots[0].name
        ways = [
            *(lambda key=key, value=value: self.change(key, value) for key, value in BAD_FACTS),
            *(lambda key=key: self.leave_out(key) for key in ("built", "id", "method", "material", "zone", "name")),
            *(lambda key=key, value=value: self.set(key, value) for key, value in BAD_SETTINGS),
            *(lambda heading=heading: self.unknown_key(heading) for heading in HEADINGS),
            lambda: self.insert(0, 'colour = "brown"', "colour"),
            lambda: self.insert(2, "this is not toml", ""),
            lambda: self.place("until", "k99", spot, later, later),
            lambda: self.place("spot", "k99", "nowhere", later),
            lambda: self.place("from", "k99", spot, "2026-05-01T10:00:60Z"),
            lambda: self.place_twice(same_probe=True),
            lambda: self.place_twice(same_probe=False),
        ]
        self.scene.one(*ways)()

    def insert(self, place, line, key):
        self.pile.insert(place, line)
        self.expected = {"exit": 2, "file": "pile.toml", "line": place + 1, "key": key}

    def find(self, key):
        return next(place for place, line in enumerate(self.pile) if line.startswith(f"{key} ="))

    def change(self, key, value):
        place = self.find(key)
        del self.pile[place]
        self.insert(place, f"{key} = {value}", key)

    def leave_out(self, key):
        """Which line is told for what is not there is left open."""
        del self.pile[self.find(key)]
        self.expected = {"exit": 2, "file": "pile.toml", "key": key}

    def set(self, key, value):
        self.pile[:] = [line for line in self.pile if not line.startswith(f"{key} =")]
        self.insert(self.under("[settings]"), f"{key} = {value}", key)

    def unknown_key(self, heading):
        self.insert(self.under(heading), 'colour = "brown"', "colour")

    def under(self, heading):
        if heading not in self.pile:
            self.pile.append(heading)
        return self.pile.index(heading) + 1

    def place(self, key, probe, spot, start, until=None):
        """Another placement; `key` is what is wrong with it."""
        place = self.pile.index("[settings]") if "[settings]" in self.pile else len(self.pile)
        lines = ["[[placement]]", f'probe = "{probe}"', f'spot = "{spot}"', f'from = "{start}"']
        lines += [f'until = "{until}"'] if until else []
        self.pile[place:place] = lines
        at = next(number for number, line in enumerate(lines) if line.startswith(f"{key} ="))
        self.expected = {"exit": 2, "file": "pile.toml", "line": place + at + 1, "key": key}

    def place_twice(self, same_probe):
        """From the same instant, written with another offset."""
        if not self.scene.placements:
            self.place("spot", "k99", "nowhere", short_time(self.scene.built))
            return
        other = self.scene.placements[0]
        start = short_time(other.start + 2 * HOUR).removesuffix("Z") + "+02:00"
        probe, spot = (other.probe, self.scene.spots[0].name) if same_probe else ("k99", other.spot)
        self.place("from", probe, spot, start)


HEADINGS = ("[[spot]]", "[[placement]]", "[settings]")
BAD_FACTS = [
    ("method", '"static"'),
    ("material", '"wood"'),
    ("zone", '"inner"'),
    ("standards", '["us-organic", "us-organics"]'),
    ("built", '"2026-04-18T20:30:00"'),
    ("name", '"Core North"'),
    ("id", "7"),
]
BAD_SETTINGS = [
    ("max_gap", '"4 h"'),
    ("max_gap", '"-4h"'),
    ("hand_gap", '"1.5h"'),
    ("settle", '"30"'),
    ("turn_allowance", "24"),
    ("agreement", '"both"'),
    ("guard", '"0.5"'),
    ("fault_values", '["85"]'),
]
