"""One made-up patient on a server in memory that is swept from time to time, and people who say no to what is offered.

Every sweep reads the server anew; nothing else is kept between two of them.
"""

from collections.abc import Callable

from linedays.adapters.server_starter import load_bundle
from linedays.core.changes import Create
from linedays.core.moment import DAY, HOUR, MINUTE, Instant
from linedays.run.rereading import read_ours
from linedays.run.writing import apply_plan
from support.memory_fhir_server import MemoryFhirServer
from support.small_ward import IDENTITY, PLACES, Resource, instant, person, planned, time


class Ward:
    """One patient, `p`, on a server in memory, that is swept and in which people act."""

    def __init__(self, charted: list[Resource], begin: Instant) -> None:
        self.server = MemoryFhirServer(now=begin - HOUR)
        load_bundle(self.server, [*PLACES, *person("p"), *charted])

    def sweep(self, at: Instant) -> list[Resource]:
        """Sweep and return what was offered. The server's clock goes along."""
        self.server.tick(max(0, at - (self.server.server_time or at)))
        plan = planned(self.server, at)
        offered = [planned_one.resource for planned_one in plan.writes if isinstance(planned_one.change, Create)]
        outcome = apply_plan(plan, self.server, IDENTITY)
        assert outcome.refused == []
        return offered

    def ours(self, kind: str, status: str) -> list[Resource]:
        return [one for one in read_ours(self.server, IDENTITY).values() if (one["resourceType"], one["status"]) == (kind, status)]

    def change(self, resource: Resource, **elements: object) -> None:
        self.chart(resource | elements)

    def chart(self, *resources: Resource) -> None:
        load_bundle(self.server, list(resources))


def refuse(kind: str, status: str) -> Callable[[Ward, Instant], None]:
    def at_once(ward: Ward, at: Instant) -> None:
        when = text_of(at)
        if kind == "Task":
            for task in ward.ours("Task", "requested"):
                ward.change(task, status=status, lastModified=when)
        else:
            for flag in ward.ours("Flag", "active"):
                ward.change(flag, status=status, period={**flag["period"], "end": when})

    return at_once


def text_of(at: Instant) -> str:
    days, seconds = divmod(at - instant(time("01 00:00")), DAY)
    return time(f"{days + 1:02d} {seconds // HOUR:02d}:{seconds % HOUR // MINUTE:02d}")
