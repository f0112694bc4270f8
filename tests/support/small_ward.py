"""A made-up ward of five patients in five states that last for hours, charted in the reference way, and the shell wired for it.

The moment is Wednesday 14 May 2031, 10:00 UTC: no quiet hours, no shift change near. Everything is invented.
"""

from collections.abc import Iterable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import orjson

from linedays import __version__
from linedays.adapters.server_starter import load_bundle
from linedays.core.moment import UTC, Instant, Moment, moment_from_text
from linedays.fhir.identity import Identity
from linedays.fhir.outputs.software import software_device
from linedays.run.demo import DemoHospital, demo_hospital, with_demo_units
from linedays.run.derive import Derivation, derive_all
from linedays.run.input import from_server
from linedays.run.plan import SweepPlan, plan_sweep
from linedays.run.ports import FhirServer
from linedays.run.rereading import read_ours
from linedays.run.settings import CODE_BASE, OWN_SYSTEM, SOURCE, Settings
from linedays.run.wiring import Wired, wire
from support.made_up_patient import BASE, RECORDED
from support.memory_fhir_server import MemoryFhirServer

Resource = dict[str, Any]
AT_TEXT = "2031-05-14T10:00:00+00:00"
IDENTITY = Identity()


def instant(text: str) -> Instant:
    moment = moment_from_text(text, UTC)
    assert isinstance(moment, Moment)
    return moment.earliest


AT = instant(AT_TEXT)


def _concept(code: str, system: str = "charting") -> Resource:
    return {"coding": [{"system": BASE + system, "code": code}]}


def time(text: str) -> str:
    """Return "14 09:40" as that time in May 2031."""
    day, clock = text.split()
    return f"2031-05-{day}T{clock}:00Z"


def person(name: str) -> list[Resource]:
    period = {"start": time("01 08:00")}
    place = {"location": {"reference": "Location/made-up-ward"}, "status": "active", "period": period}
    return [
        {"resourceType": "Patient", "id": name, "birthDate": "1961-02-03"},
        {
            "resourceType": "Encounter",
            "id": f"stay-{name}",
            "meta": {"lastUpdated": time("01 08:05")},
            "status": "in-progress",
            "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
            "subject": {"reference": f"Patient/{name}"},
            "period": period,
            "location": [place],
        },
    ]


def device(name: str, patient: str, kind: str = "picc") -> Resource:
    return {
        "resourceType": "Device",
        "id": name,
        "meta": {"lastUpdated": time("02 09:05")},
        "status": "active",
        "type": _concept(kind, "line-kind"),
        "patient": {"reference": f"Patient/{patient}"},
    }


def procedure(
    code: str, at: str, patient: str, line: str | None, *, entered: str | None = None, **other: Any
) -> Resource:
    """Return a Procedure; with `dressing` the kind that went on. Entered when it happened unless said."""
    dressing = other.pop("dressing", None)
    resource = {
        "resourceType": "Procedure",
        "id": f"{line or patient}-{code}-{at.replace(' ', '-').replace(':', '')}",
        "meta": {"lastUpdated": time(entered or at)},
        "extension": [{"url": RECORDED, "valueDateTime": time(entered or at)}],
        "status": "completed",
        "code": _concept(code),
        "subject": {"reference": f"Patient/{patient}"},
        "performedDateTime": time(at),
    }
    if line:
        resource["focalDevice"] = [{"manipulated": {"reference": f"Device/{line}"}}]
    if dressing:
        resource["usedCode"] = [_concept(dressing, "dressing-kind")]
    return resource | other


def look(
    finding: str, at: str, patient: str, line: str | None, *, code: str = "dressing-condition", **other: Any
) -> Resource:
    system = "dressing-condition" if code == "dressing-condition" else "site-finding"
    resource = {
        "resourceType": "Observation",
        "id": f"{line or patient}-{finding}-{at.replace(' ', '-').replace(':', '')}",
        "meta": {"lastUpdated": time(at)},
        "status": "final",
        "code": _concept(code),
        "subject": {"reference": f"Patient/{patient}"},
        "effectiveDateTime": time(at),
        "issued": time(at),
        "valueCodeableConcept": _concept(finding, system),
    }
    return resource | ({"device": {"reference": f"Device/{line}"}} if line else {}) | other


