"""What follows a Task that a person ended or marked as done, and the Tasks beside that of the dressing.

Against design 2.6 and 2.7 (11, 13, 15, 16), 2.3.9; the hours are common practice, no source. Each life ends with a second
sweep that writes nothing.
"""

import pytest
from msgspec.structs import replace as with_fields

from linedays.core.changes import Cancel, Complete, Create, EndReason, Held, Leave, LeaveReason, Revise, is_write
from linedays.core.compared import Phase
from linedays.core.model import EndBasis, FactKind, Stay, Whereabouts
from linedays.core.moment import HOUR, MINUTE, exactly
from linedays.core.reconcile import reconcile
from linedays.core.states import AnchorBasis, Priority, Reason, State
from linedays.fhir.outputs import read_existing
from linedays.fhir.outputs.task import read_task
from support.task_board import (
    INSERTED,
    LINE,
    OPEN,
    US,
    Board,
    anchor,
    at,
    concern,
    fact,
    finding,
    item,
    kinds,
    line,
    quiet_after,
    removed,
    site,
)
from support.values import replace

NOON = at("2026-03-10 12:00")  # overdue since 10:00:01
AFTERNOON = at("2026-03-10 15:00")


def overdue(now=NOON, **other):
    return site(item(State.OVERDUE, **other), now)


def loose(now, seen, source="Observation/loose-1"):
    found = (finding("loose", source, seen),)
    values = {"findings": found, "priority": Priority.ASAP}
    return site(item(State.COMPROMISED, **values), now, facts=(fact(FactKind.DRESSING_SEEN, source, seen, "loose"),))


def marked_done(state=None):
    """Return a board on which a person has marked the Task as done at 12:10, and the reminder stands since 15:00."""
    board = Board()
    board.sweep(state or overdue())
    board.person("Task/1", NOON + 10 * MINUTE, status="completed")
    board.sweep(overdue(now=AFTERNOON))
    return board


def open_task(board):
    (task,) = board.of("Task", *OPEN)
    return task


def code_of(task):
    return task["code"]["coding"][0]["code"]


# Marked as done, nothing charted ----------------------------------------------------------------------------------------


def test_a_task_marked_as_done_is_followed_by_one_that_reminds_of_charting():
    board = marked_done()
    task = open_task(board)
    assert (code_of(task), task["priority"], task["status"]) == ("chart-the-change", "urgent", "requested")
    assert task["description"].startswith(f"marked done {NOON + 10 * MINUTE}, no change in the chart")
    told = {one["type"]["coding"][0]["code"]: one for one in task["input"]}
    assert told["marked-done"]["valueReference"] == {"reference": "Task/1"}
    assert told["marked-done-at"]["valueDateTime"] == "2026-03-10T12:10:00+01:00"
    assert board.resources["Task/1"]["status"] == "completed"
    assert [one["status"] for one in board.of("Flag")] == ["active"], "the item stays overdue"
    quiet_after(board, overdue(now=AFTERNOON + HOUR))


def test_a_reminder_waits_for_the_end_of_quiet_hours_unless_asap():
    board = Board()
    board.sweep(overdue())
    board.person("Task/1", at("2026-03-10 21:40"), status="completed")
    (held,) = board.sweep(overdue(now=at("2026-03-10 22:45")))
    assert isinstance(held, Held)
    assert held.until == at("2026-03-11 06:00")
    assert kinds(board.sweep(overdue(now=held.until))) == [Create]


@pytest.mark.parametrize(("minutes", "written"), [(59, []), (60, [Create])])
def test_an_hour_is_left_for_charting_before_anybody_is_reminded(minutes, written):
    board = Board()
    board.sweep(overdue())
    board.person("Task/1", NOON + 10 * MINUTE, status="completed")
    changes = board.sweep(overdue(now=NOON + (10 + minutes) * MINUTE))
    assert kinds(changes) == written
    if not written:
        assert [(one.reason, one.until) for one in changes] == [(LeaveReason.MARKED_DONE, NOON + 70 * MINUTE)]


