"""Age and overdue at every daily check of every line and numbered slot, against answers made independently.

Source of the answers: overdue_timeline.csv and slot_timeline.csv of the data set (reading rules 3 to 8 and 11 of its
README). The clock of an item is compared as well as the state shown, since a compromised dressing hides its clock.
"""

from collections import Counter
from dataclasses import dataclass
from functools import cache

import pytest

from linedays.core.anchors import Anchor
from linedays.core.moment import DAY, HOUR
from linedays.core.states import ItemState, State
from support.icu_answers import (
    Record,
    Row,
    answers,
    came_with,
    charted_rows,
    in_place,
    instant,
    is_tie,
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
    dressing_of,
    is_asked_about,
    slot_state_at,
    state_at,
)

pytestmark = pytest.mark.icu

READINGS = pytest.mark.parametrize("reading", [INSERTION, ARRIVAL], ids=lambda reading: reading.name)
SAME = "same age"
NOT_ACCESSED = "port without a needle charted: not required"
WHICH_LINE = "a change fits two lines: which line?"
PORT_NO_DATE = "port with a dressing seen and no change charted: unknown"
NOTHING_YET = "nothing charted since it arrived: unknown"
OVERDUE, NOT_OVERDUE, UNKNOWN, NOT_REQUIRED = "overdue", "not overdue", "unknown", "not required"
TOLD = {"1": OVERDUE, "0": NOT_OVERDUE, "": UNKNOWN}


@dataclass(frozen=True, slots=True)
class Check:
    """One daily check of the answers in one reading. `cited` is the row of the last change, where they name one."""

    record: Record
    at: int
    last: int
    cited: str | None
    age_days: str | None
    overdue_7d: str
    overdue_2d: str


@cache
def checks(reading: Reading) -> tuple[Check, ...]:
    rule = "_arrival_rule" if reading is ARRIVAL else ""
    return tuple(
        Check(
            record=records()[f"Procedure/{row['procedure_id']}"],
            at=instant(row["check_at"]),
            last=instant(row[f"last_change{rule}"]),
            # Row and age are given for the insertion reading only; in the other one they follow from the last change.
            cited=f"Observation/{row['observation_id']}" if row["observation_id"] and not rule else None,
            age_days=None if rule else row["age_days"],
            overdue_7d=TOLD[row[f"overdue_7d{rule}"]],
            overdue_2d=TOLD[row[f"overdue_2d{rule}"]],
        )
        for row in answers("overdue_timeline.csv")
    )


def clock(item: ItemState, at: int) -> str:
    """Say what the clock alone says, whatever state is shown over it."""
    if item.state is State.NOT_REQUIRED:
        return NOT_REQUIRED
    if item.overdue_from is None:
        return UNKNOWN
    return OVERDUE if item.overdue_from <= at else NOT_OVERDUE


def age_kind(reading: Reading, check: Check) -> str:
    """Say how the age came out; one that nothing explains says what it is, and so fits no expected count."""
    item = dressing_of(state_at(reading, check.record.key, check.at))
    anchor = item.anchor
    if anchor is not None and is_same(anchor, check):
        assert check.age_days in (None, f"{(check.at - anchor.at) / DAY:.4f}")
        return SAME
    changes = [row for row in usable_changes(check.record.patient, check.record.kind) if row.issued <= check.at]
    since_start = [row for row in changes if row.value >= check.record.start]
    if check.record.kind == "implanted-port" and anchor is None and not since_start:
        return {State.NOT_REQUIRED: NOT_ACCESSED, State.UNKNOWN: PORT_NO_DATE}.get(item.state, "unexplained port")
    if asked_about(reading, check, [row for row in changes if row.value == check.last]):
        return WHICH_LINE
    mine = [row for row in changes if in_place(row.patient, row.kind, row.value) == [check.record]]
    came = [row for row in changes if came_with(check.record, row)]
    if reading is ARRIVAL and anchor is None and check.last == check.record.start and not mine and not came:
        return NOTHING_YET
    return f"unexplained: {check.record.key} at {check.at}: {item}"


def is_same(anchor: Anchor, check: Check) -> bool:
    """Compare the age in hours, and the row where the answers name it (either of two that tie)."""
    hours, expected = (check.at - anchor.at) / HOUR, (check.at - check.last) / HOUR
    if check.cited is None or anchor.source == check.cited:
        return hours == expected
    ours = charted_rows().get(anchor.source)
    return hours == expected and ours is not None and is_tie(ours, charted_rows()[check.cited])


def asked_about(reading: Reading, check: Check, rows: list[Row]) -> bool:
    """Tell whether every row of the change that the answers count from was shown as "which line?" of this line."""
    return bool(rows) and all(is_asked_about(reading, check.record, check.at, row) for row in rows)


AGES = {
    INSERTION: {SAME: 347, NOT_ACCESSED: 2, PORT_NO_DATE: 2, WHICH_LINE: 10},
    ARRIVAL: {SAME: 332, NOT_ACCESSED: 2, WHICH_LINE: 10, NOTHING_YET: 17},
}


@READINGS
def test_age_at_every_daily_check(reading: Reading):
    found = Counter((str(int(check.record.ambiguous)), age_kind(reading, check)) for check in checks(reading))

    print_counts(f"age in hours, overdue_timeline.csv, {reading.name}", ("ambiguous", "came out as"), found)
    by_kind: Counter[str] = Counter()
    for (_, kind), count in found.items():
        by_kind[kind] += count
    assert by_kind == AGES[reading]
    assert found["0", WHICH_LINE] == 0


