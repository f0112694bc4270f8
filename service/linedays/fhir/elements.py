"""Values → the R4 data types that our outputs are made of, and back, in a form that can be compared. No I/O."""

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, tzinfo
from html import escape
from typing import Any, TypeAlias, assert_never

from linedays.core.moment import Instant, Moment, Precision, local_date, moment_from_text

Resource: TypeAlias = dict[str, Any]

AUTHOR = "linedays"
# What comes of reading or changing a resource of which an element has another form than FHIR gives it.
MISSHAPEN = (AttributeError, TypeError, KeyError, ValueError)
# The author of a note that is written once, about what a person did before, and is not compared afterwards.
OFFERED = "linedays, offered again"


def time_text(at: Instant, zone: tzinfo) -> str:
    """Return a dateTime to the second with the offset that the zone has at that instant."""
    return datetime.fromtimestamp(at, zone).isoformat(timespec="seconds")


def moment_text(moment: Moment, zone: tzinfo) -> str:
    """Return a dateTime in the precision it was charted in."""
    match moment.precision:
        case Precision.SECOND:
            return time_text(moment.earliest, zone)
        case Precision.DAY:
            return local_date(moment.earliest, zone).isoformat()
        case Precision.MONTH:
            return local_date(moment.earliest, zone).isoformat()[:7]
        case Precision.YEAR:
            return local_date(moment.earliest, zone).isoformat()[:4]
        case _:
            assert_never(moment.precision)


def instant_from(text: object) -> Instant | None:
    """Return the instant of a full dateTime, or None."""
    read = moment_from_text(text, UTC) if isinstance(text, str) else None
    return read.earliest if isinstance(read, Moment) and read.is_exact else None


def reference(kind: str, name: str) -> dict[str, str]:
    """Return a reference to `kind/id`; a name that already says its type stays as it is."""
    return {"reference": name if "/" in name else f"{kind}/{name}"}


def reference_name(element: object) -> str | None:
    """Return `Type/id` of a reference, without server address and version, or None."""
    text = element.get("reference") if isinstance(element, Mapping) else None
    if not isinstance(text, str):
        return None
    parts = text.partition("/_history/")[0].split("/")
    return "/".join(parts[-2:])


def concept(system: str, code: str, text: str | None = None) -> Resource:
    """Return a CodeableConcept with one coding of ours."""
    element: Resource = {"coding": [{"system": system, "code": code}]}
    return {**element, "text": text} if text else element


def code_in(element: object, system: str) -> str | None:
    """Return the code that a CodeableConcept has in one code system, or None."""
    codings = element.get("coding", []) if isinstance(element, Mapping) else []
    return next((str(one["code"]) for one in codings if one.get("system") == system and "code" in one), None)


def narrative(lines: Iterable[str]) -> Resource:
    """Return a generated narrative of one paragraph per line, escaped."""
    paragraphs = "".join(f"<p>{escape(line)}</p>" for line in lines)
    return {"status": "generated", "div": f'<div xmlns="http://www.w3.org/1999/xhtml">{paragraphs}</div>'}


def note(text: str, author: str = AUTHOR) -> Resource:
    """Return an Annotation of ours."""
    return {"authorString": author, "text": text}


def is_our_note(element: Mapping[str, Any]) -> bool:
    """Tell whether a note is one that we keep up to date."""
    return element.get("authorString") == AUTHOR


def is_from_a_person(element: Mapping[str, Any]) -> bool:
    """Tell whether a note was written by somebody else."""
    return element.get("authorString") not in (AUTHOR, OFFERED)


def tags(meta: object, ours: dict[str, str]) -> Resource:
    """Return a meta whose tags in our code systems are `ours` (system → code) and whose rest is as it was."""
    before: Resource = dict(meta) if isinstance(meta, Mapping) else {}
    others = [tag for tag in before.get("tag", []) if tag.get("system") not in ours]
    return {**before, "tag": [*others, *({"system": system, "code": code} for system, code in ours.items())]}


# What a server may add inside any element.
_NOT_OURS = frozenset({"id", "extension"})


def comparable(element: object) -> object:
    """Return an element as a value that is equal for equal meaning: times as instants, order of keys of no account."""
    match element:
        case Mapping():
            if "reference" in element:
                return ("reference", reference_name(element))
            if "coding" in element:
                # What a code is called, of which version it is and who chose it are the server's to fill in.
                return tuple((one.get("system"), one.get("code")) for one in element["coding"])
            return tuple((key, comparable(value)) for key, value in sorted(element.items()) if key not in _NOT_OURS)
        case list():
            return tuple(comparable(one) for one in element)
        case str():
            at = instant_from(element)
            return element if at is None else at
        case _:
            return element


def merged(resource: Resource, ours: Resource, owned: Iterable[str]) -> Resource:
    """Return a resource in which the elements we own are ours, or gone where we have none, and all others stay."""
    gone = {name for name in owned if name not in ours}
    kept = {name: value for name, value in resource.items() if name not in gone}
    return {**kept, **ours}
