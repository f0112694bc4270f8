"""Turns the made-up hospital's file and an instant into FHIR R4 resources, ready to load into a server. No I/O.

Order: Locations and teams, Patients, Encounters, Devices, Procedures, Observations, so that nothing refers forward. Ids
come from the file, so loading again replaces; every Patient is marked as test data.
"""

from collections.abc import Iterator, Mapping
from itertools import chain
from typing import Any
from zoneinfo import ZoneInfo

from msgspec.structs import replace

from linedays.core.moment import DAY, Instant
from linedays.run.demo_charting import Chart, Resource, charted, concept, known_at, reference
from linedays.run.demo_story import (
    BedSpan,
    Event,
    HospitalStory,
    LineStory,
    PatientStory,
    StoryProblem,
    UnitStory,
    after,
    birth_date,
    hospital_story,
)

ROLE_CODE = "http://terminology.hl7.org/CodeSystem/v3-RoleCode"
ACT_CODE = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
PHYSICAL_TYPE = "http://terminology.hl7.org/CodeSystem/location-physical-type"
TEST_DATA = {"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST"}
TIME_ZONE = "http://hl7.org/fhir/StructureDefinition/timezone"
HOSPITAL = "saint-ondine"
RECORD_NUMBER = "https://saint-ondine.example/fictional-record-number"
DEVICE_LABEL = "https://saint-ondine.example/fictional-device-label"
# The building was there before anyone in it.
_BUILT = 365 * DAY


def hospital_resources(document: Mapping[str, Any], at: Instant) -> tuple[Resource, ...]:
    """Return everything that is charted at `at`.

    Raises: StoryProblem where the file does not say what it must.
    """
    story = hospital_story(document)
    zone = ZoneInfo(story.zone)
    everyone = [_Person(patient, at, zone) for patient in story.patients]
    entries = list(chain.from_iterable(person.entries() for person in everyone))
    return (
        *_places(story, at, zone),
        *(person.patient() for person in everyone),
        *chain.from_iterable(person.encounters() for person in everyone),
        *chain.from_iterable(person.devices() for person in everyone),
        *(entry for entry in entries if entry["resourceType"] == "Procedure"),
        *(entry for entry in entries if entry["resourceType"] == "Observation"),
    )


def later_resources(document: Mapping[str, Any], at: Instant) -> tuple[Resource, ...]:
    """Return what is charted after the first sweep, in the file's order; `at` is the moment the stories count from.

    Raises: StoryProblem.
    """
    story = hospital_story(document)
    zone = ZoneInfo(story.zone)
    owners = {line.id: (patient, line) for patient in story.patients for line in patient.lines}
    resources = []
    for number, event in enumerate(story.later, 1):
        if event.line is None:
            raise StoryProblem(f"later entry {number}: name the line it is about with `line`")
        patient, line = owners[event.line]
        resources.append(_Person(patient, at, zone).entry(event, line, f"{line.id}-later-{number}-{event.chart}"))
    return tuple(resources)


def moved_resources(document: Mapping[str, Any], at: Instant) -> tuple[Resource, ...]:
    """Return the Encounters of those who come into another bed after the first sweep, with the bed they left in them.

    Raises: StoryProblem.
    """
    story = hospital_story(document)
    zone = ZoneInfo(story.zone)
    people = {patient.id: patient for patient in story.patients}
    resources: list[Resource] = []
    for move in story.moves:
        told = people[move.patient]
        went = replace(told, stay=(*told.stay, BedSpan(bed=move.bed, start=move.at)))
        resources.extend(_Person(went, at, zone).encounters())
    return tuple(one for one in resources if one["status"] == "in-progress")


def _places(story: HospitalStory, at: Instant, zone: ZoneInfo) -> Iterator[Resource]:
    chart = Chart(patient="", encounter=None, at=at, zone=zone)
    built = chart.text(at - _BUILT)
    yield _location(HOSPITAL, story.name, "bu", built) | {"type": [_role("HOSP")], "extension": [_zone(story.zone)]}
    for unit in story.units:
        yield _location(unit.id, unit.name, "wa", built) | {
            "type": [_role(unit.type)],
            "extension": [_zone(story.zone)],
            "partOf": reference("Location", HOSPITAL),
        }
        for bed in beds_of(unit):
            name = f"{unit.name}, bed {bed.removeprefix(unit.bed_prefix + '-')}"
            yield _location(bed, name, "bd", built) | {"partOf": reference("Location", unit.id)}
        if unit.team is not None:
            yield _team(unit.team, f"{unit.name}, nurses", built)


def beds_of(unit: UnitStory) -> tuple[str, ...]:
    """Return the ids of a unit's beds."""
    return tuple(f"{unit.bed_prefix}-{number:02}" for number in range(1, unit.beds + 1))


def _team(key: str, name: str, known: str) -> Resource:
    return {"resourceType": "CareTeam", "id": key, "meta": {"lastUpdated": known}, "status": "active", "name": name}


