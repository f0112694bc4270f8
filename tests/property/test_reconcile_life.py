"""Any life of a dressing site keeps the promises of reconcile, whatever people and clocks do in between.

The promises are those of design sections 2.6 and 6 (calm, safe) and reliability.md (H05, H06, H07, H25); common practice
where they name hours, no source.
"""

from copy import deepcopy
from datetime import datetime
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from linedays.core.changes import Create, EndFlag, Revise, is_write
from linedays.core.compared import Phase
from linedays.core.model import FactKind
from linedays.core.moment import instant_of, local_date
from linedays.core.states import Priority, State
from linedays.fhir.outputs import read_existing
from linedays.fhir.outputs.task import read_task
from support.task_board import (
    BERLIN,
    CHANGED,
    OPEN,
    SHIFTS,
    US,
    Board,
    anchor,
    concern,
    fact,
    finding,
    item,
    removed,
    site,
)
from support.values import replace

FOREIGN = {
    "resourceType": "Task",
    "id": "foreign",
    "identifier": [{"system": "https://other.example", "value": "1"}],
    "status": "requested",
    "for": {"reference": "Patient/made-up-1"},
}
ENDED = ("completed", "cancelled", "rejected", "failed", "entered-in-error")
# FHIR R4 Task (state machine diagram, from memory): how far along a status is; we never go back.
ORDER = {"draft": 0, "requested": 1, "received": 2, "accepted": 3, "ready": 3, "in-progress": 4, "on-hold": 4}

STEPS = st.lists(
    st.tuples(
        st.integers(min_value=1, max_value=30 * 60),  # minutes until it happens
        st.sampled_from(
            [
                "nothing", "change", "late change", "loose", "withdraw", "redness", "clear look", "retract the change",
                "accept", "reject", "complete by hand", "cancel", "end a flag", "duplicate",
            ]
        ),
    ),
    min_size=1,
    max_size=14,
)


class Chart:
    """A made-up chart of one site, evaluated the plain way: 7 × 24 h from the last change, findings until the next."""

    def __init__(self):
        self.changes = {"Procedure/change-1": CHANGED}
        self.loose = {}
        self.site = {}
        self.withdrawn = []
        self.count = 1

    def name(self, kind):
        self.count += 1
        return f"{kind}/made-{self.count}"

    def facts(self):
        found = [fact(FactKind.DRESSING_CHANGED, source, when) for source, when in self.changes.items()]
        found += [fact(FactKind.DRESSING_SEEN, source, when, "loose") for source, when in self.loose.items()]
        found += [fact(FactKind.SITE_SEEN, source, when, what) for source, (when, what) in self.site.items()]
        return tuple(sorted(found, key=lambda one: one.happened.earliest))

    def state(self, now):
        last = max(self.changes.items(), key=lambda one: (one[1], one[0]), default=None)
        loose = tuple(
            finding("loose", source, when) for source, when in self.loose.items() if last is None or when > last[1]
        )
        looks = sorted(self.site.items(), key=lambda one: one[1])
        found = concern("redness", looks[-1][0], looks[-1][1][0]) if looks and looks[-1][1][1] == "redness" else None
        if last is None:
            one = item(State.UNKNOWN)
        else:
            due = last[1] + 7 * 86400
            timed = State.OVERDUE if now > due else State.WINDOW_OPEN if now > due - 43200 else State.NOT_DUE
            values = {"anchor": anchor(last[0], last[1]), "due": due, "window_from": due - 43200, "overdue_from": due + 1}
            one = item(timed, **values)
        if loose:
            one = replace(one, state=State.COMPROMISED, priority=Priority.ASAP, findings=loose)
        return site(one, now, facts=self.facts(), concern=found)

    def happen(self, event, now):
        match event:
            case "change":
                self.changes[self.name("Procedure")] = now
            case "late change":
                self.changes[self.name("Procedure")] = now - 8 * 3600
            case "loose":
                self.loose[self.name("Observation")] = now
            case "withdraw" if self.loose:
                self.withdrawn.append(self.loose.popitem()[0])
            case "redness" | "clear look":
                self.site[self.name("Observation")] = (now, "redness" if event == "redness" else "none")
            case "retract the change" if self.changes:
                self.withdrawn.append(self.changes.popitem()[0])

    def read(self, now):
        return tuple(fact(FactKind.RETRACTED, source, now) for source in self.withdrawn)


def act(board, event, now):
    statuses = {"accept": "accepted", "reject": "rejected", "complete by hand": "completed", "cancel": "cancelled"}
    for task in board.of("Task", *OPEN):
        if task["id"] != "foreign" and event in statuses:
            board.person(f"Task/{task['id']}", now, status=statuses[event])
        if task["id"] != "foreign" and event == "duplicate":
            board.made += 1
            twin = {**deepcopy(task), "id": str(board.made), "status": "requested"}
            board.resources[f"Task/{board.made}"] = twin
    for flag in board.of("Flag", "active"):
        if event == "end a flag":
            end = max(now, read_existing(flag, US).since)
            text = anchor_text(end)
            board.person(f"Flag/{flag['id']}", now, status="inactive", period={**flag["period"], "end": text})


