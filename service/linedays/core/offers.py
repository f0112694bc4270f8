"""A priority, a moment and a unit's shifts → when something may be put in front of people, or offered again. No I/O.

All times of day are local to the unit and common practice with no published source: quiet hours, the margin around a
shift change, and how long a person's no holds are settings or rules of this service, not of a guideline.
"""

from collections.abc import Iterable
from datetime import timedelta, tzinfo
from typing import TypeVar

from linedays.core.compared import ExistingFlag, ExistingTask, Phase, Severity
from linedays.core.moment import DAY, HOUR, Instant, local_date
from linedays.core.policy import Shifts
from linedays.core.states import Priority
from linedays.core.windows import next_shift_start, quiet_night, shift_starts

_E = TypeVar("_E", ExistingTask, ExistingFlag)

AT_ANY_HOUR = frozenset({Priority.ASAP, Priority.STAT})

# What was marked as done is mostly charted within this; only then is anybody reminded. Common practice, no source.
CHARTED_WITHIN = HOUR

_RANK = {
    # To decline a look at the site says nothing about a change that comes due afterwards.
    Severity.SITE_CONCERN: 0,
    Severity.DUE: 1,
    Severity.OVERDUE: 2,
    Severity.UNKNOWN: 2,
    Severity.COMPROMISED: 3,
    Severity.STAT: 4,
}
_PRIORITY_RANK = {Priority.ROUTINE: 0, Priority.URGENT: 1, Priority.ASAP: 2, Priority.STAT: 3}


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
    if shifts.quiet_from == shifts.quiet_until:
        return at
    night = quiet_night(at, shifts, zone)
    return at if night is None else night[1]


def _after_shift_change(at: Instant, shifts: Shifts, zone: tzinfo) -> Instant:
    today = local_date(at, zone)
    for day in (today - timedelta(days=1), today, today + timedelta(days=1)):
        for start in shift_starts(day, shifts, zone):
            if start - shifts.change_margin <= at < start + shifts.change_margin:
                return start + shifts.change_margin
    return at


def next_offer(severity: Severity, declined: Instant, shifts: Shifts, zone: tzinfo) -> Instant:
    """Return when something that a person declined is offered again, if nothing gets worse before.

    A due or overdue item after 24 h, everything else at the next shift start. Source: common practice, no source.
    """
    if severity in (Severity.DUE, Severity.OVERDUE):
        return declined + DAY
    return next_shift_start(declined, shifts, zone)


def standing_no(found: Iterable[_E], since: Instant | None) -> _E | None:
    """Return the last one that a person ended, unless the cycle began after that."""
    nos = [one for one in found if one.phase is Phase.ENDED_BY_A_PERSON and one.modified >= (since or one.modified)]
    return max(nos, key=lambda one: (one.modified, one.ref), default=None)
