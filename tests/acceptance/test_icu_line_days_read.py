"""Line days of the ICU data by the real way in: shipped map, shipped counting rules, core counts; against the answers.

Source of the answers: line_day_totals.csv, line_days_by_unit_month.csv and lines.csv of the data set (reading rules 1
and 9 of its README). The answers name a kind by the column it is charted in; that is the slot of a line here.
"""

from collections import Counter
from dataclasses import replace
from functools import cache

import pytest

from linedays.core.admissions import STAY_GAP
from linedays.core.count_rules import UnitBasis
from linedays.core.counted import CountBasis, counted_patient
from linedays.core.line_days import line_day_count, line_day_totals, line_days_by_unit
from linedays.core.line_times import LineTime, line_days_stamp, line_times
from linedays.core.moment import DAY
from support.icu_answers import answers, print_counts, resources
from support.icu_chart import AFTER_ALL, ARRIVAL, INSERTION, NEW_YORK, Reading, instance, whole

pytestmark = pytest.mark.icu

READINGS = pytest.mark.parametrize("reading", [INSERTION, ARRIVAL], ids=lambda reading: reading.name)
SLOTS = "unknown"
# One line is charted as a sheath and no more: the map reads it as of unknown kind, as the answers leave its group open.
OPEN_GROUP = {"sheath": "unspecified"}


@cache
def times(reading: Reading) -> tuple[LineTime, ...]:
    """Return the time in place of every line, its kind named as the answers do; numbered slots are of group unknown."""
    counting, derivation = instance(reading).counting, whole(reading)
    basis = CountBasis(
        counting=counting,
        day_rule=counting.day_numbers[-1],
        places=derivation.places,
        rulings=(),
        zone=NEW_YORK,
        known_by=AFTER_ALL,
        stay_gap=STAY_GAP,
    )
    found = []
    for result in derivation.results:
        column = {one.line.key: one.line.slot for site in result.chart.sites for one in site.timelines}
        for time in line_times(counted_patient(result.chart, basis), UnitBasis.CHARTED, at=AFTER_ALL):
            kind = column[time.line] or ""
            found.append(replace(time, kind=kind, group=OPEN_GROUP.get(kind, time.group)))
    return tuple(found)


def of_lines(reading: Reading) -> list[LineTime]:
    return [time for time in times(reading) if time.group != SLOTS]


def stamp(reading: Reading):
    return line_days_stamp(instance(reading).counting, year=2026, at=AFTER_ALL, known_by=AFTER_ALL)


def units() -> dict[str, str]:
    names = {f"Location/{one['id']}": one["identifier"][0]["value"] for one in resources("Location")}
    return names | {"unknown": "unknown"}


def days(seconds: int) -> str:
    return f"{seconds / DAY:.4f}"


@READINGS
def test_lines_per_group_and_what_is_left_out(reading: Reading):
    found = Counter((time.group,) for time in times(reading))

    print_counts(f"lines read, {reading.name}", ("group",), found)
    # The README: 268 lines; 55 pairs of stay and numbered slot, of unknown kind, in no count.
    assert found == {
        ("central",): 58,
        ("unspecified",): 1,
        ("arterial",): 30,
        ("midline",): 3,
        ("peripheral",): 176,
        (SLOTS,): 55,
    }


@READINGS
def test_each_line(reading: Reading):
    expected = {
        f"Procedure/{row['procedure_id']}": (
            row["line_kind"],
            row["line_group"],
            row["care_unit_at_start"],
            row["line_days_24h"],
            int(row["calendar_days"]),
        )
        for row in answers("lines.csv")
    }

    found = {
        time.line: (time.kind, time.group, units()[count.unit_at_start], days(count.elapsed), count.calendar_days)
        for time in of_lines(reading)
        for count in [line_day_count(time, NEW_YORK)]
    }

    assert found == expected
    assert len(found) == 268


@READINGS
def test_totals_per_kind_and_group_and_of_all_lines(reading: Reading):
    expected = {
        (row["scope"], row["name"]): (
            int(row["lines"]),
            row["line_days_24h"],
            int(row["line_calendar_days"]),
            int(row["patient_calendar_days"]),
        )
        for row in answers("line_day_totals.csv")
    }

    found = {
        (row.scope, row.name): (row.lines, days(row.elapsed), row.line_calendar_days, row.patient_calendar_days)
        for row in line_day_totals(of_lines(reading), NEW_YORK, stamp=stamp(reading))
    }

    print(f"\nline days, {reading.name}: lines, by 24 h, calendar days of lines, calendar days of patients")
    for name, row in found.items():
        print("  " + "  ".join(map(str, (*name, *row))))
    assert found == expected
    assert len(found) == 21
    assert found["all", "all"] == (268, "685.5833", 945, 383)


@READINGS
def test_line_days_by_unit_and_month(reading: Reading):
    expected = {
        (row["scope"], row["care_unit"], row["month"], row["name"]): (
            row["line_days_24h"],
            int(row["line_calendar_days"]),
            int(row["patient_calendar_days"]),
        )
        for row in answers("line_days_by_unit_month.csv")
    }

    named = units()
    found = {
        (row.scope, named[row.unit], row.month, row.name): (
            days(row.elapsed),
            row.line_calendar_days,
            row.patient_calendar_days,
        )
        for row in line_days_by_unit(of_lines(reading), NEW_YORK, stamp=stamp(reading))
    }

    print(f"\nline days by unit and month, {reading.name}: {len(found)} rows compared with {len(expected)}")
    assert found == expected
    assert len(found) == 399
