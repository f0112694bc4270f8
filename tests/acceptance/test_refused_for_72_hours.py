"""A person's no quiets, it does not clear (H25): 72 hours of made-up time in which somebody says no to every offer at once.

Source: design 2.6 ("a person's no quiets ..."), 2.7.1 (quiet hours, 30 min around a shift change), 2.7.13 (at most once a shift).
The instants are written by hand. Shifts begin at 07:00 and 19:00, quiet hours are 22:00 to 06:00 (UTC here; common practice,
no source). A sweep every 15 min from the time given. Every sweep reads the server anew; nothing else is kept.
"""

from collections.abc import Callable
from itertools import pairwise

import pytest

from linedays.core.moment import DAY, HOUR, MINUTE, Instant
from support.life_table_run import code_of
from support.life_table_ward import Ward, refuse, text_of
from support.small_ward import Resource, device, instant, line, look, time

STEP, LONG = 15 * MINUTE, 72 * HOUR
STARTS = ("09:00", "21:30", "06:50")


def _seen(what: str, code: str) -> list[Resource]:
    return [*line("made-up", "p", "13 09:00"), look(what, "13 20:00", "p", "made-up", code=code)]


# The states that last for 72 h, and the Flag of each. The dressing of 13 May is due on the 20th (7 d; CDC-2011 rec. 7).
STATES: dict[str, tuple[list[Resource], str | None]] = {
    # Seen undated, no date in the chart: due (2.7.8), without a clock that would make it overdue.
    "due": ([device("made-up", "p"), look("undated", "13 20:00", "p", "made-up")], None),
    "overdue": (line("made-up", "p", "06 09:00"), "dressing-overdue"),
    "unknown": ([device("made-up", "p")], "dressing-unknown"),
    "site concern": (_seen("redness", "site-assessment"), "site-concern"),
    "compromised": (_seen("loose", "dressing-condition"), "dressing-compromised"),
    "stat": (_seen("disconnected", "site-assessment"), "site-concern"),
}
# Offered again after 24 h. At 06:50 it is within 30 min of the shift change at 07:00: first at 07:35, the first sweep after 07:30.
DAILY = {
    "09:00": ["14 09:00", "15 09:00", "16 09:00"],
    "21:30": ["14 21:30", "15 21:30", "16 21:30"],
    "06:50": ["14 07:35", "15 07:35", "16 07:35"],
}
# Offered again at the next shift start, when its 30 min are over.
EACH_SHIFT = {
    "09:00": ["14 09:00", "14 19:30", "15 07:30", "15 19:30", "16 07:30", "16 19:30", "17 07:30"],
    "21:30": ["14 21:30", "15 07:30", "15 19:30", "16 07:30", "16 19:30", "17 07:30", "17 19:30"],
    "06:50": ["14 07:35", "14 19:35", "15 07:35", "15 19:35", "16 07:35", "16 19:35"],
}
# asap, stat and Flags (2.7.1: at once, at any hour): with the shift itself. The sweeps from 06:50 are 5 min past the hour.
EACH_SHIFT_AT_ONCE = {
    "09:00": ["14 09:00", "14 19:00", "15 07:00", "15 19:00", "16 07:00", "16 19:00", "17 07:00"],
    "21:30": ["14 21:30", "15 07:00", "15 19:00", "16 07:00", "16 19:00", "17 07:00", "17 19:00"],
    "06:50": ["14 06:50", "14 07:05", "14 19:05", "15 07:05", "15 19:05", "16 07:05", "16 19:05"],
}
DAILY_AT_ONCE = DAILY | {"06:50": ["14 06:50", "15 06:50", "16 06:50"]}
TASKS = {
    "due": DAILY,
    "overdue": DAILY,
    "unknown": EACH_SHIFT,
    "site concern": EACH_SHIFT,
    "compromised": EACH_SHIFT_AT_ONCE,
    "stat": EACH_SHIFT_AT_ONCE,
}
FLAGS = {
    "overdue": DAILY_AT_ONCE,
    "unknown": EACH_SHIFT_AT_ONCE,
    "site concern": EACH_SHIFT_AT_ONCE,
    "compromised": EACH_SHIFT_AT_ONCE,
    "stat": EACH_SHIFT_AT_ONCE,
}


def offers(state: str, start: str, kind: str, no: Callable[[Ward, Instant], None]) -> list[str]:
    """Return when a Task or a Flag was offered in 72 h, as "14 09:00"."""
    begin = instant(time(f"14 {start}"))
    ward, found = Ward(STATES[state][0], begin), []
    for at in range(begin, begin + LONG, STEP):
        offered = [one for one in ward.sweep(at) if one["resourceType"] == kind]
        assert len(offered) <= 1
        if offered:
            found.append(text_of(at)[8:16].replace("T", " "))
            no(ward, at)
    return found