def _location(key: str, name: str, physical_type: str, known: str) -> Resource:
    return {
        "resourceType": "Location",
        "id": key,
        "meta": {"lastUpdated": known},
        "status": "active",
        "name": name,
        "mode": "instance",
        "physicalType": {"coding": [{"system": PHYSICAL_TYPE, "code": physical_type}]},
    }


def _role(code: str) -> dict[str, Any]:
    return {"coding": [{"system": ROLE_CODE, "code": code}]}


def _zone(name: str) -> dict[str, str]:
    return {"url": TIME_ZONE, "valueCode": name}


class _Person:
    """One patient of the file at one moment, as resources."""

    def __init__(self, told: PatientStory, at: Instant, zone: ZoneInfo) -> None:
        self._told = told
        self._at = at
        self._zone = zone
        self._admitted = after(at, told.stay[0].start) if told.stay else at
        self._stay = f"{told.id}-stay"
        self._earlier = f"{told.id}-earlier-stay"

    def patient(self) -> Resource:
        given, _, family = self._told.name.partition(" ")
        return {
            "resourceType": "Patient",
            "id": self._told.id,
            "meta": {"lastUpdated": self._text(self._first_seen()), "security": [TEST_DATA]},
            "identifier": [{"system": RECORD_NUMBER, "value": f"ONDINE-{self._told.id.upper()}"}],
            "active": True,
            "name": [{"text": self._told.name, "family": family, "given": [given]}],
            "gender": self._told.gender,
            "birthDate": birth_date(self._at, self._told.born, self._zone).isoformat(),
        }

    def encounters(self) -> Iterator[Resource]:
        if self._told.earlier:
            yield self._encounter(self._earlier, self._told.earlier)
        yield self._encounter(self._stay, self._told.stay)

    def devices(self) -> Iterator[Resource]:
        for line in self._told.lines:
            device: Resource = {
                "resourceType": "Device",
                "id": line.id,
                "meta": {"lastUpdated": self._text(self._record_made(line))},
                "identifier": [{"system": DEVICE_LABEL, "value": f"MARSH-{line.id.upper()}"}],
                "status": "active",
                "type": concept("line-kind", line.kind),
                "patient": reference("Patient", self._told.id),
            }
            if line.parent is not None:
                device["parent"] = reference("Device", line.parent)
            yield device

    def entries(self) -> Iterator[Resource]:
        for line in self._told.lines:
            for number, event in enumerate(line.events, 1):
                yield self.entry(event, line, f"{line.id}-{number}-{event.chart}")
        for number, event in enumerate(self._told.unlinked, 1):
            yield self.entry(event, None, f"{self._told.id}-unlinked-{number}-{event.chart}")

    def entry(self, event: Event, line: LineStory | None, key: str) -> Resource:
        chart = Chart(
            patient=self._told.id,
            encounter=self._encounter_at(after(self._at, event.at)),
            at=self._at,
            zone=self._zone,
        )
        return charted(event, line, chart, key=key)

    def _text(self, instant: Instant) -> str:
        return Chart(patient=self._told.id, encounter=None, at=self._at, zone=self._zone).text(instant)

    def _first_seen(self) -> Instant:
        return after(self._at, self._told.earlier[0].start) if self._told.earlier else self._admitted

    def _encounter_at(self, instant: Instant) -> str | None:
        if instant >= self._admitted:
            return self._stay
        for span in self._told.earlier:
            end = self._at if span.end is None else after(self._at, span.end)
            if after(self._at, span.start) <= instant < end:
                return self._earlier
        return None

    def _record_made(self, line: LineStory) -> Instant:
        if line.known is not None:
            return after(self._at, line.known)
        return known_at(line.events[0], self._at) if line.events else self._admitted

    def _encounter(self, key: str, spans: tuple[BedSpan, ...]) -> Resource:
        ends = [*(span.start for span in spans[1:]), spans[-1].end]
        periods = [self._period(span.start, span.end or end) for span, end in zip(spans, ends, strict=True)]
        over = "end" in periods[-1]
        return {
            "resourceType": "Encounter",
            "id": key,
            "meta": {"lastUpdated": periods[-1].get("end", periods[-1]["start"])},
            "status": "finished" if over else "in-progress",
            "class": {"system": ACT_CODE, "code": "IMP"},
            "subject": reference("Patient", self._told.id),
            "period": {"start": periods[0]["start"], **({"end": periods[-1]["end"]} if over else {})},
            "location": [
                {
                    "location": reference("Location", span.bed),
                    "status": "completed" if "end" in period else "active",
                    "period": period,
                }
                for span, period in zip(spans, periods, strict=True)
            ],
        }

    def _period(self, start: str, end: str | None) -> dict[str, str]:
        period = {"start": self._text(after(self._at, start))}
        return period if end is None else period | {"end": self._text(after(self._at, end))}
