"""The rules of the core → cases that no rule covers, and cases that two rules claim. No I/O.

A case is an item, a line kind, a dressing kind, an age group, a unit and a day. Exactly one timed rule holds for each
case; a rule made for the unit goes before one made for every unit.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from itertools import combinations, product

from linedays.core.anchors import DRESSING_ITEM
from linedays.core.policy import AgeGroup, IntervalRule, NotRequiredRule, SeenRule, in_force
from linedays.mapping.build import BuiltRule
from linedays.mapping.documents import Problem
from linedays.mapping.sections import Sections

ONE_RULE = "exactly one rule for each line kind, dressing kind, age group, unit and day"
AGES = (AgeGroup.NEONATE, AgeGroup.OLDER)


@dataclass(frozen=True, slots=True)
class _Case:
    """One case without its day."""

    dressing_kind: str
    age: AgeGroup
    unit: str | None
    line_kind: str

    def __str__(self) -> str:
        where = f", unit {self.unit}" if self.unit is not None else ""
        return f"{self.dressing_kind} on {self.line_kind}, {self.age.value}{where}"


def coverage_problems(sections: Sections, built: tuple[BuiltRule, ...]) -> Iterator[Problem]:
    """Yield every case with no rule or with more than one.

    Cases without a rule are told only where all the sections that they are made of could be read.
    """
    parts = (sections.line_kinds, sections.dressing_kinds, sections.rules, sections.units)
    whole = all(part.complete for part in parts)
    for item in dict.fromkeys(one.rule.item for one in built):
        timed = [one for one in built if one.rule.item == item and not isinstance(one.rule, NotRequiredRule)]
        claims = {case: list(_claims(case, timed)) for case in _cases(sections, item, timed)}
        yield from _overlaps(claims)
        if whole:
            yield from _gaps(sections, item, claims)
    yield from _waived_twice([one for one in built if isinstance(one.rule, NotRequiredRule)])


def _cases(sections: Sections, item: str, timed: list[BuiltRule]) -> Iterator[_Case]:
    if item == DRESSING_ITEM:
        kinds = [kind.code for kind in sections.line_kinds.values if kind.dressing]
    else:
        kinds = list(dict.fromkeys(code for one in timed for code in one.rule.line_kinds))
    units = dict.fromkeys(unit for one in timed for unit in _timed(one).units)
    dressings = [kind.code for kind in sections.dressing_kinds.values]
    for dressing, age, unit, kind in product(dressings, AGES, (None, *units), kinds):
        yield _Case(dressing, age, unit, kind)


def _timed(one: BuiltRule) -> IntervalRule | SeenRule:
    assert not isinstance(one.rule, NotRequiredRule)
    return one.rule


def _claims(case: _Case, timed: list[BuiltRule]) -> Iterator[tuple[date, list[BuiltRule]]]:
    """Yield each day on which something changes, with the rules that hold for the case from then."""
    rules = [one.rule for one in timed]
    days = {rule.since for rule in rules} | {rule.until for rule in rules if rule.until is not None}
    for day in sorted(days):
        fits = [one for one in timed if _fits(_timed(one), case) and in_force(one.rule, day)]
        own = [one for one in fits if _timed(one).units]
        yield day, own or fits


def _fits(rule: IntervalRule | SeenRule, case: _Case) -> bool:
    return (
        case.line_kind in rule.line_kinds
        and (not rule.dressing_kinds or case.dressing_kind in rule.dressing_kinds)
        and rule.age in (AgeGroup.ANY, case.age)
        and (not rule.units or case.unit in rule.units)
    )


def _overlaps(claims: dict[_Case, list[tuple[date, list[BuiltRule]]]]) -> Iterator[Problem]:
    told: set[tuple[str, str]] = set()
    for case, days in claims.items():
        for day, holding in days:
            for first, second in combinations(holding, 2):
                names = (first.entry.value.id, second.entry.value.id)
                # Two values of one rule that overlap are told where its dates are checked.
                if first.entry is not second.entry and names not in told:
                    told.add(names)
                    what = f"rule {names[1]!r} overlaps rule {names[0]!r} for {case}, from {day}"
                    yield second.entry.problem(what, ONE_RULE, "id")


def _gaps(sections: Sections, item: str, claims: dict[_Case, list[tuple[date, list[BuiltRule]]]]) -> Iterator[Problem]:
    missing: dict[tuple[str, AgeGroup, date], list[str]] = {}
    for case, days in claims.items():
        if case.unit is not None:
            # A rule for a unit only ever adds to what holds for every unit.
            continue
        covered = True
        for day, holding in days:
            if covered and not holding:
                missing.setdefault((case.dressing_kind, case.age, day), []).append(case.line_kind)
            covered = bool(holding)
    lines = {entry.value.code: entry for entry in sections.dressing_kinds.items}
    for (dressing, age, day), kinds in missing.items():
        what = f"no rule of {item} for {dressing} on {', '.join(kinds)}, {age.value}, from {day}"
        yield lines[dressing].problem(what, ONE_RULE, "code")


def _waived_twice(waived: list[BuiltRule]) -> Iterator[Problem]:
    for first, second in combinations(waived, 2):
        a, b = first.rule, second.rule
        assert isinstance(a, NotRequiredRule)
        assert isinstance(b, NotRequiredRule)
        shared = [code for code in a.line_kinds if code in b.line_kinds]
        meet = in_force(a, b.since) or in_force(b, a.since)
        if first.entry is not second.entry and a.item == b.item and a.when is b.when and shared and meet:
            names = (first.entry.value.id, second.entry.value.id)
            what = f"rule {names[1]!r} says the same as rule {names[0]!r} for {', '.join(shared)}"
            yield second.entry.problem(what, "one rule for each line kind and condition", "id")