def test_a_change_charted_late_completes_the_reminder():
    board = marked_done()
    done = anchor("Procedure/change-2", NOON)
    state = site(
        item(State.NOT_DUE, anchor=done, due=NOON + 7 * 86400, overdue_from=None, window_from=NOON + 6 * 86400),
        AFTERNOON + HOUR,
        facts=(fact(FactKind.DRESSING_CHANGED, "Procedure/change-2", NOON),),
    )
    changes = board.sweep(state)
    (complete,) = [one for one in changes if isinstance(one, Complete)]
    assert (complete.reason, complete.output) == (EndReason.CHANGED, "Procedure/change-2")
    assert board.of("Task", *OPEN) == []
    quiet_after(board, state)


@pytest.mark.parametrize(("hours", "ended"), [(24, True), (23.99, False)])
def test_after_a_day_without_a_change_charted_the_reminder_counts_as_a_no(hours, ended):
    board = marked_done()
    later = AFTERNOON + int(hours * HOUR)
    changes = board.sweep(overdue(now=later))
    assert kinds(changes) == ([Cancel] if ended else [])
    if not ended:
        return
    reminder = board.of("Task")[-1]
    assert reminder["statusReason"]["coding"][0]["code"] == "not-confirmed"
    assert read_task(reminder, US).phase is Phase.ENDED_BY_A_PERSON
    (leave,) = board.sweep(overdue(now=later + HOUR))
    assert (leave.reason, leave.until) == (LeaveReason.DECLINED, later + 24 * HOUR)
    (create,) = board.sweep(overdue(now=later + 24 * HOUR))
    assert (create.declined.ref, create.marked) == (f"Task/{reminder['id']}", None)


def test_a_reminder_marked_as_done_counts_as_a_no_and_is_not_followed_by_another():
    board = marked_done()
    board.person(f"Task/{open_task(board)['id']}", AFTERNOON + HOUR, status="completed")
    (leave,) = board.sweep(overdue(now=AFTERNOON + 2 * HOUR))
    assert (leave.reason, leave.until) == (LeaveReason.DECLINED, AFTERNOON + HOUR + 24 * HOUR)
    (create,) = board.sweep(overdue(now=AFTERNOON + 25 * HOUR))
    assert (create.marked, create.declined.done) == (None, True)
    assert code_of(open_task(board)) == "dressing-change"


def test_the_clock_raises_a_reminder_and_leaves_it_one():
    board = Board()
    due = site(item(State.WINDOW_OPEN, overdue_from=None, window_from=NOON - HOUR, due=AFTERNOON), NOON)
    board.sweep(due)
    board.person("Task/1", NOON + 10 * MINUTE, status="completed")
    board.sweep(replace(due, at=NOON + 70 * MINUTE))
    assert (code_of(open_task(board)), open_task(board)["priority"]) == ("chart-the-change", "routine")
    late = overdue(now=AFTERNOON + HOUR)
    board.sweep(late)
    assert (code_of(open_task(board)), open_task(board)["priority"]) == ("chart-the-change", "urgent")
    quiet_after(board, late)


def test_in_quiet_hours_the_clock_raises_no_reminder():
    board = Board()
    due = site(item(State.WINDOW_OPEN, overdue_from=None, window_from=NOON - HOUR, due=AFTERNOON), NOON)
    board.sweep(due)
    board.person("Task/1", NOON + 10 * MINUTE, status="completed")
    board.sweep(replace(due, at=NOON + 70 * MINUTE))
    board.sweep(overdue(now=at("2026-03-10 23:00")))
    assert (code_of(open_task(board)), open_task(board)["priority"]) == ("chart-the-change", "routine")


