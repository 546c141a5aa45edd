"""The three files that the judge takes, read strictly: PILE.toml, READINGS.csv and LOG.csv (design 5.4, 5.5).

Numbers are exact (`Fraction`), instants are UTC milliseconds. What cannot be read raises `Unreadable` with the file,
the line and, for a pile, the key.
"""

import datetime
import re
import tomllib
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

NEVER = 10**18  # later than every instant
SECOND = 1_000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE
DAY = 24 * HOUR

ZONES_THAT_HEAT = ("core", "middle", "outer", "base")
ZONES = (*ZONES_THAT_HEAT, "cover", "ambient")
METHODS = ("aerated-static", "in-vessel", "windrow")
MATERIALS = ("plant", "animal", "manure")
STANDARDS = (
    "us-organic",
    "us-organic-5021",
    "us-biosolids",
    "us-produce",
    "us-california",
    "canada-ccme",
    "eu-cmc3",
)


class Unreadable(Exception):
    """A file cannot be read: nothing is judged, the exit code is 2."""

    def __init__(self, file, line, what, key=None):
        super().__init__(f"{file}:{line}: {what}")
        self.file, self.line, self.key = file, line, key


# === plain values ===

RFC3339 = re.compile(
    r"([0-9]{4})-([0-9]{2})-([0-9]{2})[Tt]([0-9]{2}):([0-9]{2}):([0-9]{2})(\.[0-9]+)?([Zz]|[+-][0-9]{2}:[0-9]{2})"
)
EPOCH_DAY = datetime.date(1970, 1, 1).toordinal()
# Integers below this are no time in milliseconds; the upper end is the last one of the year 9999.
EPOCH_MS = range(10**11, 253_402_300_800_000)


def parse_rfc3339(text):
    """UTC milliseconds; fractions below 1 ms are cut off, never rounded."""
    found = RFC3339.fullmatch(text)
    if not found:
        raise ValueError("not an RFC 3339 time with an offset")
    year, month, day, hour, minute, second = (int(found.group(n)) for n in range(1, 7))
    days = datetime.date(year, month, day).toordinal() - EPOCH_DAY  # a ValueError for 30 February
    if hour > 23 or minute > 59 or second > 59:
        raise ValueError("hour, minute or second out of range")
    millis = int((found.group(7) or ".0")[1:].ljust(3, "0")[:3])
    offset, shift = found.group(8), 0
    if offset not in "Zz":
        offset_hours, offset_minutes = int(offset[1:3]), int(offset[4:6])
        if offset_hours > 23 or offset_minutes > 59:
            raise ValueError("offset out of range")
        shift = (offset_hours * HOUR + offset_minutes * MINUTE) * (1 if offset[0] == "+" else -1)
    return days * DAY + hour * HOUR + minute * MINUTE + second * SECOND + millis - shift


def parse_time(text):
    """RFC 3339 with an offset, or UTC milliseconds."""
    if re.fullmatch(r"[0-9]+", text):
        if int(text) not in EPOCH_MS:
            raise ValueError("an integer time is UTC milliseconds")
        return int(text)
    return parse_rfc3339(text)


def format_time(at):
    if at is None:
        return None
    day = datetime.datetime(1970, 1, 1) + datetime.timedelta(milliseconds=at)
    return day.strftime("%Y-%m-%dT%H:%M:%S.") + f"{day.microsecond // 1000:03d}Z"


def parse_number(text):
    if not re.fullmatch(r"[+-]?[0-9]+(\.[0-9]+)?", text):
        raise ValueError("not a decimal number")
    return Fraction(text)


def parse_duration(text):
    found = re.fullmatch(r"([0-9]+)(ms|s|m|h|d)", text) if isinstance(text, str) else None
    if not found:
        raise ValueError("a duration is an integer and one of ms, s, m, h, d")
    return int(found.group(1)) * {"ms": 1, "s": SECOND, "m": MINUTE, "h": HOUR, "d": DAY}[found.group(2)]


