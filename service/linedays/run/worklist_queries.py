"""The questions a nurse's system asks about open Tasks → the Tasks that answer them. I/O through the FhirServer port.

By owner, by performer type, by patient, and by the place where the patient is. Every answer is filtered again; what
does not fit the question is left out and counted. R4 has no search for where a Task is to be done: the place is asked
of its Encounter, which also remembers the places that the patient has left.
"""

from collections.abc import Callable, Container, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias

from linedays.adapters.bundles import entries_of, resource_from
from linedays.adapters.fhir_errors import FhirRejected
from linedays.fhir.elements import reference_name
from linedays.fhir.identity import Identity, is_ours
from linedays.fhir.outputs.task.render import PERFORMERS
from linedays.fhir.searches import Search, by_ids, escaped
from linedays.run.ports import FhirServer

Resource: TypeAlias = Mapping[str, Any]
Fits: TypeAlias = Callable[[Resource], bool]

OPEN = ("requested", "received", "accepted", "ready", "in-progress", "on-hold", "draft")
# The patient is there, or will be back.
PRESENT = ("arrived", "triaged", "in-progress", "onleave")
_NOT_THERE = frozenset({"planned", "reserved", "completed"})
# References of one search go into one address: some servers and proxies cut addresses at 2,000 characters.
_NAMES_PER_SEARCH = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """The Tasks that answer a question, by `Task/id`, and the searches in the order sent.

    Counted, and not among `tasks`: `not_ours` are other people's Tasks, `mismatched` do not fit the search that brought
    them, `elsewhere` belong to patients who are no longer in the place that was asked about.
    """

    asked: tuple[Search, ...]
    tasks: Mapping[str, Resource]
    not_ours: int = 0
    mismatched: int = 0
    elsewhere: int = 0


def by_owner(server: FhirServer, owner: str, identity: Identity) -> Answer:
    """Return the open Tasks of an owner (`CareTeam/id`, `Organization/id`).

    Raises: FhirUnavailable, FhirRejected.
    """
    return _Asking(server, identity).tasks([_open_tasks("owner", owner)], _refers("owner", {owner}))


def by_performer(server: FhirServer, code: str, identity: Identity) -> Answer:
    """Return the open Tasks for a type of performer, by its code in our code system.

    Raises: FhirUnavailable, FhirRejected.
    """
    system = identity.codes + PERFORMERS
    search = _open_tasks("performer", f"{escaped(system)}|{escaped(code)}")
    return _Asking(server, identity).tasks([search], lambda task: (system, code) in set(_performers(task)))


def by_patient(server: FhirServer, patient: str, identity: Identity) -> Answer:
    """Return the open Tasks about a patient (`Patient/id`).

    Raises: FhirUnavailable, FhirRejected.
    """
    return _Asking(server, identity).tasks([_open_tasks("patient", patient)], _refers("for", {patient}))


def by_place(server: FhirServer, places: Iterable[str], identity: Identity, *, chained: bool = True) -> Answer:
    """Return the open Tasks of the patients who are in one of these places now (`Location/id`: a unit and its beds).

    Asked in one chained search, and in two steps (who is there, then their Tasks) where the server has no such chain.
    Raises: FhirUnavailable, FhirRejected.
    """
    there = tuple(places)
    asking = _Asking(server, identity)
    if chained:
        try:
            return _by_chain(asking, there)
        except FhirRejected:
            # Not supported, or not applied: the second way asks the same.
            asking = _Asking(server, identity)
    return _in_two_steps(asking, there)


def as_sent(search: Search) -> str:
    """Return a search as it stands in an address, but for the escapes of the address itself."""
    return f"{search.resource_type}?" + "&".join(f"{name}={value}" for name, value in search.params)


def _by_chain(asking: "_Asking", places: tuple[str, ...]) -> Answer:
    found = asking.tasks(list(_of_each("Task", "encounter.location", places, OPEN)), lambda _: True)
    stays = {_named(task, "encounter") for task in found.tasks.values()} - {None}
    ids = [str(name).rpartition("/")[2] for name in stays]
    present = set(asking.present(by_ids("Encounter", ids), places))
    return _of_those(present, found, asking)


def _in_two_steps(asking: "_Asking", places: tuple[str, ...]) -> Answer:
    present = set(asking.present(_of_each("Encounter", "location", places, PRESENT), places))
    searches = list(_of_each("Task", "encounter", sorted(present), OPEN))
    return asking.tasks(searches, _refers("encounter", present))


def _of_those(present: set[str], found: Answer, asking: "_Asking") -> Answer:
    tasks = {ref: task for ref, task in found.tasks.items() if _named(task, "encounter") in present}
    return Answer(
        asked=tuple(asking.asked),
        tasks=tasks,
        not_ours=found.not_ours,
        mismatched=found.mismatched,
        elsewhere=len(found.tasks) - len(tasks),
    )


class _Asking:
    """Sends searches and remembers them."""

    def __init__(self, server: FhirServer, identity: Identity) -> None:
        self._server, self._identity = server, identity
        self.asked: list[Search] = []

    def tasks(self, searches: list[Search], fits: Fits) -> Answer:
        """Return the Tasks of ours that are open and fit, of all these searches together."""
        found = self._found(searches, "Task")
        ours = {ref: task for ref, task in found.items() if is_ours(task, self._identity)}
        kept = {ref: task for ref, task in ours.items() if task.get("status") in OPEN and fits(task)}
        return Answer(
            asked=tuple(self.asked),
            tasks=kept,
            not_ours=len(found) - len(ours),
            mismatched=len(ours) - len(kept),
        )

    def present(self, searches: Iterable[Search], places: Iterable[str]) -> Iterator[str]:
        """Return the Encounters, of those found, whose patients are in one of these places now."""
        wanted = frozenset(places)
        for ref, stay in self._found(searches, "Encounter").items():
            if stay.get("status") in PRESENT and not wanted.isdisjoint(_places_now(stay)):
                yield ref

    def _found(self, searches: Iterable[Search], resource_type: str) -> dict[str, Resource]:
        found: dict[str, Resource] = {}
        for search in searches:
            self.asked.append(search)
            for page in self._server.read_pages(search):
                for raw in entries_of(page, search.resource_type):
                    resource = resource_from(raw)
                    if resource.get("resourceType") == resource_type:
                        found[f"{resource_type}/{resource.get('id')}"] = resource
        return found


def _open_tasks(name: str, value: str) -> Search:
    return Search(resource_type="Task", params=((name, value), ("status", ",".join(OPEN))))


def _of_each(resource_type: str, name: str, values: Iterable[str], status: Iterable[str]) -> Iterator[Search]:
    whole = tuple(values)
    for start in range(0, len(whole), _NAMES_PER_SEARCH):
        some = ",".join(whole[start : start + _NAMES_PER_SEARCH])
        yield Search(resource_type=resource_type, params=((name, some), ("status", ",".join(status))))


def _refers(element: str, names: Container[str | None]) -> Fits:
    return lambda task: _named(task, element) in names


def _named(resource: Resource, element: str) -> str | None:
    return reference_name(resource.get(element))


def _performers(task: Resource) -> Iterator[tuple[object, object]]:
    for concept in task.get("performerType", []):
        for coding in concept.get("coding", []):
            yield coding.get("system"), coding.get("code")


def _places_now(stay: Resource) -> set[str]:
    """Return where a stay says the patient is: what is active, and where no status stands, what has no end."""
    return {
        name
        for each in stay.get("location", [])
        if (name := _named(each, "location")) is not None
        and each.get("status") not in _NOT_THERE
        and (each.get("status") == "active" or "end" not in each.get("period", {}))
    }
