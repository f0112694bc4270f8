"""The life of the one Task and the Flags of a dressing site, against design section 2.6 and 2.7 (1, 3, 4, 10-16).

The rules of life are those of this service (common practice, no source); Task states and transitions are those of FHIR R4
Task (http://hl7.org/fhir/R4/task.html, from memory). Each test ends with a second sweep that writes nothing.
"""


import pytest
from msgspec.structs import replace as with_fields

from linedays.core.changes import (
    Cancel,
    Complete,
    Create,
    EndFlag,
    EndReason,
    Held,
    Leave,
    LeaveReason,
    Revise,
    Void,
)
from linedays.core.compared import EvidenceKind
from linedays.core.evidence import evidence_of
from linedays.core.model import EndBasis, FactKind, Stay, Whereabouts
from linedays.core.moment import day_moment, exactly, local_date
from linedays.core.reconcile import reconcile
from linedays.core.states import AnchorBasis, Priority, Reason, State
from linedays.fhir.outputs import read_existing, ref_of
from support.task_board import (
    BERLIN,
    CHANGED,
    DUE,
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

MORNING = at("2026-03-10 08:00")  # window open, due at 10:00
NOON = at("2026-03-10 12:00")  # overdue since 10:00:01
AFTERNOON = at("2026-03-10 15:00")
NIGHT = at("2026-03-10 23:00")


def opened(state, **told):
    board = Board()
    board.sweep(state, **told)
    quiet_after(board, state, **told)
    return board


def the_task(board):
    (task,) = board.of("Task")
    return task


def overdue(now=NOON, **other):
    return site(item(State.OVERDUE, **other), now)


def compromised(now, seen, source="Observation/loose-1", **other):
    found = (finding("loose", source, seen),)
    values = {"findings": found, "overdue_from": None, "due": at("2026-03-20 10:00")} | other
    facts = values.pop("facts", (fact(FactKind.DRESSING_SEEN, source, seen, "loose"),))
    return site(item(State.COMPROMISED, **values), now, facts=facts)


def changed_at(now, when=None, source="Procedure/change-2", **other):
    """Return the site after a dressing change, not due for a week."""
    when = at("2026-03-10 13:00") if when is None else when
    done = anchor(source, when)
    due = when + 7 * 86400
    state = item(State.NOT_DUE, anchor=done, window_from=due - 54000, due=due, overdue_from=due + 1)
    facts = (fact(FactKind.DRESSING_CHANGED, "Procedure/change-1", CHANGED), fact(FactKind.DRESSING_CHANGED, source, when))
    return site(state, now, facts=facts, **other)


# Creating ---------------------------------------------------------------------------------------------------------------


def test_an_overdue_dressing_gets_one_task_and_one_flag():
    board = opened(overdue())
    task = the_task(board)
    assert (task["status"], task["intent"], task["priority"]) == ("requested", "plan", "urgent")
    (flag,) = board.of("Flag")
    assert (flag["status"], flag["code"]["coding"][0]["code"]) == ("active", "dressing-overdue")


@pytest.mark.parametrize("state", [State.NOT_DUE, State.DEFERRED, State.PAUSED, State.NOT_REQUIRED])
def test_nothing_is_created_where_nothing_is_asked(state):
    assert Board().sweep(site(item(state, overdue_from=None), MORNING)) == ()


def test_a_site_without_any_item_gets_nothing():
    assert Board().sweep(site(None, NOON)) == ()


def test_the_same_facts_give_the_same_identifiers_after_the_store_and_server_are_lost():
    first, second = opened(overdue()), opened(overdue(now=AFTERNOON))
    assert [one["identifier"] for one in first.resources.values()] == [
        one["identifier"] for one in second.resources.values()
    ]


def test_a_later_sweep_with_nothing_new_writes_nothing():
    board = opened(overdue())
    quiet_after(board, overdue(now=at("2026-03-12 15:00")))


def test_another_policy_hash_alone_writes_nothing(monkeypatch):
    board = opened(overdue())
    for ref, resource in board.resources.items():
        tag = [{**one, "code": "other"} if one["system"].endswith("policy") else one for one in resource["meta"]["tag"]]
        board.resources[ref] = {**resource, "meta": {"tag": tag}}
    quiet_after(board, overdue())


# Quiet hours and shift changes ------------------------------------------------------------------------------------------


def test_in_quiet_hours_an_overdue_task_is_held_and_its_flag_is_not():
    board = Board()
    changes = board.sweep(overdue(now=NIGHT))
    (held,) = [one for one in changes if isinstance(one, Held)]
    assert (held.until, held.existing) == (at("2026-03-11 06:00"), None)
    assert board.of("Task") == []
    assert len(board.of("Flag")) == 1
    board.sweep(overdue(now=at("2026-03-11 06:00")))
    assert len(board.of("Task", *OPEN)) == 1


def test_in_quiet_hours_a_compromised_dressing_is_written_at_once():
    board = opened(compromised(NIGHT, at("2026-03-10 22:50")))
    assert the_task(board)["priority"] == "asap"


def test_in_quiet_hours_a_raise_to_urgent_is_held_and_the_facts_are_written():
    board = opened(site(item(State.WINDOW_OPEN, overdue_from=NIGHT - 60), at("2026-03-10 21:00")))
    late = site(item(State.OVERDUE, overdue_from=NIGHT - 60), NIGHT)
    changes = board.sweep(late)
    (held,) = [one for one in changes if isinstance(one, Held)]
    assert (held.until, held.existing.ref) == (at("2026-03-11 06:00"), "Task/1")
    assert the_task(board)["priority"] == "routine"
    assert the_task(board)["reasonCode"]["coding"][0]["code"] == "overdue"
    quiet_after(board, late)
    board.sweep(replace(late, at=at("2026-03-11 06:00")))
    assert the_task(board)["priority"] == "urgent"


def test_a_raise_to_asap_is_written_within_a_shift_change():
    board = opened(overdue())
    now = at("2026-03-10 19:05")
    board.sweep(compromised(now, at("2026-03-10 19:00")))
    assert the_task(board)["priority"] == "asap"


# Adoption ---------------------------------------------------------------------------------------------------------------


def test_a_compromised_dressing_raises_the_open_routine_task_and_keeps_its_identifier():
    board = opened(site(item(State.WINDOW_OPEN), MORNING))
    before = the_task(board)
    now = at("2026-03-10 09:30")
    state = compromised(now, at("2026-03-10 09:20"))
    assert kinds(board.sweep(state))[:1] == [Revise]
    task = the_task(board)
    assert (before["priority"], task["priority"]) == ("routine", "asap")
    assert (task["id"], task["identifier"], task["authoredOn"]) == (
        before["id"], before["identifier"], before["authoredOn"],
    )
    assert task["lastModified"] == "2026-03-10T09:30:00+01:00"
    quiet_after(board, state)


def test_a_corrected_change_time_gives_the_same_task_a_new_due_time():
    board = opened(overdue())
    later = anchor("Procedure/change-1", at("2026-03-04 10:00"))
    due = at("2026-03-11 10:00")
    state = site(
        item(State.WINDOW_OPEN, anchor=later, due=due, overdue_from=due + 1, window_from=at("2026-03-10 19:00")),
        at("2026-03-10 20:00"),
        facts=(fact(FactKind.DRESSING_CHANGED, "Procedure/change-1", at("2026-03-04 10:00")),),
    )
    changes = board.sweep(state)
    assert kinds(changes) == [Revise, EndFlag]
    task = the_task(board)
    assert task["restriction"]["period"]["end"] == "2026-03-11T10:00:00+01:00"
    assert task["priority"] == "urgent"  # never lowered but from asap to routine
    quiet_after(board, state)


def test_a_shorter_policy_gives_the_same_task_a_new_due_time():
    board = opened(site(item(State.WINDOW_OPEN), MORNING))
    shorter = item(State.OVERDUE, due=at("2026-03-08 10:00"), rule="chg-5d", overdue_from=at("2026-03-08 10:00"))
    board.sweep(site(shorter, NOON))
    task = the_task(board)
    assert task["restriction"]["period"] == {
        "start": "2026-03-08T10:00:00+01:00",  # the window would begin after the due time: it begins with it
        "end": "2026-03-08T10:00:00+01:00",
    }
    assert task["instantiatesUri"].endswith("chg-5d")


def test_a_second_entry_for_the_same_instant_is_no_new_change():
    board = opened(site(item(State.WINDOW_OPEN, anchor=anchor("Procedure/insertion-1", CHANGED)), MORNING))
    due = at("2026-03-17 10:00")
    twin = item(State.NOT_DUE, due=due, window_from=due - 54000, overdue_from=due + 1)
    state = site(twin, AFTERNOON, facts=(fact(FactKind.DRESSING_CHANGED, "Procedure/change-1", CHANGED),))
    assert kinds(board.sweep(state)) == [Revise]
    quiet_after(board, state)


def test_a_task_for_a_dressing_no_longer_due_is_followed_while_its_anchor_stands():
    board = opened(site(item(State.WINDOW_OPEN), MORNING))
    due = at("2026-03-14 10:00")
    state = site(item(State.NOT_DUE, due=due, window_from=due - 54000, overdue_from=due + 1), AFTERNOON)
    assert kinds(board.sweep(state)) == [Revise]
    task = the_task(board)
    assert task["status"] == "requested"
    assert task["restriction"]["period"]["end"] == "2026-03-14T10:00:00+01:00"
    quiet_after(board, state)


def test_the_task_follows_the_patient():
    board = opened(overdue())
    moved = replace(overdue(now=AFTERNOON), place="bed-3", encounter="stay-2")
    board.sweep(moved)
    task = the_task(board)
    assert (task["location"]["reference"], task["encounter"]["reference"]) == ("Location/bed-3", "Encounter/stay-2")
    assert board.of("Flag")[0]["encounter"]["reference"] == "Encounter/stay-2"
    quiet_after(board, moved)


def test_a_task_written_for_the_second_device_under_the_dressing_is_adopted():
    second = line(key="Device/second", aliases=())
    board = opened(site(item(State.OVERDUE, site="Device/second"), NOON, lines=(second,)))
    both = site(item(State.OVERDUE), NOON, lines=(line(), second))
    assert kinds(board.sweep(both)) == [Revise, Revise]
    assert the_task(board)["groupIdentifier"]["value"] == LINE
    quiet_after(board, both)


def test_since_seen_intact_lowers_an_asap_task_that_nobody_accepted():
    board = opened(compromised(NOON, at("2026-03-10 11:50")))
    intact = compromised(AFTERNOON, at("2026-03-10 11:50"), priority=Priority.ROUTINE)
    assert kinds(board.sweep(intact)) == [Revise]
    assert the_task(board)["priority"] == "routine"
    quiet_after(board, intact)


def test_since_seen_intact_does_not_lower_a_task_that_somebody_accepted():
    board = opened(compromised(NOON, at("2026-03-10 11:50")))
    board.person("Task/1", NOON + 60, status="accepted")
    intact = compromised(AFTERNOON, at("2026-03-10 11:50"), priority=Priority.ROUTINE)
    board.sweep(intact)
    assert (the_task(board)["priority"], the_task(board)["status"]) == ("asap", "accepted")


# Completing -------------------------------------------------------------------------------------------------------------


def test_a_charted_change_completes_the_task_and_ends_the_flag():
    board = opened(overdue())
    state = changed_at(AFTERNOON)
    assert kinds(board.sweep(state)) == [Complete, EndFlag]
    task = the_task(board)
    assert (task["status"], task["priority"]) == ("completed", "urgent")
    assert task["output"][0]["valueReference"] == {"reference": "Procedure/change-2"}
    assert task["executionPeriod"] == {"end": "2026-03-10T13:00:00+01:00"}
    (flag,) = board.of("Flag")
    assert (flag["status"], flag["period"]["end"]) == ("inactive", "2026-03-10T13:00:00+01:00")
    quiet_after(board, state)


def test_a_change_made_before_the_task_but_charted_after_it_completes_it():
    board = opened(overdue())
    state = changed_at(AFTERNOON, when=at("2026-03-10 09:00"))
    assert kinds(board.sweep(state)) == [Complete, EndFlag]
    # The Flag began at 10:00:01; a change before that gives no end of its own.
    assert board.of("Flag")[0]["period"]["end"] == "2026-03-10T15:00:00+01:00"


def test_of_several_late_entries_the_one_that_counts_completes_the_task():
    board = opened(overdue())
    when = at("2026-03-10 09:00")
    label = fact(FactKind.LABEL_DATE, "Observation/label-1", at("2026-03-09 08:00"))
    state = site(
        item(State.NOT_DUE, anchor=anchor("Procedure/change-2", when), due=when + 604800, overdue_from=when + 604801),
        AFTERNOON,
        facts=(label, fact(FactKind.DRESSING_CHANGED, "Procedure/change-2", when)),
    )
    board.sweep(state)
    assert the_task(board)["output"][0]["valueReference"] == {"reference": "Procedure/change-2"}
    quiet_after(board, state)


def test_a_change_known_by_its_day_completes_the_task_with_that_day():
    day = day_moment(local_date(NOON, BERLIN), BERLIN)
    done = anchor("Procedure/change-2", day.earliest, happened=day)
    state = site(
        item(State.NOT_DUE, anchor=done, due=at("2026-03-17 00:00"), overdue_from=at("2026-03-17 00:00")),
        AFTERNOON,
        facts=(fact(FactKind.DRESSING_CHANGED, "Procedure/change-2", day),),
    )
    board = opened(overdue())
    board.sweep(state)
    assert the_task(board)["executionPeriod"] == {"end": "2026-03-10"}
    quiet_after(board, state)


def test_a_late_entry_that_leaves_the_dressing_overdue_moves_the_open_task():
    board = opened(overdue())
    old = at("2026-03-03 11:00")
    state = site(
        item(State.OVERDUE, anchor=anchor("Procedure/late", old), due=old + 604800, overdue_from=old + 604801),
        AFTERNOON,
        facts=(fact(FactKind.DRESSING_CHANGED, "Procedure/late", old),),
    )
    assert kinds(board.sweep(state)) == [Revise, Revise]
    assert the_task(board)["status"] == "requested"
    quiet_after(board, state)


def test_a_change_followed_by_a_new_finding_completes_the_task_and_opens_the_next():
    board = opened(overdue())
    when, seen = at("2026-03-10 13:00"), at("2026-03-10 14:30")
    state = compromised(
        AFTERNOON,
        seen,
        anchor=anchor("Procedure/change-2", when),
        facts=(
            fact(FactKind.DRESSING_CHANGED, "Procedure/change-2", when),
            fact(FactKind.DRESSING_SEEN, "Observation/loose-1", seen, "loose"),
        ),
    )
    assert kinds(board.sweep(state)) == [Complete, Create, EndFlag, Create]
    assert [one["status"] for one in board.of("Task")] == ["completed", "requested"]
    assert board.of("Task", *OPEN)[0]["priority"] == "asap"
    quiet_after(board, state)


def test_a_change_retracted_after_completion_gives_one_new_task():
    board = opened(overdue())
    board.sweep(changed_at(AFTERNOON))
    withdrawn = (fact(FactKind.RETRACTED, "Procedure/change-2", AFTERNOON),)
    state = overdue(now=at("2026-03-10 16:00"))
    assert kinds(board.sweep(state, read=withdrawn)) == [Create, Create]
    first, second = board.of("Task")
    assert (first["status"], second["status"]) == ("completed", "requested")
    assert first["identifier"] != second["identifier"]
    quiet_after(board, state, read=withdrawn)


def test_a_label_that_was_read_completes_the_task_that_asked_to_look():
    board = opened(site(item(State.UNKNOWN), NOON))
    assert the_task(board)["code"]["coding"][0]["code"] == "dressing-check"
    when = at("2026-03-08 00:00")
    read = anchor("Observation/label-1", when, basis=AnchorBasis.LABEL, happened=day_moment(local_date(when, BERLIN), BERLIN))
    due = at("2026-03-15 00:00")
    state = site(
        item(State.NOT_DUE, anchor=read, due=due, overdue_from=due + 1, window_from=due - 54000),
        AFTERNOON,
        facts=(fact(FactKind.LABEL_DATE, "Observation/label-1", read.happened),),
    )
    complete, end = board.sweep(state)
    assert (complete.reason, end.reason) == (EndReason.DATED, EndReason.DATED)
    assert the_task(board)["output"][0]["valueReference"] == {"reference": "Observation/label-1"}
    quiet_after(board, state)


def test_unknown_that_becomes_due_changes_the_task_in_place():
    board = opened(site(item(State.UNKNOWN), NOON))
    label = anchor("Observation/label-1", at("2026-03-02 00:00"), basis=AnchorBasis.REPORTED)
    due = at("2026-03-09 00:00")
    state = site(
        item(State.OVERDUE, anchor=label, due=due, overdue_from=due + 1),
        AFTERNOON,
        facts=(fact(FactKind.CHANGE_REPORTED, "Observation/label-1", at("2026-03-02 00:00")),),
    )
    assert kinds(board.sweep(state)) == [Revise, Create, EndFlag]
    assert the_task(board)["code"]["coding"][0]["code"] == "dressing-change"
    quiet_after(board, state)


def test_a_dressing_changed_only_when_needed_is_known_again_once_seen_intact():
    unknown = item(State.UNKNOWN, reason=Reason(code="unknown-not-seen", values=(("seen", at("2026-03-09 08:00")),)))
    board = opened(site(unknown, NOON))
    seen = fact(FactKind.DRESSING_SEEN, "Observation/intact-1", AFTERNOON - 600, "intact")
    known = item(State.NOT_DUE, anchor=None, due=None, window_from=None, overdue_from=None)
    state = site(known, AFTERNOON, facts=(seen,))
    assert kinds(board.sweep(state)) == [Complete, EndFlag]
    assert the_task(board)["output"][0]["valueReference"] == {"reference": "Observation/intact-1"}
    quiet_after(board, state)


def test_a_site_concern_is_completed_by_a_later_look_and_not_by_a_change():
    seen = at("2026-03-10 11:00")
    redness = concern("redness", "Observation/site-1", seen)
    first = fact(FactKind.SITE_SEEN, "Observation/site-1", seen, "redness")
    fresh = item(State.NOT_DUE, overdue_from=None)
    board = opened(site(fresh, NOON, facts=(first,), concern=redness))
    assert the_task(board)["code"]["coding"][0]["code"] == "dressing-check"
    changed = fact(FactKind.DRESSING_CHANGED, "Procedure/change-2", at("2026-03-10 13:00"))
    state = site(
        item(State.NOT_DUE, overdue_from=None, anchor=anchor("Procedure/change-2", at("2026-03-10 13:00"))),
        AFTERNOON, facts=(first, changed), concern=redness,
    )
    assert kinds(board.sweep(state)) == [Revise]
    clear = fact(FactKind.SITE_SEEN, "Observation/site-2", AFTERNOON + 600, "bruising")
    done = replace(state, at=AFTERNOON + 900, concern=None)
    timeline = replace(done.site.timelines[0], facts=(first, changed, clear))
    done = replace(done, site=replace(done.site, timelines=(timeline,)))
    assert kinds(board.sweep(done)) == [Complete, EndFlag]
    assert the_task(board)["output"][0]["valueReference"] == {"reference": "Observation/site-2"}
    quiet_after(board, done)


def test_a_persons_own_start_of_work_after_the_change_is_left_alone():
    board = opened(overdue())
    own = {"start": "2026-03-10T14:00:00+01:00"}
    board.person("Task/1", AFTERNOON - 60, status="in-progress", executionPeriod=own)
    board.sweep(changed_at(AFTERNOON))
    assert (the_task(board)["status"], the_task(board)["executionPeriod"]) == ("completed", own)


# Cancelling -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("basis", "code"), [(EndBasis.REMOVAL, "line-out"), (EndBasis.EXCHANGE, "line-out"), (EndBasis.DEATH, "stay-over")]
)
def test_the_end_of_the_line_cancels_the_task_and_ends_the_flag(basis, code):
    board = opened(overdue())
    state = removed(AFTERNOON, at("2026-03-10 14:00"), basis)
    assert kinds(board.sweep(state)) == [Cancel, EndFlag]
    task = the_task(board)
    assert (task["status"], task["statusReason"]["coding"][0]["code"]) == ("cancelled", code)
    assert board.of("Flag")[0]["period"]["end"] == "2026-03-10T14:00:00+01:00"
    quiet_after(board, state)


