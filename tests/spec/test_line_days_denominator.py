"""Denominator line days: one snapshot a day, per unit and month, at one stated local time.

Sources: NHSN Patient Safety Component Manual, ch. 4, and its denominators instructions (rules nhsn-onepp, -sametime,
-denom-all, f-dur); the numbers of TV-4 are made up. H33 is the hazard "wrong unit's or double-counted line day".
"""

from dataclasses import replace
from datetime import date, time
from zoneinfo import ZoneInfo

import pytest

from linedays.core.denominator import SnapshotTimeUnclear, clock_change_days, month_snapshots, patient_days
from linedays.core.model import FactKind, StartBasis, Whereabouts
from linedays.core.unit_figures import Scope, unit_figures
from support.counted_ward import BERLIN, basis, by_times, fact, line, local, patient, stay

CAME = StartBasis.ARRIVAL
EIGHT = time(8, 0)
NICU = ("otter", "2026-03-10 00:00", None)
WARD = ("heron", "2026-03-10 00:00", None)


def one_day(*places, id="E1"):
    """An admission over the snapshot of 10 March only."""
    return (stay(id, "2026-03-10 00:00", "2026-03-11 00:00", *(places or (WARD,))),)


SINCE_FEBRUARY = (stay("E1", "2026-02-20 08:00", "2026-03-11 00:00", ("heron", "2026-02-20 08:00", None)),)
TENTH = date(2026, 3, 10)

P1_TO_P7 = [
    # (patient, its lines, counted at 08:00 on 10 March)
    (
        "P1",
        (
            line("P1a", "2026-03-01 10:00"),
            line("P1b", "2026-03-01 10:00", kind="picc"),
            line("P1c", "2026-03-01 10:00", kind="dialysis-tunnelled"),
        ),
        1,
    ),
    ("P2", (line("P2a", "2026-03-10 07:00", kind="picc"),), 1),
    ("P3", (line("P3a", "2026-03-08 10:00", "2026-03-10 07:30"),), 0),
    ("P4", (line("P4a", "2026-03-10 09:00"),), 0),
    ("P5", (line("P5a", "2026-03-08 10:00", kind="midline"),), 0),
    ("P6", (line("P6a", "2026-03-08 10:00", kind="arterial"),), 0),
    ("P7", (line("P7a", "2026-03-08 10:00", kind="umbilical-venous"), line("P7b", "2026-03-08 10:00", kind="picc")), 1),
]
P8 = ("P8", (line("P8a", "2026-01-08 10:00", kind="implanted-port", basis=CAME),), 1)


def figures(cases, by, *, month=date(2026, 3, 1), only=None):
    """Count a month, or only the snapshot of one day of it."""
    shots = month_snapshots(month, by)
    if only is not None:
        shots = replace(shots, taken=tuple(one for one in shots.taken if one[0] == only))
    rows = [
        row for id, lines, stays in cases for row in patient_days(patient(lines, stays, by, id=id), shots, by_times)
    ]
    return rows, unit_figures(rows, shots)


def facility(found):
    return next(one for one in found if one.scope is Scope.FACILITY)


@pytest.mark.parametrize(
    ("id", "lines", "counted"), [pytest.param(*case, id=f"TV-4-{case[0]}") for case in [*P1_TO_P7, P8]]
)
def test_snapshot_at_eight_counts_a_patient_once_whatever_the_lines(id, lines, counted):
    _, found = figures([(id, lines, SINCE_FEBRUARY)], basis(snapshot=EIGHT), only=TENTH)

    assert (facility(found).line_days, facility(found).patient_days) == (counted, 1)


@pytest.mark.parametrize(
    ("cases", "include", "line_days", "days", "ratio"),
    [
        pytest.param(P1_TO_P7, True, 3, 7, "0.43", id="TV-4 seven patients: P1 + P2 + P7 = 3; 3/7 = 0.43"),
        pytest.param([*P1_TO_P7, P8], True, 4, 8, "0.50", id="TV-4 eight patients: with P8 = 4; 4/8 = 0.50"),
        pytest.param([*P1_TO_P7, P8], False, 3, 8, "0.38", id="TV-4 not accessed excluded: P8 = 0; 3/8 = 0.375"),
    ],
)
def test_month_total_and_utilisation(cases, include, line_days, days, ratio):
    by = basis(snapshot=EIGHT, include_not_accessed=include)

    total = facility(figures([(id, lines, SINCE_FEBRUARY) for id, lines, _ in cases], by, only=TENTH)[1])

    assert (total.line_days, total.patient_days, f"{total.utilisation:.2f}") == (line_days, days, ratio)


