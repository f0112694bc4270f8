"""line_days.yaml → the counting rules of the core, or every problem of the file with its line. No I/O."""

from collections.abc import Iterable

from linedays.core.count_rules import (
    CountingRules,
    DayNumberRule,
    KindCounting,
    LocationClass,
    NamedLocation,
    RuleName,
    SnapshotRule,
    TimeRule,
    TipCounting,
)
from linedays.core.policy import LineKind, Source
from linedays.mapping.counting_check import counting_problems
from linedays.mapping.counting_sections import FILE, CountingSections, sections_from_document
from linedays.mapping.counting_shapes import RuleOfYear
from linedays.mapping.documents import Documents, PolicyInvalid, Problem
from linedays.mapping.shapes import Sourced


def counting_from_documents(documents: Documents) -> CountingRules:
    """Return the counting rules.

    Raises: PolicyInvalid, with every problem of the file.
    """
    document = documents.named(FILE)
    if document is None:
        reading = [problem for problem in documents.problems if problem.file == FILE]
        raise PolicyInvalid(reading or [Problem(file=FILE, line=1, what="no such file", expected="the counting rules")])
    sections, problems = sections_from_document(document)
    problems = (*problems, *counting_problems(sections))
    if problems:
        raise PolicyInvalid(problems)
    return _rules(sections)


def kinds_that_differ(counting: CountingRules, line_kinds: Iterable[LineKind]) -> tuple[Problem, ...]:
    """Return where the counting rules do not know a line kind of the policy, or do not call it central alike."""
    known = {kind.code: kind.central for kind in counting.kinds}
    found: list[Problem] = []
    for kind in line_kinds:
        if kind.code not in known:
            what = f"no line kind {kind.code!r}"
            found.append(Problem(file=FILE, line=1, what=what, expected="every line kind of the policy"))
        elif known[kind.code] is not kind.central:
            what = f"central of the line kind {kind.code!r} is {_word(known[kind.code])}"
            found.append(Problem(file=FILE, line=1, what=what, expected=f"{_word(kind.central)}, as in the policy"))
    return tuple(found)


def _word(central: bool | None) -> str:
    return "null" if central is None else str(central).lower()


def _rules(sections: CountingSections) -> CountingRules:
    return CountingRules(
        snapshot_time=sections.snapshot[0].value.time,
        day_numbers=_day_numbers(sections),
        denominators=tuple(
            SnapshotRule(
                id=_name(one.value),
                include_not_accessed=one.value.include_not_accessed,
                source=_source(one.value),
            )
            for one in sections.denominators
        ),
        times=tuple(
            TimeRule(id=_name(one.value), count=one.value.count, units=one.value.units, source=_source(one.value))
            for one in sections.times
        ),
        kinds=tuple(
            KindCounting(code=code, group=one.value.group, central=one.value.central, source=_source(one.value))
            for one in sections.kinds
            for code in one.value.codes
        ),
        tips=tuple(
            TipCounting(code=code, central=one.value.central, source=_source(one.value))
            for one in sections.tips
            for code in one.value.codes
        ),
        location_classes=_location_classes(sections),
        locations=_locations(sections),
    )


def _day_numbers(sections: CountingSections) -> tuple[DayNumberRule, ...]:
    return tuple(
        DayNumberRule(
            id=_name(one.value),
            eligible_from_day=one.value.eligible_from_day,
            eligible_days_after=one.value.eligible_days_after,
            access_facts=tuple(one.value.access_facts),
            source=_source(one.value),
        )
        for one in sections.day_numbers
    )


def _location_classes(sections: CountingSections) -> tuple[LocationClass, ...]:
    return tuple(
        LocationClass(system=one.value.system, code=code, place_class=one.value.counts_as, source=_source(one.value))
        for one in sections.location_classes
        for code in one.value.codes
    )


def _locations(sections: CountingSections) -> tuple[NamedLocation, ...]:
    return tuple(
        NamedLocation(id=id, place_class=one.value.counts_as, source=_source(one.value))
        for one in sections.locations
        for id in one.value.ids
    )


def _name(shape: RuleOfYear) -> RuleName:
    return RuleName(name=shape.name, version=shape.version, year=shape.year)


def _source(shape: RuleOfYear | Sourced) -> Source:
    return Source(text=shape.source, seen=not shape.from_memory)
