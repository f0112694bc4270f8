"""A FHIR server in memory behind the port `linedays.run.ports.FhirServer`. It passes the contract tests of the real one.

Strict: a search parameter it does not know is refused. The clock is the test's: `tick` moves it.
"""

import copy
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any
from urllib.parse import parse_qsl

import orjson

from linedays.adapters.fhir_errors import FhirRejected, WriteOutcome, Written
from linedays.core.moment import Instant
from linedays.fhir.searches import Search, instant_text

Matcher = Callable[[dict[str, Any], str], bool]


class MemoryFhirServer:
    """Holds the newest version of each resource; `writes` is the log of what was stored, in order."""

    def __init__(self, *, now: Instant = 1_900_000_000, page_size: int = 200) -> None:
        self._now = now
        self._page_size = page_size
        self._stored: dict[tuple[str, str], dict[str, Any]] = {}
        self._given_ids = 0
        self.writes: list[tuple[str, str]] = []

    @property
    def server_time(self) -> Instant | None:
        return self._now

    def tick(self, seconds: int) -> None:
        self._now += seconds

    def read_metadata(self) -> bytes:
        return orjson.dumps({"resourceType": "CapabilityStatement", "status": "active", "fhirVersion": "4.0.1"})

    def read(self, resource_type: str, resource_id: str) -> bytes | None:
        found = self._stored.get((resource_type, resource_id))
        return None if found is None else orjson.dumps(found)

    def read_pages(self, search: Search) -> Iterator[bytes]:
        found = self._found(search.resource_type, search.params)
        for start in range(0, max(1, len(found)), self._page_size):
            entries = [
                {"resource": resource, "search": {"mode": "match"}}
                for resource in found[start : start + self._page_size]
            ]
            yield orjson.dumps({"resourceType": "Bundle", "type": "searchset", "total": len(found), "entry": entries})

    def create(self, resource: Mapping[str, Any], if_none_exist: str) -> WriteOutcome:
        resource_type = resource["resourceType"]
        found = self._found(resource_type, tuple(parse_qsl(if_none_exist)))
        if len(found) > 1:
            return WriteOutcome(result=Written.SEVERAL)
        if found:
            return _outcome(Written.EXISTED, found[0])
        self._given_ids += 1
        return _outcome(Written.CREATED, self._store({**resource, "id": f"given-{self._given_ids}"}))

    def update(self, resource: Mapping[str, Any], version: str) -> WriteOutcome:
        stored = self._stored.get((resource["resourceType"], resource["id"]))
        if stored is None:
            raise FhirRejected(f"update of {resource['resourceType']}: status 404, refused", status=404)
        if stored["meta"]["versionId"] != version:
            return WriteOutcome(result=Written.CONFLICT)
        return _outcome(Written.UPDATED, self._store(resource))

    def transact(self, entries: Sequence[Mapping[str, Any]]) -> bytes:
        for entry in entries:
            if entry["request"] != {
                "method": "PUT",
                "url": f"{entry['resource']['resourceType']}/{entry['resource']['id']}",
            }:
                raise FhirRejected("transaction: status 400, refused", status=400)
        for entry in entries:
            self._store(entry["resource"])
        return orjson.dumps({"resourceType": "Bundle", "type": "transaction-response"})

    def _store(self, resource: Mapping[str, Any]) -> dict[str, Any]:
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
        return stored

    def _found(self, resource_type: str, params: Sequence[tuple[str, str]]) -> list[dict[str, Any]]:
        found = [one for (kind, _), one in self._stored.items() if kind == resource_type]
        for name, value in params:
            if name == "_count":
                continue
            if name in _CHAINS:
                found = self._chained(found, name, value)
                continue
            if name not in _MATCHERS:
                raise FhirRejected(f"search of {resource_type}: status 400, refused", status=400)
            matches = _MATCHERS[name]
            found = [one for one in found if any(matches(one, choice) for choice in value.split(","))]
        return found

    def _chained(self, found: list[dict[str, Any]], name: str, value: str) -> list[dict[str, Any]]:
        element, there = name.split(".")
        resource_type = _CHAINS[name]
        targets = {f"{resource_type}/{one['id']}" for one in self._found(resource_type, ((there, value),))}
        return [one for one in found if one.get(element, {}).get("reference") in targets]


def _outcome(result: Written, stored: dict[str, Any]) -> WriteOutcome:
    return WriteOutcome(result=result, id=stored["id"], version=stored["meta"]["versionId"], body=orjson.dumps(stored))


def _has_id(resource: dict[str, Any], value: str) -> bool:
    return bool(resource["id"] == value)


def _has_identifier(resource: dict[str, Any], value: str) -> bool:
    system, _, code = value.partition("|")
    return any(one.get("system") == system and code in ("", one.get("value")) for one in resource.get("identifier", ()))


def _refers_to(*elements: str) -> Matcher:
    def matches(resource: dict[str, Any], value: str) -> bool:
        wanted = value if "/" in value else f"Patient/{value}"
        return any(resource.get(element, {}).get("reference") == wanted for element in elements)

    return matches


def _updated_since(resource: dict[str, Any], value: str) -> bool:
    if not value.startswith("ge"):
        raise FhirRejected("search: status 400, refused", status=400)
    return _instant(resource["meta"]["lastUpdated"]) >= _instant(value[2:])


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
    "patient": _refers_to("subject", "patient", "for"),
    "device": _refers_to("device"),
    "owner": _refers_to("owner"),
    "encounter": _refers_to("encounter"),
    "location": _is_at,
    "performer": _has_coding("performerType"),
    "code": _has_coding("code"),
    "status": _has_status,
    "_lastUpdated": _updated_since,
}
# Chained parameters: the type that the reference points to.
_CHAINS = {"encounter.location": "Encounter"}
