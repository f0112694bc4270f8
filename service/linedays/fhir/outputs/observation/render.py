"""A derived value → the elements that we own of its Observation. No I/O.

Every instant in it is the instant that the value is about, or one that it counts from; there is no time of a run.
"""

from collections.abc import Hashable
from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import Any, assert_never

from linedays.core.derived_values import Absent, DayNumber, DerivedValue, DueAt, Elapsed, InState
from linedays.core.model import Line, StartBasis
from linedays.core.moment import HOUR
from linedays.core.value_changes import WantedValue
from linedays.fhir.elements import Resource, concept, narrative, note, reference, reference_name, tags, time_text
from linedays.fhir.identity import Identity, line_identifier, patient_of_line
from linedays.fhir.outputs.observation.read import ABSENT, HOUR_DIGITS, KINDS, STATES, said_by
from linedays.fhir.searches import instant_text

UCUM = "http://unitsofmeasure.org"
CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
_PLACED = frozenset({StartBasis.INSERTION, StartBasis.EXCHANGE})


@dataclass(frozen=True, slots=True, kw_only=True)
class ValueContent:
    """What an Observation says: the value with its words, without a name of a person in them.

    `words` are those of the value, where it is one of words; `method` names the rule; `notes` hold the arithmetic.
    """

    value: DerivedValue
    title: str
    words: str
    method: str
    notes: tuple[str, ...]
    policy_hash: str


def wanted_value(value: DerivedValue, words: str, identity: Identity) -> WantedValue:
    """Return the Observation wanted for a value; its texts are made, and it is rendered, only where it is written.

    `words` are those of a state, which are part of what it says; no other value needs them here.
    """
    return WantedValue(
        stem="|".join((value.line.key, value.kind.value, instant_text(value.at))),
        names=value.line.names,
        kind=value.kind,
        at=value.at,
        patient=patient_of_line(value.line),
        own=_projected(value, words, identity),
        content=value,
    )


def render_value(content: ValueContent, identity: Identity) -> Resource:
    """Return the elements that we own of an Observation, without its key and status.

    Source: FHIR R4 Observation (http://hl7.org/fhir/R4/observation.html); units by UCUM.
    """
    value = content.value
    zone = value.zone or UTC
    placed = value.line.start_source if value.line.start_basis in _PLACED else ""
    elements: dict[str, Any] = {
        "meta": tags(None, {identity.codes + "tag": "derived", identity.codes + "policy": content.policy_hash}),
        "text": narrative((f"{content.title}: {content.words}", *content.notes)),
        "identifier": [line_identifier(value.line.key, identity)],
        "partOf": [reference("Procedure", placed)] if placed.startswith("Procedure/") else None,
        "category": [{"coding": [{"system": CATEGORY, "code": "procedure"}]}],
        "code": concept(identity.codes + KINDS, value.kind.value, content.title),
        "subject": reference("Patient", value.line.patient),
        "encounter": reference("Encounter", value.encounter) if value.encounter else None,
        "effectiveDateTime": time_text(value.at, zone),
        **_value(value, content.words, zone, identity),
        "note": [note(text) for text in content.notes],
        "method": {"text": content.method} if content.method else None,
        **_about(value.line),
        "derivedFrom": [reference("Observation", one) for one in value.sources if one.startswith("Observation/")],
    }
    return {name: element for name, element in elements.items() if element}


def _value(value: DerivedValue, words: str, zone: tzinfo, identity: Identity) -> Resource:
    match value.said:
        case Elapsed() as spent:
            return {"valueQuantity": _hours(spent)}
        case DayNumber(number):
            return {"valueQuantity": {"value": number, "unit": "d", "system": UCUM, "code": "d"}}
        case DueAt(at):
            return {"valueDateTime": time_text(at, zone)}
        case InState() as said:
            return {"valueCodeableConcept": concept(identity.codes + STATES, _code(said), words)}
        case Absent() as why:
            return {"dataAbsentReason": concept(ABSENT, why.value, words)}
        case said:
            assert_never(said)


def _hours(spent: Elapsed) -> Resource:
    quantity = {"value": round(spent.seconds / HOUR, HOUR_DIGITS), "unit": "h", "system": UCUM, "code": "h"}
    return {**quantity, "comparator": spent.bound.value} if spent.bound.value else quantity


def _code(said: InState) -> str:
    return said.state.value.replace(" ", "-")


def _about(line: Line) -> Resource:
    """Say which line: its Device; where the chart has none, the entry that the line is known by."""
    names = (*line.names, line.start_source)
    device = next((name for name in names if name.startswith("Device/")), None)
    if device is not None:
        return {"device": {"reference": device}}
    return {"focus": [{"reference": line.key}]}


def _projected(value: DerivedValue, words: str, identity: Identity) -> Hashable:
    """Return what `own_of` reads back from the rendered value, without rendering it."""
    said = _value(value, words, UTC, identity)
    about = _about(value.line)
    derived = tuple(sorted(one for one in value.sources if one.startswith("Observation/")))
    return (
        value.kind.value,
        value.at,
        patient_of_line(value.line),
        reference_name(reference("Encounter", value.encounter)) if value.encounter else None,
        reference_name(about.get("device") or about["focus"][0]),
        derived,
        said_by(said, identity),
    )
