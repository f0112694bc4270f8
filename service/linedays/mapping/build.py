"""Turns the rules of the policy files into the rules of the core. No I/O.

A rule of the files becomes one core rule for each of its dated values and for each group of staff that its line kinds
are left to, so that every rule of the core says exactly who does it, from when and until when. The first value for the
usual staff keeps the id of the rule; the others add "@" and their first day, and "/" and the code of the staff.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from linedays.core.anchors import DRESSING_ITEM
from linedays.core.moment import DAY
from linedays.core.policy import IntervalRule, NotRequiredRule, SeenRule, Source, UpkeepRule
from linedays.mapping.quantities import duration_in_hours, duration_in_words
from linedays.mapping.sections import Placed, Sections
from linedays.mapping.shapes import AnyRuleShape, IntervalShape, LineKindShape, NotRequiredShape, SeenShape, Sourced


@dataclass(frozen=True, slots=True, kw_only=True)
class BuiltRule:
    """A rule of the core with the entry and the position of the value it was made from."""

    rule: UpkeepRule
    entry: Placed[AnyRuleShape]
    value: int


def built_rules(sections: Sections) -> tuple[BuiltRule, ...]:
    """Return the rules of the core, in the order of the files."""
    return tuple(
        BuiltRule(rule=rule, entry=entry, value=index)
        for entry in sections.rules.items
        for index in range(len(entry.value.values))
        for rule in _rules_of(entry.value, index, sections)
    )


def chosen_line_kinds(shape: AnyRuleShape, kinds: tuple[LineKindShape, ...]) -> tuple[str, ...]:
    """Return the line kinds that a rule holds for, in the order of the policy.

    "any" and "all_but" mean line kinds with a dressing where the item is the dressing change.
    """
    chosen = shape.line_kinds
    if not chosen.all_but:
        return tuple(kind.code for kind in kinds if kind.code in chosen.codes)
    return tuple(
        kind.code
        for kind in kinds
        if kind.code not in chosen.codes and (kind.dressing or shape.item != DRESSING_ITEM)
    )


def source_of(shape: Sourced) -> Source:
    """Return the source of an entry."""
    return Source(text=shape.source, seen=not shape.from_memory)


def span_of(shape: AnyRuleShape, index: int) -> tuple[date, date | None]:
    """Return the first day of a dated value and the first day on which it no longer holds."""
    value = shape.values[index]
    following = shape.values[index + 1].since if index + 1 < len(shape.values) else None
    return value.since, value.until or following


def _rules_of(shape: AnyRuleShape, index: int, sections: Sections) -> Iterator[UpkeepRule]:
    kinds = sections.line_kinds.values
    chosen = chosen_line_kinds(shape, kinds)
    dated = f"{shape.id}@{shape.values[index].since}" if index else shape.id
    if isinstance(shape, NotRequiredShape):
        yield _not_required(shape, index, id=dated, line_kinds=chosen)
        return
    staff = {group.code: group.name for group in sections.staff.values}
    usual = next(iter(staff), None)
    who_of = {kind.code: kind.who for kind in kinds}
    for who in dict.fromkeys(who_of[code] for code in chosen):
        scope = _Scope(
            id=dated if who == usual else f"{dated}/{who}",
            line_kinds=tuple(code for code in chosen if who_of[code] == who),
            dressing_kinds=_chosen_dressing_kinds(shape, sections),
            units=shape.units.codes,
            who=staff.get(who, who),
        )
        yield _interval(shape, index, scope) if isinstance(shape, IntervalShape) else _seen(shape, index, scope)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scope:
    """For what a rule of the core holds, and who does it."""

    id: str
    line_kinds: tuple[str, ...]
    dressing_kinds: tuple[str, ...]
    units: tuple[str, ...]
    who: str


def _chosen_dressing_kinds(shape: IntervalShape | SeenShape, sections: Sections) -> tuple[str, ...]:
    chosen = shape.dressing_kinds
    if not chosen.all_but or not chosen.codes:
        return chosen.codes
    return tuple(kind.code for kind in sections.dressing_kinds.values if kind.code not in chosen.codes)


def _interval(shape: IntervalShape, index: int, scope: _Scope) -> IntervalRule:
    value = shape.values[index]
    since, until = span_of(shape, index)
    return IntervalRule(
        id=scope.id,
        item=shape.item,
        line_kinds=scope.line_kinds,
        dressing_kinds=scope.dressing_kinds,
        age=shape.age,
        units=scope.units,
        interval_days=value.interval,
        basis=value.basis,
        grace=value.grace,
        since=since,
        until=until,
        who=scope.who,
        text=shape.text.replace("{interval}", duration_in_words(value.interval * DAY)),
        source=source_of(value),
    )


def _seen(shape: SeenShape, index: int, scope: _Scope) -> SeenRule:
    value = shape.values[index]
    since, until = span_of(shape, index)
    return SeenRule(
        id=scope.id,
        item=shape.item,
        line_kinds=scope.line_kinds,
        dressing_kinds=scope.dressing_kinds,
        age=shape.age,
        units=scope.units,
        seen_within=value.seen_within,
        since=since,
        until=until,
        who=scope.who,
        text=shape.text.replace("{seen_within}", duration_in_hours(value.seen_within)),
        source=source_of(value),
    )


def _not_required(shape: NotRequiredShape, index: int, *, id: str, line_kinds: tuple[str, ...]) -> NotRequiredRule:
    value = shape.values[index]
    since, until = span_of(shape, index)
    return NotRequiredRule(
        id=id,
        item=shape.item,
        line_kinds=line_kinds,
        when=shape.when,
        incision=value.incision,
        since=since,
        until=until,
        text=shape.text.replace("{incision}", duration_in_words(value.incision)),
        source=source_of(value),
    )
