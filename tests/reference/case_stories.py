"""What happens to a generated pile: days of readings, hot spells, failing probes, and what people did."""

from fractions import Fraction

from case_scene import FAULT_VALUES, PHYSICAL_ENDS, UNIT_BOUND, celsius, decimal, hundredths
from judge_files import DAY, HOUR, MINUTE, NEVER, fahrenheit, parse_rfc3339, pile_of, split_given_up
from judge_reference import Judge

# A case stays small enough to be read by a person.
MOST_READINGS = 300


def tell(scene):
    """Fills the readings and the log of a scene."""
    if scene.story == "hot":
        hot_story(scene)
    elif scene.story == "rules":
        rules_story(scene)
    else:
        long_story(scene)
    cut_down(scene, MOST_READINGS - 40)
    tell_log(scene)
    disturb_readings(scene)
    cut_down(scene, MOST_READINGS - 15)
    if scene.chance(0.5) and scene.standards and scene.spots:
        hit_the_instants(scene)
    scene.random.shuffle(scene.log)
    if scene.chance(0.5):
        scene.random.shuffle(scene.rows)
    else:
        scene.rows.sort(key=lambda row: row[0])
    del scene.rows[MOST_READINGS:]


def cut_down(scene, most):
    """Too many readings: mostly the end is cut off, sometimes readings here and there are lost."""
    if len(scene.rows) > most and scene.chance(0.9):
        scene.rows.sort(key=lambda row: row[0])
        del scene.rows[most:]
    while len(scene.rows) > most:
        scene.rows.pop(scene.random.randrange(len(scene.rows)))


# === days of readings ===


