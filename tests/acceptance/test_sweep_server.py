"""Sweeps on a real FHIR server: what is wanted is written once, nothing is written twice, and nothing bad is sent.

Source: design 2.6 and section 6 ("a second sweep over the same facts writes nothing"). What each patient of the demo
hospital needs is what fixtures/demo-hospital/hospital.yaml says in words beside the patient.
"""

import json
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from linedays.adapters.entries import Entry
from linedays.adapters.fhir_http import new_client
from linedays.adapters.fhir_server import FhirServer
from linedays.adapters.server_starter import load_bundle, started_server
from linedays.core.moment import HOUR, MINUTE
from linedays.fhir.checks import problems_of
from linedays.fhir.identity import line_of
from linedays.run.demo_hospital import hospital_resources
from linedays.run.demo_story import told_at
from linedays.run.derive import Derivation
from linedays.run.plan import SweepPlan
from linedays.run.rereading import read_ours
from linedays.run.writing import SweepOutcome, apply_plan
from support.made_up_patient import BASE
from support.memory_fhir_server import MemoryFhirServer
from support.small_ward import (
    AT,
    IDENTITY,
    OVERDUE,
    PLACES,
    WARD,
    device,
    hospital,
    look,
    memory_server,
    person,
    planned,
    wired,
    wired_demo,
)

Resource = dict[str, Any]
# Which line of the demo hospital has which Task, from the story of each patient; 8 Tasks. The Flags go with overdue,
# compromised, unknown and site concern (design 2.6); "coming due" has none: 6 Flags.
DEMO_TASKS = {
    "foxglove": "compromised",
    "fenwater": "unknown",
    "candlewick": "site-concern",
    "stepstone": "overdue",
    "quillfeather": "overdue",
    "oatcake": "overdue",
    "rainbarrel": "due",
    "mudlark": "due",
}
# Our software is a Device, written once. Derived Observations are not written here: test_sweep_values looks at them.
SOFTWARE = {"Device record: created": 1}
SMALL_TASKS = {"over": "overdue", "loose": "compromised", "undated": "unknown", "red": "site-concern"}


@pytest.fixture
def server() -> Iterator[FhirServer]:
    with started_server() as base_url, new_client() as client:
        yield FhirServer(base_url, client=client)


def severities(server: Any) -> dict[str, str]:
    """Return, for each patient with an open Task, the state that it was written for; two Tasks are told apart."""
    found: dict[str, str] = {}
    for task in (one for one in read_ours(server, IDENTITY).values() if one["resourceType"] == "Task"):
        patient = task["for"]["reference"].removeprefix("Patient/")
        assert patient not in found, f"two Tasks for {patient}"
        codings = [one["code"] for one in task["reasonCode"]["coding"] if one["system"] == BASE + "upkeep-state"]
        found[patient] = codings[0]
    return found


def flag_patients(server: Any) -> list[str]:
    flags = [one for one in read_ours(server, IDENTITY).values() if one["resourceType"] == "Flag"]
    return sorted(flag["subject"]["reference"].removeprefix("Patient/") for flag in flags)


def states(derivation: Derivation) -> dict[str, list[tuple[str, str]]]:
    """Return the states of each dressing site by its key."""
    return {
        state.site.key: [(item.item, item.state) for item in (*state.items, *([state.concern] if state.concern else []))]
        for result in derivation.results
        for state in result.states
    }


def written_lines(plan: SweepPlan) -> set[str]:
    return {str(line_of(each.resource, IDENTITY)) for each in plan.writes}


@pytest.mark.server
def test_demo_hospital_is_written_once_and_then_only_what_changes_state(server: FhirServer) -> None:
    start = told_at(hospital().story)
    load_bundle(server, hospital_resources(hospital().document, start))
    first = planned(server, start, wired_demo())
    outcome = apply_plan(first, server, IDENTITY)
    assert outcome.counts == {"Task create: created": 8, "Flag create: created": 6, **SOFTWARE}
    assert outcome.refused == []
    assert severities(server) == DEMO_TASKS
    assert flag_patients(server) == sorted(name for name, state in DEMO_TASKS.items() if state != "due")
    stood = read_ours(server, IDENTITY)
    assert planned(server, start + 1, wired_demo()).writes == ()
    assert read_ours(server, IDENTITY) == stood

    for later in (59 * MINUTE, 3 * HOUR):
        plan = planned(server, start + later, wired_demo())
        before, now = states(first.derivation), states(plan.derivation)
        moved = {key for key in now if now[key] != before[key]}
        assert written_lines(plan) == moved
        # By 22:49 nothing; by 00:50 Rainbarrel and Mudlark, due at 22:50, are overdue, and Umbrellastand's first line, known
        # by a label dated the 11th without a kind, is unknown since midnight (2 local days of gauze).
        owners = {key.partition("/")[2].partition("-")[0] for key in moved}
        assert owners == (set() if later == 59 * MINUTE else {"rainbarrel", "mudlark", "umbrellastand"})
        apply_plan(plan, server, IDENTITY)
        assert set(severities(server)) == set(DEMO_TASKS)


