"""Due times over clock changes, leap days and year ends, and times charted less exactly than to the second (H08).

Source: the clock changes are those of the IANA time zone data for 2024 (rules of each zone from memory, offsets written
out at every row); the rule is the project's own definition, design 2.2 and 2.5: elapsed hours are counted in UTC, calendar
days by the clocks of the zone. Common practice, no published source.
"""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from linedays.core.model import FactKind
from linedays.core.moment import DAY, HOUR, Moment
from linedays.core.policy import Basis, Shifts
from linedays.core.states import State
from linedays.core.windows import UnitDay, clock_of, latest_shift_start, next_shift_start, quiet_night
from support.builders import changed, fact, when
from support.policies import (
    RULES,
    SHIFTS,
    WINDOWS,
    WITHIN_7_DAYS,
    exchanged,
    interval,
    iso,
    item_at,
    line,
    policy,
    state_at,
    unit,
)

BERLIN = ZoneInfo("Europe/Berlin")

# Each row: zone, charted 3 local days before the day of the change at 14:30; then, for 7 days, the elapsed due instant as
# the clocks show it, and the local midnights between which it is due by calendar days.
BOTH_CHANGES = [
    pytest.param(
        "Europe/Berlin",
        "2024-03-28T14:30:00+01:00",
        "2024-04-04T15:30:00+02:00",
        "2024-04-04T00:00:00+02:00",
        "2024-04-05T00:00:00+02:00",
        id="Berlin, 31 March 02:00 to 03:00",
    ),
    pytest.param(
        "Europe/Berlin",
        "2024-10-24T14:30:00+02:00",
        "2024-10-31T13:30:00+01:00",
        "2024-10-31T00:00:00+01:00",
        "2024-11-01T00:00:00+01:00",
        id="Berlin, 27 October 03:00 to 02:00",
    ),
    pytest.param(
        "America/New_York",
        "2024-03-07T14:30:00-05:00",
        "2024-03-14T15:30:00-04:00",
        "2024-03-14T00:00:00-04:00",
        "2024-03-15T00:00:00-04:00",
        id="New York, 10 March 02:00 to 03:00",
    ),
    pytest.param(
        "America/New_York",
        "2024-10-31T14:30:00-04:00",
        "2024-11-07T13:30:00-05:00",
        "2024-11-07T00:00:00-05:00",
        "2024-11-08T00:00:00-05:00",
        id="New York, 3 November 02:00 to 01:00",
    ),
    pytest.param(
        "Australia/Lord_Howe",
        "2024-04-04T14:30:00+11:00",
        "2024-04-11T14:00:00+10:30",
        "2024-04-11T00:00:00+10:30",
        "2024-04-12T00:00:00+10:30",
        id="Lord Howe, 7 April, half an hour back",
    ),
    pytest.param(
        "Australia/Lord_Howe",
        "2024-10-03T14:30:00+10:30",
        "2024-10-10T15:00:00+11:00",
        "2024-10-10T00:00:00+11:00",
        "2024-10-11T00:00:00+11:00",
        id="Lord Howe, 6 October, half an hour on",
    ),
    pytest.param(
        "Europe/London",
        "2024-03-28T14:30:00+00:00",
        "2024-04-04T15:30:00+01:00",
        "2024-04-04T00:00:00+01:00",
        "2024-04-05T00:00:00+01:00",
        id="London, 31 March 01:00 to 02:00",
    ),
    pytest.param(
        "Europe/London",
        "2024-10-24T14:30:00+01:00",
        "2024-10-31T13:30:00+00:00",
        "2024-10-31T00:00:00+00:00",
        "2024-11-01T00:00:00+00:00",
        id="London, 27 October 02:00 to 01:00",
    ),
    pytest.param(
        # The clocks go on at midnight: Sunday 8 September 2024 has no 00:00 to 00:59.
        "America/Santiago",
        "2024-09-05T14:30:00-04:00",
        "2024-09-12T15:30:00-03:00",
        "2024-09-12T00:00:00-03:00",
        "2024-09-13T00:00:00-03:00",
        id="Santiago, 8 September 00:00 to 01:00",
    ),
    pytest.param(
        "America/Santiago",
        "2024-04-03T14:30:00-03:00",
        "2024-04-10T13:30:00-04:00",
        "2024-04-10T00:00:00-04:00",
        "2024-04-11T00:00:00-04:00",
        id="Santiago, 7 April 00:00 to 23:00",
    ),
    pytest.param(
        "Asia/Kathmandu",
        "2024-03-28T14:30:00+05:45",
        "2024-04-04T14:30:00+05:45",
        "2024-04-04T00:00:00+05:45",
        "2024-04-05T00:00:00+05:45",
        id="Kathmandu, no change",
    ),
]


