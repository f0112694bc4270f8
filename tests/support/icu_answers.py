"""The answer files and the charted rows of the open ICU data set, as plain rows. Reads files, and nothing of the project.

Source: the reading rules in the data set's README. Rows are read by the standard library alone, so that what the tests
compare with never went through the code that they test.
"""

import csv
import gzip
import json
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import cache

from support.icu_data import icu_folder

DRESSING_CHANGES = frozenset({"dressing-change", "dressing-change-unknown-line"})
ARRIVAL_LOOKBACK = 30 * 86400


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One charted Observation: what its item means by the code map, and its three times (`value`: the date it carries)."""

    source: str
    item: str
    meaning: str
    kind: str
    patient: str
    stay: str
    effective: int
    issued: int
    value: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One line record of the answers. `key` is its Procedure."""

    key: str
    patient: str
    stay: str
    kind: str
    start: int
    end: int
    ambiguous: bool


def instant(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp())


@cache
def answers(name: str) -> tuple[dict[str, str], ...]:
    with (icu_folder() / "expected" / name).open(newline="", encoding="utf-8") as rows:
        return tuple(csv.DictReader(rows))


@cache
def resources(name: str) -> tuple[dict, ...]:
    with gzip.open(icu_folder() / f"{name}.ndjson.gz", "rt", encoding="utf-8") as lines:
        return tuple(json.loads(line) for line in lines)


@cache
def items() -> dict[str, dict[str, str]]:
    with (icu_folder() / "items.csv").open(newline="", encoding="utf-8") as rows:
        return {row["item_id"]: row for row in csv.DictReader(rows)}


@cache
def stay_names() -> dict[str, str]:
    """Return the number of the stay by its Encounter."""
    return {f"Encounter/{one['id']}": one["identifier"][0]["value"] for one in resources("Encounter")}


@cache
def encounter_patients() -> dict[str, str]:
    """Return the Patient by the Encounter."""
    return {f"Encounter/{one['id']}": one["subject"]["reference"] for one in resources("Encounter")}


@cache
def charted_rows() -> dict[str, Row]:
    """Return every Observation by its reference."""
    return {row.source: row for row in map(_row, resources("Observation"))}


def _row(one: dict) -> Row:
    item = one["code"]["coding"][0]["code"]
    return Row(
        source=f"Observation/{one['id']}",
        item=item,
        meaning=items()[item]["meaning"],
        kind=items()[item]["line_kind"],
        patient=one["subject"]["reference"],
        stay=stay_names()[one["encounter"]["reference"]],
        effective=instant(one["effectiveDateTime"]),
        issued=instant(one["issued"]),
        value=instant(one["valueDateTime"]) if "valueDateTime" in one else None,
    )


def usable_changes(patient: str, kind: str) -> tuple[Row, ...]:
    """Return the dressing changes of a patient and kind that are not later than their own entry (rules 2 and 4)."""
    return _usable_changes().get((patient, kind), ())


@cache
def _usable_changes() -> dict[tuple[str, str], tuple[Row, ...]]:
    found: defaultdict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in charted_rows().values():
        if row.meaning in DRESSING_CHANGES and row.value is not None and row.value <= row.issued:
            found[row.patient, row.kind].append(row)
    return {name: tuple(rows) for name, rows in found.items()}


@cache
def records() -> dict[str, Record]:
    """Return every line record of lines.csv by its Procedure."""
    patient = {f"Procedure/{one['id']}": one["subject"]["reference"] for one in resources("Procedure")}
    found = {}
    for row in answers("lines.csv"):
        key = f"Procedure/{row['procedure_id']}"
        found[key] = Record(
            key=key,
            patient=patient[key],
            stay=row["icustay_id"],
            kind=row["line_kind"],
            start=instant(row["in_place_from"]),
            end=instant(row["in_place_to"]),
            ambiguous=row["ambiguous_overlap"] == "1",
        )
    return found


def alike(patient: str, kind: str) -> list[Record]:
    """Return the line records of a patient and kind (rule 2; a few rows name the admission in place of the stay)."""
    return [one for one in records().values() if (one.patient, one.kind) == (patient, kind)]


def in_place(patient: str, kind: str, at: int) -> list[Record]:
    """Return the line records of a patient and kind that were in place at a moment (rule 1)."""
    return [one for one in alike(patient, kind) if one.start <= at <= one.end]


def came_with(record: Record, row: Row) -> bool:
    """Tell whether a change from before a line's start may be its own, read as an arrival (rule 5, arrival rule)."""
    if row.value is None or row.stay != record.stay:
        return False
    earlier = [
        one for one in alike(record.patient, record.kind) if one.stay == record.stay and one.start < record.start
    ]
    return not earlier and record.start - ARRIVAL_LOOKBACK <= row.value < record.start


def is_tie(one: Row, other: Row) -> bool:
    """Tell whether two rows name one change and were entered at one time, so that either may be cited (rule 6)."""
    return (one.value, one.issued, one.kind, one.stay) == (other.value, other.issued, other.kind, other.stay)


def line_moments() -> list[tuple[str, int]]:
    """Return every line record and moment that the answers ask about: daily checks and steps of the last change."""
    return [
        (f"Procedure/{row['procedure_id']}", instant(row[when]))
        for name, when in (("overdue_timeline.csv", "check_at"), ("last_change_timeline.csv", "known_from"))
        for row in answers(name)
    ]


def slot_moments() -> list[tuple[str, str, int]]:
    """Return every numbered slot and moment that the answers ask about: the Encounter of the stay, the slot, when."""
    encounters = {stay: encounter for encounter, stay in stay_names().items()}
    return [(encounters[row["stay"]], row["slot"], instant(row["check_at"])) for row in answers("slot_timeline.csv")]


def print_counts(title: str, heads: tuple[str, ...], counts: Counter[tuple[str, ...]]) -> None:
    """Print a table: one row for each combination, its count last."""
    rows = [(*heads, "rows"), *((*map(str, key), str(counts[key])) for key in sorted(counts, key=str))]
    print(f"\n{title}: {counts.total()} rows")
    _print_rows(rows)


def print_confusion(title: str, pairs: Iterable[tuple[str, str]]) -> Counter[tuple[str, str]]:
    """Print the answers against what came out, and return the count of each pair (answer, ours)."""
    counts = Counter(pairs)
    ours = sorted({one for _, one in counts})
    told = sorted({answer for answer, _ in counts})
    print(f"\n{title}: {counts.total()} rows")
    _print_rows(
        [("answer \\ ours", *ours, "all")]
        + [(of, *(str(counts[of, one]) for one in ours), str(sum(counts[of, one] for one in ours))) for of in told]
    )
    return counts


def _print_rows(rows: list[tuple[str, ...]]) -> None:
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        print("  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
