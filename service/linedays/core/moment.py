"""Turns FHIR date texts into instants with their precision, and instants into local calendar days. No I/O.

An instant is a whole number of seconds since 1970 in UTC (`Instant`), so that subtraction is elapsed time and never
wall-clock time. A `Moment` is a charted time: the interval of instants it may mean, with the precision it was charted
in. A time to the minute is read as its first second; a fraction of a second is dropped. A leap second (`:60`) is read
as the second that follows it, as POSIX time does. A missing offset, 24:00, a day that is not in the calendar and a
year out of range are problems, never fixed.
"""

import re
from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from enum import StrEnum
from functools import lru_cache
from typing import TypeAlias

import msgspec

Instant: TypeAlias = int

MINUTE = 60
HOUR = 3600
DAY = 86400
DATE_LENGTH = 10
MIN_YEAR = 1700
MAX_YEAR = 2999

_PARTS = re.compile(
    r"(?P<y>\d{4})(?:-(?P<mo>\d\d)(?:-(?P<d>\d\d)(?:T(?P<h>\d\d):(?P<mi>\d\d)(?::(?P<s>\d\d)(?:\.\d+)?)?"
    r"(?P<off>Z|[+-](?:0\d|1[0-3]):[0-5]\d|[+-]14:00)?)?)?)?",
    re.ASCII,
)
_HOUR = re.compile(r"(\d{4}-\d\d-\d\d)T([01]\d|2[0-3])", re.ASCII)
_OFFSET = re.compile(r"(?:\.\d+)?(?:Z|(?P<sign>[+-])(?P<h>0\d|1[0-3]|14(?=:00)):(?P<m>[0-5]\d))", re.ASCII)
_MIDNIGHT = time(0)
# What is kept of days and times once worked out: charting goes round within a few years of days.
_MOST_DAYS = 2048
_MOST_PIECES = 32768
_LONGEST_PIECE = 40
_EPOCH_DAY = date(1970, 1, 1).toordinal()


class Precision(StrEnum):
    """How exactly a time was charted."""

    SECOND = "second"
    DAY = "day"
    MONTH = "month"
    YEAR = "year"


# In Python 3.11 a member is found in a tenth of the time by a name of its own; here it is asked for by the million.
_SECOND = Precision.SECOND


class TimeProblem(StrEnum):
    """Why a text is not a usable time; the value is the words shown to people."""

    NOT_A_TIME = "not a date or time in the form the standard asks for"
    NO_OFFSET = "a time of day without its offset from UTC"
    NO_SUCH_DAY = "a day or time that does not exist"
    YEAR = "a year out of range"


class Moment(msgspec.Struct, frozen=True, gc=False):
    """A charted time: it happened somewhere in [earliest, latest]."""

    earliest: Instant
    latest: Instant
    precision: Precision = Precision.SECOND

    @property
    def is_exact(self) -> bool:
        """True where the time of day was charted."""
        return self.precision is _SECOND


def exactly(at: Instant) -> Moment:
    """Return the moment that is known to the second."""
    return Moment(at, at)


def moment_from_text(
    text: str, zone: tzinfo, *, midnight_is_day: bool = False, local_if_no_offset: bool = False
) -> Moment | TimeProblem:
    """Read a FHIR date, dateTime or instant.

    Units: `zone` gives the calendar day of a date without a time. `midnight_is_day` reads 00:00:00 local as "some time
    that day"; `local_if_no_offset` reads a time without offset as local time. Both are choices of the source map.
    Source: FHIR R4, datatypes, dateTime (http://hl7.org/fhir/R4/datatypes.html#dateTime).
    """
    if len(text) == DATE_LENGTH:
        return _moment_of_day(text, zone)
    try:
        at = _HOURS[text[:13]] + _IN_THE_HOUR[text[13:19]] - _OFFSETS[text[19:]]
    except KeyError:
        return _moment_from_parts(text, zone, midnight_is_day, local_if_no_offset)
    if midnight_is_day and is_local_midnight(at, zone):
        return day_moment(local_date(at, zone), zone)
    return Moment(at, at)


def instant_from_text(text: str, zone: tzinfo) -> Instant | None:
    """Return the earliest instant that a FHIR time may mean, or None where the text is no usable time."""
    try:
        return _HOURS[text[:13]] + _IN_THE_HOUR[text[13:19]] - _OFFSETS[text[19:]]
    except KeyError:
        told = moment_from_text(text, zone)
        return told.earliest if isinstance(told, Moment) else None


class _Read(dict[str, int]):
    """What pieces of times mean in seconds, kept once read. A piece that is not of the usual form is no key."""

    def __init__(self, read: Callable[[str], int | None]) -> None:
        super().__init__()
        self._read = read

    def __missing__(self, piece: str) -> int:
        seconds = self._read(piece)
        if seconds is None:
            raise KeyError
        if len(piece) <= _LONGEST_PIECE:
            if len(self) >= _MOST_PIECES:
                self.clear()
            self[piece] = seconds
        return seconds


def _utc_hour(piece: str) -> Instant | None:
    match = _HOUR.fullmatch(piece)
    if match is None:
        return None
    try:
        day = date.fromisoformat(match[1])
    except ValueError:
        return None
    return (day.toordinal() - _EPOCH_DAY) * DAY + int(match[2]) * HOUR if MIN_YEAR <= day.year <= MAX_YEAR else None


def _offset_seconds(piece: str) -> int | None:
    match = _OFFSET.fullmatch(piece)
    if match is None:
        return None
    if match["sign"] is None:
        return 0
    seconds = int(match["h"]) * HOUR + int(match["m"]) * MINUTE
    return seconds if match["sign"] == "+" else -seconds


