"""Age and overdue at every daily check of every line and numbered slot, against answers made independently.

Source of the answers: overdue_timeline.csv and slot_timeline.csv of the data set (reading rules 3 to 8 and 11 of its
README). The clock of an item is compared as well as the state shown, since a compromised dressing hides its clock.
"""

from collections import Counter
from dataclasses import dataclass

import pytest

from linedays.core.model import IssueKind, ItemState, State
from linedays.core.moment import DAY, HOUR
from support.icu_answers import (
    Record,
    alike,
    answers,
    came_with,
    charted_rows,
    in_place,
    instant,
    print_confusion,
    print_counts,
    records,
    stay_names,
    usable_changes,
)
from support.icu_chart import (
    ARRIVAL,
    GAUZE,
    INSERTION,
    TRANSPARENT,
    Reading,
    chart_at,
    dressing_of,
    slot_state_at,
    state_at,
)

pytestmark = pytest.mark.icu

READINGS = pytest.mark.parametrize("reading", [INSERTION, ARRIVAL], ids=lambda reading: reading.name)
SAME = "same age"
NOT_ACCESSED = "port without a needle charted: not required"
WHICH_LINE = "a change fits two lines: which line?"
NOTHING_YET = "nothing charted since it arrived: unknown"
OVERDUE, NOT_OVERDUE, UNKNOWN, NOT_REQUIRED = "overdue", "not overdue", "unknown", "not required"
TOLD = {"1": OVERDUE, "0": NOT_OVERDUE, "": UNKNOWN}


@dataclass(frozen=True, slots=True)
class Check:
    """One daily check of the answers: the line, when, and the answers of one reading."""

    record: Record
    at: int
    last: int
    age_days: str | None
    overdue_7d: str
    overdue_2d: str


def checks(reading: Reading) -> list[Check]:
    rule = "_arrival_rule" if reading is ARRIVAL else ""
    return [
        Check(
            record=records()[f"Procedure/{row['procedure_id']}"],
            at=instant(row["check_at"]),
            last=instant(row[f"last_change{rule}"]),
            # The answers give the age for the insertion reading only; in the other one it follows from the last change.
            age_days=None if rule else row["age_days"],
            overdue_7d=TOLD[row[f"overdue_7d{rule}"]],
            overdue_2d=TOLD[row[f"overdue_2d{rule}"]],
        )
        for row in answers("overdue_timeline.csv")
    ]


def clock(item: ItemState, at: int) -> str:
    """Say what the clock alone says, whatever state is shown over it."""
    if item.state is State.NOT_REQUIRED:
        return NOT_REQUIRED
    if item.overdue_from is None:
        return UNKNOWN
    return OVERDUE if item.overdue_from <= at else NOT_OVERDUE


def age_kind(reading: Reading, check: Check) -> str:
    item = dressing_of(state_at(reading, check.record.key, check.at))
    anchor = item.anchor
    age = None if anchor is None else check.at - anchor.at
    if age is not None and age / HOUR == (check.at - check.last) / HOUR:
        assert check.age_days in (None, f"{age / DAY:.4f}")
        return SAME
    changes = [row for row in usable_changes()[check.record.patient, check.record.kind] if row.issued <= check.at]
    if item.state is State.NOT_REQUIRED and check.record.kind == "implanted-port" and not changes:
        return NOT_ACCESSED
    if check.record.ambiguous and is_which_line(reading, check):
        return WHICH_LINE
    mine = [row for row in changes if row.value >= check.record.start or came_with(check.record, row.value)]
    if reading is ARRIVAL and age is None and check.last == check.record.start and not mine:
        return NOTHING_YET
    return f"unexplained: {check.record.key} at {check.at}: {item}"


def is_which_line(reading: Reading, check: Check) -> bool:
    """Tell whether every row of the change that the answers count from fits two lines and was shown so."""
    rows = [row for row in usable_changes()[check.record.patient, check.record.kind] if row.value == check.last]
    issues = chart_at(reading, check.record.patient, check.at).issues
    named = {issue.source: issue for issue in issues if check.record.key in issue.lines}
    known = [row for row in rows if row.issued <= check.at]
    return bool(known) and all(
        len(in_place(row.patient, row.kind, row.value)) == 2 and named[row.source].kind is IssueKind.WHICH_LINE
        for row in known
    )


AGES = {
    INSERTION: {SAME: 349, NOT_ACCESSED: 2, WHICH_LINE: 10},
    ARRIVAL: {SAME: 327, NOT_ACCESSED: 2, WHICH_LINE: 10, NOTHING_YET: 22},
}


@READINGS
def test_age_at_every_daily_check(reading: Reading):
    found = Counter((str(int(check.record.ambiguous)), age_kind(reading, check)) for check in checks(reading))

    print_counts(f"age in hours, overdue_timeline.csv, {reading.name}", ("ambiguous", "came out as"), found)
    by_kind: Counter[str] = Counter()
    for (_, kind), count in found.items():
        by_kind[kind] += count
    assert by_kind == AGES[reading]


TWO_DAYS = {
    INSERTION: {
        (OVERDUE, OVERDUE): 70,
        (NOT_OVERDUE, NOT_OVERDUE): 286,
        (NOT_OVERDUE, OVERDUE): 3,
        (NOT_OVERDUE, NOT_REQUIRED): 2,
    },
    ARRIVAL: {},
}


@READINGS
def test_overdue_after_two_days(reading: Reading):
    found = []
    for check in checks(reading):
        item = dressing_of(state_at(reading, check.record.key, check.at, GAUZE))
        found.append((check, item))

    by_clock = print_confusion(
        f"overdue at 48 h by the clock, {reading.name}",
        ((check.overdue_2d, clock(item, check.at)) for check, item in found),
    )
    by_state = print_confusion(
        f"overdue at 48 h, the state shown, {reading.name}",
        ((check.overdue_2d, item.state.value) for check, item in found),
    )
    assert by_clock == TWO_DAYS[reading]
    assert {kind for check, item in found if clock(item, check.at) != check.overdue_2d for kind in [age_kind(reading, check)]} <= {NOT_ACCESSED, WHICH_LINE, NOTHING_YET}
    assert by_state[OVERDUE, State.OVERDUE] > 0
