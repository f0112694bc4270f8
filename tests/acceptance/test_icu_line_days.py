"""Line days of real, untidy charting against answers that were made independently of this project.

Source of the answers: the reading rules of the data set (its README, rules 1 and 9, and the script that made its expected
files with the standard library alone). The resources are read here by a small reader of its own, so that only the
counting is tested.
"""

import csv
import gzip
import json
from collections import Counter
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from linedays.core.admissions import STAY_GAP
from linedays.core.count_rules import Count, CountingRules, KindCounting, UnitBasis, time_rule
from linedays.core.counted import CountBasis, CountedPatient, counted_patient
from linedays.core.dwell import dwell
from linedays.core.line_days import line_day_count, line_day_totals, line_days_by_unit
from linedays.core.line_times import LineTime, line_days_stamp, line_times
from linedays.core.model import (
    DressingSite,
    EndBasis,
    Line,
    PatientChart,
    Person,
    Place,
    PlaceClass,
    PlaceSpan,
    StartBasis,
    Stay,
    Timeline,
)
from linedays.core.moment import DAY, exactly
from linedays.core.policy import Source
from support.counted_ward import COUNTING
from support.icu_data import icu_folder

pytestmark = pytest.mark.icu

NEW_YORK = ZoneInfo("America/New_York")
AFTER_ALL = int(datetime(2300, 1, 1, tzinfo=NEW_YORK).timestamp())
SOURCE = Source(text="the data set's own code map (items.csv)")


def read(name: str) -> list[dict]:
    with gzip.open(icu_folder() / f"{name}.ndjson.gz", "rt", encoding="utf-8") as lines:
        return [json.loads(line) for line in lines]


def answers(name: str) -> list[dict[str, str]]:
    with (icu_folder() / "expected" / name).open(newline="", encoding="utf-8") as rows:
        return list(csv.DictReader(rows))


def instant(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp())


def logical_id(reference: dict) -> str:
    return reference["reference"].split("/")[1]


def line_items() -> dict[str, dict[str, str]]:
    with (icu_folder() / "items.csv").open(newline="", encoding="utf-8") as rows:
        return {row["item_id"]: row for row in csv.DictReader(rows) if row["meaning"] == "line-presence"}


def counting_of(items: dict[str, dict[str, str]]) -> CountingRules:
    """The shipped rules, with the line kinds and groups of the data set's code map."""
    kinds = {row["line_kind"]: row["line_group"] for row in items.values()}
    return CountingRules(
        snapshot_time=COUNTING.snapshot_time,
        day_numbers=COUNTING.day_numbers,
        denominators=COUNTING.denominators,
        times=COUNTING.times,
        tips=COUNTING.tips,
        location_classes=COUNTING.location_classes,
        locations=(),
        kinds=tuple(
            KindCounting(code=kind, group=group, central=group == "central", source=SOURCE)
            for kind, group in kinds.items()
        ),
    )


def places() -> dict[str, Place]:
    return {
        one["id"]: Place(
            id=one["id"], unit=one["identifier"][0]["value"], name=one["name"], place_class=PlaceClass.INPATIENT
        )
        for one in read("Location")
    }


def stays_by_patient() -> dict[str, list[Stay]]:
    encounters = {one["id"]: one for one in read("Encounter")}
    found: dict[str, list[Stay]] = {}
    for one in encounters.values():
        top = one
        while "partOf" in top:
            top = encounters[logical_id(top["partOf"])]
        found.setdefault(logical_id(one["subject"]), []).append(
            Stay(
                id=one["id"],
                top=top["id"],
                status=one["status"],
                encounter_class=one["class"]["code"],
                start=instant(one["period"]["start"]),
                end=instant(one["period"]["end"]),
                known=instant(one["period"]["end"]),
                places=tuple(
                    PlaceSpan(
                        place=logical_id(at["location"]),
                        start=instant(at["period"]["start"]),
                        end=instant(at["period"]["end"]),
                    )
                    for at in one.get("location", ())
                ),
            )
        )
    return found


def timelines_by_patient(items: dict[str, dict[str, str]]) -> dict[str, list[Timeline]]:
    found: dict[str, list[Timeline]] = {}
    for one in read("Procedure"):
        item = items.get(one["code"]["coding"][0]["code"])
        if item is None or one["status"] == "entered-in-error":
            continue
        patient, key, period = logical_id(one["subject"]), one["id"], one["performedPeriod"]
        line = Line(
            key=key,
            patient=patient,
            kind=item["line_kind"],
            site=None,
            side=None,
            encounter=logical_id(one["encounter"]),
            start=exactly(instant(period["start"])),
            start_basis=StartBasis.ARRIVAL,
            start_source=key,
            end=exactly(instant(period["end"])),
            end_basis=EndBasis.PRESENCE,
            end_source=key,
        )
        found.setdefault(patient, []).append(Timeline(line=line, facts=()))
    return found


