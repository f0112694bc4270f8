"""When an item appears: shifts, lead times, quiet hours, change of rule. All of it common practice, no published source.

Design 2.5 and 2.7.1 to 2.7.2: interval of 5 days or more, elapsed: the latest shift start at least 12 h before due; 48 h
or less: at least 3 h; calendar: the day shift start of the due date; due in the quiet hours counts back from 22:00; an
interval between 48 h and 5 days appears like one of 5 days or more. Times are Berlin winter time, +01:00.
"""

from datetime import date, time
from zoneinfo import ZoneInfo

import pytest

from linedays.core.moment import HOUR
from linedays.core.policy import Basis, Shifts, WindowRule
from linedays.core.windows import (
    UnitDay,
    clock_of,
    day_shift_start,
    end_of_next_day_shift,
    latest_shift_start,
    next_shift_start,
    quiet_night,
    shift_starts,
)
from support.policies import PRACTICE, SHIFTS, WINDOWS, interval, iso, unit

BERLIN = ZoneInfo("Europe/Berlin")
DAY_OF = UnitDay(unit(), WINDOWS, BERLIN)


def local(text):
    """Return the instant of a winter time in Berlin."""
    return iso(f"{text}+01:00")


ELAPSED = [
    # (days, charted, window, suggested). Due is `days` later at the same time.
    pytest.param(7, "2024-01-01T14:30:00", "2024-01-07T19:00:00", None, id="due 8 Jan 14:30, -12 h = 02:30"),
    pytest.param(7, "2024-01-01T07:00:00", "2024-01-07T19:00:00", None, id="due 07:00, -12 h = 19:00, just enough"),
    pytest.param(7, "2024-01-01T06:59:59", "2024-01-07T07:00:00", None, id="due 06:59:59, -12 h = 18:59:59"),
    pytest.param(7, "2024-01-01T19:00:00", "2024-01-08T07:00:00", None, id="due 19:00, -12 h = 07:00, just enough"),
    pytest.param(7, "2024-01-01T18:59:59", "2024-01-07T19:00:00", None, id="due 18:59:59, -12 h = 06:59:59"),
    pytest.param(7, "2024-01-01T21:59:59", "2024-01-08T07:00:00", None, id="due 21:59:59, before the quiet hours"),
    pytest.param(7, "2024-01-01T22:00:00", "2024-01-08T07:00:00", "2024-01-08T22:00:00", id="due 22:00, -12 h = 10:00"),
    pytest.param(7, "2024-01-01T02:00:00", "2024-01-07T07:00:00", "2024-01-07T22:00:00", id="due at night: from 22:00"),
    pytest.param(7, "2024-01-01T05:59:59", "2024-01-07T07:00:00", "2024-01-07T22:00:00", id="due 05:59:59"),
    pytest.param(7, "2024-01-01T06:00:00", "2024-01-07T07:00:00", None, id="due 06:00, -12 h = 18:00"),
    pytest.param(5, "2024-01-01T14:30:00", "2024-01-05T19:00:00", None, id="5 days"),
    pytest.param(3, "2024-01-01T14:30:00", "2024-01-03T19:00:00", None, id="3 days appear like 5"),
    pytest.param(2, "2024-01-01T14:30:00", "2024-01-03T07:00:00", None, id="48 h: due 14:30, -3 h = 11:30"),
    pytest.param(
        2, "2024-01-01T10:00:00", "2024-01-03T07:00:00", None, id="48 h: due 10:00, -3 h = 07:00, just enough"
    ),
    pytest.param(2, "2024-01-01T09:59:59", "2024-01-02T19:00:00", None, id="48 h: due 09:59:59, -3 h = 06:59:59"),
    pytest.param(
        2, "2024-01-01T23:00:00", "2024-01-03T19:00:00", "2024-01-03T22:00:00", id="48 h: 22:00 - 3 h = 19:00"
    ),
    pytest.param(1, "2024-01-01T14:30:00", "2024-01-02T07:00:00", None, id="24 h"),
]


@pytest.mark.parametrize(("days", "charted", "window", "suggested"), ELAPSED)
def test_elapsed(days, charted, window, suggested):
    clock = clock_of(local(charted), interval("r", days), days, DAY_OF)

    assert clock.due == local(charted) + days * 24 * HOUR
    assert clock.window_from == local(window)
    assert clock.suggested == (None if suggested is None else local(suggested))


CALENDAR = [
    pytest.param(7, "2024-01-08T00:00:00", "2024-01-08T07:00:00", None, id="7 days: the day shift of the due date"),
    pytest.param(5, "2024-01-06T00:00:00", "2024-01-06T07:00:00", None, id="5 days"),
    pytest.param(3, "2024-01-04T00:00:00", "2024-01-04T07:00:00", None, id="3 days appear like 5"),
    # Due from 00:00, in the quiet hours: 22:00 of the evening before - 3 h = 19:00.
    pytest.param(
        2, "2024-01-03T00:00:00", "2024-01-02T19:00:00", "2024-01-02T22:00:00", id="2 days: the evening before"
    ),
]


@pytest.mark.parametrize(("days", "due", "window", "suggested"), CALENDAR)
@pytest.mark.parametrize("charted", ["2024-01-01T00:00:00", "2024-01-01T14:30:00", "2024-01-01T23:59:59"])
def test_calendar(days, due, window, suggested, charted):
    clock = clock_of(local(charted), interval("r", days, basis=Basis.CALENDAR), days, DAY_OF)

    assert (clock.due, clock.overdue_from) == (local(due), local(due) + 24 * HOUR)
    assert clock.window_from == local(window)
    assert clock.suggested == (None if suggested is None else local(suggested))