def test_a_change_made_before_the_removal_still_completes_the_task():
    board = opened(overdue())
    gone = removed(AFTERNOON, at("2026-03-10 14:00"))
    made = fact(FactKind.DRESSING_CHANGED, "Procedure/change-2", at("2026-03-10 13:00"))
    timeline = replace(gone.site.timelines[0], facts=(made,))
    state = replace(gone, site=replace(gone.site, timelines=(timeline,)))
    assert kinds(board.sweep(state)) == [Complete, EndFlag]


def test_two_devices_under_the_dressing_end_nothing_before_both_are_out():
    second = line(key="Device/second", aliases=())
    out = replace(line(), end=exactly(AFTERNOON), end_basis=EndBasis.REMOVAL, end_source="Procedure/removal-1")
    board = opened(site(item(State.OVERDUE), NOON, lines=(line(), second)))
    quiet_after(board, site(item(State.OVERDUE), AFTERNOON, lines=(out, second)))
    # Even a state that is wrong about it closes nothing while one line has no charted end.
    changes = board.sweep(site(None, AFTERNOON, lines=(out, second), whereabouts=Whereabouts.ENDED))
    assert [one.reason for one in changes] == [LeaveReason.NOTHING_CHARTED] * 2


def stay(end):
    return Stay(
        id="stay-1", top="stay-1", status="finished", encounter_class="IMP", start=INSERTED, end=end, known=INSERTED
    )


