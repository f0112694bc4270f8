"""A line that vanishes from the record system: what is open for it is closed on evidence only.

Source: design 2.6 ("Closing needs positive evidence"; closing by absence only after a direct read of the missing
resource) and hazard H20 of the same rules: a search that returns too little closes nothing.
"""

from collections.abc import Iterator
from typing import Any

import orjson
import pytest

from linedays.core.changes import EndReason, LeaveReason
from linedays.core.moment import HOUR
from linedays.fhir.searches import Search
from linedays.run.plan import SweepPlan
from linedays.run.rereading import read_ours
from linedays.run.sweep import read_and_plan
from linedays.run.writing import apply_plan
from support.memory_fhir_server import MemoryFhirServer
from support.small_ward import AT, IDENTITY, OVERDUE, PLACES, memory_server, wired


class Forgetful(MemoryFhirServer):
    """A server whose searches leave out what is named, and whose direct reads may do so too."""

    hidden: frozenset[str] = frozenset()
    deleted: frozenset[str] = frozenset()

    def read(self, resource_type: str, resource_id: str) -> bytes | None:
        name = f"{resource_type}/{resource_id}"
        return None if name in self.deleted else super().read(resource_type, resource_id)

    def read_pages(self, search: Search) -> Iterator[bytes]:
        for page in super().read_pages(search):
            bundle = orjson.loads(page)
            names = self.hidden | self.deleted
            bundle["entry"] = [
                one for one in bundle["entry"] if f"{one['resource']['resourceType']}/{one['resource']['id']}" not in names
            ]
            yield orjson.dumps(bundle)


@pytest.fixture
def server() -> Forgetful:
    filled = memory_server([*PLACES, *OVERDUE])
    filled.__class__ = Forgetful
    assert isinstance(filled, Forgetful)
    apply_plan(read_and_plan(filled, wired(), IDENTITY, at=AT), filled, IDENTITY)
    return filled


def plan_later(server: MemoryFhirServer) -> SweepPlan:
    return read_and_plan(server, wired(), IDENTITY, at=AT + HOUR)


def stored(server: MemoryFhirServer, kind: str) -> list[dict[str, Any]]:
    return [one for one in read_ours(server, IDENTITY).values() if one["resourceType"] == kind]


OF_THE_LINE = ("Device/over-picc", "Procedure/over-picc-insertion-02-0900", "Procedure/over-picc-dressing-change-06-0900")


def test_a_line_that_a_search_leaves_out_is_left_open(server: Forgetful) -> None:
    server.hidden = frozenset(OF_THE_LINE)
    plan = plan_later(server)
    assert plan.writes == ()
    assert {change.reason for change in plan.left} == {LeaveReason.NOT_EVALUATED}


def test_a_line_that_is_not_there_when_read_directly_is_closed(server: Forgetful) -> None:
    server.deleted = frozenset(OF_THE_LINE)
    plan = plan_later(server)
    assert {each.change.reason for each in plan.writes} == {EndReason.GONE_FROM_CHART}
    apply_plan(plan, server, IDENTITY)
    assert [task["status"] for task in stored(server, "Task")] == ["cancelled"]
    assert [flag["status"] for flag in stored(server, "Flag")] == ["inactive"]
    assert plan_later(server).writes == ()


def test_a_line_entered_in_error_is_closed_with_that_reason(server: Forgetful) -> None:
    for name in OF_THE_LINE:
        kind, _, key = name.partition("/")
        raw = server.read(kind, key)
        assert raw is not None
        resource = orjson.loads(raw)
        server.update({**resource, "status": "entered-in-error"}, resource["meta"]["versionId"])
    plan = plan_later(server)
    assert {each.change.reason for each in plan.writes} == {EndReason.LINE_WITHDRAWN}
    apply_plan(plan, server, IDENTITY)
    assert [task["status"] for task in stored(server, "Task")] == ["cancelled"]
