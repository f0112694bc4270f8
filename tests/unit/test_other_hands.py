"""What other systems and clocks do to what we wrote: nobody is silenced by it, nothing is doubled, and nothing ends the sweep.

Source: design 2.6 ("a person's no quiets, it does not clear"; "elements we do not own are carried through"), hazards H05, H25,
H29 and H31; what systems do to resources is common practice, no source.
"""

from typing import Any

import pytest

from linedays.adapters.bundles import entries_of
from linedays.adapters.fhir_errors import FhirRejected
from linedays.adapters.server_starter import load_bundle
from linedays.core.changes import Create, Leave
from linedays.core.compared import Phase
from linedays.core.model import EndBasis, FactKind, Whereabouts
from linedays.core.moment import HOUR, MINUTE, exactly
from linedays.core.states import Priority, State
from linedays.fhir.outputs import read_existing
from linedays.run.rereading import read_ours
from linedays.run.wanted import who_of
from linedays.run.writing import apply_plan
from support.memory_fhir_server import MemoryFhirServer
from support.small_ward import AT, IDENTITY, LOOSE, OVERDUE, PLACES, look, memory_server, planned, procedure, wired
from support.task_board import US, Board, anchor, at, concern, fact, finding, item, line, site
from support.values import replace

NOON = at("2026-03-10 12:00")
Resource = dict[str, Any]


def overdue(now: int = NOON, **other: Any) -> Any:
    return site(item(State.OVERDUE), now, **other)


def codes(board: Board) -> list[tuple[str, str]]:
    return [(one["code"]["coding"][0]["code"], one["priority"]) for one in board.of("Task", "requested")]


# Stat beside a dressing that is due or overdue --------------------------------------------------------------------------


def disconnected(now: int, seen: int) -> Any:
    return overdue(now, concern=concern("disconnected", "Observation/site-1", seen, priority=Priority.STAT))


def test_stat_found_after_the_task_was_marked_as_done_is_asked_at_once() -> None:
    board = Board()
    board.sweep(overdue())
    board.person("Task/1", NOON + 10 * MINUTE, status="completed")
    board.sweep(disconnected(NOON + 21 * MINUTE, NOON + 20 * MINUTE))
    assert codes(board) == [("dressing-check", "stat")]


def test_stat_found_after_stat_was_declined_is_asked_at_once() -> None:
    board = Board()
    board.sweep(disconnected(NOON, NOON - MINUTE))
    board.person("Task/1", NOON + 10 * MINUTE, status="rejected")
    again = overdue(
        NOON + HOUR, concern=concern("catheter-damaged", "Observation/site-2", NOON + 50 * MINUTE, priority=Priority.STAT)
    )
    board.sweep(again)
    assert codes(board) == [("dressing-check", "stat")]


def test_stat_found_while_a_reminder_is_open_turns_it_into_a_task_that_asks() -> None:
    board = Board()
    board.sweep(overdue())
    board.person("Task/1", NOON + 10 * MINUTE, status="completed")
    board.sweep(overdue(NOON + 2 * HOUR))
    assert codes(board) == [("chart-the-change", "urgent")]
    board.sweep(disconnected(NOON + 3 * HOUR, NOON + 170 * MINUTE))
    assert codes(board) == [("dressing-check", "stat")]


def test_a_finding_made_after_marked_as_done_and_entered_after_the_reminder_is_asked_for() -> None:
    board = Board()
    board.sweep(overdue())
    board.person("Task/1", NOON + 10 * MINUTE, status="completed")
    board.sweep(overdue(NOON + 75 * MINUTE))
    seen = fact(FactKind.DRESSING_SEEN, "Observation/damp-1", NOON + 30 * MINUTE, "damp")
    found = item(State.COMPROMISED, priority=Priority.ASAP, findings=(finding("damp", "Observation/damp-1", NOON + 30 * MINUTE),))
    board.sweep(site(found, NOON + 90 * MINUTE, facts=(seen,)))
    assert codes(board) == [("dressing-change", "asap")]


# Clocks ------------------------------------------------------------------------------------------------------------------


def stored(resource: Resource, when: str) -> Resource:
    return {**resource, "meta": {**resource.get("meta", {}), "lastUpdated": when}}