def line(
    name: str, patient: str, changed: str | None, *, kind: str = "picc", dressing: str = "transparent"
) -> list[Resource]:
    """Return a line placed on the 2nd at 09:00, and its last change."""
    where = {"bodySite": [{"text": "basilic"}]}
    found = [
        device(name, patient, kind),
        procedure("insertion", "02 09:00", patient, name, dressing="transparent", **where),
    ]
    return found + ([procedure("dressing-change", changed, patient, name, dressing=dressing)] if changed else [])


# The Device of our software stands already, as it does after the first writing sweep.
SOFTWARE: Resource = software_device(__version__, IDENTITY) | {"id": "made-up-software"}
MADE_UP_WARD: Resource = {
    "resourceType": "Location",
    "id": "made-up-ward",
    "meta": {"lastUpdated": time("01 00:00")},
    "status": "active",
    "name": "Made-up Ward",
    "mode": "instance",
    "type": [{"coding": [{"system": "http://terminology.hl7.org/CodeSystem/v3-RoleCode", "code": "HU"}]}],
    "extension": [{"url": "http://hl7.org/fhir/StructureDefinition/timezone", "valueCode": "UTC"}],
}
PLACES = [MADE_UP_WARD, SOFTWARE]
# Transparent, changed on the 6th at 09:00: due on the 13th at 09:00 (7 d; CDC-2011 rec. 7), so overdue on the 14th.
OVERDUE = [*person("over"), *line("over-picc", "over", "06 09:00")]
# Changed on the 13th: due on the 20th; seen loose on the 14th at 09:40.
LOOSE = [*person("loose"), *line("loose-picc", "loose", "13 09:00"), look("loose", "14 09:40", "loose", "loose-picc")]
# A device record and nothing else.
UNDATED = [*person("undated"), device("undated-picc", "undated")]
# Changed on the 13th at 09:00: due on the 20th at 09:00; appears with the shift that begins on the 19th at 19:00.
CALM = [*person("calm"), *line("calm-picc", "calm", "13 09:00"), look("intact", "14 02:10", "calm", "calm-picc")]
# A red site under a dressing that is not due.
RED = [
    *person("red"),
    *line("red-picc", "red", "13 09:00"),
    look("redness", "14 09:30", "red", "red-picc", code="site-assessment"),
]
WARD = [*PLACES, *OVERDUE, *LOOSE, *UNDATED, *CALM, *RED]


@cache
def wired(zone: str = "UTC", mappings: Path | None = None, *, values: bool = False) -> Wired:
    """Return the shell wired by the shipped mappings; without `values` it writes no derived Observations."""
    found = wire(
        Settings(zone=ZoneInfo(zone), source=SOURCE, mappings=mappings, own_system=OWN_SYSTEM, code_base=CODE_BASE)
    )
    shape = found.wording.shape
    observations = shape.observations.model_copy(update={"written": values})
    wording = replace(found.wording, shape=shape.model_copy(update={"observations": observations}))
    return replace(found, wording=wording)


@cache
def hospital() -> DemoHospital:
    return demo_hospital()


@cache
def wired_demo(*, values: bool = False) -> Wired:
    return with_demo_units(wired(hospital().story.zone, values=values), hospital().story)


def as_input(resources: Iterable[Resource]) -> list[tuple[str, bytes]]:
    return [(f"made up {number}", orjson.dumps(resource)) for number, resource in enumerate(resources, 1)]


def derived(
    resources: Iterable[Resource], at: Instant = AT, known_by: Instant | None = None, settled: Wired | None = None
) -> Derivation:
    known = at if known_by is None else known_by
    return derive_all(as_input(resources), (settled or wired()).instance, at=at, known_by=known)


def write_ndjson(folder: Path, resources: Iterable[Resource]) -> Path:
    (folder / "all.ndjson").write_bytes(b"".join(orjson.dumps(resource) + b"\n" for resource in resources))
    return folder


def memory_server(resources: list[Resource], at: Instant = AT) -> MemoryFhirServer:
    """Return a server in memory that holds the resources, stored a minute before the moment."""
    server = MemoryFhirServer(now=at - 60)
    load_bundle(server, resources)
    server.writes.clear()
    return server


def planned(
    server: FhirServer, at: Instant = AT, settled: Wired | None = None, identity: Identity = IDENTITY
) -> SweepPlan:
    """Return what a sweep of a server at a moment would write."""
    chosen = settled or wired()
    ours = read_ours(server, identity)
    return plan_sweep(from_server(server), ours, chosen.instance, chosen.wording, identity, at=at)
