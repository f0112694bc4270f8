"""A server that gives back what we wrote in other words makes no second sweep write: equality is judged on what we own.

Source: design 2.6 ("Equality with what is on the server is judged on the elements we own, parsed, never on text") and FHIR R4,
RESTful API, "servers MAY ... return resources that differ from what was sent" (http://hl7.org/fhir/R4/http.html#update, from
memory of the wording).
"""

import json
import random
import re

import pytest

from linedays.adapters.server_starter import load_bundle
from linedays.core.moment import HOUR
from linedays.run.demo_hospital import hospital_resources
from linedays.run.demo_story import told_at
from linedays.run.rereading import read_ours
from linedays.run.writing import apply_plan
from support.rewriting_server import REWRITINGS, REWRITTEN, RewritingServer
from support.small_ward import AT, IDENTITY, WARD, hospital, look, memory_server, planned, wired_demo

# Of two rewritings of one element the later would undo the other.
TOGETHER = tuple(name for name in REWRITINGS if name not in ("in_utc", "without_narrative"))
# Rounds after which "writes again for ever" would show.
ROUNDS = 3


def swept(rewritings: tuple[str, ...], seed: int = 1, *, at_reads: bool = False) -> RewritingServer:
    """Return a server on which the first sweep of the small ward has written all it wants: 4 Tasks and 4 Flags."""
    server = RewritingServer(rewritings, seed=seed, at_reads=at_reads, now=AT - 60)
    load_bundle(server, WARD)
    server.writes.clear()
    outcome = apply_plan(planned(server), server, IDENTITY)
    assert outcome.counts == {"Task create: created": 4, "Flag create: created": 4}
    return server


def writes_of_later_sweeps(server: RewritingServer) -> list[list[str]]:
    """Sweep again and again, an hour apart and with what the server gives back; return what each would write."""
    found = []
    for hour in range(1, ROUNDS + 1):
        plan = planned(server, AT + hour * HOUR)
        found.append([f"{each.resource['resourceType']} {type(each.change).__name__}" for each in plan.writes])
        apply_plan(plan, server, IDENTITY)
    return found


@pytest.mark.parametrize("name", REWRITINGS)
def test_each_rewriting_by_itself_makes_no_write(name: str) -> None:
    assert writes_of_later_sweeps(swept((name,))) == [[]] * ROUNDS


@pytest.mark.parametrize("at_reads", [False, True], ids=["at the write", "anew at every read"])
@pytest.mark.parametrize("seed", range(5))
def test_all_rewritings_at_once_make_no_write(seed: int, at_reads: bool) -> None:
    order = list(TOGETHER)
    random.Random(seed).shuffle(order)
    assert writes_of_later_sweeps(swept(tuple(order), seed, at_reads=at_reads)) == [[]] * ROUNDS


@pytest.mark.parametrize("name", REWRITINGS)
def test_each_rewriting_changes_what_is_stored(name: str) -> None:
    """Else the tests above would hold for a server that does nothing."""
    plain = memory_server(WARD)
    apply_plan(planned(plain), plain, IDENTITY)
    rewritten = read_ours(swept((name,)), IDENTITY)
    assert set(rewritten) == set(read_ours(plain, IDENTITY))
    # As text, since the order of keys is one of the rewritings.
    differing = {
        ref for ref, one in read_ours(plain, IDENTITY).items() if json.dumps(one) != json.dumps(rewritten[ref])
    }
    assert differing
    assert {ref.partition("/")[0] for ref in differing} <= REWRITTEN


def test_what_we_write_holds_no_fraction_of_a_second_that_a_server_could_drop() -> None:
    server = memory_server(WARD)
    apply_plan(planned(server), server, IDENTITY)
    for one in read_ours(server, IDENTITY).values():
        assert re.search(r":\d\d\.\d", json.dumps(one)) is None


def test_a_change_of_meaning_is_still_written_once_on_such_a_server() -> None:
    server = swept(TOGETHER)
    load_bundle(server, [look("damp", "14 10:20", "over", "over-picc")])
    for expected in (["Flag Create", "Task Revise"], [], []):
        plan = planned(server, AT + HOUR)
        assert sorted(f"{each.resource['resourceType']} {type(each.change).__name__}" for each in plan.writes) == expected
        assert apply_plan(plan, server, IDENTITY).refused == []


def test_demo_hospital_is_calm_on_such_a_server() -> None:
    start = told_at(hospital().story)
    server = RewritingServer(TOGETHER, now=start - 60)
    load_bundle(server, hospital_resources(hospital().document, start))
    outcome = apply_plan(planned(server, start, wired_demo()), server, IDENTITY)
    assert outcome.counts == {"Device record: created": 1, "Task create: created": 8, "Flag create: created": 6}
    assert planned(server, start + 1, wired_demo()).writes == ()