def test_who_was_reminded_once_in_a_cycle_is_not_reminded_again():
    board = marked_done()
    board.person(f"Task/{open_task(board)['id']}", AFTERNOON + HOUR, status="completed")
    again = AFTERNOON + 25 * HOUR
    board.sweep(overdue(now=again))
    board.person(f"Task/{open_task(board)['id']}", again + HOUR, status="completed")
    (leave,) = board.sweep(overdue(now=again + 3 * HOUR))
    assert (leave.reason, leave.until) == (LeaveReason.DECLINED, again + 25 * HOUR)


@pytest.mark.parametrize("state", [State.UNKNOWN, State.OVERDUE])
def test_a_look_that_was_marked_as_done_counts_as_a_no_and_nobody_is_reminded(state):
    red = concern("redness", "Observation/site-1", NOON - 600)
    calm = item(State.NOT_DUE, due=NOON + 3 * 86400, window_from=NOON + 2 * 86400, overdue_from=None)
    asked = site(item(State.UNKNOWN, anchor=None, due=None, window_from=None, overdue_from=None), NOON)
    asked = asked if state is State.UNKNOWN else site(calm, NOON, concern=red)
    board = Board()
    board.sweep(asked)
    board.person("Task/1", NOON + 600, status="completed")
    (leave,) = board.sweep(replace(asked, at=AFTERNOON))
    assert leave.reason is LeaveReason.DECLINED


def test_getting_worse_turns_the_reminder_into_a_task_that_asks():
    board = marked_done()
    state = loose(AFTERNOON + HOUR, AFTERNOON + 30 * MINUTE)
    changes = board.sweep(state)
    assert Revise in kinds(changes)
    task = open_task(board)
    assert (code_of(task), task["priority"]) == ("dressing-change", "asap")
    quiet_after(board, state)


def test_getting_worse_before_the_reminder_asks_at_once_and_says_what_was_marked():
    board = Board()
    board.sweep(overdue())
    board.person("Task/1", NOON + 10 * MINUTE, status="completed")
    changes = board.sweep(loose(AFTERNOON, AFTERNOON - 10 * MINUTE))
    (create,) = [one for one in changes if isinstance(one, Create) and hasattr(one.wanted, "priority")]
    assert (create.marked, create.declined.done) == (None, True)
    assert code_of(open_task(board)) == "dressing-change"


def test_a_new_cycle_owes_no_reminder_of_the_one_before():
    board = Board()
    board.sweep(overdue())
    board.person("Task/1", NOON + 10 * MINUTE, status="completed")
    done = anchor("Procedure/change-2", NOON)
    soon = item(State.OVERDUE, anchor=done, due=NOON + 7 * 86400, overdue_from=NOON + 7 * 86400 + 1)
    (create, *_) = board.sweep(site(soon, NOON + 7 * 86400 + HOUR))
    assert create.marked is None


def test_a_reminder_follows_its_patient():
    board = marked_done()
    state = replace(overdue(now=AFTERNOON + HOUR), place="bed-7")
    assert kinds(board.sweep(state)) == [Revise]
    task = open_task(board)
    assert (code_of(task), task["location"]) == ("chart-the-change", {"reference": "Location/bed-7"})
    assert task["description"].startswith(f"marked done {NOON + 10 * MINUTE}")
    quiet_after(board, state)


def test_nothing_asked_any_more_leaves_an_unanswered_reminder_open_and_says_so():
    board = marked_done()
    calm = item(State.NOT_DUE, due=AFTERNOON + 86400, overdue_from=None, window_from=AFTERNOON + 3600)
    changes = board.sweep(site(calm, AFTERNOON))
    assert LeaveReason.NOTHING_CHARTED in [one.reason for one in changes if isinstance(one, Leave)]


# Offered again ----------------------------------------------------------------------------------------------------------


def test_a_task_offered_again_says_when_and_why_it_was_declined():
    board = Board()
    board.sweep(overdue())
    board.person("Task/1", NOON + 600, status="rejected", statusReason={"text": "asleep"})
    board.sweep(overdue(now=NOON + 600 + 86400))
    task = open_task(board)
    assert task["note"][0]["text"] == f"offered again; declined {NOON + 600}: asleep"
    quiet_after(board, overdue(now=NOON + 900 + 86400))


