"""What a written resource is about → its identifier, and a resource → whether it is ours and about what. No I/O.

The value of an identifier is made from facts only (line, item or condition, anchor, a number), so that a lost store or
a second run gives the same one. Nothing that identifies a person is in it, nor a due time, state or priority.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from linedays.core.model import Line
from linedays.core.states import ItemState, SiteState

NO_ANCHOR = "none"
_KEY, _LINE = "official", "secondary"


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """The names under which this instance writes: settings, the same for the life of an installation.

    `system` is our identifier system, `codes` the base of our code systems, `rules` that of our rules' names and
    `extensions` that of our extensions.
    """

    system: str = "https://linedays.example/fhir/identifier"
    codes: str = "https://linedays.example/fhir/CodeSystem/"
    rules: str = "https://linedays.example/fhir/rule/"
    extensions: str = "https://linedays.example/fhir/StructureDefinition/"

    def name(self, stem: str, n: int) -> str:
        """Return the value of the n-th identifier of a stem, in the namespace of our identifier system."""
        return str(uuid5(uuid5(NAMESPACE_URL, self.system), f"{stem}|{n}"))


def software_key(identity: Identity) -> str:
    """Return the identifier of the Device that stands for this software."""
    return identity.name("software", 0)


def software_reference(identity: Identity) -> dict[str, Any]:
    """Return a reference to the Device of this software, by its identifier: its id is the server's, and may change."""
    named = {"system": identity.system, "value": software_key(identity)}
    return {"type": "Device", "identifier": named, "display": "linedays"}


def patient_of(state: SiteState) -> str:
    """Return `Patient/id` of the patient that a dressing site is on."""
    return patient_of_line(state.site.timelines[0].line)


def patient_of_line(line: Line) -> str:
    """Return `Patient/id` of the patient that has a line."""
    name = line.patient
    return name if "/" in name else f"Patient/{name}"


def stem_of(state: SiteState, what: str, item: ItemState | None) -> str:
    """Return what an identifier is made from, but for the number: line key, item or condition, anchor.

    The anchor is named by its source, never by an instant; without one by what started the line, else `none`.
    """
    return "|".join((state.site.key, what, anchor_name(state, item)))


def anchor_name(state: SiteState, item: ItemState | None) -> str:
    """Return the `Type/id` that names the cycle of an item."""
    if item is not None and item.anchor is not None:
        return item.anchor.source
    line = next((each.line for each in state.site.timelines if each.line.key == state.site.key), None)
    return line.start_source if line is not None and line.start_source else NO_ANCHOR


def key_identifier(value: str, identity: Identity) -> dict[str, str]:
    """Return the identifier that is unique to one written resource."""
    return {"use": _KEY, "system": identity.system, "value": value}


def line_identifier(line: str, identity: Identity) -> dict[str, str]:
    """Return the identifier that says which line a written resource is about."""
    return {"use": _LINE, "system": identity.system, "value": line}


def is_ours(resource: Mapping[str, Any], identity: Identity) -> bool:
    """Tell whether a resource carries our identifier system, so that it may be changed by us and is never input."""
    return bool(_ours(resource, identity))


def key_of(resource: Mapping[str, Any], identity: Identity) -> str | None:
    """Return the value of our identifier of a resource."""
    return next((value for use, value in _ours(resource, identity) if use != _LINE), None)


def keys_in(resource: Mapping[str, Any], identity: Identity) -> frozenset[str]:
    """Return every value of our identifier system that a resource carries."""
    return frozenset(value for _, value in _ours(resource, identity))


def line_of(resource: Mapping[str, Any], identity: Identity) -> str | None:
    """Return the line key that a resource of ours is about."""
    group = resource.get("groupIdentifier")
    if isinstance(group, Mapping) and group.get("system") == identity.system:
        return str(group.get("value"))
    return next((value for use, value in _ours(resource, identity) if use == _LINE), None)


def _ours(resource: Mapping[str, Any], identity: Identity) -> list[tuple[str, str]]:
    found = resource.get("identifier")
    return [
        (str(one.get("use") or (_LINE if "/" in str(one["value"]) else _KEY)), str(one["value"]))
        for one in (found if isinstance(found, list) else [])
        if isinstance(one, Mapping) and one.get("system") == identity.system and "value" in one
    ]


def freed(identifiers: list[Any], ref: str, identity: Identity) -> list[Any]:
    """Return identifiers in which our own key carries a suffix, so that the key is unique again."""
    suffix = "-duplicate-" + ref.rpartition("/")[2]
    return [
        {**one, "use": "old", "value": f"{one['value']}{suffix}"}
        if one.get("system") == identity.system and one.get("use", _KEY) != _LINE
        else one
        for one in identifiers
    ]