@pytest.fixture(scope="module")
def patients() -> list[CountedPatient]:
    items = line_items()
    by = CountBasis(
        counting=counting_of(items),
        day_rule=COUNTING.day_numbers[0],
        places=places(),
        rulings=(),
        zone=NEW_YORK,
        known_by=AFTER_ALL,
        stay_gap=STAY_GAP,
    )
    stays = stays_by_patient()
    return [
        counted_patient(
            PatientChart(
                person=Person(id=patient),
                stays=tuple(stays[patient]),
                issues=(),
                standing=frozenset(),
                sites=tuple(DressingSite(key=one.line.key, timelines=(one,)) for one in timelines),
            ),
            by,
        )
        for patient, timelines in timelines_by_patient(items).items()
    ]


@pytest.fixture(scope="module")
def times(patients) -> list[LineTime]:
    return [time for patient in patients for time in line_times(patient, UnitBasis.CHARTED, at=AFTER_ALL)]


def days(seconds: int) -> str:
    return f"{seconds / DAY:.4f}"


def compared(name: str, rows: int, least: int) -> None:
    print(f"{name}: {rows} rows compared")
    assert rows >= least, f"{rows} rows of {name} were compared, not {least}: the data set is not whole"


STAMP = line_days_stamp(COUNTING, year=2026, at=AFTER_ALL, known_by=AFTER_ALL)


def test_line_days_by_unit_and_month(times):
    expected = {
        (row["scope"], row["care_unit"], row["month"], row["name"]): (
            row["line_days_24h"],
            int(row["line_calendar_days"]),
            int(row["patient_calendar_days"]),
        )
        for row in answers("line_days_by_unit_month.csv")
    }

    found = {
        (row.scope, row.unit, row.month, row.name): (
            days(row.elapsed),
            row.line_calendar_days,
            row.patient_calendar_days,
        )
        for row in line_days_by_unit(times, NEW_YORK, stamp=STAMP)
    }

    assert found == expected
    compared("line_days_by_unit_month.csv", len(expected), 399)


def test_totals_per_group_per_kind_and_of_all_lines(times):
    expected = [
        (
            row["scope"],
            row["name"],
            int(row["lines"]),
            row["line_days_24h"],
            int(row["line_calendar_days"]),
            int(row["patient_calendar_days"]),
        )
        for row in answers("line_day_totals.csv")
    ]

    found = [
        (row.scope, row.name, row.lines, days(row.elapsed), row.line_calendar_days, row.patient_calendar_days)
        for row in line_day_totals(times, NEW_YORK, stamp=STAMP)
    ]

    assert found == expected
    compared("line_day_totals.csv", len(expected), 21)


def test_each_line(times):
    expected = {
        row["procedure_id"]: (
            row["line_kind"],
            row["line_group"],
            row["care_unit_at_start"],
            row["line_days_24h"],
            int(row["calendar_days"]),
        )
        for row in answers("lines.csv")
    }

    found = {
        time.line: (time.kind, time.group, count.unit_at_start, days(count.elapsed), count.calendar_days)
        for time in times
        for count in [line_day_count(time, NEW_YORK)]
    }

    assert found == expected
    compared("lines.csv", len(expected), 268)


def test_dwell_of_each_line_is_its_elapsed_time(patients):
    rule = time_rule(COUNTING, Count.DWELL, 2026)
    expected = {row["procedure_id"]: row["line_days_24h"] for row in answers("lines.csv")}

    found = {}
    for patient in patients:
        for counted in patient.lines:
            one = dwell(counted.timeline.line, rule, at=AFTER_ALL, known_by=AFTER_ALL)
            assert one is not None
            found[one.line] = days(one.seconds)

    assert found == expected
    compared("lines.csv (dwell)", len(expected), 268)


def test_units_as_followed_change_where_the_time_goes_and_never_how_much_there_is(patients, times):
    followed = [time for patient in patients for time in line_times(patient, UnitBasis.FOLLOWED, at=AFTER_ALL)]
    rows = {
        view: line_days_by_unit(of, NEW_YORK, stamp=STAMP)
        for view, of in ((UnitBasis.CHARTED, times), (UnitBasis.FOLLOWED, followed))
    }

    elapsed: dict[UnitBasis, Counter] = {view: Counter() for view in rows}
    for view, of in rows.items():
        for row in of:
            elapsed[view][row.scope, row.name] += row.elapsed

    assert elapsed[UnitBasis.FOLLOWED] == elapsed[UnitBasis.CHARTED]
    # Nested intensive care stays name the unit that their admission names: no patient is in two units at once.
    assert not {row.unit for row in rows[UnitBasis.FOLLOWED]} - {row.unit for row in rows[UnitBasis.CHARTED]}
    compared("kinds and groups as followed", len(elapsed[UnitBasis.FOLLOWED]), 20)