def test_a_clock_that_ran_years_ahead_silences_nobody() -> None:
    board = Board()
    board.sweep(overdue())
    task, flag = board.resources["Task/1"], board.resources["Flag/2"]
    board.resources["Task/1"] = stored(
        {**task, "status": "rejected", "lastModified": "2062-03-10T12:00:00+01:00"}, "2026-03-10T12:05:00+01:00"
    )
    period = {**flag["period"], "end": "2099-12-31T00:00:00+01:00"}
    board.resources["Flag/2"] = stored({**flag, "status": "inactive", "period": period}, "2026-03-10T12:05:00+01:00")
    changes = board.sweep(overdue(NOON + 2 * HOUR))
    assert {one.until for one in changes if isinstance(one, Leave)} == {NOON + 5 * MINUTE + 24 * HOUR}
    assert [type(one) for one in board.sweep(overdue(NOON + 25 * HOUR))] == [Create, Create]


def test_a_system_that_does_not_say_when_it_changed_a_task_is_read_by_when_it_was_stored() -> None:
    board = Board()
    board.sweep(overdue())
    board.resources["Task/1"] = stored({**board.resources["Task/1"], "status": "completed"}, "2026-03-10T19:00:00+01:00")
    existing = read_existing(board.resources["Task/1"], US)
    assert existing is not None
    assert (existing.modified, existing.phase) == (at("2026-03-10 19:00"), Phase.ENDED_BY_A_PERSON)


def test_marked_as_done_and_charted_is_no_no_in_the_next_cycle() -> None:
    board = Board()
    board.sweep(overdue())
    board.person("Task/1", NOON + 10 * MINUTE, status="completed")
    done = anchor("Procedure/change-2", NOON)
    changed = fact(FactKind.DRESSING_CHANGED, "Procedure/change-2", NOON)
    later = NOON + 7 * 24 * HOUR + HOUR
    soon = item(State.OVERDUE, anchor=done, due=NOON + 7 * 24 * HOUR, overdue_from=NOON + 7 * 24 * HOUR + 1)
    (create, *_) = board.sweep(site(soon, later, facts=(changed,)))
    assert (create.declined, create.marked) == (None, None)


# Elements --------------------------------------------------------------------------------------------------------------


def swept() -> tuple[MemoryFhirServer, Resource]:
    server = memory_server([*PLACES, *OVERDUE])
    apply_plan(planned(server), server, IDENTITY)
    (task,) = [one for one in read_ours(server, IDENTITY).values() if one["resourceType"] == "Task"]
    return server, task


def test_a_task_that_lost_its_group_still_says_which_line_it_is_about() -> None:
    server, task = swept()
    server.person_edits(f"Task/{task['id']}", lambda one: {n: v for n, v in one.items() if n != "groupIdentifier"})
    assert planned(server, AT + HOUR).writes == ()


@pytest.mark.parametrize("status", ["cancelled", "rejected"])
def test_a_task_of_which_nothing_is_left_to_read_does_not_keep_its_key_from_the_next(status: str) -> None:
    server, task = swept()
    key = [one for one in task["identifier"] if one.get("use") == "official"]
    spoilt = {"identifier": key, "status": status, "groupIdentifier": None, "input": None}
    server.person_edits(f"Task/{task['id']}", lambda one: {n: v for n, v in {**one, **spoilt}.items() if v is not None})
    plan = planned(server, AT + HOUR)
    assert plan.unread == (f"Task/{task['id']}",)
    apply_plan(plan, server, IDENTITY)
    statuses = sorted(one["status"] for one in read_ours(server, IDENTITY).values() if one["resourceType"] == "Task")
    assert statuses == sorted([status, "requested"])
    assert planned(server, AT + HOUR + 60).writes == ()


@pytest.mark.sends_made_up("what other hands wrote wrongly is carried through as it stands")
@pytest.mark.parametrize("element", ["restriction", "input", "code", "note", "reasonCode", "period", "extension", "executionPeriod", "for"])
@pytest.mark.parametrize("value", [None, "text", 7, [None], {"coding": [None]}])
def test_an_element_in_another_form_never_ends_the_sweep(element: str, value: Any) -> None:
    server, _ = swept()
    load_bundle(server, LOOSE)
    for ref in list(read_ours(server, IDENTITY)):
        if not ref.startswith("Device/"):
            server.person_edits(ref, lambda one: {**one, element: value} if element in one else one)
    plan = planned(server, AT + HOUR)
    outcome = apply_plan(plan, server, IDENTITY)
    loose = [one for one in read_ours(server, IDENTITY).values() if one.get("priority") == "asap"]
    assert len(loose) == 1, outcome