# The form nearly every record system writes, 2026-03-04T05:06:07.890+01:00, is read in three pieces, of which few
# different ones occur: several times as fast as taking each text apart. What is not of that form goes the long way.
_HOURS = _Read(_utc_hour)
_IN_THE_HOUR = {f":{minute:02}:{second:02}": minute * MINUTE + second for minute in range(60) for second in range(60)}
_OFFSETS = _Read(_offset_seconds)


@lru_cache(maxsize=_MOST_DAYS)
def _moment_of_day(text: str, zone: tzinfo) -> Moment | TimeProblem:
    return _moment_from_parts(text, zone, midnight_is_day=False, local_if_no_offset=False)


def _moment_from_parts(
    text: str, zone: tzinfo, midnight_is_day: bool, local_if_no_offset: bool
) -> Moment | TimeProblem:
    match = _PARTS.fullmatch(text)
    if match is None:
        return TimeProblem.NOT_A_TIME
    part = match.groupdict()
    year = int(part["y"])
    if not MIN_YEAR <= year <= MAX_YEAR:
        return TimeProblem.YEAR
    try:
        if part["mo"] is None:
            return _span(date(year, 1, 1), date(year + 1, 1, 1), zone, Precision.YEAR)
        month = int(part["mo"])
        if part["d"] is None:
            first = date(year, month, 1)
            return _span(first, (first + timedelta(days=31)).replace(day=1), zone, Precision.MONTH)
        day = date(year, month, int(part["d"]))
        if part["h"] is None:
            # A zone that moved across the date line left a whole day out: its first instant is the next day's.
            return day_moment(day, zone) if _is_in_calendar(day, zone) else TimeProblem.NO_SUCH_DAY
        return _time_of_day(day, part, zone, midnight_is_day, local_if_no_offset)
    except ValueError:
        return TimeProblem.NO_SUCH_DAY


def _time_of_day(
    day: date, part: dict[str, str | None], zone: tzinfo, midnight_is_day: bool, local_if_no_offset: bool
) -> Moment | TimeProblem:
    seconds = int(part["s"] or 0)
    wall = datetime.combine(day, time(int(part["h"] or 0), int(part["mi"] or 0), min(seconds, 59)))
    if seconds > 60:
        return TimeProblem.NO_SUCH_DAY
    offset = part["off"]
    if offset is None:
        if not local_if_no_offset:
            return TimeProblem.NO_OFFSET
        placed = wall.replace(tzinfo=zone)
        if placed.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != wall:
            return TimeProblem.NO_SUCH_DAY
    else:
        placed = datetime.fromisoformat(wall.isoformat() + ("+00:00" if offset == "Z" else offset))
    at = int(placed.timestamp()) + (seconds == 60)
    if midnight_is_day and is_local_midnight(at, zone):
        return day_moment(local_date(at, zone), zone)
    return exactly(at)


def _span(first: date, after: date, zone: tzinfo, precision: Precision) -> Moment:
    return Moment(start_of_day(first, zone), start_of_day(after, zone) - 1, precision)


def _is_in_calendar(day: date, zone: tzinfo) -> bool:
    return local_date(start_of_day(day, zone), zone) == day


def day_moment(day: date, zone: tzinfo) -> Moment:
    """Return the moment "some time on that local day"."""
    return _span(day, day + timedelta(days=1), zone, Precision.DAY)


def local_date(at: Instant, zone: tzinfo) -> date:
    """Return the calendar day of an instant in a zone."""
    return datetime.fromtimestamp(at, zone).date()


def is_local_midnight(at: Instant, zone: tzinfo) -> bool:
    """Tell whether the clocks of the zone show 00:00:00 at that instant."""
    return datetime.fromtimestamp(at, zone).time() == _MIDNIGHT


@lru_cache(maxsize=_MOST_DAYS)
def instant_of(day: date, clock: time, zone: tzinfo) -> Instant:
    """Return the instant at which the clocks of a zone first show a time on a day.

    A time that a clock change leaves out is read as the first instant after the change; one that happens twice as
    the first of the two.
    """
    return _first_shown(day, clock, zone)


def _first_shown(day: date, clock: time, zone: tzinfo) -> Instant:
    wall = datetime.combine(day, clock)
    placed = wall.replace(tzinfo=zone)
    at = int(placed.timestamp())
    shown = datetime.fromtimestamp(at, zone).replace(tzinfo=None)
    if shown == wall:
        return at
    return _first_after_gap(wall, zone)


def _first_after_gap(wall: datetime, zone: tzinfo) -> Instant:
    # fold=1 reads the left-out time by the offset that holds after the change, fold=0 by the one before: the change
    # itself lies between the two readings.
    low, high = sorted(int(wall.replace(tzinfo=zone, fold=fold).timestamp()) for fold in (0, 1))
    while low < high:
        middle = (low + high) // 2
        if datetime.fromtimestamp(middle, zone).replace(tzinfo=None) >= wall:
            high = middle
        else:
            low = middle + 1
    return low


@lru_cache(maxsize=_MOST_DAYS)
def start_of_day(day: date, zone: tzinfo) -> Instant:
    """Return the first instant of a local calendar day."""
    return _first_shown(day, _MIDNIGHT, zone)


def order(first: Moment, second: Moment) -> int:
    """Compare two moments: -1 before, 1 after, 0 where the charted precision leaves the order open.

    Two times charted with a time of day are compared by the minute, since that is what people chart; equal minutes
    are 0, as are overlapping intervals.
    """
    if first.is_exact and second.is_exact:
        a, b = first.earliest // MINUTE, second.earliest // MINUTE
        return (a > b) - (a < b)
    if first.latest < second.earliest:
        return -1
    return 1 if first.earliest > second.latest else 0
