"""A write as a value → an entry of a transaction or batch, and the answer to it → what each came to. No I/O."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import msgspec

from linedays.adapters.fhir_bodies import outcome_reasons
from linedays.adapters.fhir_errors import FhirRejected, FhirUnavailable, WriteOutcome, Written

_LOCATION = re.compile(r"(?:^|/)(?P<type>[A-Za-z]+)/(?P<id>[^/?]+)(?:/_history/(?P<version>[^/?]+))?$")
_TAG = re.compile(r'(?:W/)?"([^"]*)"')


class BundleKind(StrEnum):
    """How a server takes several writes in one request: all or none, or each by itself; the value is Bundle.type."""

    TRANSACTION = "transaction"
    BATCH = "batch"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One write: a create unless something matches `if_none_exist`, or a replacement of what has this id.

    `version` is the one that is replaced; without it whatever stands under the id is. `full_url` is the name by which
    other entries of the same transaction refer to a resource that has no id yet.
    """

    resource: Mapping[str, Any]
    if_none_exist: str | None = None
    version: str | None = None
    full_url: str | None = None

    @property
    def resource_type(self) -> str:
        """The type of the resource."""
        return str(self.resource["resourceType"])

    @property
    def what(self) -> str:
        """What is done, in words for errors."""
        return f"{'update' if self.if_none_exist is None else 'create'} of {self.resource_type}"


def bundle_of(kind: BundleKind, entries: Sequence[Entry]) -> dict[str, Any]:
    """Return the Bundle that asks for these writes.

    Source: FHIR R4, "transaction" (http://hl7.org/fhir/R4/http.html#transaction), Bundle.entry.request.
    """
    return {"resourceType": "Bundle", "type": kind.value, "entry": [_asked(entry) for entry in entries]}


def _asked(entry: Entry) -> dict[str, Any]:
    if entry.if_none_exist is not None:
        request = {"method": "POST", "url": entry.resource_type, "ifNoneExist": entry.if_none_exist}
    else:
        request = {"method": "PUT", "url": f"{entry.resource_type}/{entry.resource['id']}"}
        if entry.version is not None:
            request["ifMatch"] = f'W/"{entry.version}"'
    name = {"fullUrl": entry.full_url} if entry.full_url else {}
    return {**name, "resource": entry.resource, "request": request}


class _Response(msgspec.Struct, frozen=True):
    status: str
    location: str = ""
    etag: str = ""
    outcome: msgspec.Raw = msgspec.Raw(b"")


class _Answered(msgspec.Struct, frozen=True):
    response: _Response


class _Answer(msgspec.Struct, frozen=True):
    entry: tuple[_Answered, ...] = ()


_ANSWER = msgspec.json.Decoder(_Answer)


def outcomes_of(body: bytes, entries: Sequence[Entry], *, what: str) -> tuple[WriteOutcome, ...]:
    """Return what each entry came to, in their order.

    Raises: FhirUnavailable where the answer does not say that of every entry: any of them may have been applied.
    """
    try:
        answered = _ANSWER.decode(body).entry
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as problem:
        raise FhirUnavailable(f"{what}: the answer does not say what came of the entries") from problem
    if len(answered) != len(entries):
        raise FhirUnavailable(f"{what}: {len(answered)} answers to {len(entries)} entries")
    return tuple(_outcome(entry, each.response, what) for entry, each in zip(entries, answered, strict=True))


def _outcome(entry: Entry, response: _Response, what: str) -> WriteOutcome:
    digits = re.match(r"\s*(\d{3})\b", response.status)
    if digits is None:
        raise FhirUnavailable(f"{what}: the answer to an entry has no status")
    status = int(digits[1])
    key, version = location_of(response.location, response.etag, entry.resource_type)
    said = f"{entry.what}: status {status}, refused"
    reasons = outcome_reasons(bytes(response.outcome))
    return outcome_of_status(entry, status, key, version, said=f"{said}: {reasons}" if reasons else said)


def outcome_of_status(entry: Entry, status: int, key: str | None, version: str | None, *, said: str) -> WriteOutcome:
    """Return what a write came to by the status of its answer; 409 and 412 say the same of an update.

    Source: FHIR R4, "RESTful API": conditional create (http://hl7.org/fhir/R4/http.html#ccreate) and version-aware
    updates (#concurrency). STU3 answered 409 where R4 answers 412, and servers still do.
    """
    result = _result(status, is_create=entry.if_none_exist is not None)
    if result in (Written.CREATED, Written.UPDATED, Written.EXISTED):
        return WriteOutcome(result=result, id=key or entry.resource.get("id"), version=version)
    return WriteOutcome(result=result, said=said)


def _result(status: int, *, is_create: bool) -> Written:
    match status:
        case 200 | 201:
            made = Written.CREATED if status == 201 else Written.EXISTED
            return made if is_create else Written.UPDATED
        case 412:
            return Written.SEVERAL if is_create else Written.CONFLICT
        case 409:
            return Written.CONFLICT
        case 404 | 410 if not is_create:
            return Written.GONE
        case 408 | 425 | 429:
            return Written.NO_ANSWER
        case _ if status >= 500 and status != 501:
            return Written.NO_ANSWER
        case _:
            return Written.REJECTED


def location_of(location: str, etag: str, resource_type: str) -> tuple[str | None, str | None]:
    """Return id and version that the Location and ETag of an answer name."""
    where, tag = _LOCATION.search(location), _TAG.fullmatch(etag)
    named = where if where is not None and where["type"] == resource_type else None
    version = (named["version"] if named else None) or (tag[1] if tag else None)
    return (named["id"] if named else None), version


def not_offered(problem: FhirRejected) -> bool:
    """Tell whether a server says by its answer that it takes no Bundle of this kind at all."""
    return problem.status in (405, 501)