@pytest.mark.parametrize("where", [Whereabouts.AWAY, Whereabouts.REMOVAL_NOT_CHARTED])
def test_the_end_of_the_stay_cancels_the_task(where):
    board = opened(overdue())
    left = (stay(at("2026-03-10 13:00")),)
    state = site(None, at("2026-03-10 17:30"), whereabouts=where)
    changes = board.sweep(state, stays=left)
    assert [one.reason for one in changes] == [EndReason.STAY_OVER, EndReason.STAY_OVER]
    assert board.of("Flag")[0]["period"]["end"] == "2026-03-10T13:00:00+01:00"
    quiet_after(board, state, stays=left)


def test_away_without_an_ended_stay_closes_nothing():
    board = opened(overdue())
    changes = board.sweep(site(None, AFTERNOON, whereabouts=Whereabouts.AWAY), stays=(stay(None),))
    assert {one.reason for one in changes} == {LeaveReason.NOTHING_CHARTED}


def test_a_line_charted_as_not_present_cancels_the_task():
    board = opened(overdue())
    said = fact(FactKind.LINE_NOT_PRESENT, "Observation/gone-1", AFTERNOON - 600)
    state = site(None, AFTERNOON, facts=(said,), whereabouts=Whereabouts.SAID_TO_BE_GONE)
    changes = board.sweep(state)
    assert {one.reason for one in changes if not isinstance(one, Create)} == {EndReason.LINE_SAID_GONE}
    assert [one.wanted.item for one in changes if isinstance(one, Create)] == ["chart-the-removal"]
    quiet_after(board, state)