@pytest.mark.parametrize(("zone", "charted", "elapsed", "begins", "ends"), BOTH_CHANGES)
def test_over_a_clock_change(zone, charted, elapsed, begins, ends):
    day = UnitDay(unit(), WINDOWS, ZoneInfo(zone))

    by_hours = clock_of(iso(charted), interval("r", 7), 7, day)
    by_days = clock_of(iso(charted), interval("r", 7, basis=Basis.CALENDAR), 7, day)

    assert (by_hours.due, by_hours.overdue_from) == (iso(elapsed), iso(elapsed) + 1)
    assert (by_days.due, by_days.overdue_from) == (iso(begins), iso(ends))
    assert by_hours.due - iso(charted) == 604_800  # 7 × 24 × 3600


ON_THE_DAY = [
    # The due day itself is the day of the change: how long it lasts.
    pytest.param("Europe/Berlin", "2024-03-24T14:30:00+01:00", "2024-03-31T00:00:00+01:00", 23, id="Berlin, 23 h"),
    pytest.param("Europe/Berlin", "2024-10-20T14:30:00+02:00", "2024-10-27T00:00:00+02:00", 25, id="Berlin, 25 h"),
    pytest.param("America/New_York", "2024-03-03T14:30:00-05:00", "2024-03-10T00:00:00-05:00", 23, id="New York, 23 h"),
    pytest.param("America/New_York", "2024-10-27T14:30:00-04:00", "2024-11-03T00:00:00-04:00", 25, id="New York, 25 h"),
    pytest.param(
        "Australia/Lord_Howe", "2024-03-31T14:30:00+11:00", "2024-04-07T00:00:00+11:00", 24.5, id="Lord Howe, 24.5 h"
    ),
    pytest.param(
        "Australia/Lord_Howe", "2024-09-29T14:30:00+10:30", "2024-10-06T00:00:00+10:30", 23.5, id="Lord Howe, 23.5 h"
    ),
    # There is no midnight: the day begins at 01:00.
    pytest.param("America/Santiago", "2024-09-01T14:30:00-04:00", "2024-09-08T01:00:00-03:00", 23, id="Santiago, 23 h"),
]


@pytest.mark.parametrize(("zone", "charted", "begins", "hours"), ON_THE_DAY)
def test_a_due_day_with_a_clock_change_in_it(zone, charted, begins, hours):
    day = UnitDay(unit(), WINDOWS, ZoneInfo(zone))

    clock = clock_of(iso(charted), interval("r", 7, basis=Basis.CALENDAR), 7, day)

    assert (clock.due, clock.overdue_from) == (iso(begins), iso(begins) + round(hours * HOUR))


@pytest.mark.parametrize(
    ("charted", "due"),
    [
        pytest.param("2024-02-27T09:00:00+01:00", "2024-02-29T09:00:00+01:00", id="due on 29 February"),
        pytest.param("2024-02-29T09:00:00+01:00", "2024-03-02T09:00:00+01:00", id="charted on 29 February"),
        pytest.param("2023-02-27T09:00:00+01:00", "2023-03-01T09:00:00+01:00", id="no 29 February in 2023"),
        pytest.param("2024-12-30T09:00:00+01:00", "2025-01-01T09:00:00+01:00", id="year end"),
        pytest.param("2024-12-31T23:59:59+01:00", "2025-01-02T23:59:59+01:00", id="last second of the year"),
    ],
)
def test_leap_days_and_year_ends(charted, due):
    day = UnitDay(unit(), WINDOWS, BERLIN)

    by_hours = clock_of(iso(charted), interval("r", 2), 2, day)
    by_days = clock_of(iso(charted), interval("r", 2, basis=Basis.CALENDAR), 2, day)

    midnight = iso(f"{due[:10]}T00:00:00+01:00")
    assert by_hours.due == iso(due)
    assert (by_days.due, by_days.overdue_from) == (midnight, midnight + 24 * HOUR)


