"""One of each resource that we write, as it should be, what spoils it, and a validator from outside the project."""

import json
from copy import deepcopy

from linedays.fhir.identity import Identity

US = Identity()
OURS = {"use": "official", "system": US.system, "value": "7c1f7a52-0000-5000-8000-000000000001"}
LINE = {"use": "secondary", "system": US.system, "value": "Device/picc-1"}
DIV = '<div xmlns="http://www.w3.org/1999/xhtml"><p>due</p></div>'

TASK = {
    "resourceType": "Task",
    "id": "t-1",
    "meta": {"versionId": "3", "lastUpdated": "2026-03-10T11:00:00.123Z", "tag": [{"system": "urn:x", "code": "derived"}]},
    "text": {"status": "generated", "div": DIV},
    "identifier": [OURS],
    "groupIdentifier": LINE,
    "status": "requested",
    "intent": "plan",
    "priority": "urgent",
    "code": {"coding": [{"system": "urn:x", "code": "dressing-change"}]},
    "focus": {"reference": "Device/picc-1"},
    "for": {"reference": "Patient/made-up-1"},
    "encounter": {"reference": "Encounter/stay-1"},
    "authoredOn": "2026-03-10T12:00:00+01:00",
    "lastModified": "2026-03-10T12:00:00+01:00",
    "note": [{"authorString": "linedays", "text": "informs"}],
    "restriction": {"period": {"start": "2026-03-09T19:00:00+01:00", "end": "2026-03-10T10:00:00+01:00"}},
    "input": [{"type": {"text": "due"}, "valueDateTime": "2026-03-10T10:00:00+01:00"}],
}
FLAG = {
    "resourceType": "Flag",
    "id": "f-1",
    "text": {"status": "generated", "div": DIV},
    "identifier": [OURS, LINE],
    "status": "active",
    "category": [{"coding": [{"system": "urn:x", "code": "safety"}]}],
    "code": {"coding": [{"system": "urn:x", "code": "dressing-overdue"}]},
    "subject": {"reference": "Patient/made-up-1"},
    "period": {"start": "2026-03-10T10:00:01+01:00", "end": "2026-03-10T13:00:00+01:00"},
    "encounter": {"reference": "Encounter/stay-1"},
}

TEXT = {"status": "generated", "div": DIV}
OBSERVATION = {
    "resourceType": "Observation",
    "id": "o-1",
    "meta": {"versionId": "1", "tag": [{"system": "urn:x", "code": "derived"}]},
    "text": TEXT,
    "identifier": [OURS, LINE],
    "partOf": [{"reference": "Procedure/placed-1"}],
    "status": "final",
    "category": [{"coding": [{"system": "urn:x", "code": "procedure"}]}],
    "code": {"coding": [{"system": "urn:x", "code": "dwell"}], "text": "Time since the line was placed"},
    "subject": {"reference": "Patient/made-up-1"},
    "encounter": {"reference": "Encounter/stay-1"},
    "effectiveDateTime": "2026-03-10T07:00:00+01:00",
    "valueQuantity": {"value": 61.5, "unit": "h", "system": "http://unitsofmeasure.org", "code": "h"},
    "note": [{"authorString": "linedays", "text": "line placed"}],
    "method": {"text": "dwell-elapsed 1 (1900)"},
    "device": {"reference": "Device/picc-1"},
    "derivedFrom": [{"reference": "Observation/seen-1"}],
}
PROVENANCE = {
    "resourceType": "Provenance",
    "id": "5d5c7d1e-0000-5000-8000-000000000001",
    "text": TEXT,
    "target": [{"reference": "Task/t-1/_history/1"}, {"reference": "Observation/o-1"}],
    "recorded": "2026-03-10T12:00:00+01:00",
    "policy": ["https://linedays.example/fhir/CodeSystem/policy|abc"],
    "activity": {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/v3-DataOperation", "code": "CREATE"}]},
    "agent": [
        {
            "type": {"coding": [{"system": "urn:x", "code": "assembler"}]},
            "who": {"identifier": {"system": US.system, "value": "software"}, "type": "Device", "display": "linedays"},
        }
    ],
    "entity": [{"role": "source", "what": {"reference": "Procedure/change-1/_history/3"}}],
}
DEVICE = {
    "resourceType": "Device",
    "id": "d-1",
    "text": TEXT,
    "identifier": [{**OURS, "value": "software"}],
    "status": "active",
    "deviceName": [{"name": "linedays", "type": "user-friendly-name"}],
    "type": {"text": "software"},
    "version": [{"value": "0.1.0"}],
}

GONE = object()


def put(resource, path, value):
    """Return a copy with the element at a path (names and list positions) set, or taken away."""
    found = deepcopy(resource)
    place = found
    for step in path[:-1]:
        place = place[step]
    if value is GONE:
        del place[path[-1]]
    else:
        place[path[-1]] = value
    return found


def fhirkit_says(resource):
    import fhirkit

    return fhirkit.validate(json.dumps(resource))