@pytest.mark.parametrize(
    ("lines", "counted"),
    [
        pytest.param((line("L", "2026-03-01 10:00"),), 1, id="placed in this admission is accessed"),
        pytest.param(
            (line("L", "2026-01-01 10:00", kind="implanted-port", basis=CAME),), 0, id="TV-4-P8 never accessed"
        ),
        pytest.param(
            (line("L", "2026-01-01 10:00", basis=CAME, facts=(fact(FactKind.PORT_ACCESSED, "2026-03-10 08:00:00"),)),),
            1,
            id="accessed at the second of the snapshot",
        ),
        pytest.param(
            (line("L", "2026-01-01 10:00", basis=CAME, facts=(fact(FactKind.PORT_ACCESSED, "2026-03-10 08:00:01"),)),),
            0,
            id="accessed one second after the snapshot",
        ),
    ],
)
def test_setting_exclude_counts_only_lines_accessed_in_this_admission(lines, counted):
    by = basis(snapshot=EIGHT, include_not_accessed=False)

    _, found = figures([("P", lines, SINCE_FEBRUARY)], by, only=TENTH)

    assert facility(found).line_days == counted


@pytest.mark.parametrize(
    ("start", "end", "counted"),
    [
        pytest.param("2026-03-10 07:59:59", None, 1, id="placed one second before"),
        pytest.param("2026-03-10 08:00:00", None, 1, id="placed at the snapshot"),
        pytest.param("2026-03-10 08:00:01", None, 0, id="placed one second after"),
        pytest.param("2026-03-09 10:00", "2026-03-10 07:59:59", 0, id="removed one second before"),
        pytest.param("2026-03-09 10:00", "2026-03-10 08:00:00", 0, id="removed at the snapshot"),
        pytest.param("2026-03-09 10:00", "2026-03-10 08:00:01", 1, id="removed one second after"),
    ],
)
def test_one_second_before_and_after_the_snapshot(start, end, counted):
    # Source: nhsn-sametime; a line is in place from its insertion until before its removal.
    _, found = figures([("P", (line("L", start, end),), one_day())], basis(snapshot=EIGHT))

    assert (facility(found).line_days, facility(found).inexact) == (counted, 0)


@pytest.mark.parametrize(
    ("start", "end", "days"),
    [
        pytest.param("2026-03-10 08:00:01", "2026-03-11 07:59:59", 0, id="between two snapshots"),
        pytest.param("2026-03-10 08:00:00", "2026-03-11 08:00:00", 1, id="from one snapshot to the next"),
        pytest.param("2026-03-10 07:59:59", "2026-03-11 08:00:01", 2, id="over two snapshots"),
    ],
)
def test_patient_days_are_snapshots_too(start, end, days):
    # Source: V45/V46 as f-dur says: both are snapshot counts, so the ratio lies between 0 and 1.
    _, found = figures([("P", (), (stay("E1", start, end, ("heron", start, None)),))], basis(snapshot=EIGHT))

    assert facility(found).patient_days == days