@pytest.mark.sends_made_up("what other hands wrote wrongly is carried through as it stands")
def test_what_somebody_else_wrote_wrongly_into_a_task_keeps_no_need_untold() -> None:
    server, task = swept()
    odd = {"status": "accepted", "note": [*task["note"], {"authorString": "", "text": "seen"}]}
    server.person_edits(f"Task/{task['id']}", lambda one: {**one, **odd})
    load_bundle(server, [look("loose", "14 10:30", "over", "over-picc")])
    plan = planned(server, AT + HOUR)
    assert [each.problems for each in plan.writes if each.problems] == []
    apply_plan(plan, server, IDENTITY)
    (after,) = [one for one in read_ours(server, IDENTITY).values() if one["resourceType"] == "Task"]
    assert (after["status"], after["priority"]) == ("accepted", "asap")
    assert {"authorString": "", "text": "seen"} in after["note"]


def test_a_task_that_names_its_patient_another_way_is_not_taken_for_somebody_elses() -> None:
    server, task = swept()
    logical = {"for": {"identifier": {"system": "https://hospital.example/numbers", "value": "made-up"}}}
    server.person_edits(f"Task/{task['id']}", lambda one: {**one, **logical, "status": "accepted"})
    apply_plan(planned(server, AT + HOUR), server, IDENTITY)
    (after,) = [one for one in read_ours(server, IDENTITY).values() if one["resourceType"] == "Task"]
    assert after["status"] == "accepted"


def test_a_page_that_is_no_bundle_is_an_error_and_no_empty_chart() -> None:
    with pytest.raises(FhirRejected, match="search of Procedure"):
        entries_of(b'{"resourceType": "Bundle", "entry": [', "Procedure")


def test_a_byte_that_is_no_text_in_a_charted_note_stops_nothing() -> None:
    class Spoilt(MemoryFhirServer):
        def read_pages(self, search: Any) -> Any:
            for page in super().read_pages(search):
                yield page.replace(b"made-up-note", b"made-\xe4-note")

    server = memory_server([*PLACES, *OVERDUE, procedure("dressing-change", "06 09:30", "over", "over-picc", note=[{"text": "made-up-note"}])])
    server.__class__ = Spoilt
    assert apply_plan(planned(server), server, IDENTITY).refused == []


@pytest.mark.parametrize("kind", ["Task", "Flag"])
def test_a_byte_that_is_no_text_in_one_of_ours_leaves_that_one_alone_and_no_need_untold(kind: str) -> None:
    """It is named and not written over; what it may have asked for is asked for beside it."""

    class Spoilt(MemoryFhirServer):
        def read(self, *asked: str) -> bytes | None:
            found = super().read(*asked)
            return None if found is None else found.replace(b"made-up-note", b"made-\xe4-note")

        def read_pages(self, search: Any) -> Any:
            for page in super().read_pages(search):
                yield page.replace(b"made-up-note", b"made-\xe4-note")

    server, _ = swept()
    (ref,) = [one for one in read_ours(server, IDENTITY) if one.startswith(f"{kind}/")]
    server.person_edits(ref, lambda one: {**one, "text": {**one["text"], "div": one["text"]["div"].replace("Informs", "made-up-note")}})
    server.__class__ = Spoilt
    before = server.read(*ref.split("/"))
    assert before is not None
    assert b"\xe4" in before
    for now in (AT + HOUR, AT + HOUR + 60):
        plan = planned(server, now)
        assert plan.unread == (ref,)
        apply_plan(plan, server, IDENTITY)
    assert plan.writes == ()
    assert server.read(*ref.split("/")) == before
    assert len([one for one in read_ours(server, IDENTITY) if one.startswith(f"{kind}/")]) == 2


# Who and what about ------------------------------------------------------------------------------------------------------


def test_who_and_focus_are_of_the_line_that_is_there() -> None:
    """Hazard H29: after an exchange from a central to a dialysis catheter the Task is for those who may open that one."""
    out = replace(
        line(), key="Device/old", kind="nontunnelled-cvc", end=exactly(NOON - HOUR), end_basis=EndBasis.EXCHANGE, end_source="Procedure/x"
    )
    there = replace(line(), key="Device/new", kind="dialysis-nontunnelled")
    state = replace(
        overdue(lines=(out, there), concern=concern("redness", "Observation/site-1", NOON - 600)),
        line_whereabouts=(Whereabouts.ENDED, Whereabouts.IN_PLACE),
    )
    kinds = {kind.code: kind.who for kind in wired().instance.policy.line_kinds}
    assert state.concern is not None
    assert who_of(state, state.concern, wired().instance.policy) == kinds["dialysis-nontunnelled"]
    board = Board()
    board.sweep(state)
    assert board.of("Task")[0]["focus"] == {"reference": "Device/new"}