@pytest.mark.parametrize(
    ("cutoff", "overdue"),
    [
        # The due day is 31 March 2024 in Berlin. 02:30 is left out: the first instant after the change, 03:00 +02:00.
        (time(1, 30), "2024-03-31T01:30:00+01:00"),
        (time(2, 30), "2024-03-31T03:00:00+02:00"),
        (time(16), "2024-03-31T16:00:00+02:00"),
    ],
)
def test_a_cutoff_on_the_day_of_a_clock_change(cutoff, overdue):
    day = UnitDay(unit(cutoff=cutoff), WINDOWS, BERLIN)

    clock = clock_of(iso("2024-03-24T14:30:00+01:00"), interval("r", 7, basis=Basis.CALENDAR), 7, day)

    assert clock.overdue_from == iso(overdue)


def test_a_cutoff_shown_twice_is_its_first_time():
    day = UnitDay(unit(cutoff=time(2, 30)), WINDOWS, BERLIN)

    clock = clock_of(iso("2024-10-20T14:30:00+02:00"), interval("r", 7, basis=Basis.CALENDAR), 7, day)

    assert clock.overdue_from == iso("2024-10-27T02:30:00+02:00")


@pytest.mark.parametrize(
    ("moment", "latest", "coming"),
    [
        # The night shift from 30 March 19:00 +01:00 to 31 March 07:00 +02:00 has 11 h, that of 26 October 13 h.
        ("2024-03-31T06:59:59+02:00", "2024-03-30T19:00:00+01:00", "2024-03-31T07:00:00+02:00"),
        ("2024-10-27T06:59:59+01:00", "2024-10-26T19:00:00+02:00", "2024-10-27T07:00:00+01:00"),
    ],
)
def test_shifts_of_a_night_with_a_clock_change(moment, latest, coming):
    assert latest_shift_start(iso(moment), SHIFTS, BERLIN) == iso(latest)
    assert next_shift_start(iso(moment), SHIFTS, BERLIN) == iso(coming)


def test_a_shift_that_begins_at_a_time_left_out_begins_after_the_change():
    shifts = Shifts(starts=(time(2, 30), time(14)), quiet_from=time(22), quiet_until=time(6), change_margin=0)

    assert next_shift_start(iso("2024-03-31T01:00:00+01:00"), shifts, BERLIN) == iso("2024-03-31T03:00:00+02:00")


@pytest.mark.parametrize(
    ("moment", "begin", "end"),
    [
        ("2024-03-31T03:00:00+02:00", "2024-03-30T22:00:00+01:00", "2024-03-31T06:00:00+02:00"),  # 7 h
        ("2024-10-27T02:30:00+01:00", "2024-10-26T22:00:00+02:00", "2024-10-27T06:00:00+01:00"),  # 9 h
    ],
)
def test_quiet_hours_over_a_clock_change(moment, begin, end):
    assert quiet_night(iso(moment), SHIFTS, BERLIN) == (iso(begin), iso(end))


def test_the_window_counts_hours_not_what_the_clocks_show():
    # Due 31 March 19:00 +02:00 = 17:00 UTC, - 12 h = 05:00 UTC = 07:00 +02:00: the day shift. By the clocks it is the same
    # here; due one second earlier it is the night shift, which began 30 March 19:00 +01:00.
    day = UnitDay(unit(), WINDOWS, BERLIN)
    charted = iso("2024-03-24T18:00:00+01:00")  # + 168 h = 31 March 17:00 UTC

    assert clock_of(charted, interval("r", 7), 7, day).window_from == iso("2024-03-31T07:00:00+02:00")
    assert clock_of(charted - 1, interval("r", 7), 7, day).window_from == iso("2024-03-30T19:00:00+01:00")


# --- Precision ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("zone", "day", "due"),
    [
        # The first instant of the local day + 168 h, over the clock change of that week.
        ("Europe/Berlin", "2024-03-28", "2024-04-04T01:00:00+02:00"),
        ("America/New_York", "2024-10-31", "2024-11-06T23:00:00-05:00"),
        ("America/Santiago", "2024-09-08", "2024-09-15T01:00:00-03:00"),  # the day begins at 01:00
    ],
)
def test_a_change_charted_by_day(zone, day, due):
    moment = when(day, ZoneInfo(zone))
    facts = line(fact(FactKind.DRESSING_CHANGED, moment, value="transparent"), placed="2024-02-01 10:00")

    assert item_at(facts, moment.latest + 1, zone=ZoneInfo(zone)).due == iso(due)


