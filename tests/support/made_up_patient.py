"""Turns a seed and a number into one made-up patient, charted in the reference way, with what goes wrong. No I/O.

Ten facts to a line: its Device, the insertion, four dressing changes, three looks at the dressing, the removal (or a
fourth look). About 5 % of all resources are bad in one of seven ways and about 5 % of all lines are ambiguous: two lines
of one kind in one patient, charted without saying which. Times are written in four different UTC offsets.
"""

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, timezone
from random import Random
from typing import Any

import orjson

BASE = "https://linedays.example/fhir/CodeSystem/"
RECORDED = "http://hl7.org/fhir/5.0/StructureDefinition/extension-Procedure.recorded"
START = datetime(2026, 1, 5, 6, 0, tzinfo=UTC)
OFFSETS = tuple(timezone(timedelta(minutes=minutes)) for minutes in (0, 60, -300, 345))
LINE_KINDS = ("nontunnelled-cvc", "picc", "tunnelled-cvc", "dialysis-nontunnelled", "arterial", "midline")
PLACES = ("ward-north", "ward-south", "icu-east")
CHANGES_PER_LINE = 4
LOOKS_PER_LINE = 3
FACTS_PER_LINE = 10
PAIR_SHARE = 0.031  # two lines each and 1.23 lines to a patient: 5 % of the lines
SECOND_KIND_SHARE = 0.20
BAD_SHARE = 0.05 * FACTS_PER_LINE / (CHANGES_PER_LINE + LOOKS_PER_LINE)  # only changes and looks go bad

Resource = dict[str, Any]


@dataclass(slots=True)
class Written:
    """What was written: resources by type, bad ones by reason with their ids, lines and ambiguous lines."""

    resources: Counter[str] = field(default_factory=Counter)
    bad: dict[str, str] = field(default_factory=dict)
    lines: int = 0
    ambiguous_lines: int = 0
    size: int = 0


