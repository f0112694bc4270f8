"""Requests that fail while a sweep writes: nothing is written twice, nothing is lost, and all that was written is traced.

Source: design 2.6; hazards H05 (duplicates) and H06 (a Task that stays open); scorecard T2 and T3. In memory, for every
single request that writes, in each of the three ways of writing.
"""

import hashlib
import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from typing import Any

import pytest

from linedays.adapters.entries import Entry
from linedays.adapters.fhir_errors import FhirRejected, FhirUnavailable, WriteOutcome, Written
from linedays.adapters.fhir_http import new_client
from linedays.adapters.server_starter import load_bundle, started_server
from linedays.core.changes import Create
from linedays.fhir.checks import problems_of
from linedays.fhir.searches import everything_of
from linedays.run.rereading import read_ours
from linedays.run.sending import Traced
from linedays.run.writing import MOST_LOST, apply_plan
from support.memory_fhir_server import Fault, MemoryFhirServer, fault_at, seeded_faults
from support.offering import Offering
from support.small_ward import AT, IDENTITY, WARD, device, memory_server, person, planned
from support.swept_ward import WAYS, changed_ward, standing, sweep, ward

Resource = dict[str, Any]
LATER = 60
SITUATIONS = {"first": (ward, AT, 8), "later": (changed_ward, AT + 1800, 6)}