@pytest.mark.parametrize(
    "told",
    [
        {"read": (fact(FactKind.RETRACTED, "Observation/loose-1", AFTERNOON),)},
        {"facts": (fact(FactKind.DRESSING_SEEN, "Observation/loose-1", at("2026-03-10 09:20"), "intact"),)},
    ],
    ids=["retracted", "corrected to intact"],
)
def test_a_withdrawn_finding_cancels_the_task_and_ends_the_flag(told):
    seen = at("2026-03-10 09:20")
    board = opened(compromised(NOON, seen))
    state = site(item(State.NOT_DUE, due=at("2026-03-20 10:00"), overdue_from=None), AFTERNOON, facts=told.get("facts", ()))
    read = told.get("read", ())
    changes = board.sweep(state, read=read)
    assert [one.reason for one in changes] == [EndReason.FINDING_WITHDRAWN, EndReason.FINDING_WITHDRAWN]
    assert the_task(board)["status"] == "cancelled"
    quiet_after(board, state, read=read)


def test_one_of_two_findings_withdrawn_leaves_the_task_on_the_other():
    first, second = at("2026-03-10 09:20"), at("2026-03-10 09:50")
    both = (finding("loose", "Observation/loose-1", first), finding("damp", "Observation/damp-1", second))
    board = opened(compromised(NOON, first, findings=both))
    state = compromised(AFTERNOON, second, source="Observation/damp-1", findings=both[1:])
    read = (fact(FactKind.RETRACTED, "Observation/loose-1", AFTERNOON),)
    assert kinds(board.sweep(state, read=read)) == [Revise, Revise]
    assert the_task(board)["reasonReference"] == {"reference": "Observation/damp-1"}
    quiet_after(board, state, read=read)


