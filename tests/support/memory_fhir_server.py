"""A FHIR server in memory behind the port `linedays.run.ports.FhirServer`. It passes the contract tests of the real one.

Strict: a search parameter it does not know is refused. The clock is the test's: `tick` moves it. It can be told to fail
at any request that writes, to let others in before any request, and to race: to let others in between the look of a
conditional create and its storing, as many servers do (one of them: "sometimes 8 out of 8 threads succeed").
"""

import copy
import random
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from enum import Enum, auto
from typing import Any
from urllib.parse import parse_qsl

import orjson

from linedays.adapters.entries import BundleKind, Entry, outcome_of_status
from linedays.adapters.fhir_errors import FhirRejected, FhirUnavailable, WriteOutcome, Written
from linedays.core.moment import Instant
from linedays.fhir.searches import Search, instant_text

Matcher = Callable[[dict[str, Any], str], bool]
Key = tuple[str, str]
EVERYTHING = ("transaction", "batch", "history-system")


class Fault(Enum):
    """How a request that writes fails."""

    LOST = auto()  # applied, and the answer does not arrive
    BUSY = auto()  # not applied: 503
    CUT = auto()  # a batch: its first half applied, and no answer; anything else: not applied, and no answer
    MUTE = auto()  # a batch: applied, and every entry answered 500; anything else: as LOST
    CONTESTED = auto()  # not applied: 412, or 409 at every second


def fault_at(n: int, fault: Fault) -> Callable[[int], Fault | None]:
    """Return what lets the n-th request that writes fail."""
    return lambda number: fault if number == n else None


def seeded_faults(seed: int, share: float, *faults: Fault) -> Callable[[int], Fault | None]:
    """Return what lets a share of the requests that write fail, the same ones for the same seed."""
    draw = random.Random(seed)
    return lambda number: draw.choice(faults) if draw.random() < share else None


