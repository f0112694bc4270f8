"""A made-up ward of 30 beds lives through 7 days under sweeps, with nurses who chart like nurses, three times over.

Held: the bar of design 2.6 (new Tasks per nurse and 12-hour shift: median at most 1, 95th percentile at most 3), the rules
of 2.5, 2.6 and 2.7 at every sweep, and the count of avoidable Tasks (reliability H30), which is printed. Two of the
weeks hold a clock change. Staffing is an assumption (common practice, no source): one nurse to four beds in a block, day
and night, so that 30 beds in two units make 8 nurses; Tasks for dialysis staff count for the ward's nurse as well. No
unit states a usual dressing, as the policy is shipped. Not in it: shared dressings, exchanges over a wire, newborns, a line
charted out that is still used, several lines charted without a link. The ward, its people and every number are made up.
"""

from datetime import date, datetime
from functools import cache

import pytest

from support.simulated_ward_charting import DAY, ZONE, LineChart, StayChart, Told
from support.simulated_ward_people import BEDS
from support.simulated_ward_rules import Asked, asked_of, is_silent, quieted_until, window_of
from support.simulated_ward_table import MEDIAN_BAR, PERCENTILE_BAR, table
from support.simulated_ward_watching import Rule, Week

# A plain week, one over the loss of an hour (Sunday 30 March 2031), one over its return (Sunday 26 October 2031).
# The seeds are ones under which everything in `test_the_weeks_hold_what_is_checked` happens.
WEEKS = {"12 May · 4": (4, date(2031, 5, 12)), "27 March · 5": (5, date(2031, 3, 27)), "23 Oct · 6": (6, date(2031, 10, 23))}


@cache
def lived(name: str) -> Week:
    seed, first_day = WEEKS[name]
    return Week(seed, first_day).live()


def at(text: str) -> int:
    """Return the instant of a local time of May 2031, `13 09:00`."""
    return int(datetime.fromisoformat(f"2031-05-{text.replace(' ', 'T')}").replace(tzinfo=ZONE).timestamp())


@pytest.mark.parametrize("rule", list(Rule), ids=lambda rule: rule.name)
@pytest.mark.parametrize("name", WEEKS)
def test_a_rule_holds_at_every_sweep_of_a_week(name, rule):
    assert lived(name).wrong[rule] == []


# Source: design 2.6, "Bar".
@pytest.mark.parametrize("name", WEEKS)
def test_new_tasks_per_nurse_and_shift_stay_under_the_bar(name):
    figures = lived(name).figures
    assert figures.median <= MEDIAN_BAR
    assert figures.percentile(95) <= PERCENTILE_BAR


@pytest.mark.parametrize("name", WEEKS)
def test_the_ward_is_one_that_could_be(name):
    figures = lived(name).figures
    with_line = sum(figures.beds_with_line) / len(figures.beds_with_line)
    assert 0.55 * BEDS <= with_line <= 0.75 * BEDS
    assert len(figures.spread()) == 8 * 14
    assert figures.sweeps >= 7 * 48
    assert figures.second_runs >= 7


def test_the_weeks_hold_what_is_checked():
    """Each rule has had something to check: otherwise a week would pass because nothing happened."""
    weeks = [lived(name) for name in WEEKS]
    said = {reason for week in weeks for reason in week.figures.reasons}
    did = {what for week in weeks for what in week.nurses.did}
    events = {what for week in weeks for what in week.ward.events}
    assert {"due", "overdue", "unknown", "compromised", "site-concern"} <= said
    assert {"rejected", "accepted and left", "completed by hand", "refused by the patient, charted"} <= did
    assert {"death", "transfer", "leave", "removal without a word"} <= events
    assert {f"change charted: {how}" for how in ("as it was", "other time", "wrong", "never")} <= events
    assert "change charted in the minute of its finding" in events
    assert len({line.kind for week in weeks for line in week.ward.lines.values()}) == 7
    assert all(week.figures.overdue_checked and week.figures.asked_checked for week in weeks)
    assert any(week.figures.quieted for week in weeks)


def test_the_figures_add_up_and_are_printed(capsys):
    weeks = {name: lived(name) for name in WEEKS}
    with capsys.disabled():
        print(f"\n\nA simulated ward of {BEDS} beds for 7 days, three times (design 2.6; reliability H30)\n{table(weeks)}")
    for week in weeks.values():
        figures = week.figures
        assert figures.total == sum(figures.spread()) == figures.ended.total() > 0
        assert figures.total == figures.priorities.total() == figures.reasons.total()


