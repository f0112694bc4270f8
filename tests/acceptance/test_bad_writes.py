"""Resources with a mistake on the write path: none is sent, each is counted and shown, and all other writes are made.

Source: design 2.6 (each write is for itself); every row of tests/support/spoiled_writes.py, in each of the three ways of writing.
How many were tried is printed with `pytest -s`.
"""

import sys
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from typing import Any

import pytest

from linedays.adapters.server_starter import load_bundle
from linedays.core.changes import Create, WantedFlag, WantedTask
from linedays.core.moment import UTC
from linedays.core.value_changes import Record
from linedays.fhir.checks import problems_of
from linedays.run.plan import Planned, SweepPlan
from linedays.run.provenance import tracer
from linedays.run.sending import Trace, Traced
from linedays.run.writing import SweepOutcome, apply_plan
from support.memory_fhir_server import Fault, MemoryFhirServer, fault_at
from support.small_ward import AT, IDENTITY, WARD, planned
from support.spoiled_writes import GOOD, Spoiled, spoiled
from support.swept_ward import WAYS, lines_asked, standing, ward
from support.written_resources import PROVENANCE

Resource = dict[str, Any]
# From what is written by hand: 4 lines ask for something, each with a Task and a Flag; each is a dressing site of its own.
SITES, WRITES = 4, 8
BAD_TRACE = {name: value for name, value in PROVENANCE.items() if name != "agent"}


class Hearing(MemoryFhirServer):
    """Keeps everything that it is asked to write."""

    def __init__(self, offers: Sequence[str]) -> None:
        super().__init__(now=AT - 60)
        self.heard: list[Resource] = []
        load_bundle(self, WARD)
        self.offers = offers

    def send(self, entry: Any) -> Any:
        self.heard.append(entry.resource)
        return super().send(entry)

    def send_bundle(self, kind: Any, entries: Any) -> Any:
        self.heard += [entry.resource for entry in entries]
        return super().send_bundle(kind, entries)

    def heard_of(self, *, provenance: bool) -> list[Resource]:
        return [one for one in self.heard if (one["resourceType"] == "Provenance") is provenance]


@cache
def plan() -> SweepPlan:
    return planned(ward())


@cache
def left_undisturbed() -> dict[str, Resource]:
    server = ward()
    apply_plan(plan(), server, IDENTITY)
    return standing(server)


def change_of(kind: str) -> Any:
    """Return the change by which a resource of a kind is created."""
    wanted = {"Task": WantedTask, "Flag": WantedFlag}.get(kind)
    if wanted is None:
        return Record(key="7c1f7a52-0000-5000-8000-000000000001")
    changes = [one.change for one in plan().writes if isinstance(one.change, Create)]
    return next(one for one in changes if isinstance(one.wanted, wanted))


def with_resource(kind: str, resource: Resource) -> SweepPlan:
    """Return the plan with one more write among the others, checked as all are."""
    more = Planned(change=change_of(kind), resource=resource, problems=problems_of(resource, IDENTITY))
    return replace(plan(), writes=(*plan().writes[:3], more, *plan().writes[3:]))


def true_trace(server: MemoryFhirServer) -> Trace:
    return tracer(plan(), server, IDENTITY, "made-up", UTC)


def tried(bad: Spoiled, way: str) -> tuple[Hearing, SweepOutcome, int]:
    """Write a plan with a bad resource in it, or one whose Provenance is bad; return how often it must be refused."""
    server = Hearing(WAYS[way])
    if bad.kind == "Provenance":
        outcome = apply_plan(plan(), server, IDENTITY, trace=lambda traced: bad.resource)
        return server, outcome, SITES if way == "single" else 1
    outcome = apply_plan(with_resource(bad.kind, bad.resource), server, IDENTITY, trace=true_trace(server))
    return server, outcome, 1


def mistakes(bad: Spoiled, way: str) -> list[str]:
    """Return what is not so, of all that must be so."""
    server, outcome, times = tried(bad, way)
    kind = bad.resource["resourceType"]
    what, result = (kind, "not sent") if bad.kind != "Provenance" else ("Provenance", "not written")
    refused = sum(count for said, count in outcome.counts.items() if said.startswith(what) and said.endswith(result))
    holds = {
        "it is not sent": bad.resource not in server.heard,
        "nothing but the others is sent": len(server.heard_of(provenance=False)) == WRITES,
        "the others are traced": bool(server.heard_of(provenance=True)) is (bad.kind != "Provenance"),
        "the others stand": standing(server) == left_undisturbed(),
        "it is counted": refused == times,
        "it is shown, with what is wrong": len(outcome.refused) == times
        and all(shown.startswith(what) and bad.said in why for shown, why in outcome.refused),
        "the others are counted": outcome.counts.total() == WRITES + times,
    }
    return [f"{bad.name}: {what}" for what, is_so in holds.items() if not is_so]


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("kind", GOOD)
def test_bad_resource_is_not_sent_and_keeps_no_other_back(kind: str, way: str) -> None:
    rows = [bad for bad in spoiled() if bad.kind == kind]
    assert len(rows) >= 20
    assert [mistake for bad in rows for mistake in mistakes(bad, way)] == []
    sys.stdout.write(f"\n{len(rows)} bad resources of type {kind}, {way}: none was sent, {WRITES} other writes made each time\n")


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("kind", GOOD)
def test_good_resource_is_sent_on_the_same_path(kind: str, way: str) -> None:
    server = Hearing(WAYS[way])
    if kind == "Provenance":
        outcome = apply_plan(plan(), server, IDENTITY, trace=lambda traced: PROVENANCE)
    else:
        outcome = apply_plan(with_resource(kind, GOOD[kind]), server, IDENTITY, trace=true_trace(server))
    assert GOOD[kind] in server.heard
    assert outcome.refused == []
    assert outcome.counts.total() == WRITES + (kind != "Provenance")


def test_trace_that_is_bad_only_inside_the_transaction_is_written_after_it() -> None:
    server = Hearing(WAYS["transaction"])

    def trace(traced: Sequence[Traced]) -> Resource:
        return BAD_TRACE if traced[0].reference.startswith("urn:") else true_trace(server)(traced) or {}

    outcome = apply_plan(plan(), server, IDENTITY, trace=trace)
    (stored,) = server.heard_of(provenance=True)
    assert len(stored["target"]) == WRITES
    assert outcome.refused == []


def test_bad_trace_of_writes_whose_answer_is_lost_is_told_once() -> None:
    server = Hearing(WAYS["transaction"])
    server.fault = fault_at(1, Fault.LOST)
    outcome = apply_plan(plan(), server, IDENTITY, trace=lambda traced: BAD_TRACE)
    assert outcome.refused == [("Provenance", "Provenance.agent: is required")]
    assert standing(server) == left_undisturbed()
    assert max(lines_asked(server).values()) == 1


def test_bad_trace_does_not_replace_one_that_names_too_much() -> None:
    server = Hearing(WAYS["transaction"])
    flags = [one for one in plan().writes if one.resource["resourceType"] == "Flag"]
    apply_plan(replace(plan(), writes=tuple(flags)), server, IDENTITY)

    def trace(traced: Sequence[Traced]) -> Resource:
        return true_trace(server)(traced) or {} if traced[0].reference.startswith("urn:") else BAD_TRACE

    outcome = apply_plan(plan(), server, IDENTITY, trace=trace)
    assert outcome.refused == [("Provenance", "Provenance.agent: is required")]
    (stored,) = server.heard_of(provenance=True)
    assert len(stored["target"]) == WRITES
    assert standing(server) == left_undisturbed()
