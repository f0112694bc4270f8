"""Lines with the units their patients were in → elapsed and calendar line days per kind, group, unit and month. No I/O.

Three counts stand side by side and are never added: elapsed time, cut at unit and month boundaries; calendar days
touched per line, first and last included; and calendar days per patient, where a patient and a date count once per kind
or group. A calendar day belongs whole to the unit at the line's first moment of that day. Scopes `kind` and `group` are
two views of the same lines; the patient days of a group are not the sum of those of its kinds.
"""

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta, tzinfo
from itertools import pairwise

from linedays.core.count_rules import Stamp
from linedays.core.line_times import LineTime
from linedays.core.moment import Instant, local_date, start_of_day

_ONE_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class LineDays:
    """Line days of one kind or group, in one unit and month.

    Units: `elapsed` in seconds. `unit` is "unknown" where none is charted.
    """

    scope: str
    unit: str
    month: str
    name: str
    elapsed: int
    line_calendar_days: int
    patient_calendar_days: int
    stamp: Stamp


@dataclass(frozen=True, slots=True, kw_only=True)
class LineDayTotal:
    """Line days of one kind, of one group, or of all lines together.

    Units: `elapsed` in seconds.
    """

    scope: str
    name: str
    lines: int
    elapsed: int
    line_calendar_days: int
    patient_calendar_days: int
    stamp: Stamp


@dataclass(frozen=True, slots=True, kw_only=True)
class LineDayCount:
    """How much of everything one line adds. Units: `elapsed` in seconds."""

    line: str
    elapsed: int
    calendar_days: int
    unit_at_start: str


def line_day_count(line: LineTime, zone: tzinfo) -> LineDayCount:
    """Return the elapsed time and the calendar days of one line."""
    return LineDayCount(
        line=line.line,
        elapsed=line.end - line.start,
        calendar_days=len(_days_touched(line, zone)),
        unit_at_start=line.unit_at(line.start),
    )


def line_days_by_unit(lines: Iterable[LineTime], zone: tzinfo, *, stamp: Stamp) -> tuple[LineDays, ...]:
    """Return line days per kind and per group, unit and month.

    Shape: in order of scope, unit, month and name; a row where any of the three counts has something.
    """
    elapsed: Counter[tuple[str, str, str, str]] = Counter()
    touched: Counter[tuple[str, str, str, str]] = Counter()
    every = tuple(lines)
    for line in every:
        for start, end in _pieces(line, zone):
            for scope, name in _names(line):
                elapsed[scope, line.unit_at(start), _month(local_date(start, zone)), name] += end - start
        for day, first in _days_touched(line, zone):
            for scope, name in _names(line):
                touched[scope, line.unit_at(first), _month(day), name] += 1
    patients = Counter(
        (scope, unit, _month(day), name) for (scope, name, _, day), (_, unit) in _patient_days(every, zone).items()
    )
    return tuple(
        LineDays(
            scope=key[0],
            unit=key[1],
            month=key[2],
            name=key[3],
            elapsed=elapsed[key],
            line_calendar_days=touched[key],
            patient_calendar_days=patients[key],
            stamp=stamp,
        )
        for key in sorted({*elapsed, *touched, *patients})
    )


def line_day_totals(lines: Iterable[LineTime], zone: tzinfo, *, stamp: Stamp) -> tuple[LineDayTotal, ...]:
    """Return line days per group, per kind, and of all lines.

    Shape: groups, then kinds, each in order of name, then `all`.
    """
    every = tuple(lines)
    dates = Counter((scope, name) for scope, name, _, _ in _patient_days(every, zone))
    named = [(name, line) for line in every for name in _names(line)]
    totals = [
        _total(name, [line for of, line in named if of == name], zone, stamp, dates[name]) for name in sorted(dates)
    ]
    all_dates = {(line.patient, day) for line in every for day, _ in _days_touched(line, zone)}
    return (*totals, _total(("all", "all"), every, zone, stamp, len(all_dates)))


def _total(
    name: tuple[str, str], lines: Iterable[LineTime], zone: tzinfo, stamp: Stamp, patient_calendar_days: int
) -> LineDayTotal:
    counts = [line_day_count(line, zone) for line in lines]
    return LineDayTotal(
        scope=name[0],
        name=name[1],
        lines=len(counts),
        elapsed=sum(count.elapsed for count in counts),
        line_calendar_days=sum(count.calendar_days for count in counts),
        patient_calendar_days=patient_calendar_days,
        stamp=stamp,
    )


def _names(line: LineTime) -> tuple[tuple[str, str], tuple[str, str]]:
    return ("kind", line.kind), ("group", line.group)


def _month(day: date) -> str:
    return f"{day.year:04d}-{day.month:02d}"


def _pieces(line: LineTime, zone: tzinfo) -> Iterator[tuple[Instant, Instant]]:
    """Cut the time in place wherever a unit's time begins or ends, and at local month boundaries."""
    cuts = {line.start, line.end}
    cuts.update(at for time in line.units for at in (time.start, time.end) if at is not None)
    month = local_date(line.start, zone).replace(day=1)
    while (boundary := start_of_day(month, zone)) < line.end:
        cuts.add(boundary)
        month = (month + timedelta(days=31)).replace(day=1)
    inside = sorted(at for at in cuts if line.start <= at <= line.end)
    return pairwise(inside)


def _days_touched(line: LineTime, zone: tzinfo) -> tuple[tuple[date, Instant], ...]:
    """Return every calendar day that a line touches, with the line's first moment of that day."""
    found: list[tuple[date, Instant]] = []
    day, last = local_date(line.start, zone), local_date(line.end, zone)
    while day <= last:
        found.append((day, max(line.start, start_of_day(day, zone))))
        day += _ONE_DAY
    return tuple(found)


def _patient_days(lines: Iterable[LineTime], zone: tzinfo) -> dict[tuple[str, str, str, date], tuple[Instant, str]]:
    """Return, per kind or group, patient and date, the earliest moment and the unit it belongs to."""
    found: dict[tuple[str, str, str, date], tuple[Instant, str]] = {}
    for line in lines:
        for day, first in _days_touched(line, zone):
            moment = (first, line.unit_at(first))
            for scope, name in _names(line):
                key = (scope, name, line.patient, day)
                found[key] = min(moment, found.get(key, moment))
    return found
