"""A second engine (SQL in DuckDB) gives the same latest changes and central line days as the pipeline, on the same files.

The SQL itself is held by a tiny example whose answers are written by hand. The rules are those of the semantics: the
latest valid change wins (NHSN and the guidelines leave this to the chart; the project's own reading), calendar days touched
by a central line (NHSN device-associated module, chapter 4: any part of a calendar day counts).
"""

import json
from pathlib import Path

import pytest

from support import duckdb_oracle
from support.generator import AT, ZONE, write
from support.made_up_patient import BASE, RECORDED
from support.pipeline import central_days, latest_changes

PATIENTS = 1000
LINES = 1300  # 1.23 lines to a patient


def device(name: str, patient: str, kind: str) -> dict[str, object]:
    return {
        "resourceType": "Device",
        "id": name,
        "meta": {"lastUpdated": "2026-03-01T12:00:00Z"},
        "status": "active",
        "type": {"coding": [{"system": BASE + "line-kind", "code": kind}]},
        "patient": {"reference": f"Patient/{patient}"},
    }


def act(name: str, patient: str, code: str, line: str, when: str, entered: str, status: str = "completed") -> dict[str, object]:
    return {
        "resourceType": "Procedure",
        "id": name,
        "extension": [{"url": RECORDED, "valueDateTime": entered}],
        "status": status,
        "code": {"coding": [{"system": BASE + "charting", "code": code}]},
        "subject": {"reference": f"Patient/{patient}"},
        "encounter": {"reference": f"Encounter/stay-{patient}"},
        "performedDateTime": when,
        "focalDevice": [{"manipulated": {"reference": f"Device/{line}"}}],
    }


def stay(patient: str) -> dict[str, object]:
    period = {"start": "2026-03-01T06:00:00Z"}
    return {
        "resourceType": "Encounter",
        "id": f"stay-{patient}",
        "meta": {"lastUpdated": "2026-03-01T06:00:00Z"},
        "status": "in-progress",
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
        "subject": {"reference": f"Patient/{patient}"},
        "period": period,
        "location": [{"location": {"reference": "Location/ward-north"}, "status": "active", "period": period}],
    }


def ward(folder: Path, *resources: dict[str, object]) -> Path:
    """Write the resources, with a Patient, a stay and a Location for each, one file per type."""
    patients = sorted({str(row["patient"]["reference"]).split("/")[1] for row in resources if "patient" in row})
    role = {"system": "http://terminology.hl7.org/CodeSystem/v3-RoleCode", "code": "HU"}
    place = {"resourceType": "Location", "id": "ward-north", "status": "active", "type": [{"coding": [role]}]}
    rows = [place, *resources]
    rows += [{"resourceType": "Patient", "id": patient} for patient in patients] + [stay(patient) for patient in patients]
    for row in rows:
        with (folder / f"{row['resourceType']}.ndjson").open("a") as file:
            file.write(json.dumps(row) + "\n")
    return folder


# 15:09-05:00 is 20:09Z: later than 19:16Z although its text is the smaller one (fhir-facts.md 11.4).
MIXED_OFFSETS = (
    device("d1", "a", "picc"),
    act("i1", "a", "insertion", "d1", "2026-03-02T10:00:00Z", "2026-03-02T10:05:00Z"),
    act("c1", "a", "dressing-change", "d1", "2026-03-09T15:09:00-05:00", "2026-03-09T15:20:00-05:00"),
    act("c2", "a", "dressing-change", "d1", "2026-03-09T19:16:00Z", "2026-03-09T19:20:00Z"),
)