@pytest.mark.parametrize(
    ("state", "kind", "reason"),
    [
        (State.PAUSED, FactKind.PAUSED, EndReason.PAUSED),
        (State.NOT_REQUIRED, FactKind.SITE_HEALED, EndReason.NOT_REQUIRED),
    ],
)
def test_a_pause_or_no_need_cancels_the_task(state, kind, reason):
    board = opened(overdue())
    said = fact(kind, "Procedure/said-1", AFTERNOON - 600)
    now = site(item(state), AFTERNOON, facts=(said,))
    changes = board.sweep(now)
    assert [one.reason for one in changes] == [reason, reason]
    assert board.of("Flag")[0]["period"]["end"] == "2026-03-10T14:50:00+01:00"
    quiet_after(board, now)


def test_a_leave_of_absence_pauses_without_an_entry_of_its_own():
    board = opened(overdue())
    assert kinds(board.sweep(site(item(State.PAUSED), AFTERNOON))) == [Cancel, EndFlag]


def test_a_pause_leaves_a_site_concern():
    seen = at("2026-03-10 11:00")
    redness = concern("redness", "Observation/site-1", seen)
    look = (fact(FactKind.SITE_SEEN, "Observation/site-1", seen, "redness"),)
    board = opened(site(item(State.OVERDUE), NOON, concern=redness, facts=look))
    paused = site(item(State.PAUSED), AFTERNOON, concern=redness, facts=look)
    assert kinds(board.sweep(paused)) == [Revise, EndFlag]
    assert the_task(board)["code"]["coding"][0]["code"] == "dressing-check"
    # What is missing from the reading closes nothing, not even while upkeep is paused.
    silent = board.sweep(site(item(State.PAUSED), AFTERNOON))
    assert next(one for one in silent if isinstance(one, Leave)).reason is LeaveReason.NOTHING_CHARTED
    assert [one["code"]["coding"][0]["code"] for one in board.of("Flag", "active")] == ["site-concern"]


