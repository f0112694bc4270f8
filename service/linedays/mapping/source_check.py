"""A source map as written → every problem of what does not fit together in it, with its place. No I/O."""

import math
from collections.abc import Iterable, Iterator

from linedays.core.model import ALLERGY_GROUPS, FactKind
from linedays.mapping.documents import Document, NodePath, Problem
from linedays.mapping.source_shapes import CodesShape, EntryShape, SourceShape

GESTATION = "gestation"
IGNORE = "ignore"

_FINDINGS = (FactKind.DRESSING_SEEN, FactKind.SITE_SEEN)
# What either resource can state; and what needs an interval, a second device or a reason that only a Procedure holds,
# or a value that only an Observation holds. The other kinds of fact are made by this program, not by a map.
_BY_EITHER = (
    FactKind.REMOVED,
    FactKind.DRESSING_CHANGED,
    FactKind.DRESSING_REINFORCED,
    FactKind.REPOSITIONED,
    FactKind.USED,
    FactKind.PORT_ACCESSED,
    FactKind.PORT_DEACCESSED,
    FactKind.PART_CHANGED,
    FactKind.INFUSION_STARTED,
)
FACTS = {
    "Procedure": (*_BY_EITHER, FactKind.INSERTED, FactKind.PRESENT, FactKind.EXCHANGED_OUT, FactKind.PAUSED, IGNORE),
    "Observation": (
        *_BY_EITHER,
        *_FINDINGS,
        FactKind.LABEL_DATE,
        FactKind.CHANGE_REPORTED,
        FactKind.SITE_HEALED,
        FactKind.LINE_NOT_PRESENT,
        FactKind.TIP,
        FactKind.MEASURED,
        GESTATION,
        IGNORE,
    ),
}


def source_problems(shape: SourceShape, document: Document) -> Iterator[Problem]:
    """Yield every problem of fit of one source map."""
    named = [answers.name for answers in shape.answers]
    for index, entry in enumerate(shape.entries):
        yield from _of_fact(entry, named, document, ("entries", index))
        yield from _of_resource(entry, document, ("entries", index))
    yield from _twice(shape, document)
    yield from _of_systems(shape, document)
    yield from _of_numbers(shape, document)
    yield from _of_allergies(shape, document)
    for index, pair in enumerate(shape.charting.shared_dressing):
        if len(pair) != 2:
            yield document.problem(("charting", "shared_dressing", index), f"{len(pair)} kinds", "two line kinds")


def _of_fact(entry: EntryShape, named: list[str], document: Document, path: NodePath) -> Iterator[Problem]:
    allowed = FACTS[entry.resource]
    if entry.fact not in allowed:
        what = f"no fact named {entry.fact!r} for {entry.resource}"
        yield document.problem((*path, "fact"), what, _one_of(allowed))
    if entry.answers is not None and entry.answers not in named:
        yield document.problem((*path, "answers"), f"no answers named {entry.answers!r}", _one_of(named))
    if entry.fact == IGNORE and entry.why is None:
        yield document.problem(path, "an ignored code without `why`", "a short name of the rule")
    if entry.fact in _FINDINGS and entry.answers is None:
        yield document.problem(path, "a finding without `answers`", _one_of(named))
    if entry.fact == FactKind.PART_CHANGED and entry.item is None:
        yield document.problem(path, "a changed part without `item`", "the upkeep item that the fact resets")


def _of_resource(entry: EntryShape, document: Document, path: NodePath) -> Iterator[Problem]:
    if entry.resource == "Procedure" and entry.time not in (None, "performed"):
        yield document.problem((*path, "time"), f"a Procedure has no {entry.time!r} time", "performed")
    if entry.resource == "Observation" and entry.time == "performed":
        yield document.problem((*path, "time"), "an Observation has no performed time", "effective or value")
    if entry.resource == "Observation" and entry.only_with_line:
        what = "only_with_line on an Observation"
        yield document.problem((*path, "only_with_line"), what, "a Procedure, or left out")
    if entry.makes_line and (entry.resource == "Procedure" or entry.slot is None):
        what = "a line made by charting without an Observation in a `slot`"
        yield document.problem((*path, "makes_line"), what, "an Observation and its slot, or left out")