# A finding that was never there -----------------------------------------------------------------------------------------


def test_a_task_raised_by_a_withdrawn_finding_makes_way_for_what_is_asked_besides():
    seen = NOON - HOUR
    board = Board()
    board.sweep(loose(NOON, seen))
    state = overdue(now=AFTERNOON)
    changes = board.sweep(state, read=(fact(FactKind.RETRACTED, "Observation/loose-1", NOON),))
    assert [type(one) for one in changes[:2]] == [Cancel, Create]
    assert changes[0].reason is EndReason.FINDING_WITHDRAWN
    assert open_task(board)["priority"] == "urgent"
    quiet_after(board, state, read=(fact(FactKind.RETRACTED, "Observation/loose-1", NOON),))


def test_in_quiet_hours_it_goes_and_the_other_comes_when_it_may_be_written():
    board = Board()
    board.sweep(loose(NOON, NOON - HOUR))
    told = {"read": (fact(FactKind.RETRACTED, "Observation/loose-1", NOON),)}
    night = overdue(now=at("2026-03-10 23:00"))
    assert [one for one in kinds(board.sweep(night, **told)) if one in (Cancel, Create)] == [Cancel]
    assert board.of("Task", *OPEN) == []
    board.sweep(overdue(now=at("2026-03-11 06:00")), **told)
    assert open_task(board)["priority"] == "urgent"


# The removal ------------------------------------------------------------------------------------------------------------


def said_gone(now, when=None):
    told = fact(FactKind.LINE_NOT_PRESENT, "Observation/gone-1", when or now - 600)
    return site(None, now, facts=(told,), whereabouts=Whereabouts.SAID_TO_BE_GONE)


def charted_out(now, *facts):
    ended = replace(line(), end=exactly(NOON), end_basis=EndBasis.REMOVAL, end_source="Procedure/removal-1")
    reason = Reason(code="unknown-used-after-removal", values=(("at", NOON),))
    unknown = item(State.UNKNOWN, reason=reason, anchor=None, due=None, window_from=None, overdue_from=None)
    return site(unknown, now, lines=(ended,), facts=facts, whereabouts=Whereabouts.USED_AFTER_REMOVAL)


def test_a_line_charted_as_not_present_has_one_task_to_chart_the_removal():
    board = Board()
    board.sweep(overdue())
    state = said_gone(AFTERNOON)
    board.sweep(state)
    task = open_task(board)
    assert (code_of(task), task["priority"], task["reasonReference"]) == (
        "chart-the-removal", "routine", {"reference": "Observation/gone-1"},
    )
    quiet_after(board, state)
    changes = board.sweep(removed(AFTERNOON + HOUR, NOON))
    (complete,) = [one for one in changes if isinstance(one, Complete)]
    assert (complete.reason, complete.output) == (EndReason.REMOVAL_CHARTED, "Procedure/removal-1")
    assert board.of("Task", *OPEN) == []


@pytest.mark.parametrize(
    ("state", "told", "reason"),
    [
        pytest.param(
            site(
                item(State.NOT_DUE, due=AFTERNOON + 86400, window_from=AFTERNOON + 7200, overdue_from=None),
                AFTERNOON + HOUR,
                facts=(
                    fact(FactKind.LINE_NOT_PRESENT, "Observation/gone-1", AFTERNOON - 600),
                    fact(FactKind.USED, "Procedure/flush", AFTERNOON + 600),
                ),
            ),
            {},
            EndReason.IN_PLACE_AFTER_ALL,
            id="used since",
        ),
        pytest.param(
            site(
                item(State.NOT_DUE, due=AFTERNOON + 86400, window_from=AFTERNOON + 7200, overdue_from=None),
                AFTERNOON + HOUR,
            ),
            {"read": (fact(FactKind.RETRACTED, "Observation/gone-1", AFTERNOON),)},
            EndReason.FINDING_WITHDRAWN,
            id="withdrawn",
        ),
        pytest.param(
            site(None, AFTERNOON + 9 * HOUR, whereabouts=Whereabouts.AWAY),
            {"stays": (Stay(id="s", top="s", status="finished", encounter_class="IMP", start=INSERTED, end=AFTERNOON, known=NOON),)},
            EndReason.STAY_OVER,
            id="discharged",
        ),
    ],
)
def test_the_question_about_a_removal_ends_by_what_is_charted(state, told, reason):
    board = Board()
    board.sweep(said_gone(AFTERNOON))
    changes = board.sweep(state, **told)
    assert [one.reason for one in changes if isinstance(one, Cancel)] == [reason]
    assert board.of("Task", *OPEN) == []


