"""The last dressing change of every line, step by step, against answers that were made independently of this project.

Source of the answers: last_change_timeline.csv of the data set (reading rules 2 to 6 and 8 of its README). Steps that
come out otherwise are of a few named kinds; each kind checks its own cause in the charted rows, and has its count.
"""

from collections import Counter

import pytest

from linedays.core.anchors import Anchor
from linedays.core.model import IssueKind
from linedays.core.states import ItemState, State
from support.icu_answers import (
    Record,
    answers,
    came_with,
    charted_rows,
    in_place,
    instant,
    is_tie,
    print_counts,
    records,
    usable_changes,
)
from support.icu_chart import ARRIVAL, INSERTION, Reading, dressing_of, facts_on_lines, is_asked_about, state_at, whole

pytestmark = pytest.mark.icu

SAME = "same instant and row"
AT_THE_START = "a change at the very instant of the start is cited, not the start"
NOT_ACCESSED = "port without a needle charted: not required"
TIE = "two rows name the change and were entered at one time: the other is cited"
WHICH_LINE = "the row fits two lines in place: which line?"
NOTHING_YET = "nothing charted since it arrived: unknown"


def step_kind(reading: Reading, row: dict[str, str]) -> str:
    """Say how one step came out; a step that nothing explains says what it is, and so fits no expected count."""
    record, at = records()[f"Procedure/{row['procedure_id']}"], instant(row["known_from"])
    item = dressing_of(state_at(reading, record.key, at))
    last, cited = instant(row["last_change"]), f"Observation/{row['observation_id']}"
    anchor = item.anchor
    if row["basis"] == "line-start":
        return start_kind(reading, record, item)
    if anchor is not None and (anchor.at, anchor.source) == (last, cited):
        return SAME
    if anchor is not None and anchor.at == last and is_tie(charted_rows()[anchor.source], charted_rows()[cited]):
        return TIE
    asked = is_asked_about(reading, record, at, charted_rows()[cited])
    if asked and anchor_stands_on_one_line(reading, record, at, anchor):
        return WHICH_LINE
    return f"unexplained: {record.key} at {at}: {item}"


def start_kind(reading: Reading, record: Record, item: ItemState) -> str:
    anchor = item.anchor
    if anchor is not None and (anchor.at, anchor.source) == (record.start, record.key):
        return SAME
    if anchor is not None and anchor.at == record.start == charted_rows()[anchor.source].value:
        return AT_THE_START
    charted = [row for row in usable_changes(record.patient, record.kind) if row.issued <= record.start]
    if item.state is State.NOT_REQUIRED and record.kind == "implanted-port" and not charted:
        return NOT_ACCESSED
    came = any(came_with(record, row) for row in charted)
    if reading is ARRIVAL and anchor is None and item.state is State.UNKNOWN and not came:
        return NOTHING_YET
    return f"unexplained: start of {record.key}: {item}"


def anchor_stands_on_one_line(reading: Reading, record: Record, at: int, anchor: Anchor | None) -> bool:
    """Tell whether the anchor is the latest change known by then that fits this line and no other, or else the start."""
    mine = [
        row.value
        for row in usable_changes(record.patient, record.kind)
        if row.issued <= at and row.value <= at and in_place(row.patient, row.kind, row.value) == [record]
    ]
    start = record.start if reading is INSERTION else None
    return (anchor.at if anchor is not None else None) == max(mine, default=start)


# 92 starts and 226 steps. Read as arrivals, the starts say nothing of the dressing: 65 + 12 of the 77 are those that
# are the same in the other reading.
EXPECTED = {
    INSERTION: {SAME: 290, AT_THE_START: 11, NOT_ACCESSED: 4, TIE: 2, WHICH_LINE: 11},
    ARRIVAL: {SAME: 213, AT_THE_START: 11, NOT_ACCESSED: 4, TIE: 2, WHICH_LINE: 11, NOTHING_YET: 77},
}


@pytest.mark.parametrize("reading", [INSERTION, ARRIVAL], ids=lambda reading: reading.name)
def test_last_change_and_its_row_at_every_step(reading: Reading):
    rows = answers("last_change_timeline.csv")

    found = Counter((row["basis"], row["ambiguous_overlap"], step_kind(reading, row)) for row in rows)

    print_counts(f"last_change_timeline.csv, {reading.name}", ("answer", "ambiguous", "came out as"), found)
    by_kind: Counter[str] = Counter()
    for (_, _, kind), count in found.items():
        by_kind[kind] += count
    assert by_kind == EXPECTED[reading]
    assert len(rows) == 318
    assert all(ambiguous == "1" for (_, ambiguous, kind) in found if kind == WHICH_LINE)


# Rows of changes, repeated on every check, that stand on the lines with a dressing item after the last entry.
STANDING = {
    INSERTION: {("0", "fits one line"): 1422, ("1", "fits one line"): 452},
    ARRIVAL: {
        ("0", "fits one line"): 1422,
        ("0", "came with its line"): 44,
        ("1", "fits one line"): 452,
        ("1", "came with its line"): 7,
    },
}


@pytest.mark.parametrize("reading", [INSERTION, ARRIVAL], ids=lambda reading: reading.name)
def test_a_line_has_only_changes_that_fit_no_other_line(reading: Reading):
    found: Counter[tuple[str, str]] = Counter()
    for timeline, fact in facts_on_lines(reading):
        row = charted_rows().get(fact.source)
        if row is None or row.meaning != "dressing-change" or row.value is None:
            continue
        record = records()[timeline.line.key]
        fits = [one.key for one in in_place(row.patient, row.kind, row.value)]
        if fits == [record.key]:
            how = "fits one line"
        elif not fits and came_with(record, row):
            how = "came with its line"
        else:
            how = f"unexplained: {row.source}"
        found[str(int(record.ambiguous)), how] += 1

    print_counts(f"change rows that stand on lines, {reading.name}", ("ambiguous", "how"), found)
    assert found == STANDING[reading]


def test_every_row_that_is_asked_about_fits_two_lines():
    """The other side of the check above: "which line?" is not asked where one line alone fits."""
    found: Counter[str] = Counter()
    for issue in whole(INSERTION).issues:
        row = charted_rows().get(issue.source)
        if issue.kind is not IssueKind.WHICH_LINE or row is None or row.meaning != "dressing-change":
            continue
        fits = in_place(row.patient, row.kind, row.value)
        assert tuple(sorted(one.key for one in fits)) == issue.lines
        one, other = sorted(fits, key=lambda record: record.start)
        if one.ambiguous and other.ambiguous:
            found["two lines overlap"] += 1
        elif one.end == row.value == other.start:
            found["one line ends and the other begins at that instant"] += 1

    print_counts("change rows shown as which line", ("how they fit two",), Counter({(k,): n for k, n in found.items()}))
    assert found == {"two lines overlap": 41, "one line ends and the other begins at that instant": 2}