def test_a_change_charted_for_the_day_of_insertion_counts_from_the_insertion():
    # "1 March" on a line placed 1 March 10:00: the earliest reading, but not before insertion (design 2.2.2).
    facts = line(changed("2024-03-01", value="transparent"))

    assert item_at(facts, "2024-03-02 08:00").due == iso("2024-03-08T10:00:00Z")


def test_a_change_charted_by_day_on_a_line_that_arrived_counts_from_that_day():
    # A line can come with its dressing on: an arrival bounds nothing.
    facts = (
        fact(FactKind.PRESENT, "2024-03-01 10:00", line_kind="picc", source="Procedure/placed"),
        changed("2024-03-01", value="transparent", part_of="Procedure/placed"),
    )

    assert item_at(facts, "2024-03-02 08:00").due == iso("2024-03-08T00:00:00Z")


@pytest.mark.parametrize("coarse", ["2024-02", "2024"])
def test_a_change_charted_by_month_or_year_sets_no_clock_and_keeps_the_one_that_is_set(coarse):
    charted = changed(coarse, value="transparent", known="2024-03-02 08:00")

    assert state_at(line(charted, placed=None), "2024-03-03 08:00") is State.UNKNOWN
    assert item_at(line(charted), "2024-03-03 08:00").due == iso("2024-03-08T10:00:00Z")  # from the insertion, 1 + 7


def test_the_latest_instant_counts_and_not_the_greatest_text():
    # As texts 09:30+02:00 > 08:45+01:00 > 04:10-04:00; as instants 07:30, 07:45 and 08:10 UTC.
    texts = {"2024-03-04T09:30:00+02:00": "a", "2024-03-04T08:45:00+01:00": "b", "2024-03-04T04:10:00-04:00": "c"}
    facts = line(
        *(
            changed(Moment(iso(text), iso(text)), value="transparent", source=f"Procedure/{id}")
            for text, id in texts.items()
        )
    )

    item = item_at(facts, "2024-03-05 08:00")

    assert max(texts) == "2024-03-04T09:30:00+02:00"
    assert (item.anchor.source, item.due) == ("Procedure/c", iso("2024-03-11T08:10:00Z"))


@pytest.mark.parametrize(
    ("moment", "state"),
    [
        # Charted 1 November 14:30 -04:00, due 8 November by calendar: overdue at the midnight of New York, not of UTC.
        ("2024-11-08T23:59:59-05:00", State.DUE),
        ("2024-11-09T00:00:00+00:00", State.DUE),
        ("2024-11-09T00:00:00-05:00", State.OVERDUE),
    ],
)
def test_the_midnight_is_that_of_the_zone(moment, state):
    by_days = policy(
        rules=exchanged(RULES, interval("transparent-7", 7, dressing_kinds=WITHIN_7_DAYS, basis=Basis.CALENDAR))
    )
    charted = Moment(iso("2024-11-01T14:30:00-04:00"), iso("2024-11-01T14:30:00-04:00"))

    assert (
        state_at(
            line(changed(charted, value="transparent")), iso(moment), by=by_days, zone=ZoneInfo("America/New_York")
        )
        is state
    )


@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "America/Santiago"])
def test_each_hour_of_a_year_is_due_after_seven_times_24_hours_on_the_right_day(zone):
    # An independent count: the standard library's calendar, hour by hour, over both clock changes.
    zoned = ZoneInfo(zone)
    day = UnitDay(unit(), WINDOWS, zoned)
    by_hours, by_days = interval("r", 7), interval("r", 7, basis=Basis.CALENDAR)
    first = iso("2024-01-01T00:30:00Z")
    for charted in range(first, first + 366 * DAY, 5 * HOUR):
        assert clock_of(charted, by_hours, 7, day).due == charted + 604_800
        clock = clock_of(charted, by_days, 7, day)
        shown = [datetime.fromtimestamp(at, UTC).astimezone(zoned).date() for at in (charted, clock.due - 1, clock.due)]
        due_day: date = shown[0] + timedelta(days=7)
        assert shown[1:] == [due_day - timedelta(days=1), due_day]
