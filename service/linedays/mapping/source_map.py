"""A source map as written → look-ups from a code to the fact it means, with every problem reported. No I/O."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeAlias

from linedays.core.charting import ChartingRules
from linedays.core.model import FactKind
from linedays.mapping.documents import Documents, PolicyInvalid, Problem
from linedays.mapping.entries import Entry as Written
from linedays.mapping.source_check import GESTATION, IGNORE, answer_text, site_text, source_problems, url_of
from linedays.mapping.source_shapes import AnswersShape, CodesShape, EntryShape, KnownName, SourceShape

Code: TypeAlias = tuple[str | None, str | None]
NO_FINDING = "-"
# Everybody's systems: what a map does not list of them is somebody else's code, not one that was forgotten.
SHARED_SYSTEMS = frozenset({"http://snomed.info/sct", "http://loinc.org"})


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

    Shape: `entries` by resource type, then by (system, code). A code without an entry is an issue in one of `systems`,
    a kind of device without one in `kind_systems`, and somebody else's code in any other. `used` has what a code in
    Procedure.usedCode names: a kind of dressing or infusion, and a kind of line.
    """

    name: str
    title: str
    charting: ChartingRules
    midnight_is_day: frozenset[TimeFrom]
    local_if_no_offset: bool
    known: dict[str, tuple[KnownName, ...]]
    permanent_identifiers: frozenset[str]
    line_kinds: dict[Code, str]
    kind_systems: frozenset[str]
    dressing_kinds: dict[Code, str]
    infusion_kinds: dict[Code, str]
    used: dict[Code, tuple[str | None, str | None]]
    tip_locations: dict[Code, str]
    reasons: dict[Code, str]
    allergies: dict[Code, str]
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
    problems = [*of_file, *source_problems(shape, found)]
    if problems:
        raise PolicyInvalid(problems)
    return _compiled(shape)


def _names(documents: Documents) -> str:
    names = [document.file[8:-5] for document in documents.documents if document.file.startswith("sources/")]
    return "one of: " + ", ".join(names) if names else "a file in sources/"


def _compiled(shape: SourceShape) -> SourceMap:
    answers = {written.name: _answers(shape, written) for written in shape.answers}
    entries: dict[str, dict[Code, Entry]] = {"Procedure": {}, "Observation": {}}
    for written in shape.entries:
        entry = _entry(written, answers)
        for code in written.codes:
            entries[written.resource][url_of(shape, written.system), code] = entry
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
        midnight_is_day=frozenset(TimeFrom(name) for name in shape.times.midnight_is_day),
        local_if_no_offset=shape.times.without_offset == "local",
        known={
            "Procedure": tuple(shape.known.procedure),
            "Observation": tuple(shape.known.observation),
            "Device": tuple(shape.known.device),
            "DeviceUseStatement": tuple(shape.known.device_use_statement),
            "Encounter": tuple(shape.known.encounter),
            "Patient": tuple(shape.known.patient),
            "AllergyIntolerance": tuple(shape.known.allergy_intolerance),
        },
        permanent_identifiers=frozenset(shape.permanent_identifiers),
        line_kinds=_codes(shape, shape.line_kinds),
        kind_systems=frozenset(url_of(shape, each.system) for each in shape.line_kinds) - SHARED_SYSTEMS,
        dressing_kinds=_codes(shape, shape.dressing_kinds),
        infusion_kinds=_codes(shape, shape.infusion_kinds),
        used=_used(shape),
        tip_locations=_codes(shape, shape.tip_locations),
        reasons=_codes(shape, shape.reasons),
        allergies=_codes(shape, shape.allergies),
        implanted=_actions(shape, "implanted"),
        explanted=_actions(shape, "explanted"),
        sites={site_text(site.charted): (site.site, site.side) for site in shape.sites},
        entries=entries,
        systems=frozenset(url_of(shape, entry.system) for entry in shape.entries) - SHARED_SYSTEMS,
    )


def _used(shape: SourceShape) -> dict[Code, tuple[str | None, str | None]]:
    kinds = _codes(shape, shape.infusion_kinds) | _codes(shape, shape.dressing_kinds)
    lines = _codes(shape, shape.line_kinds)
    return {code: (kinds.get(code), lines.get(code)) for code in {**kinds, **lines}}


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
        text={answer_text(text): word for text, word in written.text.items()},
        number={float(number): word for number, word in written.number.items()},
    )


def _codes(shape: SourceShape, written: Iterable[CodesShape]) -> dict[Code, str]:
    found: dict[Code, str] = {}
    for each in written:
        pairs = [*((code, code) for code in each.same), *each.codes.items()]
        found.update({(url_of(shape, each.system), code): word for code, word in pairs})
    return found


def _actions(shape: SourceShape, name: str) -> frozenset[Code]:
    return frozenset(
        (url_of(shape, each.system), code) for each in shape.device_actions for code in getattr(each, name)
    )
