"""Turns one entry of a made-up chart into the FHIR R4 resource of the reference charting that says it. No I/O.

Every resource states when it became known: `issued` for an Observation, the R5 `recorded` extension for a Procedure,
`meta.lastUpdated` for everything (a server replaces that one by its own).
"""

from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Any

from linedays.core.moment import Instant, local_date
from linedays.run.demo_story import Event, LineStory, StoryProblem, after

Resource = dict[str, Any]

CODE_BASE = "https://linedays.example/fhir/CodeSystem/"
SNOMED_CT = "http://snomed.info/sct"
DEVICE_ACTION = "http://hl7.org/fhir/device-action"
RECORDED = "http://hl7.org/fhir/5.0/StructureDefinition/extension-Procedure.recorded"
WOUND_DRESSING = "wound-dressing"

_OBSERVED = {
    "dressing-condition": "dressing-condition",
    "site-assessment": "site-finding",
    "dressing-label-date": None,
    "dressing-change-reported": None,
    "exit-site-healed": None,
}
_PERFORMED = frozenset(
    {"insertion", "removal", "dressing-change", "dressing-reinforced", "line-access", "port-access", "port-deaccess",
     "port-needle-change", "connector-change", "administration-set-change", "securement-change", "necessity-review",
     "repositioned", "infusion-start", "upkeep-paused", WOUND_DRESSING}
)  # fmt: skip
_ACTIONS = {"insertion": "implanted", "removal": "explanted"}
# Codes of fhir-facts that were seen in published material; a site without one is charted in words only.
_SITE_CODES = {
    "internal-jugular": "12123001",
    "subclavian": "9454009",
    "femoral": "83419000",
    "basilic": "19715009",
}
_SIDE_CODES = {"left": "7771000", "right": "24028007"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """Where entries are written: the patient, the stay, the moment the stories count from, the hospital's zone."""

    patient: str
    encounter: str | None
    at: Instant
    zone: tzinfo

    def text(self, instant: Instant) -> str:
        """Return an instant as local FHIR text."""
        return datetime.fromtimestamp(instant, self.zone).isoformat()


def charted(event: Event, line: LineStory | None, chart: Chart, *, key: str) -> Resource:
    """Return the Procedure or Observation, with the id `key`, that charts an entry.

    Raises: StoryProblem where the entry's code is not part of the reference charting.
    """
    if event.chart in _OBSERVED:
        return _observation(event, line, chart, key)
    if event.chart in _PERFORMED:
        return _procedure(event, line, chart, key)
    raise StoryProblem(f"{key}: {event.chart!r} is not an entry of the reference charting")


def concept(system: str, code: str) -> dict[str, Any]:
    """Return a CodeableConcept with a code of ours."""
    return {"coding": [{"system": CODE_BASE + system, "code": code}], "text": code.replace("-", " ")}


def reference(resource_type: str, key: str) -> dict[str, str]:
    """Return a Reference."""
    return {"reference": f"{resource_type}/{key}"}


def known_at(event: Event, at: Instant) -> Instant:
    """Return when an entry became known."""
    return after(after(at, event.at), event.entered)


def _procedure(event: Event, line: LineStory | None, chart: Chart, key: str) -> Resource:
    happened, known = after(chart.at, event.at), chart.text(known_at(event, chart.at))
    resource: Resource = {
        "resourceType": "Procedure",
        "id": key,
        "meta": {"lastUpdated": known},
        "extension": [{"url": RECORDED, "valueDateTime": known}],
        "status": event.status or "completed",
        "code": _procedure_code(event.chart),
        "subject": reference("Patient", chart.patient),
        "performedDateTime": local_date(happened, chart.zone).isoformat() if event.date_only else chart.text(happened),
    }
    if chart.encounter is not None:
        resource["encounter"] = reference("Encounter", chart.encounter)
    if event.reason is not None:
        resource["statusReason"] = concept("not-done-reason", event.reason)
    site, side = (line.site, line.side) if line else (event.site, event.side)
    if site is not None and side is not None:
        resource["bodySite"] = [_body_site(site, side)]
    if line is not None:
        resource["focalDevice"] = [_focal_device(event, line)]
    kinds = (("dressing-kind", event.dressing), ("line-kind", event.line_kind), ("infusion-kind", event.infusion))
    used = [concept(system, code) for system, code in kinds if code is not None]
    return resource | ({"usedCode": used} if used else {})


def _focal_device(event: Event, line: LineStory) -> dict[str, Any]:
    action = _ACTIONS.get(event.chart, "manipulated")
    return {
        "action": {"coding": [{"system": DEVICE_ACTION, "code": action}]},
        "manipulated": reference("Device", line.id),
    }


def _procedure_code(code: str) -> dict[str, Any]:
    if code == WOUND_DRESSING:
        return {"coding": [{"system": SNOMED_CT, "code": "18949003"}], "text": "Change of dressing"}
    return concept("charting", code)


def _observation(event: Event, line: LineStory | None, chart: Chart, key: str) -> Resource:
    known = chart.text(known_at(event, chart.at))
    resource: Resource = {
        "resourceType": "Observation",
        "id": key,
        "meta": {"lastUpdated": known},
        "status": event.status or "final",
        "code": concept("charting", event.chart),
        "subject": reference("Patient", chart.patient),
        "effectiveDateTime": chart.text(after(chart.at, event.at)),
        "issued": known,
    }
    if chart.encounter is not None:
        resource["encounter"] = reference("Encounter", chart.encounter)
    if line is not None:
        resource["device"] = reference("Device", line.id)
    return resource | _value(event, chart, key)


def _value(event: Event, chart: Chart, key: str) -> Resource:
    if event.healed is not None:
        return {"valueBoolean": event.healed}
    if event.says is not None:
        # A label carries the day, seldom the time.
        return {"valueDateTime": local_date(after(chart.at, event.says), chart.zone).isoformat()}
    system = _OBSERVED[event.chart]
    if system is None or not event.findings:
        raise StoryProblem(f"{key}: {event.chart} needs `findings`, `says` or `healed`")
    values = [concept(system, finding) for finding in event.findings]
    if len(values) == 1:
        return {"valueCodeableConcept": values[0]}
    code = concept("charting", event.chart)
    return {"component": [{"code": code, "valueCodeableConcept": value} for value in values]}


def _body_site(site: str, side: str) -> dict[str, Any]:
    words = {"text": f"{side} {site.replace('-', ' ')}"}
    if site not in _SITE_CODES:
        return words
    return {
        "coding": [
            {"system": SNOMED_CT, "code": _SITE_CODES[site]},
            {"system": SNOMED_CT, "code": _SIDE_CODES[side]},
        ],
        **words,
    }
