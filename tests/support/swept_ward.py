"""The made-up ward before a sweep and after one, and what of ours stands on a server. In memory, no I/O."""

import copy
from collections import Counter
from functools import cache
from typing import Any

from linedays.adapters.server_starter import load_bundle
from linedays.fhir.identity import key_of
from linedays.run.rereading import read_ours
from linedays.run.writing import apply_plan
from support.memory_fhir_server import MemoryFhirServer
from support.small_ward import AT, IDENTITY, WARD, look, memory_server, planned, procedure

Resource = dict[str, Any]
# What is written differently by a later run and says nothing of its own: FHIR's own record of the write.
OF_THE_WRITE = ("meta", "id", "authoredOn", "lastModified")
# The ways of writing, by what the server says that it offers.
WAYS = {"transaction": ("transaction", "batch"), "batch": ("batch",), "single": ()}


def standing(server: Any) -> dict[str, Resource]:
    """Return what of ours stands on a server by its key, but for what only records the write."""
    ours = list(read_ours(server, IDENTITY).values())
    keys = [key_of(one, IDENTITY) for one in ours]
    assert len(set(keys)) == len(keys), "two resources carry one key"
    return {
        str(key): {name: value for name, value in one.items() if name not in OF_THE_WRITE}
        for key, one in zip(keys, ours, strict=True)
    }


def lines_asked(server: Any) -> Counter[str]:
    """Return how many open Tasks there are for each line."""
    ours = read_ours(server, IDENTITY).values()
    return Counter(
        one["groupIdentifier"]["value"] for one in ours if one["resourceType"] == "Task" and one["status"] == "requested"
    )


def sweep(server: Any, at: int, settled: Any = None) -> int:
    plan = planned(server, at, settled)
    apply_plan(plan, server, IDENTITY)
    return len(plan.writes)


def ward(offers: tuple[str, ...] = ()) -> MemoryFhirServer:
    server = memory_server(WARD)
    server.offers = offers
    return server


def changed_ward(offers: tuple[str, ...] = ()) -> MemoryFhirServer:
    """Return the ward after its first sweep, with a change, a removal and a worse finding charted since."""
    return copy.deepcopy(_changed_ward(offers))


@cache
def _changed_ward(offers: tuple[str, ...]) -> MemoryFhirServer:
    server = ward(offers)
    sweep(server, AT)
    charted = [
        procedure("dressing-change", "14 10:10", "over", "over-picc", dressing="transparent"),
        procedure("removal", "14 10:12", "loose", "loose-picc"),
        look("damp", "14 10:11", "calm", "calm-picc"),
    ]
    server.tick(1500)
    load_bundle(server, charted)
    server.writes.clear()
    server.history.clear()
    server.requests.clear()
    server.write_requests = 0
    return server