def fahrenheit(value):
    """°F in °C, exactly. In doubles 140.09 °F would not be 60.05 °C."""
    return (Fraction(value) - 32) * Fraction(5, 9)


# === the pile ===


@dataclass
class Spot:
    name: str
    index: int
    zone: str
    required: bool


@dataclass(eq=False)
class Placement:
    """`end` is where it truly ends: at its `until`, or where a later one of the same probe or spot begins."""

    probe: str
    spot: str
    start: int
    until: int
    every: int
    offset: Fraction
    end: int = NEVER


@dataclass
class Pile:
    id: str
    method: str
    material: str
    built: int
    initial_cn: Fraction | None
    standards: list
    spots: list
    placements: list
    max_gap: int
    hand_gap: int
    turn_allowance: int
    settle: int
    guard: Fraction
    agreement: str
    fault_values: list

    def has_spot(self, name):
        return any(spot.name == name for spot in self.spots)


REQUIRED = object()  # marks a key that has no default


class Table:
    """One table of a pile's file: reads its keys, and knows the line of each."""

    def __init__(self, file, text, values, heading=None, index=0):
        self.file, self.text, self.values, self.heading, self.index = file, text, values, heading, index

    def fail(self, key, what):
        raise Unreadable(self.file, self.line(key), f"{key}: {what}", key)

    def line(self, key):
        """The line of a key; where the key is missing, the line of its table, or 1."""
        heading, count, table_line = None, {}, 1
        for number, line in enumerate(self.text.split("\n"), 1):
            line = line.strip()
            if found := re.fullmatch(r"\[\[?\s*([A-Za-z0-9_-]+)\s*\]?\](\s*#.*)?", line):
                heading = found.group(1)
                count[heading] = count.get(heading, -1) + 1
            if heading != self.heading or (heading is not None and count[heading] != self.index):
                continue
            if found:
                table_line = number
            elif (found := re.match(r'"?([A-Za-z0-9_-]+)"?\s*=', line)) and found.group(1) == key:
                return number
        return table_line

    def allow(self, *known):
        for key in self.values:
            if key not in known:
                self.fail(key, "unknown key")

    def value(self, key, default):
        if key in self.values:
            return self.values[key]
        if default is REQUIRED:
            self.fail(key, "missing")
        return default

    def string(self, key, default=REQUIRED, one_of=None):
        value = self.value(key, default)
        if key in self.values and not isinstance(value, str):
            self.fail(key, "must be a string")
        if one_of is not None and value not in one_of:
            self.fail(key, f"must be one of {', '.join(one_of)}")
        return value

    def parsed(self, key, parse, default=REQUIRED):
        """A string that `parse` understands."""
        value = self.value(key, default)
        if key not in self.values:
            return value
        if not isinstance(value, str):
            self.fail(key, "must be a string")
        try:
            return parse(value)
        except ValueError as error:
            self.fail(key, str(error))

    def number(self, key, default=None):
        value = self.value(key, default)
        if key not in self.values:
            return value
        if not is_number(value):
            self.fail(key, "must be a number")
        return Fraction(value)

    def tables(self, key):
        """The [[key]] tables of this one."""
        values = self.value(key, [])
        if not isinstance(values, list) or not all(isinstance(value, dict) for value in values):
            self.fail(key, f"must be [[{key}]] tables")
        return [Table(self.file, self.text, value, key, index) for index, value in enumerate(values)]


def is_number(value):
    return isinstance(value, int | Decimal) and not isinstance(value, bool) and Decimal(value).is_finite()


def read_pile(path):
    with open(path, "rb") as file:
        return pile_of(path, file.read())