@pytest.mark.server
def test_states_that_last_are_written_once_for_hours(server: FhirServer) -> None:
    load_bundle(server, WARD)
    outcome = apply_plan(planned(server, AT), server, IDENTITY)
    assert outcome.counts == {"Task create: created": 4, "Flag create: created": 4}
    assert severities(server) == SMALL_TASKS
    stood = read_ours(server, IDENTITY)
    for later in (1, 59 * MINUTE, 3 * HOUR, 8 * HOUR):
        plan = planned(server, AT + later)
        assert plan.writes == ()
        assert apply_plan(plan, server, IDENTITY) == SweepOutcome()
        assert read_ours(server, IDENTITY) == stood


@pytest.mark.server
def test_our_own_output_is_never_input(server: FhirServer) -> None:
    load_bundle(server, WARD)
    before = planned(server, AT).derivation
    apply_plan(planned(server, AT, wired(values=True)), server, IDENTITY)
    after = planned(server, AT).derivation
    assert (after.results, after.issues) == (before.results, before.issues)
    told = {row.name: row for row in before.tally}
    # Our Observations are read with the others, and passed over: 52 is counted in test_sweep_values.
    assert dict(told["Device"].ignored)["own-output"] == 1
    for row in after.tally:
        ours = {"Observation": 52}.get(row.name, 0)
        ignored = Counter(dict(told[row.name].ignored)) + Counter({"own-output": ours})
        assert (row.read, row.used, row.issues) == (told[row.name].read + ours, told[row.name].used, told[row.name].issues)
        assert Counter(dict(row.ignored)) == ignored


def test_state_is_written_before_and_after_its_boundary() -> None:
    # Changed on the 6th at 09:00, 7 d: due on the 13th at 09:00, overdue one second later (design 2.5, grace 0).
    due = AT - 25 * HOUR
    server = memory_server([*PLACES, *OVERDUE], due - HOUR)
    apply_plan(planned(server, due - 1), server, IDENTITY)
    assert severities(server) == {"over": "due"}
    apply_plan(planned(server, due + 1), server, IDENTITY)
    assert severities(server) == {"over": "overdue"}
    (task,) = [one for one in read_ours(server, IDENTITY).values() if one["resourceType"] == "Task"]
    assert task["meta"]["versionId"] == "2"
    assert task["description"].startswith("Dressing change overdue · basilic ")
    assert task["priority"] == "urgent"


BAD_ID = [*person("odd"), device("odd_picc", "odd")]  # R4 ids hold letters, digits, - and . only


def test_what_fails_the_check_is_not_sent_but_counted_and_the_rest_is_written() -> None:
    server = memory_server([*WARD, *BAD_ID])
    plan = planned(server)
    bad = [each for each in plan.writes if each.problems]
    assert [each.resource["resourceType"] for each in bad] == ["Task"]
    outcome = apply_plan(plan, server, IDENTITY)
    assert outcome.counts["Task create: not sent"] == 1
    assert outcome.counts["Task create: created"] == 4
    ((what, why),) = outcome.refused
    assert what == "Task create"
    assert "focus.reference: Type/id is expected" in why
    assert "odd" not in why
    assert set(severities(server)) == set(SMALL_TASKS)


@pytest.mark.parametrize(
    ("element", "value", "told"),
    [
        ("priority", "soon", "Task.priority: is not one of the codes allowed here"),
        ("status", None, "Task.status: is required"),
        ("for", {"reference": "Practitioner/1"}, "a reference to"),
        ("description", "", "Task.description: is empty; leave it out instead"),
        ("authoredOn", "2031-02-30T10:00:00Z", "a dateTime is expected"),
        ("identifier", [{"system": "https://other.example", "value": "1"}], "one of our identifier system is expected"),
    ],
)
def test_each_kind_of_bad_task_is_stopped_before_the_server(element: str, value: Any, told: str) -> None:
    server = memory_server(WARD)
    plan = planned(server)
    at = next(n for n, each in enumerate(plan.writes) if each.resource["resourceType"] == "Task")
    resource = {**plan.writes[at].resource, element: value}
    resource = {name: one for name, one in resource.items() if one is not None}
    spoilt = replace(plan.writes[at], resource=resource, problems=problems_of(resource, IDENTITY))
    writes = (*plan.writes[:at], spoilt, *plan.writes[at + 1 :])
    outcome = apply_plan(replace(plan, writes=writes), server, IDENTITY)
    assert len(server.writes) == 7  # 4 Tasks and 4 Flags but for the spoilt one
    ((_, why),) = outcome.refused
    assert told in why


