"""A Task as it stands on a server → one row: what any other system can read of it, in words and in a unit's own time.

Source: design 2.6, and there on hazard H23: an accepted Task hides its row no longer than the shift that it was
accepted in.
"""

from typing import Any
from zoneinfo import ZoneInfo

import pytest

from linedays.core.moment import HOUR, MINUTE
from linedays.run.rereading import read_ours
from linedays.run.task_rows import TaskRow, taken_words, task_rows
from linedays.run.writing import apply_plan
from support.small_ward import AT, IDENTITY, WARD, instant, memory_server, planned

Resource = dict[str, Any]
UTC = ZoneInfo("UTC")
BERLIN = ZoneInfo("Europe/Berlin")
DAY_SHIFT = instant("2031-05-14T07:00:00+00:00")


def rows(zone: ZoneInfo = UTC) -> dict[str, TaskRow]:
    """Return the rows of the small ward after a sweep, by patient, in their order."""
    server = memory_server(WARD)
    apply_plan(planned(server), server, IDENTITY)
    tasks = [one for one in read_ours(server, IDENTITY).values() if one["resourceType"] == "Task"]
    found = task_rows(tasks, IDENTITY, zone=zone, shift_began=DAY_SHIFT)
    return {row.patient.removeprefix("Patient/"): row for row in found}


def test_rows_of_the_small_ward_most_urgent_first() -> None:
    found = rows()
    # Compromised is asap; the others are urgent: without a due time first, then by due time.
    assert [(name, row.urgency) for name, row in found.items()] == [
        ("loose", "now"),
        ("undated", "this shift"),
        ("red", "this shift"),
        ("over", "this shift"),
    ]
    over = found["over"]
    assert (over.what, over.line) == ("Dressing change overdue", "basilic peripherally inserted central catheter")
    # Changed on the 6th at 09:00, 7 days (CDC-2011 rec. 7): due on the 13th at 09:00.
    assert (over.due, over.last) == ("Tue 13 May 09:00", "dressing change charted Tue 6 May 09:00")
    assert over.why.startswith("dressing changed Tue 6 May 2031 09:00")
    # The line's key is the resource that was known first: the insertion (design 2.3.2).
    assert over.line_key == "Procedure/over-picc-insertion-02-0900"
    assert (over.place, over.taken) == ("Location/made-up-ward", "")
    # Of a site concern nothing is due: the due time in its Task is that of the dressing.
    assert (found["loose"].due, found["undated"].due, found["red"].due) == ("now", "", "")
    assert found["undated"].last == "no dressing date charted"


def test_times_are_those_of_the_unit_whatever_offset_the_server_gives_back() -> None:
    assert rows(BERLIN)["over"].due == "Tue 13 May 11:00"


def row_of(**elements: Any) -> TaskRow:
    (row,) = task_rows([{"resourceType": "Task", "id": "1", **elements}], IDENTITY, zone=UTC, shift_began=DAY_SHIFT)
    return row


def charted(code: str, when: object, text: str = "dressing change charted") -> Resource:
    coding = {"system": f"{IDENTITY.codes}task-input", "code": code}
    return {"type": {"coding": [coding], "text": text}, "valueDateTime": when}


@pytest.mark.parametrize(
    ("when", "said"),
    [
        ("2031-05-06", "dressing change charted Tue 6 May 2031"),
        ("2031-05", "dressing change charted May 2031"),
        ("2031-05-06T11:00:00+02:00", "dressing change charted Tue 6 May 09:00"),
        ("some day", "dressing change charted"),
        (None, "dressing change charted"),
    ],
)
def test_last_charted_is_said_as_exactly_as_it_was_charted(when: object, said: str) -> None:
    assert row_of(input=[charted("last-change", when)]).last == said


def test_due_stands_in_the_wanted_period_else_in_the_input() -> None:
    due = [charted("due", "2031-05-13T09:00:00Z", "due")]
    assert row_of(input=due).due == "Tue 13 May 09:00"
    assert row_of(input=due, restriction={"period": {"end": "2031-05-13T08:00:00Z"}}).due == "Tue 13 May 08:00"


def test_a_bare_task_is_a_row_and_not_an_error() -> None:
    row = row_of()
    assert (row.urgency, row.what, row.line, row.due, row.taken, row.place) == ("coming", "", "", "", "", "")
    assert row_of(priority="soon", code={"text": "Look"}).what == "Look"


# Taken the evening before at 18:50, in the shift that ended at 19:00; and this morning at 08:10.
EVENING, MORNING = "2031-05-13T18:50:00+00:00", "2031-05-14T08:10:00+00:00"


def taken(status: str, modified: str | None = None, **other: Any) -> str:
    task = {"status": status, "authoredOn": "2031-05-13T10:00:00+00:00", **other}
    task |= {"lastModified": modified} if modified else {}
    return taken_words(task, IDENTITY, zone=UTC, shift_began=DAY_SHIFT)


@pytest.mark.parametrize(
    ("status", "when", "words"),
    [
        ("accepted", MORNING, "accepted 08:10"),
        ("accepted", EVENING, "accepted Tue 13 May 18:50, not charted"),
        ("in-progress", EVENING, "begun Tue 13 May 18:50, not charted"),
        ("on-hold", MORNING, "on hold since 08:10"),
        ("requested", EVENING, ""),
        ("received", EVENING, ""),
    ],
)
def test_taken_in_an_earlier_shift_says_that_nothing_was_charted(status: str, when: str, words: str) -> None:
    assert taken(status, when) == words


def test_shift_boundary_to_the_second() -> None:
    assert taken("accepted", "2031-05-14T06:59:59+00:00").endswith(", not charted")
    assert not taken("accepted", "2031-05-14T07:00:00+00:00").endswith(", not charted")


def test_taken_within_a_day_shift_is_told_by_its_clock_in_the_next_shift_of_that_day() -> None:
    task = {"status": "accepted", "authoredOn": "2031-05-14T10:00:00Z", "lastModified": "2031-05-14T18:50:00Z"}
    began = AT + 9 * HOUR  # 19:00
    assert taken_words(task, IDENTITY, zone=UTC, shift_began=began) == "accepted 18:50, not charted"
    assert taken_words(task, IDENTITY, zone=UTC, shift_began=began - 10 * MINUTE) == "accepted 18:50"


def test_when_it_was_taken_is_read_from_the_best_that_the_task_says() -> None:
    # A system that takes it without touching lastModified: when the server stored that.
    assert taken("accepted", "2031-05-13T10:00:00+00:00", meta={"lastUpdated": MORNING}) == "accepted 08:10"
    # Work that is said to have begun is better than any later change of the Task.
    assert taken("in-progress", MORNING, executionPeriod={"start": "2031-05-14T07:30:00Z"}) == "begun 07:30"
    assert taken("accepted") == "accepted, not charted"
