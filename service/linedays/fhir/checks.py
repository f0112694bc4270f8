"""A Task or Flag that is about to be sent → everything that is wrong with it. No I/O.

This closes what class libraries let through: wrong codes, wrong reference targets, days that do not exist, the order
of times, nulls and empty lists. A problem names the element and what is expected there, never the value found.
"""

import re
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC
from html.parser import HTMLParser
from typing import Any

from linedays.core.moment import Moment, TimeProblem, moment_from_text
from linedays.fhir.identity import Identity, is_ours, line_of
from linedays.fhir.shapes import CHOICES, RESOURCES, TYPES, Element

_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_CODE = re.compile(r"[^\s]+(\s[^\s]+)*")
_URI = re.compile(r"\S+")
_DATE = re.compile(r"\d{4}(-\d\d(-\d\d)?)?", re.ASCII)
_SECONDS = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d", re.ASCII)
_TIME = re.compile(r"([01]\d|2[0-3]):[0-5]\d:[0-5]\d(\.\d+)?", re.ASCII)
_REFERENCE = re.compile(r"(?:https?://\S+/)?(?P<type>[A-Z][A-Za-z]+)/[A-Za-z0-9\-.]{1,64}(?:/_history/[A-Za-z0-9\-.]{1,64})?")
_OFFSET = re.compile(r".*(Z|[+-](0\d|1[0-3]):[0-5]\d|[+-]14:00)", re.ASCII)
_ALLOWED_TAGS = frozenset({"div", "p", "br", "b", "i", "em", "strong", "span", "ul", "ol", "li", "table", "tr", "td"})
_ALLOWED_ATTRIBUTES = frozenset({"xmlns", "class", "id", "title", "lang", "xml:lang"})


def problems_of(resource: object, identity: Identity) -> tuple[str, ...]:
    """Return every problem of a Task or Flag, each as `element: what is expected`; empty where there is none.

    Source: FHIR R4 Task and Flag (http://hl7.org/fhir/R4/task.html, flag.html), invariant inv-1.
    """
    if not isinstance(resource, Mapping):
        return ("resource: an object is expected",)
    kind = resource.get("resourceType")
    shape = RESOURCES.get(kind) if isinstance(kind, str) else None
    if shape is None:
        return ("resourceType: Task or Flag is expected",)
    found = list(_object(resource, shape, str(kind)))
    # What follows reads elements that must have the right form.
    return tuple(found or [*_order(resource), *_ownership(resource, identity)])


def validate_with_classes(resource: Mapping[str, Any]) -> list[str]:
    """Return what the R4B classes of fhir.resources say against a Task or Flag, without the values found.

    The import is done here because it costs most of a second.
    """
    from fhir.resources.R4B.flag import Flag
    from fhir.resources.R4B.task import Task
    from pydantic import BaseModel, ValidationError

    classes: dict[str, type[BaseModel]] = {"Task": Task, "Flag": Flag}
    model = classes.get(str(resource.get("resourceType")))
    if model is None:
        return ["resourceType: Task or Flag is expected"]
    try:
        model.model_validate(dict(resource))
    except ValidationError as error:
        return [".".join(map(str, one["loc"])) + ": " + one["type"] for one in error.errors(include_input=False)]
    return []


def _object(value: Mapping[str, Any], shape: Mapping[str, Element], path: str) -> Iterator[str]:
    choices = [name for name in value if "value[x]" in shape and name.removeprefix("value") in CHOICES]
    if len(choices) > 1:
        yield f"{path}: one value[x] is expected, {len(choices)} are there"
    for name, element in shape.items():
        missing = not choices if name == "value[x]" else name not in value and f"_{name}" not in value
        if element.required and missing:
            yield f"{path}.{name}: is required"
    for name, one in value.items():
        at = f"{path}.{name}"
        if name in choices:
            yield from _value(one, Element(_choice_type(name)), at)
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


def _choice_type(name: str) -> str:
    kind = name.removeprefix("value")
    return kind if kind in TYPES else kind[0].lower() + kind[1:]


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
    elif element.type in _PRIMITIVES:
        expected = _PRIMITIVES[element.type](value)
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