# d1: insertion 2 Mar. The change of 9 Mar 10:00Z counts; the others are before the insertion, 16 min after their own
#     entry (15 are allowed), not done, under another patient's name, and of 30 February.
# d2: an arterial line of the same patient; its change is 15 min after its entry, which is still taken.
# d3: of patient b, 1 Mar 23:30Z = 2 Mar 00:30 in Berlin, out 3 Mar 22:59Z = 3 Mar 23:59 in Berlin: days 2 and 3 March = 2.
#     Its only change is charted 31 min after the removal. It names its line, so it stands (design 2.3.9: charted out but
#     still charted, never closed silently); the days are those until the removal.
# Patient a, central (d1 only): from 2 Mar to the moment asked about, 10 Mar: 9 days.
TRAPS = (
    device("d1", "a", "picc"),
    act("i1", "a", "insertion", "d1", "2026-03-02T10:00:00Z", "2026-03-02T10:05:00Z"),
    act("c1", "a", "dressing-change", "d1", "2026-03-09T11:00:00+01:00", "2026-03-09T10:05:00Z"),
    act("c2", "a", "dressing-change", "d1", "2026-03-01T10:00:00Z", "2026-03-09T10:05:00Z"),
    act("c3", "a", "dressing-change", "d1", "2026-03-09T16:16:00Z", "2026-03-09T16:00:00Z"),
    act("c4", "a", "dressing-change", "d1", "2026-03-09T17:00:00Z", "2026-03-09T17:05:00Z", status="not-done"),
    act("c5", "b", "dressing-change", "d1", "2026-03-09T18:00:00Z", "2026-03-09T18:05:00Z"),
    act("c6", "a", "dressing-change", "d1", "2026-02-30T18:00:00Z", "2026-03-09T18:05:00Z"),
    device("d2", "a", "arterial"),
    act("i2", "a", "insertion", "d2", "2026-03-03T10:00:00Z", "2026-03-03T10:05:00Z"),
    act("c7", "a", "dressing-change", "d2", "2026-03-08T10:15:00Z", "2026-03-08T10:00:00Z"),
    device("d3", "b", "nontunnelled-cvc"),
    act("i3", "b", "insertion", "d3", "2026-03-01T23:30:00Z", "2026-03-01T23:40:00Z"),
    act("r3", "b", "removal", "d3", "2026-03-03T22:59:00Z", "2026-03-03T23:05:00Z"),
    act("c8", "b", "dressing-change", "d3", "2026-03-03T23:30:00Z", "2026-03-03T23:40:00Z"),
)
TRAPS_AT = "2026-03-10T12:00:00+00:00"

# `date -u -d "2026-03-09 20:09" +%s` and so on
EXPECTED_MIXED = {"Device/d1": 1773086940}
EXPECTED_CHANGES = {"Device/d1": 1773050400, "Device/d2": 1772964900, "Device/d3": 1772580600}
EXPECTED_DAYS = {"Patient/a": 9, "Patient/b": 2}


@pytest.mark.parametrize("engine", [duckdb_oracle.latest_changes, latest_changes], ids=["sql", "pipeline"])
def test_later_instant_wins_over_larger_text(engine, tmp_path: Path) -> None:
    assert engine(ward(tmp_path, *MIXED_OFFSETS), TRAPS_AT) == EXPECTED_MIXED


@pytest.mark.parametrize("engine", [duckdb_oracle.latest_changes, latest_changes], ids=["sql", "pipeline"])
def test_latest_valid_change_by_hand(engine, tmp_path: Path) -> None:
    assert engine(ward(tmp_path, *TRAPS), TRAPS_AT) == EXPECTED_CHANGES


@pytest.mark.parametrize("engine", [duckdb_oracle.central_days, central_days], ids=["sql", "pipeline"])
def test_days_touched_by_hand(engine, tmp_path: Path) -> None:
    assert engine(ward(tmp_path, *TRAPS), TRAPS_AT, ZONE) == EXPECTED_DAYS


@pytest.fixture(scope="module")
def generated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("generated")
    written = write(folder, lines=LINES, seed=20260415)
    assert written.resources["Patient"] >= PATIENTS
    return folder


@pytest.mark.parametrize(("at", "at_least"), [(AT, PATIENTS), ("2026-02-14T12:00:00+00:00", PATIENTS // 2)], ids=["end", "middle"])
def test_latest_changes_of_a_thousand_patients_agree(generated: Path, at: str, at_least: int) -> None:
    expected = duckdb_oracle.latest_changes(generated, at)
    assert len(expected) > at_least
    assert latest_changes(generated, at) == expected


def test_central_days_of_a_thousand_patients_agree(generated: Path) -> None:
    expected = duckdb_oracle.central_days(generated, AT, ZONE)
    assert len(expected) > PATIENTS / 2
    assert central_days(generated, AT, ZONE) == expected
