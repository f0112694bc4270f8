"""An anchor, an interval and a unit's day → when an item is due, overdue, and when it should appear. No I/O.

All instants are computed once and kept in UTC. Elapsed intervals are counted in hours, so a clock change does not move
them; calendar intervals in local days.
"""

from datetime import date, time, timedelta, tzinfo
from typing import assert_never

import msgspec

from linedays.core.moment import DAY, Instant, instant_of, local_date, start_of_day
from linedays.core.policy import Basis, IntervalRule, Shifts, UnitSettings, WindowRule

NOON = time(12)


class Clock(msgspec.Struct, frozen=True, gc=False):
    """The instants of one cycle: the item appears, is due, is overdue; `suggested` is given for a due time at night.

    By calendar days an item is due from 00:00 and appears when the day shift of that date begins.
    """

    window_from: Instant
    due: Instant
    overdue_from: Instant
    suggested: Instant | None


class UnitDay(msgspec.Struct, frozen=True, gc=False):
    """How a unit divides its days: its settings, the window rules and its zone."""

    settings: UnitSettings
    windows: tuple[WindowRule, ...]
    zone: tzinfo


def clock_of(anchor: Instant, rule: IntervalRule, interval_days: int, day: UnitDay) -> Clock:
    """Return the instants of the cycle that began at `anchor`.

    Elapsed: due n × 24 h later, overdue from the next second after due + grace. Calendar: due from 00:00 of local
    day + n, overdue from 00:00 of the day after, or from the unit's cut-off time on the due day.
    """
    due, overdue_from = _due(anchor, rule, interval_days, day)
    shifts = day.settings.shifts
    lead = _lead(interval_days, day.windows)
    suggested = None
    if rule.basis is Basis.CALENDAR and lead.up_to_days is None:
        window = day_shift_start(local_date(due, day.zone), shifts, day.zone)
    else:
        suggested = _before_the_night(due, shifts, day.zone)
        window = latest_shift_start((suggested or due) - lead.lead, shifts, day.zone)
    return Clock(max(anchor, window), due, overdue_from, suggested)


def _due(anchor: Instant, rule: IntervalRule, interval_days: int, day: UnitDay) -> tuple[Instant, Instant]:
    match rule.basis:
        case Basis.ELAPSED:
            due = anchor + interval_days * DAY
            return due, due + rule.grace + 1
        case Basis.CALENDAR:
            on = local_date(anchor, day.zone) + timedelta(days=interval_days)
            cutoff = day.settings.cutoff
            if cutoff is None:
                return start_of_day(on, day.zone), start_of_day(on + timedelta(days=1), day.zone)
            return start_of_day(on, day.zone), instant_of(on, cutoff, day.zone)
        case _:
            assert_never(rule.basis)


def _lead(interval_days: int, windows: tuple[WindowRule, ...]) -> WindowRule:
    for window in sorted(windows, key=lambda w: (w.up_to_days is None, w.up_to_days or 0)):
        if window.up_to_days is None or interval_days <= window.up_to_days:
            return window
    return windows[-1]


def _before_the_night(due: Instant, shifts: Shifts, zone: tzinfo) -> Instant | None:
    """Return the evening instant that a due time in the quiet hours counts back from."""
    night = quiet_night(due, shifts, zone)
    return night[0] if night is not None else None


def quiet_night(at: Instant, shifts: Shifts, zone: tzinfo) -> tuple[Instant, Instant] | None:
    """Return the start and end of the quiet hours that hold at an instant, or None by day."""
    today = local_date(at, zone)
    for day in (today - timedelta(days=1), today):
        begin = instant_of(day, shifts.quiet_from, zone)
        last = day + timedelta(days=1) if shifts.quiet_until <= shifts.quiet_from else day
        end = instant_of(last, shifts.quiet_until, zone)
        if begin <= at < end:
            return begin, end
    return None


def shift_starts(day: date, shifts: Shifts, zone: tzinfo) -> list[Instant]:
    """Return the shift starts of a local day, in order."""
    return [instant_of(day, start, zone) for start in sorted(shifts.starts)]


def latest_shift_start(until: Instant, shifts: Shifts, zone: tzinfo) -> Instant:
    """Return the latest shift start at or before an instant."""
    day = local_date(until, zone)
    while True:
        begun = [start for start in shift_starts(day, shifts, zone) if start <= until]
        if begun:
            return begun[-1]
        day -= timedelta(days=1)


def next_shift_start(after: Instant, shifts: Shifts, zone: tzinfo) -> Instant:
    """Return the first shift start later than an instant."""
    day = local_date(after, zone)
    while True:
        coming = [start for start in shift_starts(day, shifts, zone) if start > after]
        if coming:
            return coming[0]
        day += timedelta(days=1)


def day_shift_start(day: date, shifts: Shifts, zone: tzinfo) -> Instant:
    """Return the start of the day shift: the one that holds 12:00."""
    noon = instant_of(day, NOON, zone)
    return latest_shift_start(noon, shifts, zone)


def end_of_next_day_shift(after: Instant, shifts: Shifts, zone: tzinfo) -> Instant:
    """Return the end of the first day shift that starts after an instant: the earliest a changed rule makes overdue."""
    day = local_date(after, zone)
    start = day_shift_start(day, shifts, zone)
    while start <= after:
        day += timedelta(days=1)
        start = day_shift_start(day, shifts, zone)
    return next_shift_start(start, shifts, zone)