class Refusing(MemoryFhirServer):
    """A server that takes everything but Flags, and says of each Task that somebody was faster."""

    def _look(self, entry: Entry) -> Any:
        return (422, None) if entry.resource_type == "Flag" else (412, None)


@pytest.mark.parametrize("offers", [("transaction", "batch"), ("batch",), ()], ids=["transaction", "batch", "single"])
def test_refused_and_contested_writes_are_told_and_stop_no_other(offers: tuple[str, ...]) -> None:
    server = Refusing(now=AT - 60)
    server.offers = offers
    load_bundle(server, WARD)
    told: list[int] = []
    outcome = apply_plan(planned(server), server, IDENTITY, told=told.append)
    left = "left for the next sweep"
    assert outcome.counts[f"Task create: {left}"] == 4
    assert len(server.history) == len(WARD)
    if offers:
        return
    assert outcome.counts == {"Task create: several match": 12, f"Task create: {left}": 4, f"Flag create: {left}": 4}
    assert outcome.most_tries == 3
    assert told == list(range(1, 21))


@pytest.mark.parametrize("offers", [("transaction", "batch"), ("batch",), ()], ids=["transaction", "batch", "single"])
def test_what_the_server_refuses_is_told_and_stops_no_other(offers: tuple[str, ...]) -> None:
    class NoFlags(MemoryFhirServer):
        def _look(self, entry: Entry) -> Any:
            return (422, None) if entry.resource_type == "Flag" else super()._look(entry)

    server = NoFlags(now=AT - 60)
    server.offers = offers
    load_bundle(server, WARD)
    server.writes.clear()
    told: list[int] = []
    outcome = apply_plan(planned(server), server, IDENTITY, told=told.append)
    assert outcome.counts == {"Flag create: rejected": 4, "Task create: created": 4}
    assert outcome.refused == [("Flag create", "create of Flag: status 422, refused")] * 4
    assert [kind for kind, _ in server.writes] == ["Task"] * 4
    assert told == list(range(1, 9))


def test_somebody_elses_tasks_are_neither_read_nor_changed() -> None:
    other = {"resourceType": "Task", "id": "theirs", "status": "requested", "intent": "order",
             "identifier": [{"system": "https://other.example/tasks", "value": "1"}],
             "for": {"reference": "Patient/over"}}  # fmt: skip
    server = memory_server([*WARD, other])
    plan = planned(server)
    assert all(each.creates for each in plan.writes)
    apply_plan(plan, server, IDENTITY)
    kept = json.loads(server.read("Task", "theirs") or b"")
    assert kept["meta"]["versionId"] == "1"


def test_held_in_quiet_hours_is_in_the_plan_and_not_among_the_writes() -> None:
    night = AT + 13 * HOUR  # 23:00, quiet from 22:00 to 06:00 (common practice, no source)
    plan = planned(memory_server(WARD, night), night)
    kinds = [each.resource["resourceType"] for each in plan.writes]
    assert kinds.count("Task") == 1  # the compromised one: asap, at any hour (design 2.7.1)
    assert [each.until for each in plan.held] == [AT + 20 * HOUR] * 3  # 06:00


def test_new_finding_gives_a_worse_task_under_the_same_identifier() -> None:
    server = memory_server(WARD)
    apply_plan(planned(server), server, IDENTITY)
    before = {one["identifier"][0]["value"] for one in read_ours(server, IDENTITY).values() if one["resourceType"] == "Task"}
    load_bundle(server, [look("damp", "14 10:20", "over", "over-picc")])
    apply_plan(planned(server, AT + 1800), server, IDENTITY)
    tasks = [one for one in read_ours(server, IDENTITY).values() if one["resourceType"] == "Task"]
    assert {one["identifier"][0]["value"] for one in tasks} == before
    assert severities(server)["over"] == "compromised"
