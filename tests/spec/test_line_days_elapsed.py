"""Elapsed time, calendar days per line and per patient, and dwell: three counts beside one another, never added.

Source: the arithmetic is this project's own definition, the same as rule 9 of the open ICU data set's README ("elapsed =
(to - from)/24 h; calendar = local dates touched, first and last included; a calendar day goes whole to the unit at the
line's first moment of that day"); calendar and clock changes by the IANA time zone data.
"""

from dataclasses import replace

import pytest

from linedays.core.count_rules import Count, NoCountingRule, UnitBasis, time_rule
from linedays.core.dwell import dwell
from linedays.core.line_days import line_day_count, line_day_totals, line_days_by_unit
from linedays.core.line_times import line_days_stamp, line_times
from linedays.core.model import StartBasis
from linedays.core.moment import DAY, HOUR
from support.counted_ward import BERLIN, COUNTING, FAR, line, local, patient, stay

STAMP = line_days_stamp(COUNTING, year=2026, at=FAR, known_by=FAR)


def times_of(timelines, stays, units=UnitBasis.FOLLOWED, at=FAR, id="P"):
    return line_times(patient(timelines, stays, id=id), units, at=at)


def open_stay(start, *places):
    return (stay("E1", start, None, *places),)


@pytest.mark.parametrize(
    ("start", "end", "hours", "calendar_days"),
    [
        pytest.param("2026-03-02 10:00", "2026-03-04 10:00", 48, 3, id="two days touch three dates"),
        pytest.param("2026-03-02 23:59:59", "2026-03-03 00:00:00", 1 / 3600, 2, id="one second over midnight"),
        pytest.param("2026-03-02 10:00", "2026-03-02 10:00", 0, 1, id="no time at all is one date"),
        pytest.param("2026-03-28 12:00", "2026-03-29 12:00", 23, 2, id="spring: the night has an hour less"),
        pytest.param("2026-10-24 12:00", "2026-10-25 12:00", 25, 2, id="autumn: the night has an hour more"),
        pytest.param("2028-02-28 12:00", "2028-03-01 12:00", 48, 3, id="29 Feb 2028"),
        pytest.param("2026-02-28 12:00", "2026-03-01 12:00", 24, 2, id="no 29 Feb 2026"),
        pytest.param("2026-12-31 23:00", "2027-01-01 01:00", 2, 2, id="end of the year"),
    ],
)
def test_one_line(start, end, hours, calendar_days):
    (time,) = times_of((line("L", start, end),), open_stay(start, ("heron", start, None)))

    count = line_day_count(time, BERLIN)

    assert (count.elapsed, count.calendar_days) == (round(hours * HOUR), calendar_days)


def rows_of(times):
    return [
        (
            row.scope,
            row.unit,
            row.month,
            row.name,
            row.elapsed / HOUR,
            row.line_calendar_days,
            row.patient_calendar_days,
        )
        for row in line_days_by_unit(times, BERLIN, stamp=STAMP)
        if row.scope == "kind"
    ]


def test_elapsed_time_is_cut_at_the_end_of_a_month_and_at_a_transfer():
    # Placed 30 Mar 12:00, to Otter 31 Mar 06:00, out 1 Apr 09:00. Heron: 12 h + 6 h = 18 h. Otter: 31 Mar 06:00-24:00 =
    # 18 h in March, 9 h in April. Dates: 30 Mar (first moment in Heron), 31 Mar (midnight: Heron), 1 Apr (midnight: Otter).
    stays = open_stay(
        "2026-03-29 08:00", ("heron", "2026-03-29 08:00", "2026-03-31 06:00"), ("otter", "2026-03-31 06:00", None)
    )

    times = times_of((line("L", "2026-03-30 12:00", "2026-04-01 09:00", kind="picc"),), stays)

    assert rows_of(times) == [
        ("kind", "Heron", "2026-03", "picc", 18, 2, 2),
        ("kind", "Otter", "2026-03", "picc", 18, 0, 0),
        ("kind", "Otter", "2026-04", "picc", 9, 1, 1),
    ]


def test_line_out_at_midnight_of_the_first_still_touches_that_date_without_any_time():
    stays = open_stay("2026-03-29 08:00", ("heron", "2026-03-29 08:00", None))

    times = times_of((line("L", "2026-03-31 12:00", "2026-04-01 00:00", kind="picc"),), stays)

    assert rows_of(times) == [
        ("kind", "Heron", "2026-03", "picc", 12, 1, 1),
        ("kind", "Heron", "2026-04", "picc", 0, 1, 1),
    ]


