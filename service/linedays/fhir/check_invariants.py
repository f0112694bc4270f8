"""A resource whose elements have their right form → what does not fit together in it. No I/O.

Source: FHIR R4, invariants inv-1 (task.html), per-1 (datatypes.html), obs-6 and obs-7 (observation.html).
"""

from collections.abc import Iterator, Mapping
from datetime import UTC
from typing import Any

from linedays.core.moment import Moment, moment_from_text
from linedays.fhir.identity import Identity, is_ours, line_of


def order_problems(value: Any, path: str = "") -> Iterator[str]:
    """Say where a period, or a Task, ends before it begins (per-1, inv-1)."""
    match value:
        case Mapping():
            for first, last in (("start", "end"), ("authoredOn", "lastModified")):
                if _is_after(value.get(first), value.get(last)):
                    yield f"{path or value.get('resourceType')}: {last} is before {first}"
            for name, one in value.items():
                yield from order_problems(one, f"{path}.{name}" if path else str(name))
        case list():
            for index, one in enumerate(value):
                yield from order_problems(one, f"{path}[{index}]")


def _is_after(first: object, last: object) -> bool:
    begin, end = _moment(first), _moment(last)
    return begin is not None and end is not None and begin.earliest > end.latest


def _moment(text: object) -> Moment | None:
    read = moment_from_text(text, UTC) if isinstance(text, str) else None
    return read if isinstance(read, Moment) else None


def observed_problems(resource: Mapping[str, Any]) -> Iterator[str]:
    """Say where an Observation has a value and a reason for having none, or says one thing twice."""
    if resource["resourceType"] != "Observation":
        return
    parts = resource.get("component", [])
    named = [(f"Observation.component[{index}]", part) for index, part in enumerate(parts)]
    for path, one in [("Observation", resource), *named]:
        if "dataAbsentReason" in one and _has_value(one):
            yield f"{path}.dataAbsentReason: is expected only where there is no value (obs-6)"
    codes = [_codings(part["code"]) for part in parts]
    if _has_value(resource) and any(_codings(resource["code"]) & one for one in codes):
        yield "Observation: no value is expected where a component has the same code (obs-7)"


def _has_value(element: Mapping[str, Any]) -> bool:
    return any(name.startswith("value") for name in element)


def _codings(concept: Mapping[str, Any]) -> set[tuple[Any, Any]]:
    return {(one.get("system"), one.get("code")) for one in concept.get("coding", [])}


def ownership_problems(resource: Mapping[str, Any], identity: Identity) -> Iterator[str]:
    """Say where what we write does not say that it is ours, or which line it is about."""
    kind = resource["resourceType"]
    if kind == "Provenance":
        # R4 Provenance has no identifier: whose it is, is said by who made it.
        for index, agent in enumerate(resource["agent"]):
            named = agent["who"].get("identifier")
            if named is not None and named.get("system") != identity.system:
                yield f"Provenance.agent[{index}].who.identifier.system: our identifier system is expected"
        return
    if not is_ours(resource, identity):
        yield f"{kind}.identifier: one of our identifier system is expected"
    if kind == "Device":
        if "patient" in resource:
            yield "Device.patient: our software is of no patient"
    elif line_of(resource, identity) is None:
        yield f"{kind}: the line it is about is expected, in our identifier system"