def long_story(scene):
    """Days of readings at long steps: runs begin, break and qualify."""
    windrow = scene.method == "windrow"
    needed = 15 * DAY if windrow else 3 * DAY
    if scene.story == "eu":
        needed = scene.one(3, 5, 7) * DAY
        scene.level = scene.one(61, 62, 66, 67, 71, 72)
    lengths = (0.4, 1.1, 1.25, 1.3, 1.4, 1.5, 1.7) if windrow else (0.4, 0.9, 1.1, 1.2, 1.4, 1.7, 2.2, 2.8)
    horizon = int(needed * scene.one(*lengths))
    spots = [spot for spot in scene.spots if spot.zone != "ambient"]
    if windrow and len(spots) > 2:  # else the readings would not be enough
        for spot in spots[1:]:
            if spot.how != "probe" or scene.chance(0.7):
                spot.how = "hand"
    probed = len([spot for spot in spots if spot.how != "hand"])
    most = max(20, (250 - 22 * (len(spots) - probed)) // max(1, probed))
    for spot in spots:
        spot_story(scene, spot, horizon, most)


def spot_story(scene, spot, horizon, most):
    shortest = 0 if spot.how == "hand" else horizon // most
    step = max(shortest, scene.one(30 * MINUTE, HOUR, 2 * HOUR, 3 * HOUR, 4 * HOUR, scene.max_gap))
    if step > scene.max_gap:
        spot.how = "hand"
    if spot.how == "hand":
        step = max(step, scene.one(scene.hand_gap, 12 * HOUR, 23 * HOUR, 24 * HOUR, 24 * HOUR, 20 * HOUR))
    at = scene.built + scene.one(HOUR, HOUR, 90 * MINUTE, 2 * HOUR, 6 * HOUR, 0) + scene.random.randrange(40) * MINUTE
    end = at + horizon + scene.random.randrange(-6, 7) * HOUR
    level = scene.level + scene.one(-1.5, 0, 0, 1, 2.5)
    if spot.zone == "cover":
        level = scene.one(35, 58)
    for _ in range(scene.one(0, 0, 1, 2, 4)):
        scene.measure(spot, at, scene.one(20, 30, 41, scene.one(*UNIT_BOUND)))
        at += scene.one(HOUR, 2 * HOUR, step)
    c = level
    for _ in range(most):
        if at >= end:
            break
        c = min(max(c + scene.random.uniform(-0.8, 0.8), max(56, level - 2)), level + 3)
        at = steady_reading(scene, spot, at, step, c)


def steady_reading(scene, spot, at, step, c):
    """One reading, or something nasty instead; the instant of the next."""
    if scene.chance(scene.nasty):
        scene.measure(spot, at, scene.wild())
    elif scene.chance(scene.nasty * 0.3):
        spell = scene.one((79, 78, 77), (52, 54, 50))
        for _ in range(scene.random.randint(1, 4)):
            scene.measure(spot, at, scene.one(*spell) + scene.random.random())
            at += min(step, 2 * HOUR)
    elif scene.chance(0.05):
        scene.measure(spot, at, scene.one("55.0C", "131F", "55C", "131.0F", "54.9999995C"))
    else:
        scene.measure(spot, at, c)
    longest = scene.hand_gap if spot.how == "hand" else scene.max_gap
    if scene.chance(scene.nasty * 0.6):
        gaps = (longest, longest + 1, longest - 1, 2 * longest, longest + 30 * MINUTE, 5 * longest)
        return at + scene.random.choices(gaps, (5, 4, 1, 3, 2, 1))[0]
    return at + (longest if scene.chance(0.1) else step)


# === overheating ===

HOT_VALUES = "159F 160F 160.1F 161F 165F 170F 172F 181F 71.1111115C 71.12C 71.2C 74C 80C".split()
COOL_VALUES = "154.9F 155F 150F 155.1F 68.333333C 68.33C 157F 60C 62C 150F 145F 152F".split()


def hot_story(scene):
    """Spells above 160 °F and below 155 °F, with steps at and around the durations that open and close."""
    steps = [5 * MINUTE, 10 * MINUTE, 15 * MINUTE, 15 * MINUTE, 450_000, 899_999, 900_001, 30 * MINUTE, HOUR]
    values = {"hot": HOT_VALUES, "cool": COOL_VALUES, "middling": (66, 67.5, 64), "any": (*HOT_VALUES, *COOL_VALUES)}
    for spot in scene.spots:
        at = scene.built + scene.one(HOUR, 90 * MINUTE, 40 * MINUTE)
        left = scene.random.randint(6, 220 // len(scene.spots))
        step = scene.one(*steps)
        while left > 0:
            spell = scene.weighted(hot=2, cool=2, middling=1, any=1)
            step = scene.one(*steps) if scene.chance(0.5) else step
            for _ in range(scene.random.randint(1, 6)):
                scene.measure(spot, at, scene.one(*values[spell]), by_hand=True if scene.chance(0.05) else None)
                at += step if scene.chance(0.8) else scene.one(*steps)
                left -= 1
    if scene.chance(0.4):  # the same instants for all spots
        for row in scene.rows:
            row[0] -= row[0] % (5 * MINUTE)


# === failing probes ===


def rules_story(scene):
    """Jumps, held readings and faults, at the durations and distances that decide, and across placements."""
    for placement in list(scene.placements):
        near = max(HOUR, 2 * placement.every)
        at = placement.start + scene.one(0, scene.settle - 1, scene.settle, 10 * MINUTE, HOUR)
        c = scene.one(20, 45, 57, 60, 72)
        for _ in range(scene.random.randint(10, 200 // len(scene.placements)) // 2):
            at, c = failing_reading(scene, placement.probe, near, at, c)
            c = min(max(c, 10), 88)
            at += scene.one(5 * MINUTE, 30 * MINUTE, 30 * MINUTE, HOUR, HOUR, HOUR + 1, near, near + 1, 2 * HOUR)
    for placement in list(scene.placements):
        if scene.chance(0.4):
            move_within_story(scene, placement)


def failing_reading(scene, probe, near, at, c):
    """Something that a probe says at `at` after it said about `c`; the instant and the value to go on from."""
    what = scene.weighted(steady=45, jump=25, fault=10, believable=6, impossible=4, conflict=5, wild=5)
    if what == "jump":
        return jump(scene, probe, near, at, c)
    if what == "steady":
        c += scene.random.uniform(-2, 2)
        scene.add(at, probe, c)
    elif what == "fault":
        scene.add(at, probe, scene.one(*FAULT_VALUES))
        if scene.chance(0.3):  # from there 85 °C can be believed
            c = 78 + scene.random.uniform(-4, 4)
    elif what == "believable":
        scene.add(at, probe, scene.one(75, 75.01, 95, 95.01, 80, 84.9))
    elif what == "impossible":
        scene.add(at, probe, scene.one(*PHYSICAL_ENDS))
    elif what == "conflict":
        scene.add(at, probe, c)
        scene.add(at, probe, c + scene.one(0, 0.01, 3))
    else:
        scene.add(at, probe, scene.wild())
    return at, c


def jump(scene, probe, near, at, c):
    """A jump, mostly followed by a reading that confirms it or does not."""
    jumped = c + scene.one(15, 15.01, 16, 20, -15, -15.01, -16, -20, 30)
    scene.add(at, probe, jumped)
    if scene.chance(0.2):
        return at, c
    at += scene.one(near, near + 1, near - 1, 5 * MINUTE, HOUR)
    answer = scene.weighted(near_it=50, fault=20, back=15, nothing=15)
    if answer == "near_it":
        after = jumped + scene.one(5, 5.01, -5, -5.01, 0, 3)
        scene.add(at, probe, after)
        return at, after if abs(after - jumped) <= 5 else c
    if answer == "fault":
        scene.add(at, probe, scene.one(*FAULT_VALUES))
    elif answer == "back":
        scene.add(at, probe, c + scene.one(0, 14, 15.01, -16, 17))
    return at, c


def move_within_story(scene, placement):
    """A second placement right at one of the probe's readings."""
    instants = [row[0] for row in scene.rows if row[1] == placement.probe]
    if not instants:
        return
    start = scene.one(*instants) + scene.one(0, 1, -scene.settle, 2 * MINUTE)
    spot = placement.spot if scene.chance(0.5) else scene.one(*scene.spots).name
    if not any(other.start == start for other in scene.placements):
        scene.placements.append(placement.again(start, spot=spot))


# === the log ===


def tell_log(scene):
    instants = scene.instants()
    first, last = instants[0], instants[-1]

    def some_time():
        if scene.chance(0.35):
            return scene.one(*instants) + scene.one(0, 0, 1, -1)
        return first + scene.random.randrange((last - first) // MINUTE + 1) * MINUTE

    if scene.method == "windrow":
        turn_windrow(scene, first, last)
    else:
        for _ in range(scene.random.choices([0, 1, 2], [14, 4, 1])[0]):
            scene.log.append([some_time(), "turned", "by hand"])
    for _ in range(scene.random.choices([0, 1, 2], [18, 4, 1])[0]):
        # Mostly early, so that something can still happen in the new lot.
        early = first + int((last - first) * scene.random.uniform(0, 0.3)) // 1000 * 1000
        at = early if scene.chance(0.8) else some_time()
        scene.log.append([at, "material-added", "two buckets"])
        if scene.chance(0.35):
            scene.log.append([at, "turned", "and mixed in"])
    give_up(scene, some_time)
    add_odd_entries(scene, some_time)


def turn_windrow(scene, first, last):
    """Turns, the cold readings after them, and times without evidence."""
    turns = scene.one(0, 3, 5, 5, 5, 5, 6, 7)
    span = max(DAY, last - first)
    cold_after = scene.one(0, 0.3, 0.6)
    for turn in range(1, turns + 1):
        at = first + turn * span // (turns + 2) + scene.random.randrange(-8, 9) * HOUR + scene.one(0, 0, 13 * MINUTE)
        if scene.chance(0.3):
            at = min(scene.instants(), key=lambda instant: abs(instant - at)) + scene.one(0, 0, -1, 1)
        scene.log.append([at, "turned", scene.one("", f"turn {turn}", 'with the loader, "slowly"')])
        if scene.chance(0.12):
            scene.log.append([at + scene.one(0, 12 * HOUR, 12 * HOUR - 1, 2 * HOUR), "turned", "again"])
        if scene.chance(cold_after):
            allowance = scene.turn_allowance
            until = at + scene.one(3 * HOUR, 5 * HOUR, 12 * HOUR, 20 * HOUR, allowance, allowance - 3 * HOUR)
            for row in scene.rows:
                if at < row[0] <= until and scene.chance(0.8):
                    row[2:] = decimal(Fraction(scene.random.randrange(3800, 5499), 100)), "C"
    if scene.chance(0.2):
        at = scene.one(*[entry[0] for entry in scene.log] or [first])
        until = at + scene.one(5 * HOUR, 20 * HOUR, 26 * HOUR, scene.turn_allowance, 3 * DAY)
        scene.rows = [row for row in scene.rows if not at < row[0] < until]


def give_up(scene, some_time):
    required = [spot for spot in scene.spots if spot.required]
    if not scene.spots or not scene.chance(0.35 if len(required) > 1 else 0.08):
        return
    for spot in scene.spots if scene.chance(0.08) else [scene.one(*scene.spots)]:
        at = some_time() if scene.chance(0.9) else scene.built + 1
        reason = scene.one("probe broken", "pulled out, bent", "line 1\nline 2", "x")
        scene.log.append([at, "spot-given-up", f"{spot.name}: {reason}"])
        if scene.chance(0.15):
            again = scene.one(at, some_time())
            scene.log.append([again, "spot-given-up", f"{spot.name}: second thought"])


def add_odd_entries(scene, some_time):
    """Entries that the judge passes over, entries from before the pile was built, and repetitions."""
    if scene.chance(0.3):
        event = scene.one("watered", "note", "covered", "used", "calibration")
        scene.log.append([some_time(), event, scene.one("60 l, from the top", "", 'a "quoted" word', "two\r\nlines")])
    if scene.chance(0.12):
        before = scene.built - scene.one(1, HOUR, DAY)
        scene.log.append([before, scene.one("turned", "material-added"), "before it was built"])
    if scene.chance(0.05):
        scene.log.append([scene.built, scene.one("turned", "material-added"), "on the day"])
    if scene.chance(0.05) and scene.spots:
        detail = f"{scene.one(*scene.spots).name}: before it was built"
        scene.log.append([scene.built - 1, "spot-given-up", detail])
    if scene.chance(0.1) and scene.log:
        scene.log.append(list(scene.one(*scene.log)))


# === readings that disturb ===


def disturb_readings(scene):
    if not scene.rows:
        scene.add(scene.built + HOUR, "k1", 20)
    for _ in range(scene.one(0, 0, 1, 3)):
        repeat(scene, list(scene.one(*scene.rows)))
    for _ in range(scene.one(0, 0, 0, 1, 2)):
        row = list(scene.one(*scene.rows))
        row[2] = decimal(Fraction(row[2]) + scene.one(1, Fraction(1, 100), -7))
        scene.rows += [row, list(row)] if scene.chance(0.3) else [row]
    for _ in range(scene.one(0, 0, 0, 1, 2)):
        row = scene.one(*scene.rows)
        scene.rows.append([row[0], row[1], scene.one("55", "48.5", "-3", "120"), "%"])
    if scene.chance(0.3) and scene.spots:
        for _ in range(scene.random.randint(1, 3)):
            read_beside_a_probe(scene)
    if scene.chance(0.12) and scene.placements:
        jump_at_the_end(scene)
    if scene.chance(0.12):
        scene.add(scene.built - scene.one(1, HOUR, 3 * HOUR), "k1", 60)
    if scene.chance(0.14) and scene.spots:
        at = scene.built - scene.one(0, 0, 1, HOUR, 3 * HOUR)
        scene.add(at, f"hand:{scene.one(*scene.spots).name}", 60)
    if scene.chance(0.12):
        scene.add(scene.one(*scene.rows)[0], "nobody", scene.one("60C", "85.0C", "-127C"))
    for placement in scene.placements:
        if scene.chance(0.15):
            at = placement.start + scene.one(0, scene.settle - 1, scene.settle, -1, MINUTE)
            scene.add(at, placement.probe, scene.level)
        end = scene.end_of(placement)
        if end < NEVER and scene.chance(0.3):
            scene.add(end + scene.one(0, -1, 1, 5 * MINUTE), placement.probe, scene.level)


def repeat(scene, row):
    """The same reading again, sometimes in the other unit where that is exact."""
    if row[3] in "CF" and scene.chance(0.5):
        value = Fraction(row[2])
        if row[3] == "C":
            row[2:] = decimal(value * Fraction(9, 5) + 32), "F"
        elif (value - 32) * 5 % 9 == 0:
            row[2:] = decimal(fahrenheit(value)), "C"
    scene.rows.append(row)


def read_beside_a_probe(scene):
    """A thermometer read near a reading, at the distances in time and temperature that confirm or do not."""
    row = scene.one(*scene.rows)
    c = hundredths(celsius(row)) + Fraction(scene.one("0", "5", "-5", "6", "5.01", "2", "-12"))
    away = scene.one(0, 0, HOUR, HOUR + 1, -HOUR, 2 * scene.every, 2 * scene.every + 1, 5 * MINUTE)
    scene.add(row[0] + away, f"hand:{scene.one(*scene.spots).name}", f"{decimal(c)}C")


def jump_at_the_end(scene):
    """The newest reading of a probe stays held, or just does not."""
    placement = scene.one(*scene.placements)
    rows = [row for row in scene.rows if row[1] == placement.probe and row[3] != "%"]
    if rows:
        newest = max(rows, key=lambda row: row[0])
        near = max(HOUR, 2 * placement.every)
        c = hundredths(celsius(newest)) + scene.one(15, Fraction("15.01"), -20, 18)
        scene.add(newest[0] + scene.one(near, near, 5 * MINUTE, near + 1), placement.probe, f"{decimal(c)}C")


# === entries on the very instants that matter ===


def hit_the_instants(scene):
    """Judges the case so far and puts entries or readings on the instants that the answer names."""
    verdicts = judge(scene)["verdicts"]
    spots = [spot for verdict in verdicts for spot in verdict["spots"]]
    qualified = sorted({(spot["qualified_at"], spot["spot"]) for spot in spots if spot["qualified_at"]})
    if qualified and scene.chance(0.3):
        at, spot = scene.one(*qualified)
        scene.log = [entry for entry in scene.log if not entry[2].startswith(f"{spot}:")]
        at = parse_rfc3339(at) + scene.one(0, 0, 0, 1, -1)
        scene.log.append([at, "spot-given-up", f"{spot}: just then"])
        return
    named = [verdict["at"] for verdict in verdicts] + [spot["qualified_at"] for spot in spots]
    named += [found["at"] for verdict in verdicts for found in verdict["breaks"]]
    named += [spot["longest_run"][end] for spot in spots if spot["longest_run"] for end in ("start", "end")]
    instants = sorted({parse_rfc3339(at) for at in named if at})
    if instants:
        for _ in range(scene.one(1, 1, 2)):
            hit(scene, instants)


def hit(scene, instants):
    what = scene.weighted(given_up=3, turned=1, added=1, read=1, both=1)
    at = scene.one(*instants) + scene.one(0, 0, 0, 1, -1, 30 * MINUTE)
    if what == "added" and scene.chance(0.5):
        at = instants[0]
    spot = scene.one(*scene.spots).name
    if what == "read":
        scene.add(at, f"hand:{spot}", scene.wild())
        return
    if what in ("given_up", "both"):
        scene.log.append([at, "spot-given-up", f"{spot}: at the very instant"])
    if what != "given_up":
        event = {"turned": "turned", "added": "material-added"}.get(what) or scene.one("turned", "material-added")
        scene.log.append([at, event, "at the very instant"])


def judge(scene):
    """The answer of the reference judge to a scene as it stands."""
    pile = pile_of("pile.toml", "\n".join(scene.pile_lines()).encode())
    rows = {(row[1], row[0], celsius(row)) for row in scene.rows if row[3] != "%"}
    log = [
        (at, event, split_given_up(detail) if event == "spot-given-up" else detail) for at, event, detail in scene.log
    ]
    return Judge(pile, rows, log).answer()