def pile_of(path, data):
    top = top_table(path, data)
    top.allow("id", "method", "material", "built", "initial_cn", "standards", "spot", "placement", "settings")
    standards = top.value("standards", REQUIRED)
    if not isinstance(standards, list) or not all(name in STANDARDS for name in standards):
        top.fail("standards", f"must be a list of some of {', '.join(STANDARDS)}")
    spots = read_spots(top.tables("spot"))
    settings = top.value("settings", {})
    if not isinstance(settings, dict):
        top.fail("settings", "must be a table")
    return Pile(
        id=top.string("id"),
        method=top.string("method", one_of=METHODS),
        material=top.string("material", one_of=MATERIALS),
        built=top.parsed("built", parse_rfc3339),
        initial_cn=top.number("initial_cn"),
        standards=standards,
        spots=spots,
        placements=read_placements(top.tables("placement"), spots),
        **read_settings(Table(top.file, top.text, settings, "settings")),
    )


def top_table(path, data):
    try:
        text = data.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        raise Unreadable(path, data[: error.start].count(b"\n") + 1, "not UTF-8", "") from error
    try:
        return Table(path, text, tomllib.loads(text, parse_float=Decimal))
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"line (\d+)", str(error))
        line = int(found.group(1)) if found else text.count("\n") + 1
        raise Unreadable(path, line, f"not TOML: {error}", "") from error


def read_spots(tables):
    spots = []
    for table in tables:
        table.allow("name", "zone", "depth_in", "watched_only")
        name = table.string("name")
        if not re.fullmatch(r"[a-z0-9-]+", name):
            table.fail("name", "the name of a spot is made of a-z, 0-9 and -")
        if any(spot.name == name for spot in spots):
            table.fail("name", "two spots of one name")
        zone = table.string("zone", one_of=ZONES)
        table.number("depth_in")
        watched_only = table.value("watched_only", False)
        if not isinstance(watched_only, bool):
            table.fail("watched_only", "must be true or false")
        spots.append(Spot(name, len(spots), zone, zone in ZONES_THAT_HEAT and not watched_only))
    return spots


def read_placements(tables, spots):
    placements = []
    for table in tables:
        table.allow("probe", "spot", "from", "until", "every", "offset_c")
        probe, spot = table.string("probe"), table.string("spot", one_of=[spot.name for spot in spots])
        start, until = table.parsed("from", parse_rfc3339), table.parsed("until", parse_rfc3339, NEVER)
        if until <= start:
            table.fail("until", "must be after `from`")
        every = table.parsed("every", parse_duration, MINUTE)
        placement = Placement(probe, spot, start, until, every, table.number("offset_c", Fraction(0)))
        if any(other.start == start and shares(other, placement) for other in placements):
            table.fail("from", "two placements of one probe, or at one spot, from the same instant")
        placements.append(placement)
    for placement in placements:
        later = [other.start for other in placements if other.start > placement.start and shares(other, placement)]
        placement.end = min([placement.until, *later])
    return placements


def shares(one, other):
    return one.probe == other.probe or one.spot == other.spot


def read_settings(table):
    durations = {"max_gap": 4 * HOUR, "hand_gap": 26 * HOUR, "turn_allowance": 24 * HOUR, "settle": 30 * MINUTE}
    table.allow(*durations, "guard", "agreement", "fault_values")
    settings = {key: table.parsed(key, parse_duration, default) for key, default in durations.items()}
    settings["guard"] = table.number("guard", Fraction(0))
    if settings["guard"] < 0:
        table.fail("guard", "is taken off the range: 0 or more")
    settings["agreement"] = table.string("agreement", "each", one_of=("each", "together"))
    fault_values = table.value("fault_values", [Decimal("85.0"), Decimal("-127.0")])
    if not isinstance(fault_values, list) or not all(is_number(value) for value in fault_values):
        table.fail("fault_values", "must be a list of numbers")
    settings["fault_values"] = [Fraction(value) for value in fault_values]
    return settings


# === CSV (RFC 4180) ===


