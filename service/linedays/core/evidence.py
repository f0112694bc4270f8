"""A dressing site's state and what was withdrawn → the charted facts that may close its Task and Flags. No I/O."""

from collections.abc import Iterable
from typing import assert_never

from linedays.core.anchors import DRESSING_ITEM, NEEDLE_ITEM
from linedays.core.asked import REMOVAL
from linedays.core.compared import Evidence, EvidenceKind
from linedays.core.model import EndBasis, Fact, FactKind, Stay, Whereabouts
from linedays.core.moment import exactly
from linedays.core.presence import USES
from linedays.core.states import AnchorBasis, ItemState, SiteState, State

_OF_ITEM = {State.PAUSED: EvidenceKind.PAUSED, State.NOT_REQUIRED: EvidenceKind.NOT_REQUIRED}
_FACTS_OF_ITEM = {
    State.PAUSED: (FactKind.PAUSED,),
    State.NOT_REQUIRED: (FactKind.SITE_HEALED, FactKind.PORT_DEACCESSED),
}
_DATED = frozenset({FactKind.LABEL_DATE, FactKind.CHANGE_REPORTED})
_NOTHING_FOUND = frozenset({"intact", "none"})


def withdrawn_sources(facts: Iterable[Fact]) -> frozenset[str]:
    """Return the resources, among everything read of a patient, whose entry was withdrawn."""
    return frozenset(fact.source for fact in facts if fact.kind is FactKind.RETRACTED)


def evidence_of(state: SiteState, *, stays: tuple[Stay, ...], withdrawn: frozenset[str]) -> tuple[Evidence, ...]:
    """Return what was charted that may close the Tasks and the Flags of a dressing site."""
    facts = [fact for timeline in state.site.timelines for fact in timeline.facts]
    standing = {finding.source for one in (*state.items, state.concern) if one for finding in one.findings}
    told = [Evidence(kind=EvidenceKind.WITHDRAWN, source=source) for source in sorted(withdrawn)]
    told += [
        Evidence(kind=kind, item=item, source=fact.source, happened=fact.happened)
        for fact in facts
        for kind, item in _kinds(fact, standing)
    ]
    told += _of_place(state, facts, stays)
    for item in state.items:
        told += _of_item(item, facts)
    return tuple(dict.fromkeys(told))


def _kinds(fact: Fact, standing: set[str]) -> list[tuple[EvidenceKind, str | None]]:
    match fact.kind:
        case FactKind.DRESSING_CHANGED:
            return [(EvidenceKind.CHANGED, DRESSING_ITEM)]
        case FactKind.PORT_ACCESSED:
            return [(EvidenceKind.CHANGED, DRESSING_ITEM), (EvidenceKind.CHANGED, NEEDLE_ITEM)]
        case FactKind.PART_CHANGED:
            return [(EvidenceKind.CHANGED, fact.value)]
        case _:
            return [(kind, DRESSING_ITEM) for kind in _seen(fact, standing)]


def _seen(fact: Fact, standing: set[str]) -> list[EvidenceKind]:
    if fact.kind in _DATED:
        return [EvidenceKind.DATED]
    if fact.kind not in (FactKind.DRESSING_SEEN, FactKind.SITE_SEEN) or fact.source in standing:
        return []
    looked = EvidenceKind.SITE_SEEN if fact.kind is FactKind.SITE_SEEN else EvidenceKind.INTACT
    nothing_found = _NOTHING_FOUND.issuperset(fact.findings)
    # An entry that now says "nothing found" no longer holds up what was written because of it.
    if nothing_found:
        return [looked, EvidenceKind.WITHDRAWN]
    return [looked] if looked is EvidenceKind.SITE_SEEN else []


def _of_item(item: ItemState, facts: list[Fact]) -> list[Evidence]:
    told = []
    if anchor := item.anchor:
        dated = anchor.basis in (AnchorBasis.LABEL, AnchorBasis.REPORTED)
        kind = EvidenceKind.DATED if dated else EvidenceKind.CHANGED
        told.append(Evidence(kind=kind, item=item.item, source=anchor.source, happened=anchor.happened))
    if kind_of_state := _OF_ITEM.get(item.state):
        said = [fact for fact in facts if fact.kind in _FACTS_OF_ITEM[item.state]]
        last = max(said, key=lambda fact: fact.happened.earliest, default=None)
        told.append(
            Evidence(
                kind=kind_of_state,
                item=item.item,
                source=last.source if last else None,
                happened=last.happened if last else None,
            )
        )
    return told


def _of_place(state: SiteState, facts: list[Fact], stays: tuple[Stay, ...]) -> list[Evidence]:
    match state.whereabouts:
        case Whereabouts.ENDED:
            # A line charted out and still charted about may come to its end by the end of the stay alone.
            return _of_end(state) + ([] if state.stay_ended is None else _gone(state, stays))
        case Whereabouts.AWAY | Whereabouts.REMOVAL_NOT_CHARTED:
            return _gone(state, stays)
        case Whereabouts.SAID_TO_BE_GONE:
            return [
                Evidence(kind=EvidenceKind.SAID_TO_BE_GONE, source=fact.source, happened=fact.happened)
                for fact in facts
                if fact.kind is FactKind.LINE_NOT_PRESENT
            ][-1:]
        case Whereabouts.USED_AFTER_REMOVAL:
            # It was charted out: what else was asked of it makes way for the question whether it is still there.
            return _of_end(state)
        case Whereabouts.IN_PLACE:
            return _used_since(facts)
        case Whereabouts.NOT_YET:
            return []
        case _:
            assert_never(state.whereabouts)


def _gone(state: SiteState, stays: tuple[Stay, ...]) -> list[Evidence]:
    ends = [stay.end for stay in stays if stay.end is not None and stay.end <= state.at]
    return [Evidence(kind=EvidenceKind.GONE, happened=exactly(max(ends)))] if ends else []


def _used_since(facts: list[Fact]) -> list[Evidence]:
    """Return what was charted about a line after an entry that said it is gone."""
    said = [fact.happened.earliest for fact in facts if fact.kind is FactKind.LINE_NOT_PRESENT]
    used = [fact for fact in facts if said and fact.kind in USES and fact.happened.earliest > max(said)]
    return [
        Evidence(kind=EvidenceKind.IN_PLACE, item=REMOVAL, source=fact.source, happened=fact.happened)
        for fact in used[-1:]
    ]


def _of_end(state: SiteState) -> list[Evidence]:
    lines = [timeline.line for timeline in state.site.timelines]
    ended = [line for line in lines if line.end is not None]
    last = max(ended, key=lambda line: line.end.earliest if line.end else 0, default=None)
    if last is None or len(ended) < len(lines):
        return []
    kind = EvidenceKind.GONE if last.end_basis is EndBasis.DEATH else EvidenceKind.REMOVED
    return [Evidence(kind=kind, source=last.end_source, happened=last.end)]