def test_a_question_about_a_removal_that_nothing_answers_stays_and_says_so():
    board = Board()
    board.sweep(said_gone(AFTERNOON))
    calm = item(State.NOT_DUE, due=AFTERNOON + 86400, window_from=AFTERNOON + 7200, overdue_from=None)
    (leave,) = board.sweep(site(calm, AFTERNOON + HOUR))
    assert leave.reason is LeaveReason.NOTHING_CHARTED


def test_a_line_that_is_not_in_place_yet_closes_nothing():
    board = Board()
    board.sweep(overdue())
    changes = board.sweep(site(None, AFTERNOON, whereabouts=Whereabouts.NOT_YET))
    assert {one.reason for one in changes} == {LeaveReason.NOTHING_CHARTED}


def test_charted_out_but_still_charted_about_asks_to_correct_the_chart_and_the_dressing_task_goes():
    board = Board()
    board.sweep(overdue())
    used = fact(FactKind.USED, "Procedure/flush", NOON + HOUR)
    state = charted_out(AFTERNOON, used)
    changes = board.sweep(state)
    assert [one.reason for one in changes if isinstance(one, Cancel)] == [EndReason.LINE_OUT]
    task = open_task(board)
    assert (code_of(task), task["priority"]) == ("chart-the-removal", "urgent")
    assert [code_of(one) for one in board.of("Flag", "active")] == ["dressing-unknown"]
    quiet_after(board, state)
    # The removal was entered again with its right time: the question is answered by the same entry.
    board.sweep(removed(AFTERNOON + HOUR, NOON + 90 * MINUTE))
    assert board.of("Task", *OPEN) == []


def test_charted_out_and_discharged_closes_the_question_quietly():
    board = Board()
    board.sweep(charted_out(AFTERNOON, fact(FactKind.USED, "Procedure/flush", NOON + HOUR)))
    state = replace(removed(AFTERNOON + 9 * HOUR, NOON), stay_ended=AFTERNOON)
    stay = Stay(id="s", top="s", status="finished", encounter_class="IMP", start=INSERTED, end=AFTERNOON, known=NOON)
    board.sweep(state, stays=(stay,))
    assert board.of("Task", *OPEN) == []
    quiet_after(board, state, stays=(stay,))


# Parts ------------------------------------------------------------------------------------------------------------------


def needle(state, **other):
    values = {
        "item": "port-needle-change",
        "anchor": anchor("Procedure/access-1", at("2026-03-03 10:00"), basis=AnchorBasis.INSERTION),
        "rule": "port-needle",
        "reason": Reason(code="interval-of-a-part", values=(("days", "7"),)),
    }
    return replace(item(state), **(values | other))


def part_changed(source, when):
    return with_fields(fact(FactKind.PART_CHANGED, source, when), value="port-needle-change")


def with_needle(dressing, part, now=NOON, **other):
    return site(dressing, now, items=(dressing, part), **other)


CALM = {"due": NOON + 3 * 86400, "window_from": NOON + 2 * 86400, "overdue_from": None}


