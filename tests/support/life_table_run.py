"""Cells of the life table → what stands on a FHIR server before and after the sweep that sees the event. I/O through the port.

All patients live on one server. Each step reads everything anew from it: nothing of ours is kept in between, so that a
store that is lost between two steps changes nothing.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from linedays.core.moment import Instant
from linedays.run.ports import FhirServer
from linedays.run.rereading import read_ours
from linedays.run.wiring import Wired
from linedays.run.writing import apply_plan
from support.life_table import BY_US, Cell
from support.life_table_charts import EVENTS, OTHER_WARD, before, closing, reopening, turning
from support.made_up_patient import BASE
from support.memory_fhir_server import MemoryFhirServer
from support.small_ward import IDENTITY, PLACES, instant, planned, time, wired

Resource = dict[str, Any]
FIRST, HALF, ACTED, LAST = (instant(time(f"14 {clock}")) for clock in ("10:00", "10:10", "10:20", "15:00"))
_STATUS = {"cancelled-by-a-person": "cancelled", "completed-by-a-person": "completed"}
_OWNED = frozenset({"accepted", "ready", "in-progress", "on-hold", "rejected", "failed", "completed-by-a-person"})
NOTE = {"authorString": "a made-up nurse", "text": "a made-up note of hers"}
TEAM = {"text": "a made-up team"}
OWNER = {"reference": "Practitioner/made-up-nurse"}


class Store(Protocol):
    """Puts resources on the server under their own ids, all stored at a moment where the server's clock is ours."""

    def __call__(self, resources: Sequence[Resource], at: Instant, /) -> None: ...


@dataclass(slots=True)
class Stood:
    """The Tasks and the Flags of one patient that stood at one moment, by `Type/id`."""

    tasks: dict[str, Resource] = field(default_factory=dict)
    flags: dict[str, Resource] = field(default_factory=dict)


@dataclass(slots=True)
class Life:
    """What stood of a cell before the event was swept, and after."""

    then: Stood = field(default_factory=Stood)
    now: Stood = field(default_factory=Stood)


@dataclass(slots=True)
class World:
    """Every life, what was refused or not written as planned, and what one more sweep would write."""

    lives: dict[Cell, Life]
    refused: list[str]
    again: list[str]
    same_anew: bool


class IndexedMemoryServer(MemoryFhirServer):
    """The server in memory, with an index of identifiers: a create among thousands looks up one."""

    def __init__(self, *, now: Instant) -> None:
        super().__init__(now=now, page_size=2000)
        self._by_identifier: dict[tuple[str, str], set[tuple[str, str]]] = defaultdict(set)

    def _store(self, resource: Any, by: str = "us") -> dict[str, Any]:
        stored = super()._store(resource, by)
        for one in stored.get("identifier", ()):
            key = (stored["resourceType"], f"{one['system']}|{one['value']}")
            self._by_identifier[key].add((stored["resourceType"], stored["id"]))
        return stored

    def _found(self, resource_type: str, params: Any, index: Any = None) -> list[dict[str, Any]]:
        named = dict(params).get("identifier", "")
        if index is not None or len(params) != 1 or not named.partition("|")[2]:
            return super()._found(resource_type, params, index)
        found = [self._stored[key] for key in sorted(self._by_identifier[resource_type, named])]
        return [one for one in found if any(f"{each['system']}|{each['value']}" == named for each in one["identifier"])]


def run(server: FhirServer, store: Store, cells: Iterable[Cell], then: Wired, anew: Callable[[], Wired] | None = None) -> World:
    """Let every cell live on one server; the last sweep is by the policy `then`."""
    by_patient = {cell.patient: cell for cell in cells}
    all_cells = list(by_patient.values())
    refused: list[str] = []

    def charted(*steps: Callable[[Cell], list[Resource]], at: Instant, of: Iterable[Cell] = all_cells) -> None:
        for step in steps:
            store([resource for cell in of for resource in step(cell)], at)

    def swept(at: Instant, by: Wired) -> None:
        plan = planned(server, at, by)
        outcome = apply_plan(plan, server, IDENTITY)
        refused.extend(f"{what}: {why}" for what, why in outcome.refused)

    store([*PLACES, OTHER_WARD], FIRST - 120)
    written = [cell for cell in all_cells if cell.status != "none"]
    charted(before, at=FIRST - 60, of=written)
    swept(FIRST, wired())
    charted(closing, at=HALF - 60, of=written)
    swept(HALF, wired())
    charted(reopening, at=HALF + 60, of=written)
    charted(before, at=HALF + 60, of=[cell for cell in all_cells if cell.status == "none"])
    store(_acts(server, dict(by_patient), refused), ACTED)
    charted(turning, lambda cell: EVENTS[cell.event](cell), at=LAST - 60)
    lives = {cell: Life() for cell in all_cells}
    _note(server, by_patient, lambda cell: lives[cell].then)
    plan = planned(server, LAST, then)
    same_anew = anew is None or planned(server, LAST, anew()).writes == plan.writes
    refused.extend(f"{what}: {why}" for what, why in apply_plan(plan, server, IDENTITY).refused)
    _note(server, by_patient, lambda cell: lives[cell].now)
    again = [f"{each.resource['resourceType']} {type(each.change).__name__}" for each in planned(server, LAST + 1, then).writes]
    return World(lives, refused, again, same_anew)


def _patient_of(resource: Resource) -> str:
    return (resource.get("for") or resource["subject"])["reference"].removeprefix("Patient/")


def _note(server: FhirServer, by_patient: dict[str, Cell], of: Callable[[Cell], Stood]) -> None:
    for ref, resource in read_ours(server, IDENTITY, values=False).items():
        if resource["resourceType"] == "Device":  # our software, which is of no patient
            continue
        stood = of(by_patient[_patient_of(resource)])
        (stood.tasks if resource["resourceType"] == "Task" else stood.flags)[ref] = resource


def _acts(server: FhirServer, by_patient: dict[str, Cell], refused: list[str]) -> list[Resource]:
    """Return every Task in the status that people set at 10:20, with what they wrote into it."""
    found: list[Resource] = []
    for task in (one for one in read_ours(server, IDENTITY, values=False).values() if one["resourceType"] == "Task"):
        cell = by_patient.pop(_patient_of(task))
        if cell.status not in BY_US and cell.status != "requested":
            found.append(_acted(task, cell))
    refused.extend(f"{cell}: no Task was written" for cell in by_patient.values() if cell.status != "none")
    return found


def _acted(task: Resource, cell: Cell) -> Resource:
    acted = task | {"status": _STATUS.get(cell.status, cell.status), "lastModified": time("14 10:20"), "note": [*task["note"], NOTE]}
    return acted | ({"owner": OWNER, "performerType": [TEAM]} if cell.status in _OWNED else {})


def code_of(concept: Any, system: str) -> str | None:
    """Return the code that a CodeableConcept holds in a code system of ours."""
    return next((one["code"] for one in (concept or {}).get("coding", []) if one.get("system") == BASE + system), None)