# The hand-written rules themselves, on both sides of their edges; design 2.5 and 2.7.1. 12 May 2031 is a Monday.
@pytest.mark.parametrize(
    ("due", "days", "window"),
    [
        ("20 19:00", 7, "20 07:00"),  # exactly 12 h before
        ("20 18:59", 7, "19 19:00"),
        ("20 07:00", 7, "19 19:00"),  # exactly 12 h before
        ("20 06:00", 7, "19 07:00"),  # 18:00 the evening before: the day shift
        ("20 05:59", 7, "19 07:00"),  # in quiet hours: counts back from 22:00, so from 10:00
        ("20 22:00", 7, "20 07:00"),
        ("20 10:00", 2, "20 07:00"),  # exactly 3 h before
        ("20 09:59", 2, "19 19:00"),
        ("20 23:30", 2, "20 19:00"),  # counts back from 22:00: 19:00
    ],
)
def test_a_task_appears_with_the_latest_shift_start_far_enough_before_due(due, days, window):
    assert window_of(at(due), days * DAY) == at(window)


@pytest.mark.parametrize(
    ("moment", "silent"),
    [
        ("13 05:59", True), ("13 06:00", False), ("13 06:29", False), ("13 06:30", True), ("13 07:29", True),
        ("13 07:30", False), ("13 18:30", True), ("13 19:30", False), ("13 21:59", False), ("13 22:00", True),
    ],
)  # fmt: skip
def test_silent_hours(moment, silent):
    assert is_silent(at(moment)) is silent


def chart_of(*told: Told) -> LineChart:
    return LineChart("picc-1", "picc", "made-up", {f"entry-{n}": one for n, one in enumerate(told)})


PLACED = Told("insertion", at("01 09:00"), at("01 09:10"), "transparent")
CHANGED = Told("dressing-change", at("05 09:00"), at("05 09:20"), "transparent")


@pytest.mark.parametrize(
    ("told", "moment", "severity"),
    [
        ([PLACED, CHANGED], "11 18:59", None),  # due on the 12th at 09:00: appears on the 11th at 19:00
        ([PLACED, CHANGED], "11 19:00", "due"),
        ([PLACED, CHANGED], "12 09:00", "due"),  # exactly 7 d is due (2.5)
        ([PLACED, CHANGED], "12 09:01", "overdue"),
        # Charted for the day after its entry, and for the year before: neither counts (2.3.4).
        ([PLACED, Told("dressing-change", at("06 09:00"), at("05 09:20"), "transparent")], "08 09:01", "overdue"),
        ([PLACED, Told("dressing-change", at("05 09:00") - 365 * DAY, at("05 09:20"), "transparent")], "08 09:01", "overdue"),
        # Kind not charted at placing: due after 48 h (2.3.5).
        ([Told("insertion", at("01 09:00"), at("01 09:10"))], "03 09:01", "overdue"),
        # Kind not charted at a change: unknown from 48 h on (2.3.5).
        ([PLACED, Told("dressing-change", at("05 09:00"), at("05 09:20"))], "07 08:59", None),
        ([PLACED, Told("dressing-change", at("05 09:00"), at("05 09:20"))], "07 09:00", "unknown"),
        ([Told("device", at("01 09:00"), at("01 09:10"))], "02 09:00", "unknown"),
        # A finding of the minute of a change is the state before it; one a minute later stands (2.3.7).
        ([PLACED, CHANGED, Told("look", at("05 09:00"), at("05 09:20"), "loose")], "05 12:00", None),
        ([PLACED, CHANGED, Told("look", at("05 09:01"), at("05 09:20"), "loose")], "05 12:00", "compromised"),
        ([PLACED, CHANGED, Told("removal", at("06 09:00"), at("06 09:20"))], "20 12:00", None),
    ],
)
def test_what_a_chart_asks_for(told, moment, severity):
    asked = asked_of(chart_of(*told), StayChart(), at(moment))
    assert (asked.severity if asked else None) == severity


@pytest.mark.parametrize(
    ("asked", "declined", "when", "until"),
    [
        (Asked("due", False, at("11 19:00"), at("05 09:00")), "due", "11 20:00", "12 20:00"),  # 24 h
        (Asked("overdue", False, at("12 09:00"), at("05 09:00")), "due", "11 20:00", None),  # got worse
        (Asked("unknown", False, 0), "unknown", "11 20:00", "12 07:00"),  # the next shift start
        (Asked("compromised", True, at("11 19:00"), at("05 09:00")), "compromised", "11 20:00", "12 07:00"),
        (Asked("compromised", True, at("11 21:00"), at("05 09:00")), "compromised", "11 20:00", None),  # seen after
        (Asked("due", False, at("11 19:00"), at("11 21:00")), "due", "11 20:00", None),  # another cycle
    ],
)
def test_how_long_a_no_holds(asked, declined, when, until):
    assert quieted_until(asked, declined, at(when)) == (at(until) if until else 0)