class MemoryFhirServer:
    """Holds the newest version of each resource; `writes` is the log of what was stored, in order.

    `history` is every version with who wrote it. `offers` is what its CapabilityStatement says, `takes` what it does.
    """

    def __init__(self, *, now: Instant = 1_900_000_000, page_size: int = 200) -> None:
        self._now = now
        self._page_size = page_size
        self._stored: dict[Key, dict[str, Any]] = {}
        self._given_ids = 0
        self.writes: list[Key] = []
        self.history: list[tuple[str, dict[str, Any]]] = []
        self.offers: Sequence[str] = EVERYTHING
        self.takes: Mapping[str, int] = {}  # kind of Bundle → the status with which it is refused
        self.absent_status = 412  # to a version of what is not there; 404 and 410 elsewhere
        self.unsearchable: frozenset[str] = frozenset()
        self._index: dict[Key, dict[str, Any]] | None = None
        self.requests: list[str] = []
        self.write_requests = 0
        self.fault: Callable[[int], Fault | None] = lambda number: None
        self.before_request: Callable[[], None] = lambda: None
        self.race: Callable[[], None] = lambda: None
        self.waited = 0

    @property
    def server_time(self) -> Instant | None:
        return self._now

    def tick(self, seconds: int) -> None:
        self._now += seconds

    def let_searches_lag(self) -> None:
        """Let searches find from now on what stands at this moment; reads and conditions see everything."""
        self._index = dict(self._stored)

    def person_edits(self, ref: str, change: Callable[[dict[str, Any]], dict[str, Any]]) -> dict[str, Any]:
        """Let somebody else change a resource, with a look at what stands there."""
        resource_type, _, resource_id = ref.partition("/")
        return self._store(change(copy.deepcopy(self._stored[resource_type, resource_id])), by="person")

    def delete(self, ref: str) -> None:
        """Let somebody else delete a resource."""
        resource_type, _, resource_id = ref.partition("/")
        del self._stored[resource_type, resource_id]

    def read_metadata(self) -> bytes:
        self._asked("metadata")
        rest = [{"mode": "server", "interaction": [{"code": code} for code in self.offers]}]
        return orjson.dumps(
            {"resourceType": "CapabilityStatement", "status": "active", "fhirVersion": "4.0.1", "rest": rest}
        )

    def read(self, resource_type: str, resource_id: str) -> bytes | None:
        self._asked("read")
        found = self._stored.get((resource_type, resource_id))
        return None if found is None else orjson.dumps(found)

    def read_pages(self, search: Search) -> Iterator[bytes]:
        self._asked("search")
        found = self._found(search.resource_type, search.params, self._index)
        for start in range(0, max(1, len(found)), self._page_size):
            entries = [
                {"resource": resource, "search": {"mode": "match"}}
                for resource in found[start : start + self._page_size]
            ]
            yield orjson.dumps({"resourceType": "Bundle", "type": "searchset", "total": len(found), "entry": entries})

    def create(self, resource: Mapping[str, Any], if_none_exist: str) -> WriteOutcome:
        return _raised(self._sent(Entry(resource=resource, if_none_exist=if_none_exist)))

    def update(self, resource: Mapping[str, Any], version: str | None) -> WriteOutcome:
        return _raised(self._sent(Entry(resource=resource, version=version)))

    def send(self, entry: Entry) -> WriteOutcome:
        return self._sent(entry)

    def _sent(self, entry: Entry) -> WriteOutcome:
        fault = self._asked_to_write("send")
        if fault is Fault.CONTESTED:
            return outcome_of_status(entry, self._contest(), None, None, said="contested")
        if fault is Fault.CUT:
            raise FhirUnavailable(f"{entry.what}: no answer in time")
        return self._answered(self._applied(entry), fault)

    def send_bundle(self, kind: BundleKind, entries: Sequence[Entry]) -> tuple[WriteOutcome, ...]:
        fault = self._asked_to_write(kind.value)
        if kind.value in self.takes:
            raise FhirRejected(f"{kind}: status {self.takes[kind]}, refused", status=self.takes[kind])
        if kind is BundleKind.TRANSACTION:
            if fault is Fault.CONTESTED:
                raise FhirRejected("transaction: status 409, refused", status=self._contest())
            if fault is Fault.CUT:
                raise FhirUnavailable("transaction: no answer in time")
            return self._answered(self._all_or_none(entries), fault)
        if fault is Fault.CONTESTED:
            status = self._contest()
            return tuple(outcome_of_status(entry, status, None, None, said="contested") for entry in entries)
        if fault is Fault.CUT:
            for entry in entries[: len(entries) // 2]:
                self._applied(entry)
            raise FhirUnavailable("batch: no answer in time")
        outcomes = tuple(self._applied(entry) for entry in entries)
        if fault is Fault.MUTE:
            return tuple(outcome_of_status(entry, 500, None, None, said="no answer") for entry in entries)
        return self._answered(outcomes, fault)

    def wait(self, problem: FhirUnavailable, attempt: int) -> bool:
        self.waited += 1
        return True

    def transact(self, entries: Sequence[Mapping[str, Any]]) -> bytes:
        for entry in entries:
            if entry["request"] != {
                "method": "PUT",
                "url": f"{entry['resource']['resourceType']}/{entry['resource']['id']}",
            }:
                raise FhirRejected("transaction: status 400, refused", status=400)
        for entry in entries:
            self._store(entry["resource"], by="loader")
        return orjson.dumps({"resourceType": "Bundle", "type": "transaction-response"})

    def _asked(self, what: str) -> None:
        self.before_request()
        self.requests.append(what)

    def _asked_to_write(self, what: str) -> Fault | None:
        self._asked(what)
        self.write_requests += 1
        fault = self.fault(self.write_requests)
        if fault is Fault.BUSY:
            raise FhirUnavailable(f"{what}: status 503")
        return fault

    def _contest(self) -> int:
        return 409 if self.write_requests % 2 else 412

    def _answered(self, outcome: Any, fault: Fault | None) -> Any:
        if fault in (Fault.LOST, Fault.MUTE):
            raise FhirUnavailable("no answer in time")
        return outcome

    def _applied(self, entry: Entry) -> WriteOutcome:
        looked = self._look(entry)
        if looked is not None and looked[0] == 201:
            self.race()
        return self._outcome(entry, *(looked or self._put(entry)))

    def _all_or_none(self, entries: Sequence[Entry]) -> tuple[WriteOutcome, ...]:
        looked = [self._look(entry) for entry in entries]
        if any(found is not None and found[0] == 201 for found in looked):
            self.race()
        before = dict(self._stored), len(self.writes), len(self.history), self._given_ids
        names = self._names_inside(entries, looked)
        outcomes = []
        for entry, found in zip(entries, looked, strict=True):
            renamed = Entry(
                resource=_renamed(entry.resource, names), if_none_exist=entry.if_none_exist, version=entry.version
            )
            status, stored = found or self._put(renamed)
            if status >= 400:
                self._stored, writes, history, self._given_ids = before
                del self.writes[writes:], self.history[history:]
                raise FhirRejected(f"transaction: status {status}, refused", status=status)
            outcomes.append(self._outcome(renamed, status, stored, names.get(entry.full_url or "")))
        return tuple(outcomes)

    def _names_inside(self, entries: Sequence[Entry], looked: Sequence[Any]) -> dict[str, str]:
        names = {}
        for entry, found in zip(entries, looked, strict=True):
            if entry.full_url is None or found is None:
                continue
            if found[1] is not None:
                names[entry.full_url] = f"{entry.resource_type}/{found[1]['id']}"
            elif found[0] == 201:
                self._given_ids += 1
                names[entry.full_url] = f"{entry.resource_type}/given-{self._given_ids}"
        return names

    def _look(self, entry: Entry) -> tuple[int, dict[str, Any] | None] | None:
        """Return what a create comes to; 201: it is still to be stored. None: an update."""
        if not _is_valid(entry.resource):
            return 400, None
        if entry.if_none_exist is None:
            return None
        found = self._found(entry.resource_type, tuple(parse_qsl(entry.if_none_exist)))
        if len(found) > 1:
            return 412, None
        return (200, found[0]) if found else (201, None)

    def _put(self, entry: Entry) -> tuple[int, dict[str, Any] | None]:
        stored = self._stored.get((entry.resource_type, entry.resource["id"]))
        if entry.version is not None and stored is None:
            return self.absent_status, None
        if entry.version is not None and stored is not None and stored["meta"]["versionId"] != entry.version:
            return 412, None
        return (201 if stored is None else 200), self._store(entry.resource)

    def _outcome(
        self, entry: Entry, status: int, stored: dict[str, Any] | None, name: str | None = None
    ) -> WriteOutcome:
        if status == 201 and stored is None:
            if name is None:
                self._given_ids += 1
                name = f"{entry.resource_type}/given-{self._given_ids}"
            stored = self._store({**entry.resource, "id": name.partition("/")[2]})
        said = f"{entry.what}: status {status}, refused"
        if stored is None:
            return outcome_of_status(entry, status, None, None, said=said)
        result = outcome_of_status(entry, status, stored["id"], stored["meta"]["versionId"], said=said)
        return WriteOutcome(result=result.result, id=result.id, version=result.version, body=orjson.dumps(stored))

    def _store(self, resource: Mapping[str, Any], by: str = "us") -> dict[str, Any]:
        key = (resource["resourceType"], resource["id"])
        version = int(self._stored[key]["meta"]["versionId"]) + 1 if key in self._stored else 1
        stored = copy.deepcopy(dict(resource))
        stored["meta"] = {
            **stored.get("meta", {}),
            "versionId": str(version),
            "lastUpdated": instant_text(self._now),
        }
        self._stored[key] = stored
        self.writes.append(key)
        self.history.append((by, stored))
        return stored

    def _found(
        self, resource_type: str, params: Sequence[tuple[str, str]], index: Mapping[Key, dict[str, Any]] | None = None
    ) -> list[dict[str, Any]]:
        among = self._stored if index is None else index
        found = [one for (kind, _), one in among.items() if kind == resource_type]
        for name, value in params:
            if name == "_count":
                continue
            if name in _CHAINS:
                found = self._chained(found, name, value)
                continue
            if name not in _MATCHERS or name in self.unsearchable:
                raise FhirRejected(f"search of {resource_type}: status 400, refused", status=400)
            matches = _MATCHERS[name]
            found = [one for one in found if any(matches(one, choice) for choice in value.split(","))]
        return found

    def _chained(self, found: list[dict[str, Any]], name: str, value: str) -> list[dict[str, Any]]:
        element, there = name.split(".")
        resource_type = _CHAINS[name]
        targets = {f"{resource_type}/{one['id']}" for one in self._found(resource_type, ((there, value),))}
        return [one for one in found if one.get(element, {}).get("reference") in targets]


def _raised(outcome: WriteOutcome) -> WriteOutcome:
    status = {Written.GONE: 404, Written.REJECTED: 400}.get(outcome.result)
    if status is not None:
        raise FhirRejected(outcome.said, status=status)
    return outcome


def _is_valid(resource: Mapping[str, Any]) -> bool:
    """Tell whether what every server checks is right: a status is text."""
    return isinstance(resource.get("status", ""), str)


def _renamed(resource: Mapping[str, Any], names: Mapping[str, str]) -> dict[str, Any]:
    """Return a resource in which what other entries are called inside the Bundle is their reference."""
    found: dict[str, Any] = orjson.loads(orjson.dumps(resource))
    return _with_names(found, names)


def _with_names(value: Any, names: Mapping[str, str]) -> Any:
    if isinstance(value, dict):
        return {
            name: names.get(one, one) if name == "reference" and isinstance(one, str) else _with_names(one, names)
            for name, one in value.items()
        }
    return [_with_names(one, names) for one in value] if isinstance(value, list) else value


def _has_id(resource: dict[str, Any], value: str) -> bool:
    return bool(resource["id"] == value)


def _has_identifier(resource: dict[str, Any], value: str) -> bool:
    system, _, code = value.partition("|")
    return any(one.get("system") == system and code in ("", one.get("value")) for one in resource.get("identifier", ()))


def _has_group(resource: dict[str, Any], value: str) -> bool:
    system, _, code = value.partition("|")
    group = resource.get("groupIdentifier", {})
    return group.get("system") == system and code in ("", group.get("value"))


def _refers_to(*elements: str) -> Matcher:
    def matches(resource: dict[str, Any], value: str) -> bool:
        wanted = value if "/" in value else f"Patient/{value}"
        return any(resource.get(element, {}).get("reference") == wanted for element in elements)

    return matches


def _updated_since(resource: dict[str, Any], value: str) -> bool:
    if not value.startswith("ge"):
        raise FhirRejected("search: status 400, refused", status=400)
    return _instant(resource["meta"]["lastUpdated"]) >= _instant(value[2:])


def _is_about(resource: dict[str, Any], value: str) -> bool:
    if not value.startswith("ge") or "effectiveDateTime" not in resource:
        raise FhirRejected("search: status 400, refused", status=400)
    return _instant(resource["effectiveDateTime"]) >= _instant(value[2:])


def _has_status(resource: dict[str, Any], value: str) -> bool:
    return bool(resource.get("status") == value)


def _has_coding(element: str) -> Matcher:
    def matches(resource: dict[str, Any], value: str) -> bool:
        system, _, code = value.partition("|")
        concepts = resource.get(element, [])
        codings = [
            coding
            for concept in (concepts if isinstance(concepts, list) else [concepts])
            for coding in concept.get("coding", ())
        ]
        return any(one.get("system") == system and code in ("", one.get("code")) for one in codings)

    return matches


def _is_at(resource: dict[str, Any], value: str) -> bool:
    return any(one["location"]["reference"] == value for one in resource.get("location", ()))


def _instant(text: str) -> Instant:
    return int(datetime.fromisoformat(text).astimezone(UTC).timestamp())


_MATCHERS: dict[str, Matcher] = {
    "_id": _has_id,
    "identifier": _has_identifier,
    "group-identifier": _has_group,
    "patient": _refers_to("subject", "patient", "for"),
    "device": _refers_to("device"),
    "owner": _refers_to("owner"),
    "encounter": _refers_to("encounter"),
    "location": _is_at,
    "performer": _has_coding("performerType"),
    "code": _has_coding("code"),
    "status": _has_status,
    "_lastUpdated": _updated_since,
    "date": _is_about,
}
# Chained parameters: the type that the reference points to.
_CHAINS = {"encounter.location": "Encounter"}
