"""Every kind of mistake in every resource that we write: the table, and each of its rows as a resource. No I/O.

Sources: FHIR R4 pages task.html, flag.html, observation.html, provenance.html, device.html, datatypes.html, references.html and
narrative.html (elements, required bindings, reference targets, invariants; from memory where fhir-facts does not name them).
"""

from collections.abc import Iterator
from typing import Any, NamedTuple

from support.written_resources import DEVICE, DIV, FLAG, GONE, OBSERVATION, OURS, PROVENANCE, TASK, put

GOOD = {"Task": TASK, "Flag": FLAG, "Observation": OBSERVATION, "Provenance": PROVENANCE, "Device": DEVICE}
PERIOD_BACKWARDS = {"start": "2026-03-10T10:00:00Z", "end": "2026-03-10T09:59:59Z"}
TWO_VALUES = [{"url": "urn:x", "valueString": "x", "valueBoolean": True}]
OTHER_SYSTEM = [{"system": "https://other.example", "value": "1"}]

# Case → resource → where, what instead, where our check must say it. A case may stand more than once for a resource.
CASES = {
    "required element absent": {
        "Task": [(["status"], GONE, ".status"), (["intent"], GONE, ".intent")],
        "Flag": [(["status"], GONE, ".status"), (["code"], GONE, ".code"), (["subject"], GONE, ".subject")],
        "Observation": [(["status"], GONE, ".status"), (["code"], GONE, ".code")],
        "Provenance": [
            (["target"], GONE, ".target"), (["recorded"], GONE, ".recorded"), (["agent"], GONE, ".agent"),
            (["agent", 0, "who"], GONE, ".agent[0].who"), (["entity", 0, "role"], GONE, ".entity[0].role"),
            (["entity", 0, "what"], GONE, ".entity[0].what"),
        ],
        "Device": [(["deviceName", 0, "name"], GONE, ".name"), (["deviceName", 0, "type"], GONE, ".type"), (["version", 0], {"type": {"text": "x"}}, ".value")],
    },
    "element that we always write absent": {
        "Task": [(["for"], GONE, ".for"), (["identifier"], GONE, ".identifier"), (["groupIdentifier"], GONE, ".groupIdentifier")],
        "Flag": [(["identifier"], GONE, ".identifier"), (["identifier"], [OURS], "the line")],
        "Observation": [
            (["identifier"], GONE, ".identifier"), (["identifier"], [OURS], "the line"), (["subject"], GONE, ".subject"),
            (["effectiveDateTime"], GONE, ".effective[x]"),
        ],
        "Provenance": [(["id"], GONE, ".id")],
        "Device": [(["identifier"], GONE, ".identifier"), (["status"], GONE, ".status"), (["version"], GONE, ".version"), (["deviceName"], GONE, ".deviceName")],
    },
    "required element null": {
        "Task": [(["status"], None, ".status"), (["for"], None, ".for")],
        "Flag": [(["subject"], None, ".subject")],
        "Observation": [(["code"], None, ".code"), (["subject"], None, ".subject"), (["valueQuantity"], None, ".valueQuantity")],
        "Provenance": [(["target", 0], None, ".target[0]"), (["agent", 0, "who"], None, ".agent[0].who"), (["recorded"], None, ".recorded")],
        "Device": [(["status"], None, ".status"), (["deviceName", 0, "name"], None, ".name")],
    },
    "another resource type": {name: [(["resourceType"], "Basic", "resourceType")] for name in GOOD},
    "unknown element": {name: [(["severity"], "high", ".severity")] for name in GOOD},
    "element of R5": {
        "Task": [(["requestedPeriod"], {"start": "2026-03-10"}, ".requestedPeriod"), (["doNotPerform"], True, ".doNotPerform")],
        "Observation": [(["triggeredBy"], [{"type": "reflex"}], ".triggeredBy"), (["valueReference"], {"reference": "Device/1"}, ".valueReference")],
        "Provenance": [(["patient"], {"reference": "Patient/1"}, ".patient"), (["basedOn"], [{"reference": "ServiceRequest/1"}], ".basedOn")],
        "Device": [(["displayName"], "x", ".displayName"), (["name"], [{"value": "x", "type": "other"}], ".name")],
    },
    "list for one": {
        "Task": [(["status"], ["requested"], ".status")],
        "Flag": [(["subject"], [{"reference": "Patient/1"}], ".subject")],
        "Observation": [(["status"], ["final"], ".status"), (["valueQuantity"], [{"value": 1}], ".valueQuantity"), (["device"], [{"reference": "Device/1"}], ".device")],
        "Provenance": [(["recorded"], ["2026-03-10T12:00:00Z"], ".recorded"), (["activity"], [{"text": "x"}], ".activity")],
        "Device": [(["status"], ["active"], ".status"), (["type"], [{"text": "x"}], ".type")],
    },
    "one for a list": {
        "Task": [(["identifier"], OURS, ".identifier")],
        "Flag": [(["category"], {"text": "safety"}, ".category")],
        "Observation": [(["category"], {"text": "x"}, ".category"), (["partOf"], {"reference": "Procedure/1"}, ".partOf")],
        "Provenance": [(["target"], {"reference": "Task/1"}, ".target"), (["policy"], "urn:x", ".policy")],
        "Device": [(["deviceName"], {"name": "x", "type": "other"}, ".deviceName")],
    },
    "bad dateTime": {
        "Task": [(["authoredOn"], "10.03.2026", ".authoredOn")],
        "Flag": [(["period", "start"], "2026-3-1", ".period.start")],
        "Observation": [(["effectiveDateTime"], "2026-03-10T25:00:00Z", ".effectiveDateTime"), (["issued"], "2026-03-10", ".issued")],
        "Provenance": [(["recorded"], "2026-03-10", ".recorded")],
        "Device": [(["expirationDate"], "next year", ".expirationDate")],
    },
    "no offset": {
        "Task": [(["authoredOn"], "2026-03-10T12:00:00", ".authoredOn")],
        "Flag": [(["period", "start"], "2026-03-10T12:00:00", ".period.start")],
        "Observation": [(["effectiveDateTime"], "2026-03-10T07:00:00", ".effectiveDateTime"), (["valueDateTime"], "2026-03-10T07:00:00", ".valueDateTime")],
        "Provenance": [(["recorded"], "2026-03-10T12:00:00", ".recorded")],
        "Device": [(["manufactureDate"], "2026-03-10T12:00:00", ".manufactureDate")],
    },
    "30 February": {
        "Task": [(["authoredOn"], "2026-02-30T12:00:00Z", ".authoredOn")],
        "Flag": [(["period", "start"], "2026-02-30", ".period.start")],
        "Observation": [(["effectiveDateTime"], "2026-02-30T07:00:00Z", ".effectiveDateTime")],
        "Provenance": [(["recorded"], "2026-02-30T12:00:00Z", ".recorded")],
        "Device": [(["expirationDate"], "2026-02-30", ".expirationDate")],
    },
    "two of one choice": {
        "Task": [(["input", 0, "valueString"], "x", "value[x]"), (["extension"], TWO_VALUES, "value[x]")],
        "Flag": [(["extension"], TWO_VALUES, "value[x]")],
        "Observation": [(["valueString"], "x", "value[x]"), (["effectiveInstant"], "2026-03-10T07:00:00Z", "effective[x]")],
        "Provenance": [(["occurredPeriod"], {"start": "2026-03-10"}, None)],
        "Device": [(["extension"], TWO_VALUES, "value[x]")],
    },
    "wrong code in a required binding": {
        "Task": [
            (["status"], "bogus", ".status"), (["intent"], "directive", ".intent"), (["priority"], "high", ".priority"),
            (["text", "status"], "made", ".text.status"), (["identifier", 0, "use"], "main", ".use"),
        ],
        "Flag": [(["status"], "bogus", ".status"), (["text", "status"], "made", ".text.status"), (["identifier", 0, "use"], "main", ".use")],
        "Observation": [
            (["status"], "bogus", ".status"), (["valueQuantity", "comparator"], "≥", ".comparator"),
            (["text", "status"], "made", ".text.status"), (["identifier", 0, "use"], "main", ".use"),
        ],
        "Provenance": [(["entity", 0, "role"], "instantiates", ".role"), (["text", "status"], "made", ".text.status")],
        "Device": [
            (["status"], "bogus", ".status"), (["deviceName", 0, "type"], "nickname", ".type"),
            (["udiCarrier"], [{"entryType": "typed"}], ".entryType"), (["text", "status"], "made", ".text.status"),
            (["identifier", 0, "use"], "main", ".use"),
        ],
    },
    "wrong reference target": {
        "Task": [
            (["for", "reference"], "Device/1", ".for"), (["encounter", "reference"], "Patient/1", ".encounter"),
            (["owner"], {"reference": "Location/1"}, ".owner"), (["requester"], {"reference": "Task/1"}, ".requester"),
        ],
        "Flag": [(["subject", "reference"], "Encounter/1", ".subject"), (["author"], {"reference": "Encounter/1"}, ".author")],
        "Observation": [
            (["subject", "reference"], "Encounter/1", ".subject"), (["device", "reference"], "Patient/1", ".device"),
            (["partOf", 0, "reference"], "Device/1", ".partOf[0]"), (["derivedFrom", 0, "reference"], "Procedure/1", ".derivedFrom[0]"),
            (["performer"], [{"reference": "Device/1"}], ".performer[0]"), (["hasMember"], [{"reference": "Task/1"}], ".hasMember[0]"),
            (["encounter", "reference"], "Patient/1", ".encounter"), (["specimen"], {"reference": "Device/1"}, ".specimen"),
            (["basedOn"], [{"reference": "Task/1"}], ".basedOn[0]"),
        ],
        "Provenance": [
            (["agent", 0, "who"], {"reference": "Encounter/1"}, ".agent[0].who"), (["location"], {"reference": "Patient/1"}, ".location"),
            (["agent", 0, "onBehalfOf"], {"reference": "Location/1"}, ".onBehalfOf"),
        ],
        "Device": [
            (["owner"], {"reference": "Patient/1"}, ".owner"), (["parent"], {"reference": "Patient/1"}, ".parent"),
            (["location"], {"reference": "Patient/1"}, ".location"), (["definition"], {"reference": "Device/1"}, ".definition"),
        ],
    },
    "period ends before it starts": {
        "Task": [(["restriction", "period"], PERIOD_BACKWARDS, "restriction.period")],
        "Flag": [(["period"], PERIOD_BACKWARDS, "period")],
        "Observation": [(["identifier", 0, "period"], PERIOD_BACKWARDS, "identifier[0].period")],
        "Provenance": [(["occurredPeriod"], PERIOD_BACKWARDS, "occurredPeriod")],
        "Device": [(["identifier", 0, "period"], PERIOD_BACKWARDS, "identifier[0].period")],
    },
    "invariant": {
        "Task": [(["lastModified"], "2026-03-10T11:59:59+01:00", "lastModified")],
        "Observation": [
            (["dataAbsentReason"], {"text": "unknown"}, "obs-6"),
            (["component"], [{"code": {"text": "x"}, "valueString": "x", "dataAbsentReason": {"text": "x"}}], "component[0].dataAbsentReason"),
            (["component"], [{"code": OBSERVATION["code"], "valueString": "x"}], "obs-7"),
        ],
        "Device": [(["patient"], {"reference": "Patient/1"}, ".patient")],
    },
    "id of 65 characters": {name: [(["id"], "x" * 65, ".id")] for name in GOOD},
    "empty text": {
        "Task": [(["description"], "", ".description")],
        "Flag": [(["code", "text"], "", ".code.text")],
        "Observation": [(["code", "text"], "", ".code.text"), (["note", 0, "text"], "", ".note[0].text")],
        "Provenance": [(["agent", 0, "who", "display"], "", ".display"), (["policy", 0], "", ".policy[0]")],
        "Device": [(["deviceName", 0, "name"], "", ".name"), (["version", 0, "value"], " ", ".value")],
    },
    "script in the narrative": {name: [(["text", "div"], DIV.replace("due", "<script>x()</script>"), ".text.div")] for name in GOOD},
    "foreign identifier system": {
        "Task": [(["identifier"], OTHER_SYSTEM, ".identifier"), (["groupIdentifier", "system"], "https://other.example", "the line")],
        "Flag": [(["identifier"], OTHER_SYSTEM, ".identifier")],
        "Observation": [(["identifier"], OTHER_SYSTEM, ".identifier")],
        "Provenance": [(["agent", 0, "who", "identifier", "system"], "https://other.example", ".who.identifier.system")],
        "Device": [(["identifier"], OTHER_SYSTEM, ".identifier")],
    },
}
# What a resource has no element for. R5 changed nothing in Flag; R4 has no rule for the others.
NOT_THERE = {("element of R5", "Flag"), ("invariant", "Flag"), ("invariant", "Provenance")}


class Spoiled(NamedTuple):
    """One row: a resource with one mistake, and where our own check says so."""

    case: str
    kind: str
    number: int
    resource: dict[str, Any]
    said: str

    @property
    def name(self) -> str:
        return f"{self.kind}, {self.case} {self.number}"


def spoiled() -> Iterator[Spoiled]:
    """Yield each row of the table."""
    for case, by_resource in CASES.items():
        for kind, rows in by_resource.items():
            for number, (path, value, said) in enumerate(rows, 1):
                bad = put(GOOD[kind], path, value)
                if case == "two of one choice" and kind == "Provenance":
                    bad["occurredDateTime"], said = "2026-03-10", "occurred[x]"
                yield Spoiled(case, kind, number, bad, said)