def anchor_text(at):
    return datetime.fromtimestamp(at, BERLIN).isoformat()


def is_quiet(now):
    """Tell, from the hours written out, whether routine and urgent work must wait."""
    day = local_date(now, BERLIN)
    clock = [instant_of(day, one, BERLIN) for one in SHIFTS.starts]
    night = not instant_of(day, SHIFTS.quiet_until, BERLIN) <= now < instant_of(day, SHIFTS.quiet_from, BERLIN)
    return night or any(start - 1800 <= now < start + 1800 for start in clock)


def check(board, before, changes, state, told):
    ours = [one for one in board.of("Task") if one["id"] != "foreign"]
    assert board.resources["Task/foreign"] == FOREIGN
    assert len([one for one in ours if one["status"] in OPEN]) <= 1
    assert len({one["code"]["coding"][0]["code"] for one in board.of("Flag", "active")}) == len(board.of("Flag", "active"))
    keys = [one["identifier"][0]["value"] for one in board.resources.values()]
    assert len(keys) == len(set(keys))
    for ref, old in before.items():
        new = board.resources[ref]
        if old["status"] in (*ENDED, "inactive"):
            assert new == old, "what was ended is never touched"
        elif new["status"] in ORDER:
            assert ORDER[new["status"]] >= ORDER[old["status"]], "a status is never set back"
    for change in changes:
        task = isinstance(change, Create | Revise) and hasattr(change.wanted, "priority")
        if task and is_quiet(state.at) and change.wanted.priority in (Priority.ROUTINE, Priority.URGENT):
            assert not isinstance(change, Create)
            assert change.priority is change.existing.priority or change.priority is Priority.ASAP
        if isinstance(change, EndFlag):
            assert board.resources[change.existing.ref]["period"]["end"] >= board.resources[change.existing.ref]["period"]["start"]
    again = board.sweep(state, look_only=True, read=told)
    assert [one for one in again if is_write(one)] == [], "a second sweep writes nothing"


@settings(max_examples=150, deadline=None)
@given(STEPS)
def test_any_life_of_a_site_keeps_the_promises(steps):
    board, chart, now = Board(), Chart(), CHANGED + 6 * 86400
    board.resources["Task/foreign"] = FOREIGN
    for minutes, event in steps:
        now += minutes * 60
        chart.happen(event, now - 30)
        act(board, event, now - 30)
        before, state, told = deepcopy(board.resources), chart.state(now), chart.read(now)
        changes = board.sweep(state, read=told)
        check(board, before, changes, state, told)
    gone = removed(now + 3600, now + 1800)
    board.sweep(gone)
    assert [one for one in board.of("Task", *OPEN) if one["id"] != "foreign"] == []
    assert board.of("Flag", "active") == []


@settings(max_examples=60, deadline=None)
@given(STEPS, st.randoms(use_true_random=False))
def test_the_order_in_which_the_server_returns_things_changes_nothing(steps, random):
    board, chart, now = Board(), Chart(), CHANGED + 6 * 86400
    for minutes, event in steps:
        now += minutes * 60
        chart.happen(event, now - 30)
        act(board, event, now - 30)
        state, told = chart.state(now), chart.read(now)
        shuffled = list(board.resources.items())
        random.shuffle(shuffled)
        other = Board(resources=dict(shuffled), made=board.made)
        assert other.sweep(state, read=told, look_only=True) == board.sweep(state, read=told)


@settings(max_examples=20, deadline=None)
@given(st.integers(min_value=0, max_value=24 * 60 - 1))
def test_a_no_quiets_and_never_silences(minute):
    # Reliability H25: rejected at every offer for 96 h, a sweep every half hour. Never offered within 24 h of a no, and
    # never silent for more than 24 h + 8 h (quiet hours, the longest wait) + half an hour (the next sweep).
    board, begin = Board(), CHANGED + 7 * 86400 + minute * 60 + 1
    offers = []
    for now in range(begin, begin + 96 * 3600, 1800):
        if board.sweep(site(item(State.OVERDUE), now)) and board.of("Task", *OPEN):
            offers.append(now)
            (task,) = board.of("Task", *OPEN)
            board.person(f"Task/{task['id']}", now, status="rejected")
            assert read_task(board.resources[f"Task/{task['id']}"], US).phase is Phase.ENDED_BY_A_PERSON
    gaps = [later - first for first, later in pairwise(offers)]
    assert all(86400 <= gap <= 86400 + 8 * 3600 + 1800 for gap in gaps)
    assert len(offers) in (3, 4)  # 96 h / 32.5 h = 2.95, 96 h / 24 h = 4