def test_a_stay_that_ends_at_this_very_moment_has_ended_and_one_that_ends_later_has_not():
    where = {"whereabouts": Whereabouts.REMOVAL_NOT_CHARTED}
    board = opened(overdue())
    later = board.sweep(site(None, AFTERNOON, **where), stays=(stay(AFTERNOON + 1),))
    assert {type(one) for one in later} == {Leave}
    now = board.sweep(site(None, AFTERNOON, **where), stays=(stay(AFTERNOON),))
    assert kinds(now) == [Cancel, EndFlag]


def test_a_change_in_the_minute_of_the_finding_ends_its_flag_with_that_minute():
    # Design section 2.3(7): a finding charted in the same minute is the state found before the change.
    seen = at("2026-03-10 11:50:30")
    board = opened(compromised(NOON, seen))
    board.sweep(changed_at(AFTERNOON, when=at("2026-03-10 11:50:10")))
    (flag,) = board.of("Flag")
    assert (flag["status"], flag["period"]["end"]) == ("inactive", "2026-03-10T11:50:30+01:00")


def test_a_change_a_minute_before_the_finding_does_not_end_its_flag():
    board = opened(compromised(NOON, at("2026-03-10 11:50:30")))
    board.sweep(changed_at(AFTERNOON, when=at("2026-03-10 11:49:59")))
    assert board.of("Flag")[0]["status"] == "active"


def test_a_change_before_arrival_charted_after_it_makes_the_dressing_known():
    arrived = at("2026-03-10 11:00")
    unknown = item(State.UNKNOWN, reason=Reason(code="unknown-since-arrival", values=(("since", arrived),)))
    board = opened(site(unknown, NOON))
    state = changed_at(AFTERNOON, when=at("2026-03-09 10:00"))
    assert kinds(board.sweep(state)) == [Complete, EndFlag]
    quiet_after(board, state)


# What counts as evidence ------------------------------------------------------------------------------------------------


def told(state):
    return [
        (one.kind, one.source) for one in evidence_of(state, stays=(), withdrawn=frozenset())
    ]


@pytest.mark.parametrize(
    ("kind", "findings", "expected"),
    [
        (FactKind.DRESSING_CHANGED, (), [EvidenceKind.CHANGED]),
        (FactKind.LABEL_DATE, (), [EvidenceKind.DATED]),
        (FactKind.CHANGE_REPORTED, (), [EvidenceKind.DATED]),
        (FactKind.DRESSING_SEEN, ("intact",), [EvidenceKind.INTACT, EvidenceKind.WITHDRAWN]),
        (FactKind.SITE_SEEN, ("none",), [EvidenceKind.SITE_SEEN, EvidenceKind.WITHDRAWN]),
        (FactKind.SITE_SEEN, ("bruising",), [EvidenceKind.SITE_SEEN]),
        (FactKind.DRESSING_SEEN, ("loose",), []),
        (FactKind.DRESSING_SEEN, ("intact", "loose"), []),
        (FactKind.DRESSING_REINFORCED, (), []),
        (FactKind.INSERTED, (), []),
        (FactKind.USED, (), []),
        (FactKind.NOT_DONE, (), []),
    ],
)
def test_only_what_can_close_is_evidence(kind, findings, expected):
    state = site(None, NOON, facts=(fact(kind, "Observation/x", NOON - 60, *findings),))
    assert told(state) == [(one, "Observation/x") for one in expected]


def test_a_part_that_was_changed_is_evidence_for_that_part_only():
    changed = with_fields(fact(FactKind.PART_CHANGED, "Procedure/needle", NOON - 60), value="port-needle-change")
    (only,) = evidence_of(site(None, NOON, facts=(changed,)), stays=(), withdrawn=frozenset())
    assert (only.kind, only.item) == (EvidenceKind.CHANGED, "port-needle-change")
    access = fact(FactKind.PORT_ACCESSED, "Procedure/access", NOON - 60)
    both = evidence_of(site(None, NOON, facts=(access,)), stays=(), withdrawn=frozenset())
    assert [one.item for one in both] == ["dressing-change", "port-needle-change"]


def test_an_entry_whose_finding_stands_closes_nothing():
    seen = fact(FactKind.SITE_SEEN, "Observation/site-1", NOON - 60, "redness")
    redness = concern("redness", "Observation/site-1", NOON - 60)
    assert told(site(None, NOON, facts=(seen,), concern=redness)) == []


def test_an_insertion_that_the_clock_counts_from_is_evidence_of_a_new_dressing():
    start = anchor("Procedure/insertion-1", INSERTED, basis=AnchorBasis.INSERTION)
    state = site(item(State.NOT_DUE, anchor=start), NOON)
    assert told(state) == [(EvidenceKind.CHANGED, "Procedure/insertion-1")]


# Leaving ----------------------------------------------------------------------------------------------------------------


def test_absence_alone_closes_nothing():
    board = opened(compromised(NOON, at("2026-03-10 09:20")))
    changes = board.sweep(site(None, AFTERNOON))
    assert [one.reason for one in changes] == [LeaveReason.NOTHING_CHARTED, LeaveReason.NOTHING_CHARTED]


def test_a_finding_that_vanished_without_a_trace_leaves_its_flag():
    board = opened(compromised(NOON, at("2026-03-10 09:20")))
    state = site(item(State.NOT_DUE, due=at("2026-03-20 10:00"), overdue_from=None), AFTERNOON)
    changes = board.sweep(state)
    assert [one for one in changes if isinstance(one, EndFlag | Complete | Cancel)] == []
    assert board.of("Flag")[0]["status"] == "active"


