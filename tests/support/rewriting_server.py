"""A FHIR server in memory that gives back what it stores in other words, as real servers do; the meaning stays.

Each rewriting is a function of a resource and a random source with a seed. It happens once, at the write, so that a
resource reads the same every time; or anew at every read. Only Task and Flag are rewritten.
"""

import copy
import random
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

from linedays.core.moment import Instant
from support.memory_fhir_server import MemoryFhirServer

Resource = dict[str, Any]
Rewriting = Callable[[Any, random.Random], Any]

REWRITTEN = frozenset({"Task", "Flag"})
TEAM = "CareTeam/of-the-ward"
# A time with an offset, alone in an element; a time in a sentence is text and nobody's to change.
_TIME = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(?:\.\d+)?(?:Z|[+-]\d{2}:\d{2})")
_ZONES = (UTC, timezone(timedelta(hours=2)), timezone(timedelta(hours=-7)), timezone(timedelta(hours=5, minutes=45)))


class RewritingServer(MemoryFhirServer):
    """`rewritings` are applied, in order, to every Task and Flag that is written, or that is found by a search."""

    def __init__(
        self, rewritings: Iterable[str], *, seed: int = 1, at_reads: bool = False, now: Instant = 1_900_000_000
    ) -> None:
        super().__init__(now=now)
        self._rewritings = [REWRITINGS[name] for name in rewritings]
        self._random = random.Random(seed)
        self._at_reads = at_reads

    def _store(self, resource: Mapping[str, Any], by: str = "us") -> Resource:
        return super()._store(resource if self._at_reads else self._rewritten(resource), by)

    def _found(
        self, resource_type: str, params: Sequence[tuple[str, str]], index: Mapping[Any, Resource] | None = None
    ) -> list[Resource]:
        found = super()._found(resource_type, params, index)
        return [self._rewritten(one) for one in found] if self._at_reads else found

    def _rewritten(self, resource: Mapping[str, Any]) -> Resource:
        rewritten = copy.deepcopy(dict(resource))
        if resource["resourceType"] in REWRITTEN:
            for rewriting in self._rewritings:
                rewritten = rewriting(rewritten, self._random)
        return rewritten


def _each(node: Any, change: Callable[[Any], Any]) -> Any:
    """Return a resource in which `change` was applied to every element, the innermost first."""
    if isinstance(node, dict):
        return change({name: _each(value, change) for name, value in node.items()})
    if isinstance(node, list):
        return change([_each(value, change) for value in node])
    return change(node)


def reordered_keys(resource: Any, chance: random.Random) -> Any:
    """Order of the names in an object means nothing in JSON."""

    def change(node: Any) -> Any:
        if not isinstance(node, dict):
            return node
        names = sorted(node)
        chance.shuffle(names)
        return {name: node[name] for name in names}

    return _each(resource, change)


def _each_time(resource: Any, change: Callable[[str], str]) -> Any:
    return _each(resource, lambda node: change(node) if isinstance(node, str) and _TIME.fullmatch(node) else node)


def in_utc(resource: Any, _: random.Random) -> Any:
    return _each_time(resource, lambda text: _in_zone(text, UTC).replace("+00:00", "Z"))


def other_offsets(resource: Any, chance: random.Random) -> Any:
    return _each_time(resource, lambda text: _in_zone(text, chance.choice(_ZONES)))


def _in_zone(text: str, zone: timezone) -> str:
    return datetime.fromisoformat(text).astimezone(zone).isoformat()


def with_fraction(resource: Any, _: random.Random) -> Any:
    """Some servers store milliseconds, and say so."""
    return _each_time(resource, lambda text: text if "." in text else f"{text[:19]}.000{text[19:]}")


def meta_source(resource: Any, _: random.Random) -> Any:
    return {**resource, "meta": {**resource.get("meta", {}), "source": "#Yb1c0deMadeUp"}}


def meta_security(resource: Any, _: random.Random) -> Any:
    label = {"system": "http://terminology.hl7.org/CodeSystem/v3-Confidentiality", "code": "N"}
    return {**resource, "meta": {**resource.get("meta", {}), "security": [label]}}


def meta_profile(resource: Any, _: random.Random) -> Any:
    profile = f"https://server.example/StructureDefinition/{resource['resourceType']}"
    return {**resource, "meta": {**resource.get("meta", {}), "profile": [profile]}}


def extra_tag(resource: Any, _: random.Random) -> Any:
    meta = resource.get("meta", {})
    tag = {"system": "https://server.example/tags", "code": "seen"}
    return {**resource, "meta": {**meta, "tag": [tag, *(one for one in meta.get("tag", []) if one != tag)]}}


