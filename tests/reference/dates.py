"""Local days and calendar dates by zoneinfo and datetime. JSON in, JSON out."""

import json
import sys
from datetime import date, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

MINUTE = 60_000


def utc(ms):
    return datetime.fromtimestamp(ms // 1000, timezone.utc).replace(microsecond=ms % 1000 * 1000)


def start_of(day, zone):
    """First instant of a local day: the first minute whose local date it is, found by looking at every one."""
    noon = datetime(day.year, day.month, day.day, 12, tzinfo=timezone.utc)
    low = int((noon - timedelta(hours=30)).timestamp()) * 1000
    high = int((noon + timedelta(hours=30)).timestamp()) * 1000
    while utc(low).astimezone(zone).date() >= day:
        low -= 3_600_000
    # Local dates never go back by a whole day, so the border is a single one.
    while high - low > MINUTE:
        middle = (low + high) // 2 // MINUTE * MINUTE
        if utc(middle).astimezone(zone).date() >= day:
            high = middle
        else:
            low = middle
    return high


def of_instant(name, ms):
    zone = ZoneInfo(name)
    local = utc(ms).astimezone(zone)
    day = local.date()
    first = local.replace(fold=0)
    return [
        int(local.utcoffset().total_seconds()),
        local.strftime("%Y-%m-%dT%H:%M:%S"),
        start_of(day, zone),
        start_of(day + timedelta(days=1), zone),
        int(first.astimezone(timezone.utc).timestamp() // 1) * 1000 + ms % 1000,
    ]


def of_number(number):
    day = date(1970, 1, 1) + timedelta(days=number)
    try:
        kept = day.replace(year=day.year + 5)
    except ValueError:
        kept = date(day.year + 5, 3, 1)
    harvest = [day + timedelta(days=days) for days in (120, 90)]
    return [str(day), *map(str, harvest), str(kept)]


asked = json.load(sys.stdin)
json.dump(
    {
        "instants": [of_instant(*instant) for instant in asked.get("instants", [])],
        "numbers": [of_number(number) for number in asked.get("numbers", [])],
    },
    sys.stdout,
)
