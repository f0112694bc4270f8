"""A resource that is about to be sent → everything that is wrong with it. No I/O.

This closes what class libraries let through: wrong codes, wrong reference targets, days that do not exist, the order
of times, nulls and empty lists. A problem names the element and what is expected there, never the value found.
"""

import re
from collections.abc import Iterator, Mapping
from functools import cache
from typing import Any

from linedays.fhir.check_invariants import observed_problems, order_problems, ownership_problems
from linedays.fhir.check_primitives import PRIMITIVES
from linedays.fhir.identity import Identity
from linedays.fhir.shape import Element
from linedays.fhir.shapes import CHOICES, RESOURCES, TYPES

_REFERENCE = re.compile(r"(?:https?://\S+/)?(?P<type>[A-Z][A-Za-z]+)/[A-Za-z0-9\-.]{1,64}(?:/_history/[A-Za-z0-9\-.]{1,64})?")
_CHOICE = "[x]"
_OTHER_TYPE = "resourceType: " + " or ".join(RESOURCES) + " is expected"


def problems_of(resource: object, identity: Identity) -> tuple[str, ...]:
    """Return every problem of what we write, each as `element: what is expected`; empty where there is none.

    Source: FHIR R4 (http://hl7.org/fhir/R4/task.html, flag.html, observation.html, provenance.html, device.html),
    invariants inv-1, obs-6 and obs-7.
    """
    if not isinstance(resource, Mapping):
        return ("resource: an object is expected",)
    kind = resource.get("resourceType")
    shape = RESOURCES.get(kind) if isinstance(kind, str) else None
    if shape is None:
        return (_OTHER_TYPE,)
    found = list(_object(resource, shape, str(kind)))
    if not found:
        # These read elements that must have the right form.
        found += [*order_problems(resource), *observed_problems(resource), *ownership_problems(resource, identity)]
    return tuple(found)


def validate_with_classes(resource: Mapping[str, Any]) -> list[str]:
    """Return what the R4B classes of fhir.resources say against what we write, without the values found."""
    kind = resource.get("resourceType")
    if not isinstance(kind, str) or kind not in RESOURCES:
        return [_OTHER_TYPE]
    from pydantic import ValidationError

    try:
        _class_of(kind).model_validate(dict(resource))
    except ValidationError as error:
        return [".".join(map(str, one["loc"])) + ": " + one["type"] for one in error.errors(include_input=False)]
    return []


@cache
def _class_of(kind: str) -> Any:
    # The import is done here because it costs most of a second.
    from fhir.resources.R4B import get_fhir_model_class

    return get_fhir_model_class(kind)


def _object(value: Mapping[str, Any], shape: Mapping[str, Element], path: str) -> Iterator[str]:
    choices: dict[str, str] = {}
    for name, element in shape.items():
        if name.endswith(_CHOICE):
            there = _chosen(value, name.removesuffix(_CHOICE), element)
            choices |= there
            missing = not there
            if len(there) > 1:
                yield f"{path}: one {name} is expected, {len(there)} are there"
        else:
            missing = name not in value and f"_{name}" not in value
        if element.required and missing:
            yield f"{path}.{name}: is required"
    for name, one in value.items():
        at = f"{path}.{name}"
        if name in choices:
            yield from _value(one, Element(choices[name]), at)
        elif name in shape:
            yield from _repeated(one, shape[name], at)
        elif name.startswith("_") and name[1:] in shape and shape[name[1:]].type not in TYPES:
            yield from _companion(one, value.get(name[1:]), shape[name[1:]], at)
        else:
            yield f"{at}: is not an element of this type"


def _companion(value: object, beside: object, element: Element, path: str) -> Iterator[str]:
    """Check what stands beside a primitive; beside one that repeats there is an entry, or null, for each of its own."""
    kept = value
    if element.many and isinstance(value, list):
        if not isinstance(beside, list) or len(beside) != len(value):
            yield f"{path}: as many entries as in the element itself are expected"
        kept = [one for one in value if one is not None]
    yield from _repeated(kept, Element("Element", many=element.many), path)


def _chosen(value: Mapping[str, Any], stem: str, element: Element) -> dict[str, str]:
    """Return the elements that are there of a choice, each with its type."""
    kinds = element.kinds or CHOICES
    said = {name: name.removeprefix(stem) for name in value if name.startswith(stem)}
    return {name: kind if kind in TYPES else kind[0].lower() + kind[1:] for name, kind in said.items() if kind in kinds}


def _repeated(value: object, element: Element, path: str) -> Iterator[str]:
    if not element.many:
        yield from _value(value, element, path)
    elif not isinstance(value, list) or not value:
        yield f"{path}: a list with at least one entry is expected"
    else:
        for index, one in enumerate(value):
            yield from _value(one, element, f"{path}[{index}]")


def _value(value: object, element: Element, path: str) -> Iterator[str]:
    if value is None or value in ("", [], {}):
        yield f"{path}: is empty; leave it out instead"
    elif element.type in TYPES:
        if not isinstance(value, Mapping):
            yield f"{path}: an object is expected"
            return
        yield from _object(value, TYPES[element.type], path)
        if element.type == "Reference":
            yield from _target(value, element, path)
    elif element.type in PRIMITIVES:
        expected = PRIMITIVES[element.type](value)
        if expected:
            yield f"{path}: {expected}"
        elif element.codes and value not in element.codes:
            yield f"{path}: is not one of the codes allowed here"
    elif isinstance(value, Mapping):
        yield from _hollow(value, path)
    else:
        yield f"{path}: an object is expected"


def _hollow(value: object, path: str) -> Iterator[str]:
    """Say where something that is otherwise taken as it is holds a null or nothing."""
    if value is None or value in ("", [], {}):
        yield f"{path}: is empty; leave it out instead"
    elif isinstance(value, Mapping):
        for name, one in value.items():
            yield from _hollow(one, f"{path}.{name}")
    elif isinstance(value, list):
        for index, one in enumerate(value):
            yield from _hollow(one, f"{path}[{index}]")


def _target(value: Mapping[str, Any], element: Element, path: str) -> Iterator[str]:
    text = value.get("reference")
    if text is None:
        if "identifier" not in value and "display" not in value:
            yield f"{path}: a reference is expected"
        return
    match = _REFERENCE.fullmatch(text) if isinstance(text, str) else None
    if match is None:
        if not (isinstance(text, str) and text.startswith(("urn:", "#"))):
            yield f"{path}.reference: Type/id is expected"
    elif element.targets and match["type"] not in element.targets:
        yield f"{path}.reference: a reference to {' or '.join(sorted(element.targets))} is expected"