def _twice(shape: SourceShape, document: Document) -> Iterator[Problem]:
    first: dict[tuple[str, ...], NodePath] = {}
    for key, path, what in _named(shape):
        if key in first:
            where = document.line(first[key])
            yield document.problem(path, f"{what} a second time (first in line {where})", "each once")
        first.setdefault(key, path)


def _named(shape: SourceShape) -> Iterator[tuple[tuple[str, ...], NodePath, str]]:
    """Yield everything that may stand only once: what makes it the same, where it stands, and what it is."""
    for index, entry in enumerate(shape.entries):
        for code in entry.codes:
            same = ("entries", entry.resource, url_of(shape, entry.system), code)
            yield same, ("entries", index), f"the code {code!r}"
    for index, answers in enumerate(shape.answers):
        yield ("answers", answers.name), ("answers", index), f"the answers {answers.name!r}"
        for text in answers.text:
            yield ("text", answers.name, answer_text(text)), ("answers", index, "text", text), f"the answer {text!r}"
    for index, site in enumerate(shape.sites):
        yield ("sites", site_text(site.charted)), ("sites", index), f"the site {site.charted!r}"
    for section, path, codes in _code_lists(shape):
        for code in [*codes.same, *codes.codes]:
            yield (section, url_of(shape, codes.system), code), path, f"the code {code!r}"


def _code_lists(shape: SourceShape) -> Iterator[tuple[str, NodePath, CodesShape]]:
    for section in ("line_kinds", "dressing_kinds", "infusion_kinds", "tip_locations", "reasons", "allergies"):
        for index, codes in enumerate(getattr(shape, section)):
            yield section, (section, index), codes
    for place, answers in enumerate(shape.answers):
        for index, codes in enumerate(answers.coded):
            yield f"answers {place}", ("answers", place, "coded", index), codes


def _of_systems(shape: SourceShape, document: Document) -> Iterator[Problem]:
    stated: list[tuple[NodePath, str]] = [
        *((("entries", index), entry.system) for index, entry in enumerate(shape.entries)),
        *((("device_actions", index), action.system) for index, action in enumerate(shape.device_actions)),
        *((path, codes.system) for _, path, codes in _code_lists(shape)),
    ]
    for path, system in stated:
        if system not in shape.systems and ":" not in system:
            expected = _one_of(shape.systems) + ", or a URL"
            yield document.problem((*path, "system"), f"no system named {system!r}", expected)


def _of_allergies(shape: SourceShape, document: Document) -> Iterator[Problem]:
    """Yield each group that nobody has named: a slip of typing here would lose an allergy."""
    named = (*ALLERGY_GROUPS, *shape.allergy_groups)
    for index, codes in enumerate(shape.allergies):
        for group in dict.fromkeys([*codes.same, *codes.codes.values()]):
            if group not in named:
                what = f"no group of allergies named {group!r}"
                yield document.problem(("allergies", index), what, _one_of(named) + ", or one in `allergy_groups`")


def _of_numbers(shape: SourceShape, document: Document) -> Iterator[Problem]:
    for place, answers in enumerate(shape.answers):
        first: dict[float, str] = {}
        for written in answers.number:
            number = _number(written)
            path = ("answers", place, "number", written)
            if number is None:
                yield document.problem(path, f"{written!r} is no number", 'a number in quotes, such as "0"')
            elif number in first:
                yield document.problem(path, f"{written!r} is the same number as {first[number]!r}", "each once")
            else:
                first[number] = written


def _number(written: str) -> float | None:
    try:
        number = float(written)
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def url_of(shape: SourceShape, system: str) -> str:
    """Return the URL of a code system, stated as such or by its short name."""
    return shape.systems.get(system, system)


def answer_text(charted: str) -> str:
    """Return an answer as charted in the one form it is looked up by."""
    return charted.strip().casefold()


def site_text(charted: str) -> str:
    """Return a body site as charted in the one form it is looked up by."""
    return " ".join(charted.split()).rstrip(".").casefold()


def _one_of(names: Iterable[str]) -> str:
    return "one of: " + ", ".join(names)