@pytest.mark.parametrize(
    ("zone", "clock", "day", "unclear"),
    [
        # Berlin 2026: 29 March 02:00 -> 03:00, 25 October 03:00 -> 02:00. New York: 8 March, 1 November.
        # Lord Howe 2026: 5 April 02:00 -> 01:30 (half an hour), 4 October 02:00 -> 02:30. Source: IANA time zone data.
        pytest.param("Europe/Berlin", "01:59:59", date(2026, 3, 29), False, id="Berlin spring, one second before"),
        pytest.param("Europe/Berlin", "02:00", date(2026, 3, 29), True, id="Berlin spring, left out from 02:00"),
        pytest.param("Europe/Berlin", "02:59:59", date(2026, 3, 29), True, id="Berlin spring, left out to 02:59:59"),
        pytest.param("Europe/Berlin", "03:00", date(2026, 3, 29), False, id="Berlin spring, after"),
        pytest.param("Europe/Berlin", "01:59:59", date(2026, 10, 25), False, id="Berlin autumn, one second before"),
        pytest.param("Europe/Berlin", "02:00", date(2026, 10, 25), True, id="Berlin autumn, twice from 02:00"),
        pytest.param("Europe/Berlin", "02:59:59", date(2026, 10, 25), True, id="Berlin autumn, twice to 02:59:59"),
        pytest.param("Europe/Berlin", "03:00", date(2026, 10, 25), False, id="Berlin autumn, after"),
        pytest.param("America/New_York", "02:30", date(2026, 3, 8), True, id="New York spring"),
        pytest.param("America/New_York", "01:30", date(2026, 11, 1), True, id="New York autumn"),
        pytest.param(
            "Australia/Lord_Howe", "01:45", date(2026, 4, 5), True, id="Lord Howe, the half hour that comes twice"
        ),
        pytest.param("Australia/Lord_Howe", "01:15", date(2026, 4, 5), False, id="Lord Howe, before the half hour"),
        pytest.param("Asia/Kathmandu", "02:30", date(2026, 3, 29), False, id="Kathmandu has no clock change"),
    ],
)
def test_snapshot_time_in_the_hour_of_a_clock_change_is_found(zone, clock, day, unclear):
    found = clock_change_days([day], time.fromisoformat(clock), ZoneInfo(zone))

    assert found == ((day,) if unclear else ())


@pytest.mark.parametrize(("month", "day"), [(date(2026, 3, 1), "2026-03-29"), (date(2026, 10, 1), "2026-10-25")])
def test_month_with_a_clock_change_at_the_snapshot_is_refused(month, day):
    with pytest.raises(SnapshotTimeUnclear, match=rf"at the snapshot time 02:30 the clocks change on {day}") as refused:
        month_snapshots(month, basis(snapshot=time(2, 30)))

    assert refused.value.days == (date.fromisoformat(day),)


def test_month_without_a_clock_change_is_counted_at_the_same_time():
    assert month_snapshots(date(2026, 4, 1), basis(snapshot=time(2, 30))).taken[0][1] == local("2026-04-01 02:30")


@pytest.mark.parametrize(
    ("month", "days"),
    [
        # 24 h apart but over the change: 23 h in March, 25 h in October, so 31 d - 1 h and 31 d + 1 h for the month.
        pytest.param("2026-03", 31, id="spring"),
        pytest.param("2026-10", 31, id="autumn"),
        pytest.param("2028-02", 29, id="29 Feb of a leap year"),
        pytest.param("2026-02", 28, id="no leap year"),
        pytest.param("2026-12", 31, id="end of the year"),
    ],
)
def test_every_day_of_a_month_has_one_snapshot(month, days):
    inside = stay("E1", f"{month}-01 00:00", None, ("heron", f"{month}-01 00:00", None))
    by = basis(snapshot=EIGHT)

    _, found = figures(
        [("P", (line("L", f"{month}-01 00:00"),), (inside,))], by, month=date.fromisoformat(f"{month}-01")
    )

    total = facility(found)
    assert (total.month, total.patient_days, total.line_days, total.days_taken, total.days_in_month) == (
        month,
        days,
        days,
        days,
        days,
    )


def test_snapshots_are_at_local_time_on_both_sides_of_a_clock_change():
    shots = month_snapshots(date(2026, 3, 1), basis(snapshot=EIGHT))

    # 08:00 is 07:00 UTC in winter and 06:00 UTC in summer: 29 March is 23 h after 28 March.
    assert [b - a for (_, a), (_, b) in zip(shots.taken[26:], shots.taken[27:], strict=False)] == [
        86400,
        82800,
        86400,
        86400,
    ]


