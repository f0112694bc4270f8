"""A source map as written → look-ups from a code to the fact it means, with every problem reported. No I/O."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeAlias

from linedays.core.charting import ChartingRules
from linedays.core.model import FactKind
from linedays.mapping.documents import Document, Documents, PolicyInvalid, Problem
from linedays.mapping.entries import Entry as Written
from linedays.mapping.source_shapes import AnswersShape, CodesShape, EntryShape, KnownName, SourceShape

Code: TypeAlias = tuple[str | None, str | None]
NO_FINDING = "-"
GESTATION = "gestation"
IGNORE = "ignore"


class TimeFrom(StrEnum):
    """Which element holds the time at which a fact happened."""

    PERFORMED = "performed"
    EFFECTIVE = "effective"
    VALUE = "value"


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """What values mean; `-` is "charted, and no finding"."""

    coded: dict[Code, str]
    text: dict[str, str]
    number: dict[float, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """What a resource with one code is: a fact, a patient's gestational age, or ignored by a named rule."""

    fact: FactKind | None
    ignored: str | None
    time: TimeFrom
    line_kind: str | None
    slot: str | None
    makes_line: bool
    answers: Answers | None
    item: str | None
    only_with_line: bool
    gestation: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceMap:
    """How one record system says things, ready for look-up.

    Shape: `entries` by resource type, then by (system, code); `systems` are those in which a code without an entry is
    an issue rather than somebody else's code.
    """

    name: str
    title: str
    charting: ChartingRules
    midnight_is_day: bool
    local_if_no_offset: bool
    known: dict[str, tuple[KnownName, ...]]
    permanent_identifiers: frozenset[str]
    line_kinds: dict[Code, str]
    dressing_kinds: dict[Code, str]
    reasons: dict[Code, str]
    implanted: frozenset[Code]
    explanted: frozenset[Code]
    sites: dict[str, tuple[str | None, str | None]]
    entries: dict[str, dict[Code, Entry]]
    systems: frozenset[str]


def source_map_from_documents(documents: Documents, name: str) -> SourceMap:
    """Return one source map by its name.

    Raises: PolicyInvalid with every problem found in it.
    """
    file = f"sources/{name}.yaml"
    found = documents.named(file)
    of_file = tuple(problem for problem in documents.problems if problem.file == file)
    if found is None:
        missing = Problem(file=file, line=1, what="there is no such source map", expected=_names(documents))
        raise PolicyInvalid(of_file or (missing,))
    written = Written(found, (), found.data)
    shape = written.read(SourceShape)
    if isinstance(shape, list):
        raise PolicyInvalid([*of_file, *shape])
    problems = [*of_file, *_cross_check(shape, found)]
    if problems:
        raise PolicyInvalid(problems)
    return _compiled(shape)


def _names(documents: Documents) -> str:
    names = [document.file[8:-5] for document in documents.documents if document.file.startswith("sources/")]
    return "one of: " + ", ".join(names) if names else "a file in sources/"


def _cross_check(shape: SourceShape, document: Document) -> Iterable[Problem]:
    seen: dict[tuple[str, str, str], int] = {}
    named = [answers.name for answers in shape.answers]
    for index, entry in enumerate(shape.entries):
        path = ("entries", index)
        if entry.fact not in (*FactKind, GESTATION, IGNORE):
            yield document.problem((*path, "fact"), f"no fact named {entry.fact!r}", _one_of((*FactKind, GESTATION, IGNORE)))
        if entry.answers is not None and entry.answers not in named:
            yield document.problem((*path, "answers"), f"no answers named {entry.answers!r}", _one_of(named))
        if entry.fact == IGNORE and entry.why is None:
            yield document.problem(path, "an ignored code without `why`", "a short name of the rule")
        if entry.fact in (FactKind.DRESSING_SEEN, FactKind.SITE_SEEN) and entry.answers is None:
            yield document.problem(path, "a finding without `answers`", _one_of(named))
        if entry.resource == "Procedure" and entry.time not in (None, "performed"):
            yield document.problem((*path, "time"), f"a Procedure has no {entry.time!r} time", "performed")
        if entry.resource == "Observation" and entry.time == "performed":
            yield document.problem((*path, "time"), "an Observation has no performed time", "effective or value")
        for code in entry.codes:
            key = (entry.resource, _url(shape, entry.system), code)
            if key in seen:
                first = document.line(("entries", seen[key]))
                yield document.problem(path, f"the code {code!r} a second time (first in line {first})", "each code once")
            seen[key] = index
    for index, pair in enumerate(shape.charting.shared_dressing):
        if len(pair) != 2:
            yield document.problem(("charting", "shared_dressing", index), f"{len(pair)} kinds", "two line kinds")