class Rows:
    """The rows of a CSV file: LF or CRLF, blank lines skipped, a byte order mark tolerated.

    A row that spans lines has the number of the line in which it begins.
    """

    def __init__(self, path):
        with open(path, "rb") as file:
            data = file.read().removeprefix(b"\xef\xbb\xbf")
        self.path, self.not_utf8 = path, False
        try:
            self.text = data.decode("utf-8")
        except UnicodeDecodeError as error:
            self.text, self.not_utf8 = data[: error.start].decode("utf-8"), True
        self.position, self.line = 0, 1

    def __iter__(self):
        """Yields (line, fields). A blank first line is a row without fields: line 1 has to be the header."""
        while self.position < len(self.text):
            line = self.line
            if self.take_line_end():
                if line == 1:
                    yield line, []
                continue
            fields = [self.field(line)]
            while self.take(","):
                fields.append(self.field(line))
            if self.position < len(self.text) and not self.take_line_end():
                raise Unreadable(self.path, line, "a carriage return without a line feed")
            if self.position == len(self.text) and self.not_utf8:
                raise Unreadable(self.path, line, "not UTF-8")
            yield line, fields
        if self.not_utf8:
            raise Unreadable(self.path, self.line, "not UTF-8")

    def take(self, wanted):
        if not self.text.startswith(wanted, self.position):
            return False
        self.position += len(wanted)
        return True

    def take_line_end(self):
        if self.take("\r\n") or self.take("\n"):
            self.line += 1
            return True
        return False

    def field(self, row_line):
        if self.take('"'):
            return self.quoted_field(row_line)
        value = re.compile(r'[^,"\r\n]*').match(self.text, self.position).group()
        self.position += len(value)
        if self.text.startswith('"', self.position):
            raise Unreadable(self.path, row_line, "a quote inside a field that is not quoted")
        return value

    def quoted_field(self, row_line):
        value = ""
        while self.position < len(self.text):
            if self.take('""'):
                value += '"'
            elif self.take('"'):
                if self.position < len(self.text) and self.text[self.position] not in ",\r\n":
                    raise Unreadable(self.path, row_line, "text after a closing quote")
                return value
            else:
                self.line += self.text[self.position] == "\n"
                value += self.text[self.position]
                self.position += 1
        raise Unreadable(self.path, row_line, "a quoted field is not closed")


def table_rows(path, header):
    """Yields (line, fields) under the header; each row has exactly the header's fields."""
    rows = iter(Rows(path))
    if next(rows, (1, []))[1] != header:
        raise Unreadable(path, 1, f"the first line must be {','.join(header)}")
    for line, fields in rows:
        if len(fields) != len(header):
            raise Unreadable(path, line, f"{len(fields)} fields where {len(header)} are needed: {','.join(header)}")
        yield line, fields


def read_readings(path, pile):
    """The set of (source, instant, value in °C as reported): exact repetitions are one. `%` rows are left out."""
    readings = set()
    for line, (time, source, value, unit) in table_rows(path, ["time", "source", "value", "unit"]):
        try:
            at, value = parse_time(time), parse_number(value)
        except ValueError as error:
            raise Unreadable(path, line, str(error)) from error
        if source == "":
            raise Unreadable(path, line, "no source; write a probe's id or hand:SPOT")
        if source.startswith("hand:") and not pile.has_spot(source.removeprefix("hand:")):
            raise Unreadable(path, line, f"{source}: no such spot")
        if unit not in ("C", "F", "%"):
            raise Unreadable(path, line, f"unit {unit!r}: write C, F or %")
        if unit != "%":
            readings.add((source, at, fahrenheit(value) if unit == "F" else value))
    return readings


def read_log(path, pile):
    """A list of (instant, event, detail); of `spot-given-up` the detail is (spot, reason)."""
    entries = []
    for line, (time, event, detail) in table_rows(path, ["time", "event", "detail"]):
        try:
            at = parse_time(time)
        except ValueError as error:
            raise Unreadable(path, line, str(error)) from error
        if event == "spot-given-up":
            detail = split_given_up(detail)
            if not pile.has_spot(detail[0]):
                raise Unreadable(path, line, f"{detail[0]}: no such spot; write SPOT: reason")
            if detail[1] == "":
                raise Unreadable(path, line, "a spot is given up with a reason; write SPOT: reason")
        entries.append((at, event, detail))
    return entries


def split_given_up(detail):
    spot, _, reason = detail.partition(":")
    return spot, reason.strip()
