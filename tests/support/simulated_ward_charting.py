"""What a made-up nurse charts → FHIR resources in the reference way, and the same as plain values for a second reader. No I/O.

The plain values (`Told`, `LineChart`, `StayChart`) hold what stands in the chart, never what truly happened. Everything is
invented.
"""

from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from support.made_up_patient import BASE, RECORDED

Resource = dict[str, Any]
ZONE = ZoneInfo("Europe/Berlin")
MINUTE, HOUR, DAY = 60, 3600, 86400
UNITS = ("made-up-north", "made-up-south")


@dataclass(slots=True)
class Told:
    """One entry that stands in the chart: what, for which time (its earliest reading), entered when; `day`: no hour said."""

    what: str
    happened: int
    entered: int
    kind: str | None = None
    day: bool = False


@dataclass(slots=True)
class LineChart:
    """Everything charted about one line, by resource."""

    id: str
    kind: str
    patient: str
    told: dict[str, Told] = field(default_factory=dict)


@dataclass(slots=True)
class StayChart:
    """What the chart says of one stay."""

    ended: int | None = None
    dead: bool = False
    on_leave: bool = False


def local(instant: int) -> datetime:
    return datetime.fromtimestamp(instant, ZONE)


def at_local(day: date, clock: time) -> int:
    return int(datetime.combine(day, clock, ZONE).timestamp())


def start_of_day(instant: int) -> int:
    return at_local(local(instant).date(), time())


def clock_on(instant: int, hour: int, days: int = 0) -> int:
    """Return an hour of the local day of an instant, some days on."""
    return at_local(local(instant).date() + timedelta(days=days), time(hour))


def text(instant: int) -> str:
    return local(instant).isoformat()


def concept(code: str, system: str = "charting") -> Resource:
    return {"coding": [{"system": BASE + system, "code": code}]}


def ref(resource: Resource) -> str:
    return f"{resource['resourceType']}/{resource['id']}"


def places() -> list[Resource]:
    role = {"system": "http://terminology.hl7.org/CodeSystem/v3-RoleCode", "code": "HU"}
    return [
        {
            "resourceType": "Location",
            "id": unit,
            "status": "active",
            "name": unit.replace("-", " ").title(),
            "mode": "instance",
            "type": [{"coding": [role]}],
            "extension": [{"url": "http://hl7.org/fhir/StructureDefinition/timezone", "valueCode": "Europe/Berlin"}],
        }
        for unit in UNITS
    ]


def patient(name: str, born: int) -> Resource:
    return {"resourceType": "Patient", "id": name, "birthDate": f"{born}-02-03"}


def stay(name: str, spans: list[tuple[str, int, int | None]], *, status: str, died: bool = False) -> Resource:
    """Return a stay of these places, one after another."""
    begun, ended = spans[0][1], spans[-1][2]
    locations = [
        {
            "location": {"reference": f"Location/{place}"},
            "status": "active" if end is None else "completed",
            "period": {"start": text(start)} | ({} if end is None else {"end": text(end)}),
        }
        for place, start, end in spans
    ]
    disposition = {
        "coding": [{"system": "http://terminology.hl7.org/CodeSystem/discharge-disposition", "code": "exp"}]
    }
    return {
        "resourceType": "Encounter",
        "id": f"stay-{name}",
        "status": status,
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
        "subject": {"reference": f"Patient/{name}"},
        "period": {"start": text(begun)} | ({} if ended is None else {"end": text(ended)}),
        "location": locations,
    } | ({"hospitalization": {"dischargeDisposition": disposition}} if died else {})


def device(line: str, kind: str, name: str) -> Resource:
    return {
        "resourceType": "Device",
        "id": line,
        "status": "active",
        "type": concept(kind, "line-kind"),
        "patient": {"reference": f"Patient/{name}"},
    }


def procedure(
    key: str, code: str, line: str, name: str, *, happened: int, entered: int, dressing: str | None, why: str | None = None
) -> Resource:
    """Return a Procedure on a line; with `why` it was not done."""
    resource = {
        "resourceType": "Procedure",
        "id": key,
        "extension": [{"url": RECORDED, "valueDateTime": text(entered)}],
        "status": "completed" if why is None else "not-done",
        "code": concept(code),
        "subject": {"reference": f"Patient/{name}"},
        "performedDateTime": text(happened),
        "focalDevice": [{"manipulated": {"reference": f"Device/{line}"}}],
    }
    if dressing is not None:
        resource["usedCode"] = [concept(dressing, "dressing-kind")]
    return resource | ({} if why is None else {"statusReason": concept(why, "not-done-reason")})


def observation(
    key: str, code: str, line: str, name: str, *, seen: int, entered: int, **value: Any
) -> Resource:
    return {
        "resourceType": "Observation",
        "id": key,
        "status": "final",
        "code": concept(code),
        "subject": {"reference": f"Patient/{name}"},
        "device": {"reference": f"Device/{line}"},
        "effectiveDateTime": text(seen),
        "issued": text(entered),
        **value,
    }


def finding(code: str, of: str) -> Resource:
    """Return the value of an Observation about a `dressing` or a `site`."""
    return {"valueCodeableConcept": concept(code, "dressing-condition" if of == "dressing" else "site-finding")}


def dressing_kind(kind: str) -> Resource:
    return {"valueCodeableConcept": concept(kind, "dressing-kind")}