def _one_of(names: Iterable[str]) -> str:
    return "one of: " + ", ".join(names)


def _url(shape: SourceShape, system: str) -> str:
    return shape.systems.get(system, system)


def _compiled(shape: SourceShape) -> SourceMap:
    answers = {written.name: _answers(shape, written) for written in shape.answers}
    entries: dict[str, dict[Code, Entry]] = {"Device": {}, "Procedure": {}, "Observation": {}}
    for written in shape.entries:
        entry = _entry(written, answers)
        for code in written.codes:
            entries[written.resource][_url(shape, written.system), code] = entry
    charting = shape.charting
    return SourceMap(
        name=shape.name,
        title=shape.title,
        charting=ChartingRules(
            entry_tolerance=charting.entry_tolerance,
            presence_start=charting.presence_start,
            join_gap=charting.join_gap,
            arrival_lookback=charting.arrival_lookback,
            shared_dressing=tuple((pair[0], pair[1]) for pair in charting.shared_dressing),
        ),
        midnight_is_day=shape.times.midnight == "day",
        local_if_no_offset=shape.times.without_offset == "local",
        known={
            "Procedure": tuple(shape.known.procedure),
            "Observation": tuple(shape.known.observation),
            "Device": tuple(shape.known.device),
            "DeviceUseStatement": tuple(shape.known.device_use_statement),
            "Encounter": tuple(shape.known.encounter),
        },
        permanent_identifiers=frozenset(shape.permanent_identifiers),
        line_kinds=_codes(shape, shape.line_kinds),
        dressing_kinds=_codes(shape, shape.dressing_kinds),
        reasons=_codes(shape, shape.reasons),
        implanted=_actions(shape, "implanted"),
        explanted=_actions(shape, "explanted"),
        sites={site_text(site.charted): (site.site, site.side) for site in shape.sites},
        entries=entries,
        systems=frozenset(_url(shape, entry.system) for entry in shape.entries if not entry.only_with_line),
    )


def _entry(written: EntryShape, answers: dict[str, Answers]) -> Entry:
    default = TimeFrom.PERFORMED if written.resource == "Procedure" else TimeFrom.EFFECTIVE
    return Entry(
        fact=FactKind(written.fact) if written.fact not in (GESTATION, IGNORE) else None,
        ignored=written.why if written.fact == IGNORE else None,
        time=TimeFrom(written.time) if written.time else default,
        line_kind=written.line_kind,
        slot=written.slot,
        makes_line=written.makes_line,
        answers=answers[written.answers] if written.answers else None,
        item=written.item,
        only_with_line=written.only_with_line,
        gestation=written.fact == GESTATION,
    )


def _answers(shape: SourceShape, written: AnswersShape) -> Answers:
    return Answers(
        coded=_codes(shape, written.coded),
        text={text.strip().casefold(): word for text, word in written.text.items()},
        number={float(number): word for number, word in written.number.items()},
    )


def _codes(shape: SourceShape, written: Iterable[CodesShape]) -> dict[Code, str]:
    found: dict[Code, str] = {}
    for each in written:
        pairs = [*((code, code) for code in each.same), *each.codes.items()]
        found.update({(_url(shape, each.system), code): word for code, word in pairs})
    return found


def _actions(shape: SourceShape, name: str) -> frozenset[Code]:
    return frozenset((_url(shape, each.system), code) for each in shape.device_actions for code in getattr(each, name))


def site_text(charted: str) -> str:
    """Return a body site as charted in the one form it is looked up by."""
    return " ".join(charted.split()).rstrip(".").casefold()