def test_an_item_does_not_appear_before_it_was_last_done():
    # Put on 1 January 21:00, due 2 January 21:00 (24 h), -30 h (a unit's long lead) would be the shift before the change.
    long_lead = UnitDay(unit(), (WindowRule(up_to_days=None, lead=30 * HOUR, source=PRACTICE),), BERLIN)

    clock = clock_of(local("2024-01-01T21:00:00"), interval("r", 1), 1, long_lead)

    assert clock.window_from == local("2024-01-01T21:00:00")


def test_the_narrowest_window_that_holds_counts_and_the_last_where_none_does():
    windows = tuple(WindowRule(up_to_days=days, lead=lead * HOUR, source=PRACTICE) for days, lead in ((4, 8), (1, 1)))
    day = UnitDay(unit(), windows, BERLIN)
    charted = local("2024-01-01T20:30:00")

    # 1 day: due 2 Jan 20:30, -1 h = 19:30. 3 days: due 4 Jan 20:30, -8 h = 12:30. 9 days: no window; as the last one, -1 h.
    assert clock_of(charted, interval("r", 1), 1, day).window_from == local("2024-01-02T19:00:00")
    assert clock_of(charted, interval("r", 3), 3, day).window_from == local("2024-01-04T07:00:00")
    assert clock_of(charted, interval("r", 9), 9, day).window_from == local("2024-01-10T19:00:00")


@pytest.mark.parametrize(
    ("moment", "night"),
    [
        ("2024-01-01T21:59:59", None),
        ("2024-01-01T22:00:00", ("2024-01-01T22:00:00", "2024-01-02T06:00:00")),
        ("2024-01-02T00:00:00", ("2024-01-01T22:00:00", "2024-01-02T06:00:00")),
        ("2024-01-02T05:59:59", ("2024-01-01T22:00:00", "2024-01-02T06:00:00")),
        ("2024-01-02T06:00:00", None),
        ("2024-01-02T12:00:00", None),
    ],
)
def test_quiet_hours(moment, night):
    assert quiet_night(local(moment), SHIFTS, BERLIN) == (night and tuple(map(local, night)))


@pytest.mark.parametrize(
    ("clock", "quiet"), [("00:59:59", False), ("01:00:00", True), ("04:59:59", True), ("05:00:00", False)]
)
def test_quiet_hours_within_one_day(clock, quiet):
    shifts = Shifts(starts=(time(7),), quiet_from=time(1), quiet_until=time(5), change_margin=0)

    assert (quiet_night(local(f"2024-01-02T{clock}"), shifts, BERLIN) is not None) is quiet


THREE = Shifts(starts=(time(22), time(6), time(14)), quiet_from=time(22), quiet_until=time(6), change_margin=0)


@pytest.mark.parametrize(
    ("moment", "latest", "coming"),
    [
        ("2024-01-02T05:59:59", "2024-01-01T22:00:00", "2024-01-02T06:00:00"),
        ("2024-01-02T06:00:00", "2024-01-02T06:00:00", "2024-01-02T14:00:00"),
        ("2024-01-02T21:59:59", "2024-01-02T14:00:00", "2024-01-02T22:00:00"),
        ("2024-01-02T22:00:00", "2024-01-02T22:00:00", "2024-01-03T06:00:00"),
    ],
)
def test_the_shift_before_and_after(moment, latest, coming):
    assert latest_shift_start(local(moment), THREE, BERLIN) == local(latest)
    assert next_shift_start(local(moment), THREE, BERLIN) == local(coming)


def test_shift_starts_come_in_order_of_time():
    assert shift_starts(date(2024, 1, 2), THREE, BERLIN) == [
        local("2024-01-02T06:00:00"),
        local("2024-01-02T14:00:00"),
        local("2024-01-02T22:00:00"),
    ]


@pytest.mark.parametrize(
    ("starts", "day_shift", "end"),
    [
        pytest.param((time(7), time(19)), "2024-01-02T07:00:00", "2024-01-02T19:00:00", id="two shifts"),
        pytest.param((time(6), time(14), time(22)), "2024-01-02T06:00:00", "2024-01-02T14:00:00", id="three shifts"),
        pytest.param((time(0), time(12)), "2024-01-02T12:00:00", "2024-01-03T00:00:00", id="one that begins at noon"),
        pytest.param((time(13),), "2024-01-01T13:00:00", "2024-01-02T13:00:00", id="one that began the day before"),
    ],
)
def test_the_day_shift_is_the_one_that_holds_noon(starts, day_shift, end):
    shifts = Shifts(starts=starts, quiet_from=time(22), quiet_until=time(6), change_margin=0)

    assert day_shift_start(date(2024, 1, 2), shifts, BERLIN) == local(day_shift)
    assert end_of_next_day_shift(local(day_shift) - 1, shifts, BERLIN) == local(end)


@pytest.mark.parametrize(
    ("change", "end"),
    [
        # The first day shift that *starts* after the change (design 2.7.18).
        ("2024-01-02T06:59:59", "2024-01-02T19:00:00"),
        ("2024-01-02T07:00:00", "2024-01-03T19:00:00"),
        ("2024-01-02T23:59:59", "2024-01-03T19:00:00"),
    ],
)
def test_a_changed_rule_spares_until_the_end_of_the_next_day_shift(change, end):
    assert end_of_next_day_shift(local(change), SHIFTS, BERLIN) == local(end)