TRANSFERS = [
    # (places, unit at 08:00)
    pytest.param(
        (("heron", "2026-03-10 00:00", "2026-03-10 08:00:00"), ("otter", "2026-03-10 08:00:00", None)),
        "Otter",
        id="H33 transfer at the second of the snapshot: the unit it goes to",
    ),
    pytest.param(
        (("heron", "2026-03-10 00:00", "2026-03-10 08:00:01"), ("otter", "2026-03-10 08:00:01", None)),
        "Heron",
        id="H33 transfer one second after the snapshot",
    ),
    pytest.param(
        (("heron", "2026-03-10 00:00", "2026-03-10 07:00"), ("theatre", "2026-03-10 07:00", None)),
        "Heron",
        id="H33 in theatre at the snapshot: the unit it came from",
    ),
    pytest.param(
        (
            ("heron", "2026-03-10 00:00", "2026-03-10 07:00"),
            ("theatre", "2026-03-10 07:00", "2026-03-10 07:50"),
            ("otter", "2026-03-10 09:00", None),
        ),
        "Heron",
        id="H33 between theatre and the next unit: not yet taken over",
    ),
    pytest.param(
        (("heron", "2026-03-10 00:00", None), ("heron-bed-2", "2026-03-10 07:00", None)),
        "Heron",
        id="H33 a ward and a bed of it are one unit",
    ),
    pytest.param(
        (("heron", "2026-03-10 00:00", None), ("otter", "2026-03-10 07:00", None)),
        None,
        id="H33 two units at once: unclear",
    ),
    pytest.param((("elsewhere", "2026-03-10 00:00", None),), None, id="H33 a place that nobody classed: unclear"),
    pytest.param((), None, id="H33 an inpatient charted in no place: unclear"),
]


@pytest.mark.parametrize(("places", "unit"), TRANSFERS)
def test_patient_is_in_exactly_one_unit_or_unclear(places, unit):
    by = basis(snapshot=EIGHT)
    inside = (stay("E1", "2026-03-10 00:00", "2026-03-11 00:00", *places),)

    rows, found = figures([("P", (line("L", "2026-03-10 01:00"),), inside)], by)

    assert [row.answer.unit for row in rows] == [unit]
    in_units = [one for one in found if one.scope is Scope.UNIT]
    assert [one.unit for one in in_units] == ([] if unit is None else [unit])
    assert sum(one.line_days for one in found if one.scope is Scope.UNCLEAR) == (1 if unit is None else 0)


@pytest.mark.parametrize(
    "places",
    [
        pytest.param((("emergency", "2026-03-10 00:00", None),), id="boarding in the emergency department"),
        pytest.param((("theatre", "2026-03-10 00:00", None),), id="in theatre, no unit yet"),
    ],
)
def test_patient_who_came_to_no_inpatient_unit_is_no_patient_day(places):
    rows, found = figures([("P", (line("L", "2026-03-10 01:00"),), one_day(*places))], basis(snapshot=EIGHT))

    assert rows == []
    assert (facility(found).patient_days, facility(found).line_days, facility(found).utilisation) == (0, 0, None)


def test_h33_units_and_unclear_add_up_to_the_facility_total():
    # Heron: P0 on 10, 11 and 12 March with a line = 3 of 3. Otter: P1, no line = 0 of 1, P2 = 1 of 1. Unclear: P3 = 1 of 1.
    three_days = (stay("E", "2026-03-10 00:00", "2026-03-13 00:00", WARD),)
    both = one_day(WARD, NICU)
    cases = [
        ("P0", (line("L0", "2026-03-09 10:00"),), three_days),
        ("P1", (), one_day(NICU)),
        ("P2", (line("L2", "2026-03-09 10:00"),), one_day(NICU)),
        ("P3", (line("L3", "2026-03-09 10:00"),), both),
    ]

    _, found = figures(cases, basis(snapshot=EIGHT))

    assert [(one.scope.value, one.unit, one.line_days, one.patient_days, one.utilisation) for one in found] == [
        ("unit", "Heron", 3, 3, 1.0),
        ("unit", "Otter", 1, 2, 0.5),
        ("unit unclear", None, 1, 1, 1.0),
        ("facility total", None, 5, 6, 5 / 6),
    ]
    parts, total = found[:-1], found[-1]
    assert sum(one.line_days for one in parts) == total.line_days
    assert sum(one.patient_days for one in parts) == total.patient_days


