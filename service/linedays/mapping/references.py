"""The entries of the policy files → references that lead nowhere, and codes that are taken twice. No I/O.

What an entry refers to is judged only where the section it leads to could be read in full: a slip in one entry must
not show up again as ten dangling references.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import TypeVar

from linedays.core.anchors import DRESSING_ITEM
from linedays.core.policy import NotRequiredWhen
from linedays.mapping.build import chosen_line_kinds
from linedays.mapping.documents import Problem
from linedays.mapping.example_shapes import ExampleShape
from linedays.mapping.sections import Placed, Section, Sections
from linedays.mapping.shapes import AnyRuleShape, LineKindShape, NotRequiredShape, Shape, UnitShape

S = TypeVar("S", bound=Shape)
EVERY_UNIT = "*"


@dataclass(frozen=True, slots=True)
class Codes:
    """The codes that one section declares; `whole` is false where some of it could not be read."""

    noun: str
    known: tuple[str, ...]
    whole: bool

    def dangling(self, entry: Placed[S], names: Iterable[str | None], *inside: str | int) -> Iterator[Problem]:
        """Yield a problem for each name that the section does not declare."""
        for name in names:
            if self.whole and name is not None and name not in self.known:
                yield entry.problem(f"unknown {self.noun} {name!r}", "one of: " + ", ".join(self.known), *inside)


@dataclass(frozen=True, slots=True, kw_only=True)
class Declared:
    """The codes of every section that can be referred to."""

    staff: Codes
    line_kinds: Codes
    dressing_kinds: Codes
    findings: Codes
    rules: Codes
    items: Codes
    units: Codes


def reference_problems(sections: Sections) -> Iterator[Problem]:
    """Yield every reference that leads nowhere and every code that is taken twice."""
    declared = _declared(sections)
    yield from _twice(sections)
    for kind in sections.line_kinds.items:
        yield from declared.staff.dangling(kind, [kind.value.who], "who")
    for rule in sections.rules.items:
        yield from _from_rule(rule, declared)
    for unit in sections.units.items:
        yield from _from_unit(unit, declared)
    for example in sections.examples.items:
        yield from _from_example(example, declared)
    if sections.line_kinds.complete and sections.rules.complete:
        yield from _dressing_contradictions(sections)
    if sections.units.complete and EVERY_UNIT not in declared.units.known:
        yield sections.units.items[0].problem("no units entry for every unit", f'an entry with unit: "{EVERY_UNIT}"')


def _declared(sections: Sections) -> Declared:
    findings = (code for row in sections.findings.values for code in row.findings)
    return Declared(
        staff=_codes("staff", sections.staff, (group.code for group in sections.staff.values)),
        line_kinds=_codes("line kind", sections.line_kinds, (kind.code for kind in sections.line_kinds.values)),
        dressing_kinds=_codes(
            "dressing kind", sections.dressing_kinds, (kind.code for kind in sections.dressing_kinds.values)
        ),
        findings=_codes("finding", sections.findings, findings),
        rules=_codes("rule", sections.rules, (rule.id for rule in sections.rules.values)),
        items=_codes("item", sections.rules, dict.fromkeys(rule.item for rule in sections.rules.values)),
        units=_codes("unit", sections.units, (unit.unit for unit in sections.units.values)),
    )


def _codes(noun: str, section: Section[S], known: Iterable[str]) -> Codes:
    return Codes(noun, tuple(known), section.complete)


def _twice(sections: Sections) -> Iterator[Problem]:
    yield from _repeated(sections.staff, lambda group: [group.code], "code")
    yield from _repeated(sections.line_kinds, lambda kind: [kind.code], "code")
    yield from _repeated(sections.dressing_kinds, lambda kind: [kind.code], "code")
    yield from _repeated(sections.findings, lambda row: row.findings, "findings")
    yield from _repeated(sections.rules, lambda rule: [rule.id], "id")
    yield from _repeated(sections.units, lambda unit: [unit.unit], "unit")
    yield from _repeated(sections.examples, lambda example: [example.id], "id")


def _repeated(section: Section[S], names_of: Callable[[S], list[str]], key: str) -> Iterator[Problem]:
    first: dict[str, Placed[S]] = {}
    for entry in section.items:
        for name in names_of(entry.value):
            if name in first:
                before = first[name].document
                where = f"{before.file}:{before.line((*first[name].path, key))}"
                yield entry.problem(f"{name!r} a second time (first at {where})", "each one in one entry", key)
            first.setdefault(name, entry)


def _from_rule(entry: Placed[AnyRuleShape], declared: Declared) -> Iterator[Problem]:
    rule = entry.value
    yield from declared.line_kinds.dangling(entry, rule.line_kinds.codes, "line_kinds")
    if isinstance(rule, NotRequiredShape):
        return
    yield from declared.dressing_kinds.dangling(entry, rule.dressing_kinds.codes, "dressing_kinds")
    yield from declared.units.dangling(entry, rule.units.codes, "units")
    if (rule.units.all_but and rule.units.codes) or EVERY_UNIT in rule.units.codes:
        yield entry.problem("'units' names what it leaves out", "any, or a list of units", "units")


def _from_unit(entry: Placed[UnitShape], declared: Declared) -> Iterator[Problem]:
    yield from declared.dressing_kinds.dangling(entry, [entry.value.usual_dressing], "usual_dressing")
    yield from declared.dressing_kinds.dangling(entry, [entry.value.first_dressing], "first_dressing")


def _from_example(entry: Placed[ExampleShape], declared: Declared) -> Iterator[Problem]:
    example = entry.value
    yield from declared.rules.dangling(entry, [example.rule], "rule")
    yield from declared.line_kinds.dangling(entry, [example.line_kind], "line_kind")
    yield from declared.units.dangling(entry, [example.unit], "unit")
    for index, fact in enumerate(example.facts):
        yield from declared.dressing_kinds.dangling(entry, [fact.dressing], "facts", index, "dressing")
        yield from declared.findings.dangling(entry, fact.findings, "facts", index, "findings")
        yield from declared.items.dangling(entry, [fact.part], "facts", index, "part")


def _dressing_contradictions(sections: Sections) -> Iterator[Problem]:
    """A line kind has no dressing exactly where a rule says that its change is never asked for."""
    kinds = sections.line_kinds.values
    never: dict[str, Placed[AnyRuleShape]] = {}
    for entry in sections.rules.items:
        rule = entry.value
        if rule.item == DRESSING_ITEM and isinstance(rule, NotRequiredShape) and rule.when is NotRequiredWhen.ALWAYS:
            never |= dict.fromkeys(chosen_line_kinds(rule, kinds), entry)
        elif rule.item == DRESSING_ITEM and not rule.line_kinds.all_but:
            yield from _without_dressing(entry, kinds)
    for kind in sections.line_kinds.items:
        if kind.value.dressing and kind.value.code in never:
            what = f"'dressing' is true, but {never[kind.value.code].value.id!r} says it is never asked for"
            yield kind.problem(what, "dressing: false, or no such rule", "dressing")
        if not kind.value.dressing and kind.value.code not in never:
            what = f"{kind.value.code!r} has no dressing and no rule says so"
            yield kind.problem(what, f"a rule of {DRESSING_ITEM} of kind not-required, when: always", "dressing")


def _without_dressing(entry: Placed[AnyRuleShape], kinds: tuple[LineKindShape, ...]) -> Iterator[Problem]:
    for kind in kinds:
        if kind.code in entry.value.line_kinds.codes and not kind.dressing:
            yield entry.problem(f"{kind.code!r} has no dressing", "line kinds with dressing: true", "line_kinds")