def test_a_concern_that_vanished_while_its_own_entry_is_still_there_leaves_task_and_flag():
    seen = fact(FactKind.SITE_SEEN, "Observation/site-1", NOON - 600, "redness")
    redness = concern("redness", "Observation/site-1", NOON - 600)
    board = opened(site(None, NOON, facts=(seen,), concern=redness))
    changes = board.sweep(site(None, AFTERNOON, facts=(seen,)))
    assert [one.reason for one in changes] == [LeaveReason.NOTHING_CHARTED, LeaveReason.NOTHING_CHARTED]


def test_an_anchor_that_vanished_leaves_the_overdue_flag():
    board = opened(overdue())
    changes = board.sweep(site(item(State.UNKNOWN), AFTERNOON))
    assert [type(one) for one in changes] == [Revise, Leave, Create]


def test_a_deferred_item_leaves_the_open_task_as_it_is():
    board = opened(overdue())
    (task, flag) = board.sweep(site(item(State.DEFERRED, overdue_from=None, anchor=None), AFTERNOON))
    assert (task.reason, flag.reason) == (LeaveReason.DEFERRED, LeaveReason.NOTHING_CHARTED)


def test_an_overdue_item_charted_as_not_done_is_not_offered_before_its_time():
    put_off = Reason(code="deferred", values=(("why", "off-unit"), ("until", at("2026-03-10 14:00"))))
    state = overdue(beside=(Reason(code="other"), put_off))
    board = Board()
    (held,) = [one for one in board.sweep(state) if isinstance(one, Held)]
    assert held.until == at("2026-03-10 14:00")
    board.sweep(replace(state, at=at("2026-03-10 14:00")))
    assert len(board.of("Task", *OPEN)) == 1


def test_a_compromised_dressing_is_offered_although_the_change_was_charted_as_not_done():
    put_off = Reason(code="deferred", values=(("why", "refused"), ("until", at("2026-03-10 19:00"))))
    board = opened(compromised(NOON, at("2026-03-10 11:50"), beside=(put_off,)))
    assert the_task(board)["priority"] == "asap"


def test_lines_that_were_not_looked_at_are_left():
    board = opened(overdue())
    existing = [read_existing(one, US) for one in board.resources.values()]
    changes = reconcile([], existing, at=AFTERNOON, name=US.name)
    assert [(type(one), one.reason) for one in changes] == [(Leave, LeaveReason.NOT_EVALUATED)] * 2


def test_a_task_on_another_patient_than_its_line_is_cancelled_and_the_line_gets_its_own():
    board = opened(overdue())
    board.resources["Task/1"] = {**board.resources["Task/1"], "for": {"reference": "Patient/other"}}
    changes = board.sweep(overdue(now=AFTERNOON))
    assert [type(one) for one in changes] == [Cancel, Create]
    assert changes[0].reason is EndReason.OTHER_PATIENT
    assert board.resources["Task/1"]["for"] == {"reference": "Patient/other"}


# A person's no ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("status", ["rejected", "cancelled", "failed"])
def test_what_a_person_ended_is_left_and_offered_again_after_24_hours(status):
    board = opened(overdue())
    board.person("Task/1", NOON + 600, status=status)
    before = board.resources["Task/1"]
    (leave,) = board.sweep(overdue(now=AFTERNOON))
    assert (leave.reason, leave.until) == (LeaveReason.DECLINED, NOON + 600 + 86400)
    assert board.sweep(overdue(now=NOON + 600 + 86399)) == (leave,)
    again = NOON + 600 + 86400
    (create,) = board.sweep(overdue(now=again))
    assert (create.declined.ref, create.declined.at) == ("Task/1", NOON + 600)
    assert board.resources["Task/1"] == before
    assert len(board.of("Task", *OPEN)) == 1
    quiet_after(board, overdue(now=again))


def test_a_declined_compromised_dressing_is_offered_again_at_the_next_shift_start():
    state = compromised(NOON, at("2026-03-10 11:50"))
    board = opened(state)
    board.person("Task/1", NOON + 600, status="rejected")
    (leave,) = board.sweep(replace(state, at=AFTERNOON))
    assert leave.until == at("2026-03-10 19:00")
    assert kinds(board.sweep(replace(state, at=at("2026-03-10 19:00")))) == [Create]


def test_a_declined_unknown_waits_for_the_end_of_the_shift_change_as_well():
    board = opened(site(item(State.UNKNOWN), NOON))
    board.person("Task/1", NOON + 600, status="rejected")
    (held,) = board.sweep(site(item(State.UNKNOWN), at("2026-03-10 19:00")))
    assert (type(held), held.until) == (Held, at("2026-03-10 19:30"))


def test_getting_worse_is_offered_at_once():
    board = opened(site(item(State.WINDOW_OPEN), MORNING))
    board.person("Task/1", MORNING + 600, status="rejected")
    assert board.sweep(site(item(State.WINDOW_OPEN), MORNING + 1200))[0].reason is LeaveReason.DECLINED
    assert kinds(board.sweep(overdue())) == [Create, Create]
    assert [one["status"] for one in board.of("Task")] == ["rejected", "requested"]


def test_a_finding_that_became_known_after_the_no_is_offered_at_once():
    state = compromised(NOON, at("2026-03-10 11:50"))
    board = opened(state)
    board.person("Task/1", NOON + 600, status="rejected")
    board.person("Flag/2", NOON + 600, status="inactive", period={"start": "2026-03-10T11:50:00+01:00", "end": "2026-03-10T12:10:00+01:00"})
    both = (*state.items[0].findings, finding("damp", "Observation/damp-1", NOON + 1200))
    worse = compromised(NOON + 1800, at("2026-03-10 11:50"), findings=both)
    assert kinds(board.sweep(worse)) == [Create, Create]
    quiet_after(board, worse)