def _text(value: object) -> str | None:
    return None if isinstance(value, str) and value.strip() else "a text is expected"


def _pattern(pattern: re.Pattern[str], expected: str) -> Callable[[object], str | None]:
    def check(value: object) -> str | None:
        return None if isinstance(value, str) and pattern.fullmatch(value) else expected

    return check


def _date_time(value: object) -> str | None:
    read = moment_from_text(value, UTC) if isinstance(value, str) else TimeProblem.NOT_A_TIME
    if isinstance(read, TimeProblem):
        return f"a dateTime is expected, this is {read.value}"
    if isinstance(value, str) and "T" in value and not (_SECONDS.match(value) and _OFFSET.fullmatch(value)):
        return "a time with seconds and a real offset is expected"
    return None


def _date(value: object) -> str | None:
    return _date_time(value) if isinstance(value, str) and _DATE.fullmatch(value) else "a date is expected"


def _instant(value: object) -> str | None:
    return _date_time(value) if isinstance(value, str) and "T" in value else "an instant with its offset is expected"


def _boolean(value: object) -> str | None:
    return None if isinstance(value, bool) else "true or false is expected"


def _decimal(value: object) -> str | None:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return None if number else "a number is expected"


def _integer(lowest: int) -> Callable[[object], str | None]:
    def check(value: object) -> str | None:
        whole = isinstance(value, int) and not isinstance(value, bool) and value >= lowest
        return None if whole else "a whole number in range is expected"

    return check


class _Markup(HTMLParser):
    """Collects what a narrative may not hold."""

    def __init__(self) -> None:
        super().__init__()
        self.refused = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = {name for name, _ in attrs}
        self.refused = self.refused or tag not in _ALLOWED_TAGS or not names <= _ALLOWED_ATTRIBUTES


def _xhtml(value: object) -> str | None:
    if not isinstance(value, str) or not re.match(r'<div xmlns="http://www\.w3\.org/1999/xhtml"[ >]', value):
        return "a div in the XHTML namespace is expected"
    markup = _Markup()
    markup.feed(value)
    markup.close()
    return "only plain markup is expected, no script, link, image or event" if markup.refused else None


_PRIMITIVES: dict[str, Callable[[object], str | None]] = {
    "string": _text,
    "markdown": _text,
    "code": _pattern(_CODE, "a code is expected"),
    "id": _pattern(_ID, "an id of at most 64 letters, digits, - and . is expected"),
    **dict.fromkeys(("uri", "url", "canonical", "oid", "uuid"), _pattern(_URI, "a URI is expected")),
    "base64Binary": _text,
    "decimal": _decimal,
    "time": _pattern(_TIME, "a time of day is expected"),
    "dateTime": _date_time,
    "date": _date,
    "instant": _instant,
    "boolean": _boolean,
    "integer": _integer(-(2**31)),
    "positiveInt": _integer(1),
    "unsignedInt": _integer(0),
    "xhtml": _xhtml,
}


def _order(value: Any, path: str = "") -> Iterator[str]:
    """Say where a period, or a Task, ends before it begins."""
    match value:
        case Mapping():
            for first, last in (("start", "end"), ("authoredOn", "lastModified")):
                if _is_after(value.get(first), value.get(last)):
                    yield f"{path or value.get('resourceType')}: {last} is before {first}"
            for name, one in value.items():
                yield from _order(one, f"{path}.{name}" if path else str(name))
        case list():
            for index, one in enumerate(value):
                yield from _order(one, f"{path}[{index}]")


def _is_after(first: object, last: object) -> bool:
    begin, end = _moment(first), _moment(last)
    return begin is not None and end is not None and begin.earliest > end.latest


def _moment(text: object) -> Moment | None:
    read = moment_from_text(text, UTC) if isinstance(text, str) else None
    return read if isinstance(read, Moment) else None


def _ownership(resource: Mapping[str, Any], identity: Identity) -> Iterator[str]:
    if not is_ours(resource, identity):
        yield f"{resource['resourceType']}.identifier: one of our identifier system is expected"
    if line_of(resource, identity) is None:
        yield f"{resource['resourceType']}: the line it is about is expected, in our identifier system"