def test_a_needle_due_outside_the_window_of_the_dressing_has_a_task_of_its_own():
    board = Board()
    state = with_needle(item(State.NOT_DUE, **CALM), needle(State.OVERDUE, priority=Priority.URGENT))
    board.sweep(state)
    task = open_task(board)
    assert (code_of(task), task["priority"]) == ("port-needle-change", "urgent")
    quiet_after(board, state)
    changed = part_changed("Procedure/needle-2", NOON + 60)
    after = needle(State.NOT_DUE, anchor=anchor("Procedure/needle-2", NOON + 60), **CALM)
    board.sweep(with_needle(item(State.NOT_DUE, **CALM), after, AFTERNOON, facts=(changed,)))
    assert [(one["status"], one["output"][0]["valueReference"]) for one in board.of("Task")] == [
        ("completed", {"reference": "Procedure/needle-2"})
    ]


def test_a_needle_marked_as_done_is_reminded_of_once_and_the_dressing_does_not_answer_it():
    calm = item(State.NOT_DUE, **CALM)
    dressed = fact(FactKind.DRESSING_CHANGED, "Procedure/change-2", NOON - HOUR)
    state = with_needle(calm, needle(State.OVERDUE), facts=(dressed,))
    board = Board()
    board.sweep(state)
    board.person("Task/1", NOON + 10 * MINUTE, status="completed")
    for hours in (2, 3, 4):
        board.sweep(replace(state, at=NOON + hours * HOUR))
    assert [one["status"] for one in board.of("Task")] == ["completed", "requested"]
    assert code_of(open_task(board)) == "chart-the-change"
    changed = part_changed("Procedure/needle-2", NOON)
    after = needle(State.NOT_DUE, anchor=anchor("Procedure/needle-2", NOON), **CALM)
    board.sweep(with_needle(calm, after, NOON + 5 * HOUR, facts=(dressed, changed)))
    assert board.of("Task", *OPEN) == []
    assert board.of("Task")[-1]["output"][0]["valueReference"] == {"reference": "Procedure/needle-2"}


def test_a_dressing_change_does_not_complete_the_task_of_the_needle():
    board = Board()
    board.sweep(with_needle(item(State.NOT_DUE, **CALM), needle(State.OVERDUE)))
    done = fact(FactKind.DRESSING_CHANGED, "Procedure/change-2", NOON + 60)
    board.sweep(with_needle(item(State.NOT_DUE, **CALM), needle(State.OVERDUE), AFTERNOON, facts=(done,)))
    assert code_of(open_task(board)) == "port-needle-change"


def test_a_needle_due_while_the_dressing_change_is_asked_is_a_step_of_that_task():
    board = Board()
    state = with_needle(item(State.WINDOW_OPEN, **(CALM | {"window_from": NOON - 60})), needle(State.OVERDUE, priority=Priority.URGENT))
    board.sweep(state)
    task = open_task(board)
    assert (code_of(task), task["priority"]) == ("dressing-change", "urgent"), "as urgent as the most urgent step"
    assert "step-port-needle-change" in [one["type"]["coding"][0]["code"] for one in task["input"]]
    quiet_after(board, state)


@pytest.mark.parametrize(("status", "left"), [("requested", "cancelled"), ("accepted", "accepted")])
def test_the_task_of_a_needle_makes_way_when_the_dressing_is_asked_too_unless_somebody_has_it(status, left):
    board = Board()
    board.sweep(with_needle(item(State.NOT_DUE, **CALM), needle(State.OVERDUE)))
    board.person("Task/1", NOON + 60, status=status)
    state = with_needle(item(State.OVERDUE), needle(State.OVERDUE), AFTERNOON)
    board.sweep(state)
    assert board.resources["Task/1"]["status"] == left
    quiet_after(board, state)


def test_a_part_with_an_interval_of_hours_is_a_row_and_no_task():
    often = needle(State.OVERDUE, reason=Reason(code="interval-of-a-part", values=(("days", "0.5"),)))
    assert Board().sweep(with_needle(item(State.NOT_DUE, **CALM), often)) == ()