@pytest.mark.parametrize(
    ("state", "counted"),
    [
        (Whereabouts.IN_PLACE, True),
        (Whereabouts.AWAY, False),
        (Whereabouts.NOT_YET, False),
        (Whereabouts.ENDED, False),
        (Whereabouts.REMOVAL_NOT_CHARTED, False),
        (Whereabouts.USED_AFTER_REMOVAL, False),
        (Whereabouts.SAID_TO_BE_GONE, False),
    ],
)
def test_only_lines_in_place_count_and_doubtful_ends_are_printed_beside(state, counted):
    # Design 2.7.16: removal not charted and charted out but still charted are listed, not counted, a number beside.
    by = basis(snapshot=EIGHT)
    shots = month_snapshots(date(2026, 3, 1), by)
    stays = (stay("E", "2026-03-10 00:00", "2026-03-12 00:00", WARD),)

    def where(timeline, at):
        return state if at >= local("2026-03-10 00:00") else Whereabouts.NOT_YET

    rows = patient_days(patient((line("L", "2026-03-10 00:00"),), stays, by), shots, where)

    heron = unit_figures(rows, shots)[0]
    assert (heron.line_days, heron.patient_days) == (2 if counted else 0, 2)
    beside = {
        Whereabouts.REMOVAL_NOT_CHARTED: 0,
        Whereabouts.USED_AFTER_REMOVAL: 0,
        Whereabouts.SAID_TO_BE_GONE: 0,
    }
    # One line, found so at every snapshot, is one line beside the figure.
    assert dict(heron.not_counted) == beside | ({state: 1} if state in beside else {})


def test_line_without_charted_removal_is_listed_by_the_unit_the_patient_left():
    by = basis(snapshot=EIGHT)
    shots = month_snapshots(date(2026, 3, 1), by)
    gone_home = patient((line("L", "2026-03-09 10:00"),), one_day(NICU), by)
    never_here = patient((line("M", "2026-03-01 10:00"),), (), by, id="Q")

    def where(timeline, at):
        return Whereabouts.IN_PLACE if at < local("2026-03-11 00:00") else Whereabouts.REMOVAL_NOT_CHARTED

    rows = [*patient_days(gone_home, shots, where), *patient_days(never_here, shots, where)]

    otter, unclear, total = unit_figures(rows, shots)
    assert (otter.unit, otter.patient_days, otter.line_days) == ("Otter", 1, 1)
    assert [dict(one.not_counted)[Whereabouts.REMOVAL_NOT_CHARTED] for one in (otter, unclear, total)] == [1, 1, 2]
    assert (unclear.patient_days, total.patient_days) == (0, 1)


@pytest.mark.parametrize(
    ("lines", "line_days", "unknown"),
    [
        pytest.param((line("L", "2026-03-09 10:00", kind="unknown"),), 0, 1, id="H34 unknown kind only: printed"),
        pytest.param(
            (line("L", "2026-03-09 10:00", kind="not-in-the-rules"),), 0, 1, id="H34 a kind nobody mapped: printed"
        ),
        pytest.param(
            (line("L", "2026-03-09 10:00", kind="unknown"), line("M", "2026-03-09 10:00")),
            1,
            0,
            id="H34 unknown beside a central line: the patient counts anyway",
        ),
        pytest.param((line("L", "2026-03-10 09:00", kind="unknown"),), 0, 0, id="H34 unknown, not yet in place"),
    ],
)
def test_lines_of_unknown_kind_are_never_silently_in_or_out(lines, line_days, unknown):
    _, found = figures([("P", lines, one_day())], basis(snapshot=EIGHT))

    assert (facility(found).line_days, facility(found).unknown_kind, facility(found).patient_days) == (
        line_days,
        unknown,
        1,
    )


@pytest.mark.parametrize(
    ("start", "end", "counted", "inexact"),
    [
        pytest.param("2026-03-10", None, 1, 1, id="placed some time that day: earliest reading, marked"),
        pytest.param("2026-03-08 10:00", "2026-03-10", 0, 1, id="removed some time that day: earliest reading, marked"),
        pytest.param("2026-03-09", None, 1, 0, id="placed the day before: sure"),
        pytest.param("2026-03-08 10:00", "2026-03-11", 1, 0, id="removed the day after: sure"),
    ],
)
def test_day_without_a_time_is_read_by_its_earliest_reading_and_marked(start, end, counted, inexact):
    # Design 2.2.2 and 2.7.18: a doubtful time is used by its earlier reading and marked.
    _, found = figures([("P", (line("L", start, end),), one_day())], basis(snapshot=EIGHT))

    assert (facility(found).line_days, facility(found).inexact) == (counted, inexact)


