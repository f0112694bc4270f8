"""A dressing site's state at one instant, with the counts of its patient → what to say of it then. No I/O.

Of the lines under one dressing the leading one (the one known first of those that are where the site is) carries what
is said of the dressing.
"""

from dataclasses import replace
from datetime import timedelta

from linedays.core.asked import dressing_item, lines_there
from linedays.core.count_rules import Stamp
from linedays.core.derived_values import (
    Absent,
    Bound,
    Counts,
    DayNumber,
    DerivedValue,
    DueAt,
    Elapsed,
    InState,
    Said,
    ValueKind,
)
from linedays.core.dwell import dwell
from linedays.core.model import Line, StartBasis, Stay, Whereabouts
from linedays.core.moment import day_moment
from linedays.core.states import Anchor, ItemState, SiteState, State

_IN_PLACE, _RECORD_ONLY = Whereabouts.IN_PLACE, StartBasis.DEVICE


def values_of(state: SiteState, counts: Counts, stays: tuple[Stay, ...]) -> tuple[DerivedValue, ...]:
    """Return everything to say of a dressing site and its lines at the instant of its state.

    Shape: of each line in place its line day number, where it has one, and its dwell; then what is said of the
    dressing. Nothing is said of a time before the patient came: nobody here looked.
    """
    if state.watched_since is None and any(stay.start > state.at for stay in stays):
        return ()
    found: list[DerivedValue] = []
    for timeline, where in zip(state.site.timelines, state.line_whereabouts, strict=True):
        if where is _IN_PLACE:
            found += [*_day_number(timeline.line, state, counts), _dwell(timeline.line, state, counts)]
    item = dressing_item(state)
    if item is not None:
        found += [_age(state, item), _due(state, item), _state(state, item)]
    return tuple(found)


def leading_line(state: SiteState) -> Line:
    """Return the line that carries what is said of the dressing: the first that is where the site is."""
    return lines_there(state)[0]


def _value(kind: ValueKind, line: Line, state: SiteState, said: Said, *sources: str) -> DerivedValue:
    return DerivedValue(
        kind=kind,
        line=line,
        at=state.at,
        said=said,
        sources=tuple(dict.fromkeys((line.start_source, *sources))),
        encounter=state.encounter,
        zone=state.zone,
    )


def _day_number(line: Line, state: SiteState, counts: Counts) -> list[DerivedValue]:
    found = counts.numbers.get(line.key)
    if found is not None and found.number is not None:
        value = _value(ValueKind.LINE_DAY_NUMBER, line, state, DayNumber(found.number))
        # Days that count follow one another without a gap, or the count would have begun anew.
        first = day_moment(found.day - timedelta(days=found.number - 1), counts.zone)
        return [replace(value, rule=_named(found.stamp), counted_from=first)]
    if line.key in counts.unclear:
        return [_value(ValueKind.LINE_DAY_NUMBER, line, state, Absent.UNKNOWN)]
    return []


def _dwell(line: Line, state: SiteState, counts: Counts) -> DerivedValue:
    spent = dwell(line, counts.dwell_rule, at=state.at, known_by=counts.known_by)
    value = _value(ValueKind.DWELL, line, state, Absent.UNKNOWN)
    # The record of a Device says when it was stored, which moves with every edit of it: that is no time of the line.
    if spent is None or line.start_basis is _RECORD_ONLY or (spent.at_least and not line.start.is_exact):
        return replace(value, rule=str(counts.dwell_rule.id))
    bound = Bound.AT_LEAST if spent.at_least else Bound.EXACT if line.start.is_exact else Bound.AT_MOST
    return replace(
        value,
        said=Elapsed(spent.seconds, bound),
        rule=_named(spent.stamp),
        counted_from=line.start,
        basis=str(line.start_basis),
    )


def _named(stamp: Stamp) -> str:
    return "; ".join(str(rule) for rule in stamp.rules)


def _age(state: SiteState, item: ItemState) -> DerivedValue:
    anchor = item.anchor
    if item.state is State.NOT_REQUIRED or anchor is None:
        return _of_item(ValueKind.DRESSING_AGE, state, item, _absent(item))
    bound = Bound.EXACT if anchor.happened.is_exact else Bound.AT_MOST
    return _of_item(ValueKind.DRESSING_AGE, state, item, Elapsed(state.at - anchor.at, bound))


def _due(state: SiteState, item: ItemState) -> DerivedValue:
    if item.state is not State.NOT_REQUIRED and item.due is not None:
        return _of_item(ValueKind.DRESSING_DUE, state, item, DueAt(item.due))
    # A dressing that is changed only when needed and was seen in time has no due time; nothing about that is unknown.
    sighted = item.state is State.NOT_DUE and item.reason.code == "seen-within"
    return _of_item(ValueKind.DRESSING_DUE, state, item, Absent.NOT_APPLICABLE if sighted else _absent(item))


def _absent(item: ItemState) -> Absent:
    return Absent.NOT_APPLICABLE if item.state is State.NOT_REQUIRED else Absent.UNKNOWN


def _state(state: SiteState, item: ItemState) -> DerivedValue:
    said = InState(item.state, item.reason)
    value = _of_item(ValueKind.UPKEEP_STATE, state, item, said, *(finding.source for finding in item.findings))
    return replace(value, beside=(*item.beside, *item.assumed))


def _of_item(kind: ValueKind, state: SiteState, item: ItemState, said: Said, *sources: str) -> DerivedValue:
    anchor = item.anchor
    found = _value(kind, leading_line(state), state, said, *_entry(anchor), *sources)
    return replace(
        found,
        beside=(item.reason,) if isinstance(said, Absent) else (),
        rule=item.rule or "",
        counted_from=anchor.happened if anchor else None,
        basis=str(anchor.basis) if anchor else "",
    )


def _entry(anchor: Anchor | None) -> tuple[str, ...]:
    return (anchor.source,) if anchor else ()