def test_a_step_without_a_due_time_is_named_all_the_same():
    board = Board()
    unknown = needle(State.UNKNOWN, anchor=None, due=None, window_from=None, overdue_from=None)
    board.sweep(with_needle(item(State.OVERDUE), unknown))
    steps = [one for one in open_task(board)["input"] if one["type"]["coding"][0]["code"].startswith("step-")]
    assert [one["valueBoolean"] for one in steps] == [True]


def test_a_site_concern_does_not_raise_the_task_of_a_part():
    board = Board()
    red = concern("pus", "Observation/site-1", NOON - 600, priority=Priority.STAT)
    board.sweep(with_needle(item(State.NOT_DUE, **CALM), needle(State.OVERDUE), concern=red))
    assert {code_of(one): one["priority"] for one in board.of("Task", *OPEN)} == {
        "dressing-check": "stat", "port-needle-change": "urgent",
    }


# Lines that no site speaks of -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("reason", [EndReason.LINE_WITHDRAWN, EndReason.GONE_FROM_CHART])
def test_what_is_open_for_a_line_that_is_gone_is_ended_with_the_reason(reason):
    board = Board()
    board.sweep(overdue())
    existing = [read_existing(one, US) for one in board.resources.values()]
    changes = reconcile([], existing, at=AFTERNOON, name=US.name, gone={LINE: reason})
    assert [one.reason for one in changes] == [reason, reason]
    board.put(changes, AFTERNOON)
    assert [one["status"] for one in board.resources.values()] == ["cancelled", "inactive"]


# Between two stays ------------------------------------------------------------------------------------------------------


def test_in_the_hours_after_the_stay_nothing_is_asked_anew_and_what_is_open_stays_as_it_is():
    """Hazard H26; design 2.7.16: nothing closes for 4 h, since another Encounter may continue the stay."""
    between = replace(overdue(now=AFTERNOON), stay_ended=NOON + HOUR, place=None, unit=None)
    assert [one for one in Board().sweep(between) if is_write(one) and hasattr(one.wanted, "priority")] == []
    board = Board()
    board.sweep(overdue())
    before = dict(board.resources)
    changes = board.sweep(between)
    assert {one.reason for one in changes} == {LeaveReason.BETWEEN_STAYS}
    assert board.resources == before
    nothing_asked = site(None, AFTERNOON, stay_ended=NOON + HOUR)
    assert LeaveReason.BETWEEN_STAYS in {one.reason for one in board.sweep(nothing_asked) if isinstance(one, Leave)}


def test_what_is_compromised_is_asked_at_once_between_two_stays_too():
    board = Board()
    board.sweep(replace(loose(AFTERNOON, AFTERNOON - 600), stay_ended=NOON + HOUR))
    assert open_task(board)["priority"] == "asap"
    late = Board()
    late.sweep(overdue())
    late.sweep(replace(loose(AFTERNOON, AFTERNOON - 600), stay_ended=NOON + HOUR))
    assert open_task(late)["priority"] == "asap"


# A look that is answered ------------------------------------------------------------------------------------------------


def test_a_look_for_the_kind_is_answered_by_the_entry_that_is_corrected_to_name_it():
    reason = Reason(code="unknown-kind", values=(("anchor", INSERTED),))
    board = Board()
    board.sweep(site(item(State.UNKNOWN, reason=reason, due=None, window_from=None, overdue_from=None), NOON))
    assert code_of(open_task(board)) == "dressing-check"
    named = item(State.NOT_DUE, **(CALM | {"window_from": NOON + 86400}))
    board.sweep(site(named, AFTERNOON, facts=(fact(FactKind.DRESSING_CHANGED, "Procedure/change-1", named.anchor.at),)))
    assert board.of("Task", *OPEN) == []
    (task,) = board.of("Task")
    assert (task["status"], task["output"][0]["valueReference"]) == ("completed", {"reference": "Procedure/change-1"})
