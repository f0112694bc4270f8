"""A priority, a moment and a unit's shifts → when something may be put in front of people, or offered again. No I/O.

All times of day are local to the unit and common practice with no published source: quiet hours, the margin around a
shift change, and how long a person's no holds are settings or rules of this service, not of a guideline.
"""

from datetime import timedelta, tzinfo

from linedays.core.changes import Severity
from linedays.core.model import ItemState, Priority, State
from linedays.core.moment import DAY, Instant, instant_of, local_date
from linedays.core.policy import Shifts

AT_ANY_HOUR = frozenset({Priority.ASAP, Priority.STAT})

_RANK = {
    Severity.DUE: 1,
    Severity.OVERDUE: 2,
    Severity.UNKNOWN: 2,
    Severity.SITE_CONCERN: 2,
    Severity.COMPROMISED: 3,
    Severity.STAT: 4,
}
_PRIORITY_RANK = {Priority.ROUTINE: 0, Priority.URGENT: 1, Priority.ASAP: 2, Priority.STAT: 3}
_BY_STATE = {
    State.WINDOW_OPEN: (Severity.DUE, Priority.ROUTINE),
    State.DUE: (Severity.DUE, Priority.ROUTINE),
    State.NOT_DUE: (Severity.DUE, Priority.ROUTINE),
    State.OVERDUE: (Severity.OVERDUE, Priority.URGENT),
    State.UNKNOWN: (Severity.UNKNOWN, Priority.URGENT),
    State.COMPROMISED: (Severity.COMPROMISED, Priority.ASAP),
}
OFFERED = frozenset(_BY_STATE)


def priority_of(item: ItemState) -> Priority:
    """Return the priority that an item asks for: its own, else the one usual for its state."""
    return item.priority or _BY_STATE[item.state][1]


def severity_of(item: ItemState, *, is_concern: bool) -> Severity:
    """Return how bad a state is, as far as offering it again goes."""
    if priority_of(item) is Priority.STAT:
        return Severity.STAT
    return Severity.SITE_CONCERN if is_concern else _BY_STATE[item.state][0]


def is_worse(now: Severity, before: Severity | None) -> bool:
    """Tell whether a state is worse than the one that a person declined (None: not known, so not called worse)."""
    return before is not None and _RANK[now] > _RANK[before]


def is_raised(now: Priority, before: Priority) -> bool:
    """Tell whether a priority is higher than another."""
    return _PRIORITY_RANK[now] > _PRIORITY_RANK[before]


def may_offer(priority: Priority, at: Instant, shifts: Shifts, zone: tzinfo) -> Instant:
    """Return the first moment, not before `at`, at which something of this priority may be created or raised.

    Quiet hours last until their end; the margin around a shift change lasts from its first second until before its
    last. Source: common practice, no source.
    """
    if priority in AT_ANY_HOUR:
        return at
    waiting = True
    while waiting:
        later = max(_after_quiet(at, shifts, zone), _after_shift_change(at, shifts, zone))
        waiting, at = later > at, later
    return at


def _after_quiet(at: Instant, shifts: Shifts, zone: tzinfo) -> Instant:
    today = local_date(at, zone)
    crosses = shifts.quiet_until < shifts.quiet_from
    for day in (today - timedelta(days=1), today):
        start = instant_of(day, shifts.quiet_from, zone)
        end = instant_of(day + timedelta(days=1) if crosses else day, shifts.quiet_until, zone)
        if start <= at < end:
            return end
    return at


def _after_shift_change(at: Instant, shifts: Shifts, zone: tzinfo) -> Instant:
    for start in _shift_starts(at, shifts, zone):
        if start - shifts.change_margin <= at < start + shifts.change_margin:
            return start + shifts.change_margin
    return at


def _shift_starts(at: Instant, shifts: Shifts, zone: tzinfo) -> list[Instant]:
    today = local_date(at, zone)
    days = (today + timedelta(days=n) for n in (-1, 0, 1))
    return sorted(instant_of(day, clock, zone) for day in days for clock in shifts.starts)


def next_shift_start(at: Instant, shifts: Shifts, zone: tzinfo) -> Instant:
    """Return the first shift start later than a moment. A unit without shifts: a day later."""
    return next((start for start in _shift_starts(at, shifts, zone) if start > at), at + DAY)


def offered_again(severity: Severity, declined: Instant, shifts: Shifts, zone: tzinfo) -> Instant:
    """Return when something that a person declined is offered again, if nothing gets worse before.

    A due or overdue item after 24 h, everything else at the next shift start. Source: common practice, no source.
    """
    if severity in (Severity.DUE, Severity.OVERDUE):
        return declined + DAY
    return next_shift_start(declined, shifts, zone)