def other_narrative(resource: Any, _: random.Random) -> Any:
    div = '<div xmlns="http://www.w3.org/1999/xhtml">made by the server</div>'
    return {**resource, "text": {"status": "generated", "div": div}}


def without_narrative(resource: Any, _: random.Random) -> Any:
    return {name: value for name, value in resource.items() if name != "text"}


def reference_displays(resource: Any, _: random.Random) -> Any:
    return _each(resource, lambda node: {**node, "display": "as the server calls it"} if _is_reference(node) else node)


def reference_types(resource: Any, _: random.Random) -> Any:
    return _each(resource, lambda node: {**node, "type": node["reference"].partition("/_history/")[0].split("/")[-2]} if _is_reference(node) else node)


def absolute_references(resource: Any, _: random.Random) -> Any:
    return _each(
        resource,
        lambda node: (
            {**node, "reference": f"https://server.example/fhir/{node['reference']}"}
            if _is_reference(node) and "://" not in node["reference"]
            else node
        ),
    )


def versioned_references(resource: Any, _: random.Random) -> Any:
    return _each(
        resource,
        lambda node: (
            {**node, "reference": f"{node['reference']}/_history/3"}
            if _is_reference(node) and "/_history/" not in node["reference"]
            else node
        ),
    )


def _is_reference(node: Any) -> bool:
    return isinstance(node, dict) and isinstance(node.get("reference"), str)


def coding_displays(resource: Any, _: random.Random) -> Any:
    return _each_coding(resource, display="as the terminology calls it")


def coding_versions(resource: Any, _: random.Random) -> Any:
    return _each_coding(resource, version="4.0.1", userSelected=False)


def _each_coding(resource: Any, **added: object) -> Any:
    def change(node: Any) -> Any:
        return {**node, **added} if isinstance(node, dict) and "code" in node and "system" in node else node

    return _each(resource, change)


def extra_codings(resource: Any, _: random.Random) -> Any:
    """A terminology adds its own code beside ours."""
    more = {"system": "https://server.example/codes", "code": "translated"}

    def change(node: Any) -> Any:
        if isinstance(node, dict) and isinstance(node.get("coding"), list) and more not in node["coding"]:
            return {**node, "coding": [more, *node["coding"]]}
        return node

    return _each(resource, change)


def concept_texts(resource: Any, _: random.Random) -> Any:
    """Where a concept has no text, some servers fill in one."""

    def change(node: Any) -> Any:
        if isinstance(node, dict) and isinstance(node.get("coding"), list) and "text" not in node:
            return {**node, "text": "as the server calls it"}
        return node

    return _each(resource, change)


def note_times(resource: Any, _: random.Random) -> Any:
    if "note" not in resource:
        return resource
    return {**resource, "note": [{"time": "2031-05-14T10:00:00Z", **one} for one in resource["note"]]}


def owner(resource: Any, _: random.Random) -> Any:
    """The worklist gives each Task to the team of its ward."""
    if resource["resourceType"] != "Task" or "owner" in resource:
        return resource
    return {**resource, "owner": {"reference": TEAM}}


def without_extensions(resource: Any, _: random.Random) -> Any:
    return _each(
        resource,
        lambda node: (
            {name: value for name, value in node.items() if name not in ("extension", "modifierExtension")}
            if isinstance(node, dict)
            else node
        ),
    )


def without_tags(resource: Any, _: random.Random) -> Any:
    meta = {name: value for name, value in resource.get("meta", {}).items() if name != "tag"}
    return {**resource, "meta": meta}


def without_uses(resource: Any, _: random.Random) -> Any:
    """Servers that keep only system and value of an identifier."""
    return {**resource, "identifier": [{k: v for k, v in one.items() if k != "use"} for one in resource["identifier"]]}


def extra_identifier(resource: Any, _: random.Random) -> Any:
    more = {"system": "https://server.example/numbers", "value": f"{resource['resourceType']}-made-up"}
    kept = [one for one in resource["identifier"] if one != more]
    return {**resource, "identifier": [more, *kept]}


def reordered_inputs(resource: Any, chance: random.Random) -> Any:
    if "input" not in resource:
        return resource
    inputs = list(resource["input"])
    chance.shuffle(inputs)
    return {**resource, "input": inputs}


REWRITINGS: dict[str, Rewriting] = {
    one.__name__: one
    for one in (
        reordered_keys, in_utc, other_offsets, with_fraction, meta_source, meta_security, meta_profile, extra_tag,
        other_narrative, without_narrative, reference_displays, reference_types, absolute_references,
        versioned_references, note_times, coding_displays, coding_versions, extra_codings, concept_texts, owner, without_extensions, without_tags, without_uses,
        extra_identifier, reordered_inputs,
    )
}  # fmt: skip