@pytest.fixture(autouse=True)
def _several_requests(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a Bundle hold one dressing site (two writes each), so that there are several requests."""
    monkeypatch.setattr("linedays.run.sending.BATCH_SIZE", 3)


def told_of(traced: Sequence[Traced]) -> Resource:
    """Return a made-up Provenance under an id made from what it names."""
    targets = sorted(one.reference for one in traced)
    return {
        "resourceType": "Provenance",
        "id": hashlib.sha256("|".join(targets).encode()).hexdigest()[:32],
        "target": [{"reference": one} for one in targets],
        "recorded": "2031-05-14T10:00:00Z",
        "agent": [{"who": {"display": "made up"}}],
    }


def traced(server: MemoryFhirServer) -> Counter[str]:
    """Return how often each resource is named by a Provenance that stands."""
    (page,) = server.read_pages(everything_of("Provenance"))
    entries = json.loads(page)["entry"]
    return Counter(target["reference"] for entry in entries for target in entry["resource"]["target"])


def written(server: MemoryFhirServer) -> Counter[str]:
    """Return how often each Task and Flag was written by us."""
    return Counter(
        f"{one['resourceType']}/{one['id']}"
        for by, one in server.history
        if by == "us" and one["resourceType"] != "Provenance"
    )


def patients_asked(server: MemoryFhirServer) -> list[str]:
    """Return the patients with an open Task, once for each."""
    ours = read_ours(server, IDENTITY).values()
    tasks = [one for one in ours if one["resourceType"] == "Task" and one["status"] == "requested"]
    return sorted(one["for"]["reference"].removeprefix("Patient/") for one in tasks)


def applied(server: MemoryFhirServer, at: int) -> Any:
    return apply_plan(planned(server, at), server, IDENTITY, trace=told_of)


@cache
def left_undisturbed(name: str, way: str) -> dict[str, Resource]:
    """Return what stands after a sweep that nothing disturbed."""
    make, at, _ = SITUATIONS[name]
    server = make(WAYS[way])
    applied(server, at)
    return standing(server)


def requests_of(name: str, way: str) -> int:
    """Return how many requests write, from what is written by hand: one per site and one per trace, or one per write."""
    sites, writes = {"first": (4, 8), "later": (3, 6)}[name]
    return {"transaction": sites, "batch": 2 * sites, "single": writes + sites}[way]


FAULTS = [
    pytest.param(name, way, n, fault, id=f"{name}, {way}, request {n} {fault.name.lower()}")
    for name in SITUATIONS
    for way in WAYS
    for fault in (Fault.LOST, Fault.BUSY, Fault.CUT, Fault.MUTE)
    for n in range(1, requests_of(name, way) + 1)
]


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("name", SITUATIONS)
def test_number_of_requests_is_as_written_above_and_every_write_is_traced_once(name: str, way: str) -> None:
    make, at, writes = SITUATIONS[name]
    server = make(WAYS[way])
    outcome = applied(server, at)
    assert server.write_requests == requests_of(name, way)
    assert sum(outcome.counts.values()) == sum(written(server).values()) == writes
    assert traced(server) == written(server)
    assert (outcome.refused, outcome.most_tries) == ([], 1)


@pytest.mark.parametrize(("name", "way", "n", "fault"), FAULTS)
def test_request_that_fails_leaves_what_an_undisturbed_sweep_leaves(name: str, way: str, n: int, fault: Fault) -> None:
    make, at, writes = SITUATIONS[name]
    server = make(WAYS[way])
    server.fault = fault_at(n, fault)
    outcome = applied(server, at)
    assert server.waited == 1
    assert standing(server) == left_undisturbed(name, way)
    assert max(written(server).values()) == 1, "a write was made twice"
    assert traced(server) == written(server)
    assert sum(count for what, count in outcome.counts.items() if "no answer" not in what) == writes
    assert outcome.refused == []
    assert sweep(server, at + LATER) == 0


@pytest.mark.parametrize("way", WAYS)
def test_every_first_answer_lost_makes_no_duplicate(way: str) -> None:
    server, undisturbed = ward(WAYS[way]), ward(WAYS[way])
    applied(undisturbed, AT)
    server.fault = lambda number: Fault.LOST if number % 2 else None
    applied(server, AT)
    assert standing(server) == standing(undisturbed)
    assert max(written(server).values()) == 1
    assert traced(server) == written(server)


@pytest.mark.parametrize("way", WAYS)
def test_server_that_takes_no_write_is_given_up_after_a_few_requests(way: str) -> None:
    server = ward(WAYS[way])
    server.fault = lambda number: Fault.BUSY
    with pytest.raises(FhirUnavailable):
        applied(server, AT)
    assert (server.write_requests, server.writes) == (2 * MOST_LOST, [])  # of two lines, one after the other


class Stumbling(MemoryFhirServer):
    """A server that breaks off whenever one line is written about."""

    def _applied(self, entry: Entry) -> WriteOutcome:
        self._stumble([entry])
        return super()._applied(entry)

    def _all_or_none(self, entries: Sequence[Entry]) -> tuple[WriteOutcome, ...]:
        self._stumble(entries)
        return super()._all_or_none(entries)

    def _stumble(self, entries: Sequence[Entry]) -> None:
        if any("Patient/loose" in json.dumps(entry.resource) for entry in entries):
            raise FhirUnavailable("status 500")


@pytest.mark.parametrize("size", [3, 50])
@pytest.mark.parametrize("way", WAYS)
def test_line_over_which_the_server_stumbles_keeps_no_other_back(
    way: str, size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("linedays.run.sending.BATCH_SIZE", size)
    server = Stumbling(now=AT - 60)
    load_bundle(server, WARD)
    server.offers = WAYS[way]
    outcome = applied(server, AT)
    assert patients_asked(server) == ["over", "red", "undated"]
    assert outcome.refused == [
        ("Task create", "status 500, 4 times; left for the next sweep"),
        ("Flag create", "status 500, 4 times; left for the next sweep"),
    ]
    assert max(written(server).values()) == 1
    assert traced(server) == written(server)


@pytest.mark.parametrize("way", WAYS)
def test_server_that_asks_for_much_time_is_not_asked_again(way: str) -> None:
    class Patient(MemoryFhirServer):
        def wait(self, problem: FhirUnavailable, attempt: int) -> bool:
            return False

    server = Patient(now=AT - 60)
    load_bundle(server, WARD)
    server.offers, server.fault = WAYS[way], fault_at(1, Fault.LOST)
    with pytest.raises(FhirUnavailable):
        applied(server, AT)
    assert server.write_requests == 1


@pytest.mark.parametrize("way", WAYS)
def test_one_request_in_five_fails_and_the_end_is_as_without(way: str) -> None:
    counts: Counter[str] = Counter()
    for seed in range(40):
        name = ("first", "later")[seed % 2]
        make, at, _ = SITUATIONS[name]
        server = make(WAYS[way])
        server.fault = seeded_faults(seed, 0.2, *Fault)
        for again in range(3):
            try:
                applied(server, at)
            except FhirUnavailable:
                counts["sweeps that ended early"] += 1
            counts["sweeps"] += 1
            if not planned(server, at).writes:
                break
            assert again < 2, f"seed {seed} does not end"
        assert standing(server) == left_undisturbed(name, way), f"seed {seed}"
        assert max(written(server).values()) == 1, f"seed {seed}"
        counts["requests that write"] += server.write_requests
        counts["without faults"] += requests_of(name, way)
    print(way, dict(counts))
    assert counts["sweeps"] <= 44


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("storm", [1, 2])
def test_version_that_is_old_again_and_again_is_decided_again(way: str, storm: int) -> None:
    server, undisturbed = changed_ward(WAYS[way]), changed_ward(WAYS[way])
    applied(undisturbed, AT + 1800)
    server.fault = lambda number: Fault.CONTESTED if number <= storm else None
    outcome = applied(server, AT + 1800)
    assert standing(server) == standing(undisturbed)
    assert outcome.most_tries == storm + 1
    assert outcome.refused == []


@pytest.mark.parametrize("way", WAYS)
def test_line_that_is_contested_three_times_is_left_for_the_next_sweep(way: str) -> None:
    server = changed_ward(WAYS[way])
    server.fault = lambda number: Fault.CONTESTED
    outcome = applied(server, AT + 1800)
    assert (server.writes, outcome.most_tries) == ([], 3)
    left = {what: count for what, count in outcome.counts.items() if what.endswith("left for the next sweep")}
    assert sum(left.values()) == len(outcome.refused) == 6
    assert all("left for the next sweep" in why for _, why in outcome.refused)
    server.fault = lambda number: None
    assert sweep(server, AT + 1800) == 6


LIES = [("transaction", 405), ("transaction", 501), ("transaction", 400), ("transaction", 404), ("batch", 501), ("batch", 422)]


@pytest.mark.parametrize(("kind", "status"), LIES)
@pytest.mark.parametrize("name", SITUATIONS)
def test_server_that_refuses_what_it_offers_is_written_to_in_a_smaller_way(name: str, kind: str, status: int) -> None:
    make, at, _ = SITUATIONS[name]
    server, undisturbed = make(WAYS[kind]), make(())
    applied(undisturbed, at)
    server.takes = {kind: status}
    applied(server, at)
    assert standing(server) == standing(undisturbed)
    assert traced(server) == written(server)
    assert server.requests.count(kind) == 1, "a way that is not taken is tried once"


@pytest.mark.parametrize("status", [405, 400])
def test_server_that_refuses_every_bundle_is_written_to_one_by_one(status: int) -> None:
    server, undisturbed = ward(WAYS["transaction"]), ward(())
    applied(undisturbed, AT)
    server.takes = {"transaction": status, "batch": status}
    applied(server, AT)
    assert standing(server) == standing(undisturbed)
    assert (server.requests.count("transaction"), server.requests.count("batch")) == (1, 1)


def test_one_contested_line_in_a_transaction_holds_no_other_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("linedays.run.sending.BATCH_SIZE", 50)
    server = changed_ward(WAYS["transaction"])
    plan = planned(server, AT + 1800)
    (task,) = [one.resource for one in plan.writes if one.resource.get("for") == {"reference": "Patient/over"}]
    server.person_edits(f"Task/{task['id']}", lambda found: {**found, "note": [{"text": "seen by a made-up nurse"}]})
    outcome = apply_plan(plan, server, IDENTITY, trace=told_of)
    # All, each line of three, and the contested one once more.
    assert server.requests.count("transaction") == 5
    assert outcome.most_tries == 2
    stored = json.loads(server.read("Task", task["id"]) or b"")
    assert (stored["status"], stored["note"][-1]["text"]) == ("completed", "seen by a made-up nurse")
    assert traced(server) == written(server)
    assert sweep(server, AT + 1900) == 0


@pytest.mark.parametrize("status", [404, 410, 412])
@pytest.mark.parametrize("way", WAYS)
def test_task_that_others_deleted_is_decided_without(way: str, status: int) -> None:
    server = changed_ward(WAYS[way])
    server.absent_status = status
    plan = planned(server, AT + 1800)
    (task,) = [one.resource for one in plan.writes if one.resource.get("for") == {"reference": "Patient/over"}]
    server.delete(f"Task/{task['id']}")
    outcome = apply_plan(plan, server, IDENTITY)
    assert outcome.refused == []
    assert server.read("Task", task["id"]) is None
    assert sweep(server, AT + 1900) == 0


@pytest.mark.parametrize("way", WAYS)
def test_server_that_finds_no_tasks_by_line_is_read_as_at_the_start(way: str) -> None:
    server, undisturbed = changed_ward(WAYS[way]), changed_ward(WAYS[way])
    applied(undisturbed, AT + 1800)
    server.unsearchable = frozenset({"group-identifier"})
    server.fault = fault_at(1, Fault.CONTESTED)
    applied(server, AT + 1800)
    assert standing(server) == standing(undisturbed)


@pytest.mark.parametrize("way", WAYS)
def test_update_without_a_version_is_not_sent(way: str) -> None:
    server = changed_ward(WAYS[way])
    plan = planned(server, AT + 1800)
    bare = tuple(
        each if isinstance(each.change, Create) else replace(each, resource={**each.resource, "meta": {}})
        for each in plan.writes
    )
    outcome = apply_plan(replace(plan, writes=bare), server, IDENTITY)
    assert {result for what, result in ((what.split()[0], what) for what in outcome.counts)} >= {"Task create: created"}
    assert len(server.writes) == 2
    assert len(outcome.refused) == 4
    assert all("could be overwritten" in why for _, why in outcome.refused)


def task_of(server: MemoryFhirServer, patient: str) -> Resource:
    """Return the one Task of ours on a patient."""
    (task,) = [
        one
        for one in read_ours(server, IDENTITY).values()
        if one["resourceType"] == "Task" and one["for"]["reference"] == f"Patient/{patient}"
    ]
    return task


@pytest.mark.parametrize("way", WAYS)
def test_what_exists_already_and_says_something_else_is_brought_up_to_date(way: str) -> None:
    server, undisturbed = ward(WAYS[way]), ward(WAYS[way])
    applied(undisturbed, AT)
    plan = planned(server)
    # Another writer, of an older policy, was faster with one of the Tasks.
    (mine,) = [one.resource for one in plan.writes if one.resource.get("for") == {"reference": "Patient/over"}]
    load_bundle(server, [{**mine, "id": "theirs", "description": "as an older policy says it"}])
    outcome = apply_plan(plan, server, IDENTITY, trace=told_of)
    assert (outcome.counts["Task create: existed"], outcome.counts["Task revise: updated"]) == (1, 1)
    assert task_of(server, "over")["description"] == task_of(undisturbed, "over")["description"]
    assert standing(server) == standing(undisturbed)
    assert traced(server) == written(server)


@pytest.mark.parametrize("way", WAYS)
def test_task_under_another_name_of_its_line_is_found_when_decided_again(way: str) -> None:
    server = ward(WAYS[way])
    sweep(server, AT)
    ref = f"Task/{task_of(server, 'over')['id']}"
    # As where the record by which the line was known first has been edited since (DEVELOPERS, "line key").
    group = task_of(server, "over")["groupIdentifier"]
    (names,) = [site.lines for site in planned(server).decider.sites if group["value"] in site.lines]
    (other,) = set(names) - {group["value"]}
    server.person_edits(ref, lambda task: {**task, "groupIdentifier": {**group, "value": other}})
    plan = planned(server, AT + LATER)
    assert [type(one.change).__name__ for one in plan.writes] == ["Revise"]
    server.person_edits(ref, lambda task: {**task, "note": [{"text": "made-up words"}]})
    outcome = apply_plan(plan, server, IDENTITY)
    assert outcome.counts == {"Task revise: conflict": 1, "Task revise: updated": 1}
    assert task_of(server, "over")["note"][0]["text"] == "made-up words"
    assert sweep(server, AT + LATER) == 0


@pytest.mark.parametrize("way", WAYS)
def test_search_that_lags_behind_does_not_keep_a_contested_line_waiting(way: str) -> None:
    server = changed_ward(WAYS[way])
    plan = planned(server, AT + 1800)
    task = task_of(server, "over")
    server.let_searches_lag()
    server.person_edits(f"Task/{task['id']}", lambda found: {**found, "note": [{"text": "made-up words"}]})
    outcome = apply_plan(plan, server, IDENTITY)
    assert outcome.refused == []
    assert outcome.most_tries == 2
    stored = json.loads(server.read("Task", task["id"]) or b"")
    assert (stored["status"], stored["note"][-1]["text"]) == ("completed", "made-up words")


def test_entry_of_a_batch_that_is_never_answered_is_left_for_the_next_sweep() -> None:
    class Mute(MemoryFhirServer):
        def _applied(self, entry: Entry) -> WriteOutcome:
            if entry.resource_type == "Flag":
                return WriteOutcome(result=Written.NO_ANSWER, said="create of Flag: status 500, refused")
            return super()._applied(entry)

    server = Mute(now=AT - 60)
    load_bundle(server, WARD)
    server.offers = WAYS["batch"]
    outcome = applied(server, AT)
    assert outcome.counts["Task create: created"] == 4
    assert outcome.counts["Flag create: left for the next sweep"] == len(outcome.refused) == 4
    assert server.waited == 3 * 4


@pytest.mark.parametrize("way", WAYS)
def test_line_that_may_not_be_read_again_is_left_and_the_others_are_written(way: str) -> None:
    class Hidden(MemoryFhirServer):
        def read(self, resource_type: str, resource_id: str) -> bytes | None:
            raise FhirRejected("read of Task: status 403, not allowed", status=403)

    server = Hidden(now=AT - 60)
    load_bundle(server, WARD)
    server.offers = WAYS[way]
    plan = planned(server)
    (mine,) = [one.resource for one in plan.writes if one.resource.get("for") == {"reference": "Patient/over"}]
    load_bundle(server, [{**mine, "id": "theirs"}])
    outcome = apply_plan(plan, server, IDENTITY)
    assert outcome.counts["Task create: created"] == 3
    assert sum(count for what, count in outcome.counts.items() if what.startswith("Flag")) == 4
    assert {why for _, why in outcome.refused} == {
        "read of Task: status 403, not allowed; left for the next sweep"
    }


def test_server_that_does_not_say_what_it_takes_is_written_to_one_by_one() -> None:
    class Silent(MemoryFhirServer):
        def read_metadata(self) -> bytes:
            raise FhirRejected("capabilities: status 403, not allowed", status=403)

    server = Silent(now=AT - 60)
    load_bundle(server, WARD)
    assert sum(applied(server, AT).counts.values()) == 8
    assert set(server.requests) == {"search", "send"}


class LeaseLost(Exception):
    """This process may not write any more."""


FENCED = [
    pytest.param(name, way, n, id=f"{name}, {way}, request {n}")
    for name in SITUATIONS
    for way in WAYS
    for n in range(1, requests_of(name, way) + 1)
]


@pytest.mark.parametrize(("name", "way", "n"), FENCED)
def test_nothing_is_written_once_the_fence_raises(name: str, way: str, n: int) -> None:
    make, at, _ = SITUATIONS[name]
    server = make(WAYS[way])
    asked: list[int] = []

    def fence() -> None:
        asked.append(server.write_requests)
        if len(asked) >= n:
            raise LeaseLost

    with pytest.raises(LeaseLost):
        apply_plan(planned(server, at), server, IDENTITY, trace=told_of, fence=fence)
    assert asked == list(range(n)), "the fence is asked before each request that writes, and not after it raised"
    assert server.write_requests == n - 1
    server.tick(LATER)
    sweep(server, at + LATER)
    assert standing(server) == left_undisturbed(name, way)
    assert sweep(server, at + LATER) == 0


@pytest.mark.parametrize("fault", [Fault.LOST, Fault.BUSY, Fault.CONTESTED])
@pytest.mark.parametrize("way", WAYS)
def test_fence_is_asked_before_what_is_sent_again(way: str, fault: Fault) -> None:
    server = changed_ward(WAYS[way])
    server.fault = lambda number: fault if number % 2 else None
    asked: list[int] = []
    apply_plan(
        planned(server, AT + 1800), server, IDENTITY, trace=told_of, fence=lambda: asked.append(server.write_requests)
    )
    assert asked == list(range(server.write_requests))


@pytest.mark.parametrize("size", [3, 50])
@pytest.mark.parametrize("way", WAYS)
def test_what_our_check_refuses_is_sent_in_no_way(way: str, size: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("linedays.run.sending.BATCH_SIZE", size)
    server = memory_server([*WARD, *person("odd"), device("odd_picc", "odd")])  # R4 ids hold no underscore
    server.offers = WAYS[way]
    plan = planned(server)
    (bad,) = [each for each in plan.writes if each.problems]
    assert problems_of(bad.resource, IDENTITY)
    outcome = apply_plan(plan, server, IDENTITY)
    assert outcome.counts == {"Task create: not sent": 1, "Task create: created": 4, "Flag create: created": 5}
    ((what, why),) = outcome.refused
    assert (what, "focus.reference" in why) == ("Task create", True)
    assert patients_asked(server) == ["loose", "over", "red", "undated"]
    assert len(server.writes) == 9


@pytest.mark.parametrize("way", WAYS)
def test_refused_by_our_check_is_told_once_though_its_line_is_decided_again(way: str) -> None:
    server = memory_server([*WARD, *person("odd"), device("odd_picc", "odd")])
    server.offers, server.fault = WAYS[way], lambda number: Fault.CONTESTED if number <= 2 else None
    outcome = apply_plan(planned(server), server, IDENTITY)
    assert outcome.counts["Task create: not sent"] == len(outcome.refused) == 1


@pytest.mark.parametrize("offers", WAYS)
def test_second_sweep_asks_and_writes_nothing(offers: str) -> None:
    server = ward(WAYS[offers])
    assert sweep(server, AT) == 8
    asked = len(server.requests), server.write_requests
    plan = planned(server, AT + LATER)
    assert plan.writes == ()
    reading = len(server.requests) - asked[0]
    apply_plan(plan, server, IDENTITY, trace=told_of)
    assert (len(server.requests) - asked[0], server.write_requests) == (reading, asked[1])


@pytest.mark.server
def test_each_way_leaves_the_same_on_a_real_server_and_a_second_sweep_writes_nothing() -> None:
    stood = []
    for way, offers in WAYS.items():
        with started_server() as base_url, new_client() as client:
            server = Offering(base_url, client=client)
            server.offers = offers
            load_bundle(server, WARD)
            outcome = apply_plan(planned(server), server, IDENTITY, trace=told_of)
            assert outcome.counts == {"Task create: created": 4, "Flag create: created": 4}, way
            assert outcome.refused == []
            stood.append(standing(server))
            assert planned(server).writes == ()
            (page,) = server.read_pages(everything_of("Provenance"))
            targets = [one["resource"]["target"] for one in json.loads(page)["entry"]]
            assert [len(each) for each in targets] == [2, 2, 2, 2]
            assert {one["reference"].partition("/")[0] for each in targets for one in each} == {"Task", "Flag"}
    assert stood[0] == stood[1] == stood[2]


def test_trace_in_a_transaction_names_only_what_it_wrote(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("linedays.run.sending.BATCH_SIZE", 50)
    server = ward(WAYS["transaction"])
    slower = planned(server)
    first = replace(slower, writes=tuple(one for one in slower.writes if one.resource["resourceType"] == "Flag"))
    apply_plan(first, server, IDENTITY, trace=told_of)
    outcome = apply_plan(slower, server, IDENTITY, trace=told_of)
    assert outcome.counts == {"Task create: created": 4, "Flag create: existed": 4}
    assert traced(server) == written(server)
    assert outcome.refused == []


def test_trace_of_what_existed_before_is_told_as_too_wide(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("linedays.run.sending.BATCH_SIZE", 50)
    server = ward(WAYS["transaction"])
    slower = planned(server)
    applied(server, AT)
    outcome = apply_plan(slower, server, IDENTITY, trace=told_of)
    assert outcome.counts == {"Task create: existed": 4, "Flag create: existed": 4, "Provenance: not written": 1}


def test_trace_that_the_server_refuses_is_told_and_everything_else_is_written() -> None:
    class NoProvenance(MemoryFhirServer):
        def _look(self, entry: Any) -> Any:
            return (403, None) if entry.resource_type == "Provenance" else super()._look(entry)

    for offers in WAYS.values():
        server = NoProvenance(now=AT - 60)
        load_bundle(server, WARD)
        server.offers = offers
        outcome = applied(server, AT)
        assert sum(written(server).values()) == 8
        assert outcome.counts["Provenance: not written"] == 4
        assert set(outcome.refused) == {("Provenance", "update of Provenance: status 403, refused")}