def test_patient_and_date_count_once_per_kind_and_once_per_group_at_the_earliest_moment():
    # Two PICCs on 2 Mar: 10:00 in Heron and 20:00 in Otter; the date is Heron's. A CVC from 21:00: one more kind, the same
    # group. Lines: 3 dates; patient: picc 1, CVC 1, group central 1.
    stays = open_stay(
        "2026-03-02 08:00", ("heron", "2026-03-02 08:00", "2026-03-02 15:00"), ("otter", "2026-03-02 15:00", None)
    )
    lines = (
        line("L1", "2026-03-02 10:00", "2026-03-02 11:00", kind="picc"),
        line("L2", "2026-03-02 20:00", "2026-03-02 22:00", kind="picc"),
        line("L3", "2026-03-02 21:00", "2026-03-02 22:00"),
    )

    times = times_of(lines, stays)
    found = {
        (row.scope, row.name, row.unit): (row.elapsed // HOUR, row.line_calendar_days, row.patient_calendar_days)
        for row in line_days_by_unit(times, BERLIN, stamp=STAMP)
    }

    assert found == {
        ("kind", "picc", "Heron"): (1, 1, 1),
        ("kind", "picc", "Otter"): (2, 1, 0),
        ("kind", "nontunnelled-cvc", "Otter"): (1, 1, 1),
        ("group", "central", "Heron"): (1, 1, 1),
        ("group", "central", "Otter"): (3, 2, 0),
    }
    totals = {
        (one.scope, one.name): (one.lines, one.elapsed // HOUR, one.line_calendar_days, one.patient_calendar_days)
        for one in line_day_totals(times, BERLIN, stamp=STAMP)
    }
    assert totals == {
        ("group", "central"): (3, 4, 3, 1),
        ("kind", "picc"): (2, 3, 2, 1),
        ("kind", "nontunnelled-cvc"): (1, 1, 1, 1),
        ("all", "all"): (3, 4, 3, 1),
    }


def test_no_lines_make_no_rows_and_a_total_of_nothing():
    assert line_days_by_unit((), BERLIN, stamp=STAMP) == ()
    assert [(one.name, one.lines, one.elapsed) for one in line_day_totals((), BERLIN, stamp=STAMP)] == [("all", 0, 0)]


GAP = ("heron", "2026-03-02 08:00", "2026-03-02 12:00"), ("otter", "2026-03-02 14:00", None)


@pytest.mark.parametrize(
    ("units", "expected"),
    [
        # In place 10:00-16:00; nobody charted a place between 12:00 and 14:00.
        pytest.param(UnitBasis.FOLLOWED, {"Heron": 4, "Otter": 2}, id="followed: Heron until Otter takes over"),
        pytest.param(UnitBasis.CHARTED, {"Heron": 2, "unknown": 2, "Otter": 2}, id="charted: unknown between"),
    ],
)
def test_time_between_two_charted_places(units, expected):
    times = times_of(
        (line("L", "2026-03-02 10:00", "2026-03-02 16:00", kind="picc"),), open_stay("2026-03-02 08:00", *GAP), units
    )

    assert {row[1]: row[4] for row in rows_of(times)} == expected


@pytest.mark.parametrize(
    ("places", "expected"),
    [
        pytest.param(
            (("emergency", "2026-03-02 08:00", None),), {"in an outpatient location": 6}, id="emergency department"
        ),
        pytest.param(
            (("heron", "2026-03-02 08:00", None), ("otter", "2026-03-02 13:00", None)),
            {"Heron": 3, "unit unclear": 3},
            id="two units at once",
        ),
    ],
)
def test_followed_time_that_no_unit_owns_says_why(places, expected):
    times = times_of(
        (line("L", "2026-03-02 10:00", "2026-03-02 16:00", kind="picc"),), open_stay("2026-03-02 08:00", *places)
    )

    assert {row[1]: row[4] for row in rows_of(times)} == expected


def test_charted_units_are_those_of_the_outermost_encounter_and_of_known_places():
    admission = stay(
        "E1", "2026-03-02 08:00", None, ("heron", "2026-03-02 08:00", None), ("elsewhere", "2026-03-02 08:00", None)
    )
    nested = stay(
        "E2", "2026-03-02 08:00", None, ("otter", "2026-03-02 07:00", None), top="E1", encounter_class="ACUTE"
    )

    times = times_of(
        (line("L", "2026-03-02 10:00", "2026-03-02 16:00", kind="picc"),), (nested, admission), UnitBasis.CHARTED
    )

    assert {row[1]: row[4] for row in rows_of(times)} == {"Heron": 6}


def test_line_still_in_place_counts_up_to_the_moment_asked_about():
    stays = open_stay("2026-03-02 08:00", ("heron", "2026-03-02 08:00", None))
    lines = (
        line("L", "2026-03-02 10:00"),
        line("M", "2026-03-02 10:00", "2026-03-09 10:00"),
        line("N", "2026-03-04 12:00:00"),
        line("O", "2026-03-04 12:00:01"),
    )

    found = times_of(lines, stays, at=local("2026-03-04 12:00"))

    assert [(time.line, (time.end - time.start) / HOUR) for time in found] == [("L", 50), ("M", 50), ("N", 0)]


def test_end_known_only_by_its_day_is_never_before_the_start():
    (time,) = times_of((line("L", "2026-03-02 10:00", "2026-03-02"),), ())

    assert (time.start, time.end) == (local("2026-03-02 10:00"), local("2026-03-02 10:00"))
    assert line_day_count(time, BERLIN).unit_at_start == "unknown"


def test_kind_that_the_rules_do_not_name_is_in_the_group_unknown():
    (time,) = times_of((line("L", "2026-03-02 10:00", kind="not-in-the-rules"),), ())

    assert time.group == "unknown"


DWELL = time_rule(COUNTING, Count.DWELL, 2026)


@pytest.mark.parametrize(
    ("start", "end", "at", "seconds"),
    [
        # The example of the design: in place since 3 Jan, 62 d on 6 March (28 + 28 + 6 days of 24 h).
        pytest.param("2026-01-03 10:00", None, "2026-03-06 10:00", 62 * DAY, id="62 d"),
        pytest.param("2026-03-02 10:00", None, "2026-03-02 09:59:59", None, id="one second before it was placed"),
        pytest.param("2026-03-02 10:00", None, "2026-03-02 10:00:00", 0, id="as it is placed"),
        pytest.param("2026-03-02 10:00", "2026-03-04 10:00", "2026-03-09 10:00", 2 * DAY, id="ends with the removal"),
        pytest.param("2026-03-28 12:00", None, "2026-03-29 12:00", 23 * HOUR, id="elapsed, not wall-clock, in spring"),
        pytest.param("2026-10-24 12:00", None, "2026-10-25 12:00", 25 * HOUR, id="elapsed, not wall-clock, in autumn"),
        pytest.param("2026-03-02 10:00", "2026-03-02", "2026-03-09 10:00", 0, id="removed some time that day"),
    ],
)
def test_dwell_is_elapsed_time(start, end, at, seconds):
    found = dwell(line("L", start, end).line, DWELL, at=local(at), known_by=FAR)

    assert (None if found is None else found.seconds) == seconds


@pytest.mark.parametrize(
    ("basis", "at_least"),
    [
        (StartBasis.INSERTION, False),
        (StartBasis.EXCHANGE, False),
        (StartBasis.ARRIVAL, True),
        (StartBasis.DEVICE, True),
    ],
)
def test_dwell_of_a_line_that_came_with_the_patient_is_at_least_that(basis, at_least):
    found = dwell(line("L", "2026-03-02 10:00", basis=basis).line, DWELL, at=local("2026-03-03 10:00"), known_by=FAR)

    assert found is not None
    assert found.at_least is at_least


def test_every_figure_carries_its_rules_the_moment_and_the_knowledge():
    stamp = line_days_stamp(COUNTING, year=2026, at=local("2026-03-03 10:00"), known_by=local("2026-03-04 10:00"))
    times = times_of((line("L", "2026-03-02 10:00"),), (), at=stamp.at)
    found = dwell(line("L", "2026-03-02 10:00").line, DWELL, at=stamp.at, known_by=stamp.known_by)

    figures = [*line_days_by_unit(times, BERLIN, stamp=stamp), *line_day_totals(times, BERLIN, stamp=stamp)]

    assert {figure.stamp for figure in figures} == {stamp}
    assert [str(rule) for rule in stamp.rules] == [
        "elapsed-line-days 1 (1900)",
        "line-calendar-days 1 (1900)",
        "patient-calendar-days 1 (1900)",
    ]
    assert found is not None
    assert (str(found.stamp.rules[0]), found.stamp.at, found.stamp.known_by) == (
        "dwell-elapsed 1 (1900)",
        stamp.at,
        stamp.known_by,
    )


def test_year_before_every_rule_is_refused_with_what_to_do():
    later = replace(COUNTING, times=tuple(replace(rule, id=replace(rule.id, year=2020)) for rule in COUNTING.times))

    with pytest.raises(NoCountingRule, match=r"no counting rule for 2019: state one in line_days\.yaml"):
        line_days_stamp(later, year=2019, at=FAR, known_by=FAR)
