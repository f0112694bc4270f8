"""When something may be put in front of people, against the hours of design section 2.7(1): common practice, no source."""

from datetime import time

import pytest

from linedays.core.compared import Severity
from linedays.core.offers import is_raised, is_worse, may_offer, next_offer
from linedays.core.policy import Shifts
from linedays.core.states import Priority
from support.task_board import BERLIN, SHIFTS, at

# asked at, may be written at: quiet hours 22:00-06:00, shift changes 07:00 and 19:00 with 30 min on either side
HOURS = [
    ("2026-03-11 21:59:59", "2026-03-11 21:59:59"),  # one second before quiet hours
    ("2026-03-11 22:00:00", "2026-03-12 06:00:00"),  # their first second
    ("2026-03-11 23:59:59", "2026-03-12 06:00:00"),
    ("2026-03-12 00:00:00", "2026-03-12 06:00:00"),
    ("2026-03-12 05:59:59", "2026-03-12 06:00:00"),  # their last second
    ("2026-03-12 06:00:00", "2026-03-12 06:00:00"),
    ("2026-03-12 06:29:59", "2026-03-12 06:29:59"),  # one second before the half hour before the day shift
    ("2026-03-12 06:30:00", "2026-03-12 07:30:00"),
    ("2026-03-12 07:00:00", "2026-03-12 07:30:00"),
    ("2026-03-12 07:29:59", "2026-03-12 07:30:00"),
    ("2026-03-12 07:30:00", "2026-03-12 07:30:00"),
    ("2026-03-12 12:00:00", "2026-03-12 12:00:00"),
    ("2026-03-12 18:29:59", "2026-03-12 18:29:59"),
    ("2026-03-12 18:30:00", "2026-03-12 19:30:00"),
    ("2026-03-12 19:29:59", "2026-03-12 19:30:00"),
    ("2026-03-12 19:30:00", "2026-03-12 19:30:00"),
]


@pytest.mark.parametrize(("asked", "written"), HOURS)
@pytest.mark.parametrize("priority", [Priority.ROUTINE, Priority.URGENT])
def test_routine_and_urgent_wait_for_the_end_of_quiet_hours_and_of_a_shift_change(asked, written, priority):
    assert may_offer(priority, at(asked), SHIFTS, BERLIN) == at(written)


@pytest.mark.parametrize(("asked", "written"), HOURS)
@pytest.mark.parametrize("priority", [Priority.ASAP, Priority.STAT])
def test_asap_and_stat_never_wait(asked, written, priority):
    assert may_offer(priority, at(asked), SHIFTS, BERLIN) == at(asked)


def test_quiet_hours_in_the_night_of_a_clock_change_end_by_the_local_clock():
    # 28 March 2026 23:00 in Berlin is 22:00 UTC; 29 March 06:00 is 04:00 UTC: six hours, not seven.
    asked = at("2026-03-28 23:00")
    assert may_offer(Priority.ROUTINE, asked, SHIFTS, BERLIN) - asked == 6 * 3600


def test_the_end_of_quiet_hours_inside_a_shift_change_waits_for_both():
    shifts = Shifts(starts=(time(6), time(18)), quiet_from=time(22), quiet_until=time(6), change_margin=1800)
    assert may_offer(Priority.URGENT, at("2026-03-12 01:00"), shifts, BERLIN) == at("2026-03-12 06:30")


def test_a_shift_change_that_runs_into_quiet_hours_waits_for_both():
    shifts = Shifts(starts=(time(6), time(22)), quiet_from=time(22), quiet_until=time(5), change_margin=1800)
    # 21:45 → 22:30 lies in quiet hours → 05:00, before 05:30
    assert may_offer(Priority.URGENT, at("2026-03-11 21:45"), shifts, BERLIN) == at("2026-03-12 05:00")


def test_a_shift_change_at_midnight_counts_from_both_days():
    shifts = Shifts(starts=(time(0), time(12)), quiet_from=time(2), quiet_until=time(4), change_margin=1800)
    assert may_offer(Priority.URGENT, at("2026-03-11 23:40"), shifts, BERLIN) == at("2026-03-12 00:30")
    assert may_offer(Priority.URGENT, at("2026-03-12 00:10"), shifts, BERLIN) == at("2026-03-12 00:30")
    assert may_offer(Priority.URGENT, at("2026-03-12 03:00"), shifts, BERLIN) == at("2026-03-12 04:00")


def test_a_unit_without_quiet_hours_has_none():
    shifts = Shifts(starts=(time(7), time(19)), quiet_from=time(0), quiet_until=time(0), change_margin=0)
    assert may_offer(Priority.ROUTINE, at("2026-03-12 00:00"), shifts, BERLIN) == at("2026-03-12 00:00")


# Design section 2.6: compromised and unknown at the next shift start, due and overdue after 24 h. Common practice, no source.
@pytest.mark.parametrize(
    ("severity", "declined", "again"),
    [
        (Severity.DUE, "2026-03-11 14:10", "2026-03-12 14:10"),
        (Severity.OVERDUE, "2026-03-11 14:10", "2026-03-12 14:10"),
        (Severity.UNKNOWN, "2026-03-11 14:10", "2026-03-11 19:00"),
        (Severity.COMPROMISED, "2026-03-11 14:10", "2026-03-11 19:00"),
        (Severity.SITE_CONCERN, "2026-03-11 23:10", "2026-03-12 07:00"),
        (Severity.STAT, "2026-03-11 19:00", "2026-03-12 07:00"),  # exactly at a shift start: the next one
    ],
)
def test_what_was_declined_is_next_offer(severity, declined, again):
    assert next_offer(severity, at(declined), SHIFTS, BERLIN) == at(again)


# Design section 2.6: due < overdue < compromised < stat.
@pytest.mark.parametrize(
    ("now", "before", "worse"),
    [
        (Severity.OVERDUE, Severity.DUE, True),
        (Severity.COMPROMISED, Severity.OVERDUE, True),
        (Severity.STAT, Severity.COMPROMISED, True),
        (Severity.COMPROMISED, Severity.COMPROMISED, False),
        (Severity.OVERDUE, Severity.COMPROMISED, False),
        (Severity.OVERDUE, Severity.UNKNOWN, False),
        (Severity.STAT, None, False),  # nothing known of what was declined
    ],
)
def test_worse_follows_the_order_of_states(now, before, worse):
    assert is_worse(now, before) is worse


def test_raised_follows_the_order_of_request_priorities():
    # FHIR R4 request-priority: routine, urgent, asap, stat, each higher than the one before.
    ordered = [Priority.ROUTINE, Priority.URGENT, Priority.ASAP, Priority.STAT]
    pairs = [(now, before) for now in ordered for before in ordered if is_raised(now, before)]
    assert pairs == [
        (Priority.URGENT, Priority.ROUTINE),
        (Priority.ASAP, Priority.ROUTINE),
        (Priority.ASAP, Priority.URGENT),
        (Priority.STAT, Priority.ROUTINE),
        (Priority.STAT, Priority.URGENT),
        (Priority.STAT, Priority.ASAP),
    ]
