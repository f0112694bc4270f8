"""A batch of writes → the one Provenance that says who made them, from which entries, by which policy. No I/O.

This is the one place where a time of writing is said. R4 Provenance has no identifier: its id is made from its content,
so that on a server without transactions it can be put under that id and a second try doubles nothing.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from linedays.core.moment import Instant
from linedays.fhir.elements import Resource, narrative, reference_name, time_text
from linedays.fhir.identity import Identity

OPERATION = "http://terminology.hl7.org/CodeSystem/v3-DataOperation"
PARTICIPANT = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
# What a source may be: an entry about a line. Who, where and during which stay is no source.
_SOURCES = ("Procedure/", "Observation/", "Device/", "DeviceUseStatement/")
_FROM = ("focus", "device", "partOf", "derivedFrom", "reasonReference", "input", "output", "extension")
_NO_VERSIONS: Mapping[str, str] = {}


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """One thing that was written: under which reference (with its version, where known), whether it is there since now.

    `sources` are the entries it stands on that the resource itself does not name.
    """

    ref: str
    resource: Mapping[str, Any]
    created: bool
    sources: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Writing:
    """Who wrote, when, by which policy. `software` is the reference to our Device."""

    software: Resource
    at: Instant
    zone: tzinfo
    policy_hash: str


def provenance_of(
    traced: Sequence[Target], identity: Identity, by: Writing, versions: Mapping[str, str] = _NO_VERSIONS
) -> Resource:
    """Return the Provenance of a batch of writes, at least one. `versions` are those of the sources, where known.

    A batch is a creation only where everything in it is new; else it is an update, since it changes what stood.
    Source: FHIR R4 Provenance (http://hl7.org/fhir/R4/provenance.html).
    """
    targets = sorted(each.ref for each in traced)
    sources = sorted({_versioned(name, versions) for each in traced for name in sources_in(each)})
    activity = "CREATE" if all(each.created for each in traced) else "UPDATE"
    policy = f"{identity.codes}policy|{by.policy_hash}"
    replaced = sorted(f"{each.ref}@{_replaces(each)}" for each in traced)
    content = "|".join((*replaced, activity, *sources, policy))
    elements: dict[str, Any] = {
        "resourceType": "Provenance",
        "id": str(uuid5(uuid5(NAMESPACE_URL, identity.system), f"provenance|{content}")),
        "text": narrative(("Made by linedays from what is charted; it informs and does not order.",)),
        "target": [{"reference": ref} for ref in targets],
        "recorded": time_text(by.at, by.zone),
        "policy": [policy],
        "activity": {"coding": [{"system": OPERATION, "code": activity}]},
        "agent": [{"type": {"coding": [{"system": PARTICIPANT, "code": "assembler"}]}, "who": by.software}],
        "entity": [{"role": "source", "what": {"reference": name}} for name in sources],
    }
    return {name: element for name, element in elements.items() if element}


def _replaces(each: Target) -> str:
    """Return the version that a write replaces: two updates of one thing are two batches, a second try is the same."""
    return "" if each.created else str(each.resource.get("meta", {}).get("versionId", ""))


def sources_in(each: Target) -> tuple[str, ...]:
    """Return the entries that a written thing stands on: those named in it, and those said beside it.

    Shape: `Type/id`, in order of name, each once.
    """
    named = {name for element in _FROM for name in _references(each.resource.get(element))}
    return tuple(sorted(name for name in {*named, *each.sources} if name.startswith(_SOURCES)))


def _references(element: object) -> Iterable[str]:
    match element:
        case Mapping():
            name = reference_name(element)
            if name is not None:
                yield name
            for one in element.values():
                yield from _references(one)
        case list():
            for one in element:
                yield from _references(one)


def _versioned(name: str, versions: Mapping[str, str]) -> str:
    version = versions.get(name)
    return name if version is None else f"{name}/_history/{version}"