# 70 of 361 are overdue at 48 h by the answers, in either reading. Where the clock says otherwise, age_kind says why.
TWO_DAYS = {
    INSERTION: {
        (OVERDUE, OVERDUE): 70,
        (NOT_OVERDUE, NOT_OVERDUE): 284,
        (NOT_OVERDUE, UNKNOWN): 2,
        (NOT_OVERDUE, OVERDUE): 3,
        (NOT_OVERDUE, NOT_REQUIRED): 2,
    },
    ARRIVAL: {
        (OVERDUE, OVERDUE): 63,
        (OVERDUE, UNKNOWN): 7,
        (NOT_OVERDUE, NOT_OVERDUE): 271,
        (NOT_OVERDUE, UNKNOWN): 17,
        (NOT_OVERDUE, OVERDUE): 1,
        (NOT_OVERDUE, NOT_REQUIRED): 2,
    },
}
# A compromised dressing shows that it is, whatever its clock says: 11 of the overdue ones.
COMPROMISED_AND_OVERDUE = 11


@READINGS
def test_overdue_after_two_days(reading: Reading):
    found = [(check, dressing_of(state_at(reading, check.record.key, check.at, GAUZE))) for check in checks(reading)]

    by_clock = print_confusion(
        f"overdue at 48 h by the clock, {reading.name}",
        ((check.overdue_2d, clock(item, check.at)) for check, item in found),
    )
    by_state = print_confusion(
        f"overdue at 48 h, the state shown, {reading.name}",
        ((check.overdue_2d, item.state.value) for check, item in found),
    )
    assert by_clock == TWO_DAYS[reading]
    assert {age_kind(reading, check) for check, item in found if clock(item, check.at) != check.overdue_2d} <= {
        NOT_ACCESSED,
        PORT_NO_DATE,
        WHICH_LINE,
        NOTHING_YET,
    }
    assert by_state[OVERDUE, State.COMPROMISED] == COMPROMISED_AND_OVERDUE
    assert {item.state for check, item in found if clock(item, check.at) == OVERDUE} == {
        State.OVERDUE,
        State.COMPROMISED,
    }
    assert all(clock(item, check.at) == OVERDUE for check, item in found if item.state is State.OVERDUE)


@dataclass(frozen=True, slots=True)
class SlotCheck:
    """One daily check of a numbered slot of the older charting system; `last` is None where the answers say unknown."""

    encounter: str
    slot: str
    at: int
    last: int | None
    cited: str | None
    age_days: str
    overdue_7d: str


@cache
def slot_checks() -> tuple[SlotCheck, ...]:
    encounters = {stay: encounter for encounter, stay in stay_names().items()}
    return tuple(
        SlotCheck(
            encounter=encounters[row["stay"]],
            slot=row["slot"],
            at=instant(row["check_at"]),
            last=instant(row["last_change"]) if row["last_change"] else None,
            cited=f"Observation/{row['observation_id']}" if row["observation_id"] else None,
            age_days=row["age_days"],
            overdue_7d=TOLD[row["overdue_7d"]],
        )
        for row in answers("slot_timeline.csv")
    )


def slot_item(reading: Reading, check: SlotCheck) -> ItemState:
    return dressing_of(slot_state_at(reading, check.encounter, check.slot, check.at))


SLOTS = {(OVERDUE, OVERDUE): 42, (NOT_OVERDUE, NOT_OVERDUE): 263, (UNKNOWN, UNKNOWN): 3}


@READINGS
def test_slots_after_seven_days(reading: Reading):
    found = [(check, slot_item(reading, check)) for check in slot_checks()]

    by_clock = print_confusion(
        f"slots overdue at 7 d by the clock, {reading.name}",
        ((check.overdue_7d, clock(item, check.at)) for check, item in found),
    )
    by_state = print_confusion(
        f"slots overdue at 7 d, the state shown, {reading.name}",
        ((check.overdue_7d, item.state.value) for check, item in found),
    )
    assert by_clock == SLOTS
    assert (by_state[OVERDUE, State.OVERDUE], by_state[UNKNOWN, State.UNKNOWN]) == (42, 3)
    for check, item in found:
        anchor = item.anchor
        assert (anchor.at if anchor else None, anchor.source if anchor else None) == (check.last, check.cited)
        assert check.age_days == ("" if anchor is None else f"{(check.at - anchor.at) / DAY:.4f}")


@READINGS
def test_overdue_after_seven_days(reading: Reading):
    """No line is overdue at 7 days in the answers, so the slots, which are read alike, give the positive cases."""
    lines = [
        (check.overdue_7d, clock(dressing_of(state_at(reading, check.record.key, check.at, TRANSPARENT)), check.at))
        for check in checks(reading)
    ]
    slots = [(check.overdue_7d, clock(slot_item(reading, check), check.at)) for check in slot_checks()]

    found = print_confusion(f"lines and slots overdue at 7 d by the clock, {reading.name}", lines + slots)
    unknown = {INSERTION: 2, ARRIVAL: 24}[reading]
    assert found == Counter(SLOTS) + Counter(
        {
            (NOT_OVERDUE, NOT_OVERDUE): 359 - unknown,
            (NOT_OVERDUE, UNKNOWN): unknown,
            (NOT_OVERDUE, NOT_REQUIRED): 2,
        }
    )
