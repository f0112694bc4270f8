"""A change to a derived value → the Observation to write; what others wrote into it is carried through. No I/O."""

from typing import Any

from linedays.core.value_changes import WITHOUT_KEY, Record, Withdraw
from linedays.fhir.elements import Resource, concept, is_our_note, merged, tags
from linedays.fhir.identity import Identity, freed, key_identifier
from linedays.fhir.outputs.observation.read import ENDS, KINDS, WITHDRAWN
from linedays.fhir.outputs.observation.render import ValueContent, render_value

_OWNED = (
    "valueQuantity", "valueDateTime", "valueCodeableConcept", "dataAbsentReason", "code", "category", "subject",
    "encounter", "effectiveDateTime", "device", "focus", "partOf", "derivedFrom", "method", "note", "text",
)


def new_value(change: Record, content: ValueContent, identity: Identity) -> Resource:
    """Return an Observation to create."""
    body = render_value(content, identity)
    identifiers = [key_identifier(change.key, identity), *body["identifier"]]
    return {"resourceType": "Observation", **body, "identifier": identifiers, "status": "final"}


def corrected_value(resource: Resource, content: ValueContent, identity: Identity) -> Resource:
    """Return an Observation that says what is known now; everything that others wrote stays."""
    ours = render_value(content, identity)
    hashes = {tag["system"]: tag["code"] for tag in ours["meta"]["tag"]}
    system = identity.codes + KINDS
    codings = [one for one in resource.get("code", {}).get("coding", []) if one.get("system") != system]
    line = ours["identifier"][0]
    kept = [one for one in resource["identifier"] if {**one, "value": None} != {**line, "value": None}]
    ours |= {
        "status": "corrected",
        "meta": tags(resource.get("meta"), hashes),
        "identifier": [*kept, line],
        "code": {**ours["code"], "coding": [*ours["code"]["coding"], *codings]},
        "category": resource.get("category") or ours["category"],
        "note": [*(one for one in resource.get("note", []) if not is_our_note(one)), *ours.get("note", [])],
        "extension": _other_extensions(resource, identity),
    }
    return merged(resource, {name: value for name, value in ours.items() if value}, (*_OWNED, "extension"))


def withdrawn_value(resource: Resource, change: Withdraw, identity: Identity) -> Resource:
    """Return an Observation marked as entered in error, with the reason; everything else stays."""
    reason = change.reason
    because = concept(identity.codes + ENDS, reason.value, reason.value.replace("-", " "))
    extension = {"url": identity.extensions + WITHDRAWN, "valueCodeableConcept": because}
    given_up = reason in WITHOUT_KEY
    identifiers = freed(resource["identifier"], change.ref, identity) if given_up else resource["identifier"]
    return {
        **resource,
        "status": "entered-in-error",
        "identifier": identifiers,
        "extension": [*_other_extensions(resource, identity), extension],
    }


def _other_extensions(resource: Resource, identity: Identity) -> list[Any]:
    return [one for one in resource.get("extension", []) if one.get("url") != identity.extensions + WITHDRAWN]