def test_snapshots_later_than_the_moment_of_knowledge_are_not_taken():
    known_by = local("2026-03-10 08:00")
    open_stay = (stay("E", "2026-03-01 00:00", None, ("heron", "2026-03-01 00:00", None)),)

    _, found = figures([("P", (line("L", "2026-03-01 00:00"),), open_stay)], basis(snapshot=EIGHT, known_by=known_by))

    total = facility(found)
    assert (total.patient_days, total.days_taken, total.days_in_month) == (10, 10, 31)
    assert [str(rule) for rule in total.stamp.rules] == ["nhsn-denominator-snapshot 1 (2023)"]
    assert (total.stamp.at, total.stamp.known_by) == (known_by, known_by)


def test_month_before_anything_was_known_has_no_snapshot():
    shots = month_snapshots(date(2026, 3, 1), basis(known_by=local("2026-02-27 12:00")))

    total = unit_figures([], shots)[-1]

    assert (total.days_taken, total.patient_days, total.stamp.at) == (0, 0, local("2026-02-27 12:00"))


def test_rule_in_force_in_the_year_of_the_month_is_used():
    by = basis()
    older = replace(by.counting.denominators[0], id=replace(by.counting.denominators[0].id, year=2020, version="0"))
    both = replace(by, counting=replace(by.counting, denominators=(*by.counting.denominators, older)))

    assert [month_snapshots(date(year, 1, 1), both).rule.id.year for year in (2020, 2022, 2023, 2026)] == [
        2020,
        2020,
        2023,
        2023,
    ]


def test_zone_is_that_of_the_facility():
    assert month_snapshots(date(2026, 1, 1), basis(snapshot=EIGHT, zone=BERLIN)).taken[0] == (
        date(2026, 1, 1),
        local("2026-01-01 08:00"),
    )


@pytest.mark.parametrize("clock", ["00:00:00", "23:59:59"])
def test_day_without_a_time_is_doubtful_from_its_first_to_its_last_second(clock):
    stays = (stay("E", "2026-03-09 00:00", "2026-03-12 00:00", ("heron", "2026-03-09 00:00", None)),)

    _, found = figures([("P", (line("L", "2026-03-10"),), stays)], basis(snapshot=time.fromisoformat(clock)))

    # In place on 10 and 11 March; only the snapshot of 10 March rests on a reading.
    assert (facility(found).line_days, facility(found).patient_days, facility(found).inexact) == (2, 3, 1)


def test_line_that_is_not_central_is_not_listed_beside_the_figure():
    by = basis(snapshot=EIGHT)
    shots = month_snapshots(date(2026, 3, 1), by)
    lines = (line("L", "2026-03-09 10:00", kind="peripheral-iv"),)

    rows = patient_days(patient(lines, one_day(), by), shots, lambda timeline, at: Whereabouts.SAID_TO_BE_GONE)

    assert [dict(one.not_counted)[Whereabouts.SAID_TO_BE_GONE] for one in unit_figures(rows, shots)] == [0, 0, 0]


def test_line_said_to_be_gone_is_listed_by_the_unit_that_found_it_so_first():
    by = basis(snapshot=EIGHT)
    shots = month_snapshots(date(2026, 3, 1), by)
    moved = ("heron", "2026-03-10 00:00", "2026-03-11 00:00"), ("otter", "2026-03-11 00:00", None)
    stays = (stay("E", "2026-03-10 00:00", "2026-03-12 00:00", *moved),)

    def where(timeline, at):
        return Whereabouts.SAID_TO_BE_GONE if at >= local("2026-03-10 00:00") else Whereabouts.IN_PLACE

    rows = patient_days(patient((line("L", "2026-03-09 10:00"),), stays, by), shots, where)

    listed = {
        one.unit or one.scope.value: dict(one.not_counted)[Whereabouts.SAID_TO_BE_GONE]
        for one in unit_figures(rows, shots)
    }
    assert listed == {"Heron": 1, "Otter": 0, "unit unclear": 0, "facility total": 1}
