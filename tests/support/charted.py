"""Resources charted in the reference way (design section 7) as plain data, and what the reader makes of one. No I/O.

Each builder returns a whole resource; an argument replaces an element, and None leaves it out.
"""

import json
from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

from linedays.core.moment import UTC, Instant, Moment, moment_from_text
from linedays.fhir.allergies import CLINICAL, VERIFICATION, allergy_of
from linedays.fhir.devices import facts_of_device, facts_of_use
from linedays.fhir.observations import facts_of_observation
from linedays.fhir.people import person_of, stay_of
from linedays.fhir.procedures import facts_of_procedure
from linedays.fhir.reading import RECORDED, Reader
from linedays.fhir.records import Record
from linedays.fhir.wire import Refusal, record_from_bytes
from support.generator import ZONE
from support.pipeline import instance

# The line kinds of the reference charting (design, section 7).
CHARTED_KINDS = (
    "nontunnelled-cvc",
    "tunnelled-cvc",
    "picc",
    "implanted-port",
    "dialysis-nontunnelled",
    "dialysis-tunnelled",
    "midline",
    "long-peripheral",
    "peripheral-iv",
    "arterial",
    "pulmonary-artery",
    "introducer",
    "umbilical-venous",
    "umbilical-arterial",
    "intraosseous",
    "unknown",
)
BASE = "https://linedays.example/fhir/CodeSystem/"
OWN = "https://linedays.example/fhir/identifier"
SCT = "http://snomed.info/sct"
ACTION = "http://hl7.org/fhir/device-action"
Resource = dict[str, Any]


def at(text: str) -> Instant:
    moment = moment_from_text(text, UTC)
    assert isinstance(moment, Moment)
    return moment.earliest


def code(word: str, system: str = "charting") -> Resource:
    return {"coding": [{"system": system if ":" in system else BASE + system, "code": word}]}


def ref(text: str) -> Resource:
    return {"reference": text}


def about(device: str, action: str | None = None) -> Resource:
    """Return a focalDevice."""
    return {"manipulated": ref(device)} | ({"action": code(action, ACTION)} if action else {})


def recorded(text: str) -> list[Resource]:
    return [{"url": RECORDED, "valueDateTime": text}]


def stored(text: str, version: str | None = None) -> Resource:
    return {"lastUpdated": text} | ({"versionId": version} if version else {})


def _whole(resource: Resource, other: Resource) -> Resource:
    return {key: value for key, value in (resource | other).items() if value is not None}


def procedure(word: str = "dressing-change", **other: Any) -> Resource:
    resource = {
        "resourceType": "Procedure",
        "id": "p1",
        "status": "completed",
        "code": code(word),
        "subject": ref("Patient/p"),
        "performedDateTime": "2026-03-08T10:00:00Z",
        "focalDevice": [about("Device/d")],
    }
    return _whole(resource, other)


def observation(word: str = "dressing-condition", **other: Any) -> Resource:
    resource = {
        "resourceType": "Observation",
        "id": "o1",
        "status": "final",
        "code": code(word),
        "subject": ref("Patient/p"),
        "effectiveDateTime": "2026-03-09T21:40:00Z",
        "issued": "2026-03-09T21:45:00Z",
        "device": ref("Device/d"),
    }
    return _whole(resource, other)


def device(kind: str = "picc", **other: Any) -> Resource:
    resource = {
        "resourceType": "Device",
        "id": "d",
        "meta": stored("2026-03-02T10:10:00Z"),
        "status": "active",
        "type": code(kind, "line-kind"),
        "patient": ref("Patient/p"),
    }
    return _whole(resource, other)


def use(**other: Any) -> Resource:
    resource = {
        "resourceType": "DeviceUseStatement",
        "id": "u1",
        "status": "completed",
        "subject": ref("Patient/p"),
        "device": ref("Device/d"),
        "timingPeriod": {"start": "2026-03-02T10:00:00Z", "end": "2026-03-10T09:00:00Z"},
        "recordedOn": "2026-03-10T09:30:00Z",
    }
    return _whole(resource, other)


def encounter(**other: Any) -> Resource:
    resource = {
        "resourceType": "Encounter",
        "id": "e1",
        "meta": stored("2026-03-01T06:05:00Z"),
        "status": "in-progress",
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
        "subject": ref("Patient/p"),
        "period": {"start": "2026-03-01T06:00:00Z"},
    }
    return _whole(resource, other)


def person(**other: Any) -> Resource:
    return _whole({"resourceType": "Patient", "id": "p", "birthDate": "1960-04-02"}, other)


def allergy(word: str | None = "chlorhexidine", **other: Any) -> Resource:
    resource = {
        "resourceType": "AllergyIntolerance",
        "id": "a1",
        "clinicalStatus": code("active", CLINICAL),
        "verificationStatus": code("confirmed", VERIFICATION),
        "code": code(word, "allergen") if word else None,
        "patient": ref("Patient/p"),
        "recordedDate": "2026-03-02T08:00:00Z",
    }
    return _whole(resource, other)


def link(kind: str | None, other: str | None) -> Resource:
    """Return one Patient.link."""
    return ({"type": kind} if kind is not None else {}) | ({"other": ref(other)} if other is not None else {})


def location(logical_id: str = "ward", **other: Any) -> Resource:
    unit = code("HU", "http://terminology.hl7.org/CodeSystem/v3-RoleCode")
    return _whole({"resourceType": "Location", "id": logical_id, "type": [unit]}, other)


def raw(resource: Resource) -> bytes:
    return json.dumps(resource).encode()


def record(resource: Resource) -> Record:
    """Return the record of a resource that must fit."""
    found = record_from_bytes(raw(resource))
    assert not isinstance(found, Refusal), found
    return found


def reader(**changed: Any) -> Reader:
    """Return a reader by the reference map, with fields of the map replaced."""
    return Reader(replace(instance().source_map, **changed), ZoneInfo(ZONE), OWN)


_READ = {
    "Procedure": facts_of_procedure,
    "Observation": facts_of_observation,
    "Device": facts_of_device,
    "DeviceUseStatement": facts_of_use,
    "Patient": person_of,
    "Encounter": stay_of,
    "AllergyIntolerance": allergy_of,
}


def read(resource: Resource, by: Reader | None = None) -> Any:
    """Return what the reader makes of one resource."""
    return _READ[resource["resourceType"]](record(resource), by or reader())  # type: ignore[operator]