def shift_of(text: str) -> str:
    """Return the shift that a time falls in, by its day and D or N; the night belongs to the day on which it began."""
    day, hour = int(text[:2]), int(text[3:5])
    return f"{day} D" if 7 <= hour < 19 else f"{day if hour >= 19 else day - 1} N"


@pytest.mark.parametrize("status", ["rejected", "cancelled", "failed"])
@pytest.mark.parametrize("start", STARTS)
@pytest.mark.parametrize("state", TASKS)
def test_a_task_refused_at_every_offer_is_offered_as_told_and_never_for_ever_silent(state: str, start: str, status: str) -> None:
    assert offers(state, start, "Task", refuse("Task", status)) == TASKS[state][start]


@pytest.mark.parametrize("start", STARTS)
@pytest.mark.parametrize("state", FLAGS)
def test_a_flag_that_a_person_ends_each_time_comes_back_as_told(state: str, start: str) -> None:
    assert offers(state, start, "Flag", refuse("Flag", "inactive")) == FLAGS[state][start]


@pytest.mark.parametrize("start", STARTS)
def test_a_task_that_nobody_refuses_is_offered_once(start: str) -> None:
    assert len(offers("overdue", start, "Task", lambda ward, at: None)) == 1


def test_task_and_flag_are_quieted_each_by_itself() -> None:
    # 2.7.13: the Flag of an overdue dressing whose Task is refused stays active all the time, and the other way round.
    begin = instant(time("14 09:00"))
    ward = Ward(STATES["overdue"][0], begin)
    ward.sweep(begin)
    refuse("Task", "rejected")(ward, begin)
    ward.sweep(begin + STEP)
    assert (len(ward.ours("Task", "requested")), len(ward.ours("Flag", "active"))) == (0, 1)
    ward = Ward(STATES["overdue"][0], begin)
    ward.sweep(begin)
    refuse("Flag", "inactive")(ward, begin)
    ward.sweep(begin + STEP)
    assert (len(ward.ours("Task", "requested")), len(ward.ours("Flag", "active"))) == (1, 0)


@pytest.mark.parametrize("found", ["damp", "pus"])
def test_what_gets_worse_is_offered_at_once_within_the_same_shift(found: str) -> None:
    # 2.6: overdue, refused at 09:00, seen worse at 10:50: offered by the sweep of 11:00 and not before.
    begin = instant(time("14 09:00"))
    ward = Ward(STATES["overdue"][0], begin)
    code = "dressing-condition" if found == "damp" else "site-assessment"
    told = []
    for at in range(begin, begin + 3 * HOUR, STEP):
        if text_of(at) == time("14 11:00"):
            ward.chart(look(found, "14 10:50", "p", "made-up", code=code))
        for task in [one for one in ward.sweep(at) if one["resourceType"] == "Task"]:
            told.append((text_of(at)[11:16], code_of(task["reasonCode"], "upkeep-state"), task["priority"]))
            refuse("Task", "rejected")(ward, at)
    worse = ("11:00", "compromised", "asap") if found == "damp" else ("11:00", "stat", "stat")
    assert told == [("09:00", "overdue", "urgent"), worse]


@pytest.mark.parametrize("table", [TASKS, FLAGS])
def test_the_table_offers_at_most_once_a_shift_and_never_pauses_longer_than_it_may(table: dict) -> None:
    # The table itself against 2.6: one offer a shift; the next one 24 h later, or with the next shift (12 h) and its margin.
    for state, by_start in table.items():
        for times in by_start.values():
            assert len({shift_of(text) for text in times}) == len(times)
            gaps = [instant(time(later)) - instant(time(first)) for first, later in pairwise(times)]
            assert max(gaps) <= (DAY if state in ("due", "overdue") else 12 * HOUR + STEP * 2), state
            assert len(times) >= 3


@pytest.mark.parametrize("state", ["overdue", "compromised"])
def test_a_task_offered_again_says_who_declined_it_when_and_why(state: str) -> None:
    # 2.6: saying "offered again; declined by … at …: reason". Only what names no person is looked for here.
    begin = instant(time("14 09:00"))
    ward = Ward(STATES[state][0], begin)
    ward.sweep(begin)
    (task,) = ward.ours("Task", "requested")
    ward.change(task, status="rejected", lastModified=time("14 09:00"), statusReason={"text": "patient asleep"})
    again = begin + DAY
    (task,) = [one for one in ward.sweep(again) if one["resourceType"] == "Task"]
    notes = [one["text"] for one in task["note"] if one["text"].startswith("offered again; declined")]
    assert len(notes) == 1
    assert "Wed 14 May 2031 09:00" in notes[0]