def test_a_no_of_the_cycle_before_does_not_count():
    board = opened(overdue())
    board.person("Task/1", NOON + 600, status="rejected")
    board.sweep(changed_at(AFTERNOON))
    when = at("2026-03-10 13:00")
    soon = site(
        item(State.OVERDUE, anchor=anchor("Procedure/change-2", when), due=when + 3600, overdue_from=when + 3601),
        at("2026-03-10 15:30"),
        facts=(fact(FactKind.DRESSING_CHANGED, "Procedure/change-2", when),),
    )
    assert Create in kinds(board.sweep(soon))


def test_a_no_in_the_very_second_in_which_the_cycle_began_counts():
    board = opened(overdue())
    when = at("2026-03-10 13:00")
    board.person("Task/1", when, status="rejected")
    soon = item(State.OVERDUE, anchor=anchor("Procedure/change-2", when), due=when + 60, overdue_from=when + 61)
    changes = board.sweep(site(soon, AFTERNOON))
    assert changes[0].reason is LeaveReason.DECLINED


def test_a_flag_that_a_person_ended_comes_back_after_its_time_only():
    board = opened(overdue())
    ended = {"start": "2026-03-10T10:00:01+01:00", "end": "2026-03-10T12:10:00+01:00"}
    board.person("Flag/2", NOON + 600, status="inactive", period=ended)
    (leave,) = board.sweep(overdue(now=AFTERNOON))
    assert (leave.existing.ref, leave.until) == ("Flag/2", NOON + 600 + 86400)
    assert kinds(board.sweep(overdue(now=at("2026-03-11 12:10")))) == [Create]
    assert [one["status"] for one in board.of("Flag")] == ["inactive", "active"]


# Duplicates -------------------------------------------------------------------------------------------------------------


def twins(**second):
    board = opened(overdue())
    first = board.resources["Task/1"]
    board.resources["Task/9"] = {**first, "id": "9", "authoredOn": "2026-03-10T12:00:01+01:00", **second}
    return board


def test_of_two_untouched_duplicates_the_oldest_survives_and_its_identifier_is_unique_again():
    board = twins()
    assert kinds(board.sweep(overdue())) == [Void]
    first, second = board.of("Task")
    assert (first["status"], second["status"]) == ("requested", "entered-in-error")
    assert second["identifier"][0]["value"] == first["identifier"][0]["value"] + "-duplicate-9"
    quiet_after(board, overdue())


@pytest.mark.parametrize(
    "touch",
    [
        {"status": "accepted"},
        {"owner": {"reference": "Practitioner/made-up"}},
        {"note": [{"text": "a person's note"}]},
    ],
    ids=["accepted", "taken", "noted"],
)
def test_of_two_duplicates_the_one_that_a_person_touched_survives(touch):
    board = twins(**touch)
    assert ref_of(next(one for one in board.sweep(overdue()) if isinstance(one, Void))) == "Task/1"
    assert board.resources["Task/9"]["status"] in ("accepted", "requested")
    quiet_after(board, overdue())


def test_of_two_touched_duplicates_the_younger_is_cancelled_as_such():
    board = twins(status="accepted")
    board.person("Task/1", NOON, status="in-progress")
    (cancel,) = board.sweep(overdue())
    assert (ref_of(cancel), cancel.reason) == ("Task/9", EndReason.DUPLICATE)
    quiet_after(board, overdue())


def test_of_two_flags_for_one_condition_one_survives():
    board = opened(overdue())
    board.resources["Flag/9"] = {**board.resources["Flag/2"], "id": "9"}
    (void,) = board.sweep(overdue())
    assert isinstance(void, Void)
    assert sorted(one["status"] for one in board.of("Flag")) == ["active", "entered-in-error"]
    quiet_after(board, overdue())


# Several conditions -----------------------------------------------------------------------------------------------------


def test_every_condition_that_holds_has_its_flag_and_all_share_one_task():
    seen = at("2026-03-10 11:50")
    redness = concern("redness", "Observation/site-1", seen, priority=Priority.STAT)
    state = site(
        item(
            State.COMPROMISED,
            findings=(finding("loose", "Observation/loose-1", seen),),
            beside=(Reason(code="unknown-kind", values=(("anchor", CHANGED),)),),
        ),
        NOON,
        concern=redness,
    )
    board = opened(state)
    assert [one["code"]["coding"][0]["code"] for one in board.of("Flag")] == [
        "dressing-overdue", "dressing-compromised", "dressing-unknown", "site-concern",
    ]
    task = the_task(board)
    assert (task["priority"], task["code"]["coding"][0]["code"]) == ("stat", "dressing-check")
    assert board.of("Flag")[2]["period"]["start"] == "2026-03-03T10:00:00+01:00"
    assert at("2026-03-10 10:00") == DUE


def test_several_sites_come_in_order_of_their_lines():
    board = opened(overdue())
    other = Board()
    other.sweep(site(item(State.OVERDUE, site="Device/a"), NOON, lines=(line(key="Device/a"),)))
    existing = [read_existing(one, US) for one in (*board.resources.values(), *other.resources.values())]
    changes = reconcile([], existing, at=NOON, name=US.name)
    assert [one.existing.line for one in changes] == ["Device/a", "Device/a", LINE, LINE]