class MadeUpPatient:
    """One patient with one or two lines; `rows` gives everything charted, in the order it was charted for each line."""

    def __init__(self, number: int, seed: int, written: Written) -> None:
        self.number = number
        self.id = f"p{number:07d}"
        self.random = Random(f"{seed}/{number}")
        self.written = written
        self.count = 0
        self.admitted = START + timedelta(minutes=self.random.randrange(60 * 24 * 60))
        self.stay = f"e{number:07d}"

    def rows(self, most: int) -> Iterator[tuple[str, bytes]]:
        random = self.random
        draw = random.random()
        kinds = [random.choice(LINE_KINDS)]
        if draw < PAIR_SHARE:
            kinds = ["nontunnelled-cvc", "nontunnelled-cvc"]
        elif draw < PAIR_SHARE + SECOND_KIND_SHARE:
            kinds.append(random.choice([kind for kind in LINE_KINDS if kind != kinds[0]]))
        kinds = kinds[:most]
        ambiguous = len(kinds) == 2 and kinds[0] == kinds[1]
        self.written.lines += len(kinds)
        self.written.ambiguous_lines += len(kinds) * ambiguous
        removed = random.random() < 0.7
        yield "Patient", orjson.dumps(self._patient())
        facts: list[Resource] = []
        last = self.admitted
        for position, kind in enumerate(kinds):
            last = max(last, self._line(facts, f"d{self.number:07d}-{position}", kind, linked=not ambiguous, removed=removed))
        yield "Encounter", orjson.dumps(self._encounter(last + timedelta(days=1) if removed else None))
        for resource in facts:
            yield resource["resourceType"], self._spoilt(resource)

    def _line(self, facts: list[Resource], device: str, kind: str, *, linked: bool, removed: bool) -> datetime:
        random = self.random
        inserted = self.admitted + timedelta(minutes=random.randrange(10, 360))
        link = device if linked else None
        facts.append(self._device(device, kind, inserted))
        facts.append(self._procedure("insertion", inserted, device, action="implanted", dressing="chg-gel"))
        when = inserted
        for change in range(CHANGES_PER_LINE):
            # At least 8 h after the insertion of the patient's other line, so that both are in place.
            when += timedelta(minutes=random.randrange(*((8 * 60, 9 * 1440) if change else (10 * 60, 7 * 1440))))
            if change < LOOKS_PER_LINE:
                facts.append(self._look(when - timedelta(minutes=random.randrange(5, 120)), link))
            dressing = random.choice(("transparent", "chg-gel", "chg-gel", "gauze"))
            facts.append(self._procedure("dressing-change", when, link, action="manipulated", dressing=dressing))
        when += timedelta(minutes=random.randrange(60, 3 * 1440))
        if not removed:
            facts.append(self._look(when, link))
            return when
        # The two lines of a pair stay until everything charted about either has happened.
        when = when if linked else self.admitted + timedelta(days=45)
        facts.append(self._procedure("removal", when, device, action="explanted", dressing=None))
        return when

    def _spoilt(self, resource: Resource) -> bytes:
        codes = [coding["code"] for coding in resource.get("code", {}).get("coding", ())]
        if codes[:1] not in (["dressing-change"], ["dressing-condition"]) or self.random.random() >= BAD_SHARE:
            return orjson.dumps(resource)
        ways = WAYS if codes == ["dressing-change"] else tuple(way for way in WAYS if way not in TIMED_WAYS)
        way = self.random.choice(ways)
        self.written.bad[f"{resource['resourceType']}/{resource['id']}"] = way
        return SPOIL[way](self, resource)

    def _next_id(self, letter: str) -> str:
        self.count += 1
        return f"{letter}{self.number:07d}-{self.count:03d}"

    def _text(self, when: datetime) -> str:
        return when.astimezone(self.random.choice(OFFSETS)).isoformat(timespec="seconds")

    def _meta(self, when: datetime) -> Resource:
        updated = when.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.") + f"{self.random.randrange(1000):03d}Z"
        return {
            "versionId": "1",
            "lastUpdated": updated,
            "source": "https://chart.hospital.example",
        }

    def _patient(self) -> Resource:
        year = 1930 + self.random.randrange(75)
        return {
            "resourceType": "Patient",
            "id": self.id,
            "meta": self._meta(self.admitted),
            "identifier": [{"system": "https://chart.hospital.example/record", "value": f"X{self.number:08d}"}],
            "name": [{"family": f"Exampleperson{self.number}", "given": ["Made", "Up"]}],
            "gender": self.random.choice(("female", "male", "other")),
            "birthDate": f"{year}-0{1 + self.random.randrange(9)}-1{self.random.randrange(9)}",
        }

    def _encounter(self, discharged: datetime | None) -> Resource:
        period = {"start": self._text(self.admitted)}
        if discharged:
            period["end"] = self._text(discharged)
        place = {"reference": f"Location/{self.random.choice(PLACES)}"}
        return {
            "resourceType": "Encounter",
            "id": self.stay,
            "meta": self._meta(discharged or self.admitted),
            "status": "finished" if discharged else "in-progress",
            "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
            "subject": {"reference": f"Patient/{self.id}"},
            "period": period,
            "location": [{"location": place, "status": "completed" if discharged else "active", "period": period}],
        }

    def _device(self, device: str, kind: str, when: datetime) -> Resource:
        return {
            "resourceType": "Device",
            "id": device,
            "meta": self._meta(when + timedelta(minutes=20)),
            "identifier": [{"system": "https://chart.hospital.example/device", "value": f"L-{device}"}],
            "status": "active",
            "type": {"coding": [{"system": BASE + "line-kind", "code": kind}], "text": f"Made-up entry: {kind}"},
            "patient": {"reference": f"Patient/{self.id}"},
            "note": [{"text": "Entered from the bedside form for vascular access lines (made-up data)."}],
        }

    def _procedure(
        self, code: str, when: datetime, device: str | None, *, action: str, dressing: str | None
    ) -> Resource:
        entered = when + timedelta(minutes=self.random.randrange(1, 240))
        resource = {
            "resourceType": "Procedure",
            "id": self._next_id("x"),
            "meta": self._meta(entered),
            "text": {"status": "generated", "div": f"<div xmlns='http://www.w3.org/1999/xhtml'>{code}</div>"},
            "extension": [{"url": RECORDED, "valueDateTime": self._text(entered)}],
            "identifier": [{"system": "https://chart.hospital.example/entry", "value": self._next_id("n")}],
            "status": "completed",
            "code": {"coding": [{"system": BASE + "charting", "code": code}], "text": code.replace("-", " ")},
            "subject": {"reference": f"Patient/{self.id}"},
            "encounter": {"reference": f"Encounter/{self.stay}"},
            "performedDateTime": self._text(when),
            "performer": [{"actor": {"reference": f"Practitioner/made-up-{self.random.randrange(400):03d}"}}],
        }
        if device:
            coding = {"system": "http://hl7.org/fhir/device-action", "code": action}
            resource["focalDevice"] = [
                {"action": {"coding": [coding]}, "manipulated": {"reference": f"Device/{device}"}}
            ]
        if dressing:
            resource["usedCode"] = [{"coding": [{"system": BASE + "dressing-kind", "code": dressing}]}]
        return resource

    def _look(self, when: datetime, device: str | None) -> Resource:
        finding = self.random.choices(("intact", "loose", "damp", "soiled", "lifted"), (80, 8, 5, 4, 3))[0]
        resource = {
            "resourceType": "Observation",
            "id": self._next_id("o"),
            "meta": self._meta(when + timedelta(minutes=5)),
            "identifier": [{"system": "https://chart.hospital.example/entry", "value": self._next_id("n")}],
            "status": "final",
            "code": {"coding": [{"system": BASE + "charting", "code": "dressing-condition"}]},
            "subject": {"reference": f"Patient/{self.id}"},
            "effectiveDateTime": self._text(when),
            "issued": self._text(when + timedelta(minutes=self.random.randrange(1, 60))),
            "valueCodeableConcept": {"coding": [{"system": BASE + "dressing-condition", "code": finding}]},
        }
        if device:
            resource["device"] = {"reference": f"Device/{device}"}
        return resource

    def truncated(self, resource: Resource) -> bytes:
        row = orjson.dumps(resource)
        return row[: len(row) // 2]

    def wrong_type(self, resource: Resource) -> bytes:
        return orjson.dumps(resource | {"status": [resource["status"]]})

    def bad_date(self, resource: Resource) -> bytes:
        key = "performedDateTime" if "performedDateTime" in resource else "effectiveDateTime"
        return orjson.dumps(resource | {key: "2026-02-30" + resource[key][10:]})

    def unknown_code(self, resource: Resource) -> bytes:
        coding = {"system": BASE + "charting", "code": "not-a-code-of-ours"}
        return orjson.dumps(resource | {"code": {"coding": [coding]}})

    def subject_mismatch(self, resource: Resource) -> bytes:
        other = f"Patient/p{max(0, self.number - 1) or self.number + 1:07d}"
        return orjson.dumps(_linked(resource, f"d{self.number:07d}-0") | {"subject": {"reference": other}})

    def after_own_entry(self, resource: Resource) -> bytes:
        entered = datetime.fromisoformat(resource["extension"][0]["valueDateTime"])
        later = entered + timedelta(minutes=self.random.randrange(16, 30000))
        return orjson.dumps(resource | {"performedDateTime": self._text(later)})

    def before_insertion(self, resource: Resource) -> bytes:
        earlier = self.admitted - timedelta(minutes=self.random.randrange(1, 3000))
        return orjson.dumps(_linked(resource, f"d{self.number:07d}-0") | {"performedDateTime": self._text(earlier)})


SPOIL: dict[str, Callable[[MadeUpPatient, Resource], bytes]] = {
    "truncated": MadeUpPatient.truncated,
    "wrong-type": MadeUpPatient.wrong_type,
    "bad-date": MadeUpPatient.bad_date,
    "unknown-code": MadeUpPatient.unknown_code,
    "subject-mismatch": MadeUpPatient.subject_mismatch,
    "after-own-entry": MadeUpPatient.after_own_entry,
    "before-insertion": MadeUpPatient.before_insertion,
}
WAYS = tuple(SPOIL)
TIMED_WAYS = ("after-own-entry", "before-insertion")


def _linked(resource: Resource, device: str) -> Resource:
    """Return the resource with a device, for the ways of being bad that need one."""
    reference = {"reference": f"Device/{device}"}
    if resource["resourceType"] == "Observation":
        return {"device": reference} | resource
    return {"focalDevice": [{"manipulated": reference}]} | resource
