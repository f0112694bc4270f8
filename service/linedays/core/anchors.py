"""The facts of a dressing site → what an item's clock counts from, and under which dressing. No I/O.

The latest valid change instant wins, whatever row came last. A time of month or year precision sets no clock.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from linedays.core.model import Anchor, AnchorBasis, DressingSite, Fact, FactKind, Line, StartBasis
from linedays.core.moment import Instant, Precision

DRESSING_ITEM = "dressing-change"
NEEDLE_ITEM = "port-needle-change"
_TOO_COARSE = frozenset({Precision.MONTH, Precision.YEAR})
_BEGINS_A_LINE = frozenset({StartBasis.INSERTION, StartBasis.EXCHANGE})
# Among facts of one instant the one that says most is cited.
_RANK = {AnchorBasis.INSERTION: 0, AnchorBasis.REPORTED: 1, AnchorBasis.LABEL: 2, AnchorBasis.CHANGE: 3}


@dataclass(frozen=True, slots=True)
class SiteFact:
    """A fact that has happened by the moment asked about, with the line it is on."""

    fact: Fact
    line: Line


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchoring:
    """The anchor of an item, the dressing kind charted last before or at it, and a date too coarse to count."""

    anchor: Anchor | None
    kind_before: str | None
    too_coarse: Fact | None


def facts_by(site: DressingSite, at: Instant) -> list[SiteFact]:
    """Return the facts of a site that had happened by a moment, in order of time.

    A finding entered before the time it is charted for applies from its entry: it cannot have been seen later.
    """
    found = [
        SiteFact(fact, timeline.line)
        for timeline in site.timelines
        for fact in timeline.facts
        if fact.happened.earliest <= at or (fact.findings and fact.known <= at)
    ]
    if len(site.timelines) > 1:
        found.sort(key=lambda each: (each.fact.happened.earliest, each.fact.known, each.fact.source))
    return found


def anchoring(facts: Iterable[SiteFact], item: str, since: Instant | None) -> Anchoring:
    """Return what an item counts from, of the facts that happened by the moment asked about.

    `since` limits it to facts that happened or were charted from then on (a readmission: what was charted before the
    gap says nothing now).
    """
    best: tuple[tuple[Instant, int, int, str], Anchor] | None = None
    kind_before: str | None = None
    too_coarse: Fact | None = None
    for each in facts:
        fact = each.fact
        basis = _basis(each, item)
        if basis is None:
            continue
        if fact.happened.precision in _TOO_COARSE:
            too_coarse = fact
            continue
        if since is not None and max(fact.happened.latest, fact.known) < since:
            continue
        at = _counted_from(each)
        rank = (at, _RANK[basis], -fact.known, fact.source)
        if best is None or rank > best[0]:
            kind_before = best[1].dressing_kind or kind_before if best is not None else None
            best = rank, _anchor(fact, at, basis)
    return Anchoring(anchor=best[1] if best is not None else None, kind_before=kind_before, too_coarse=too_coarse)


def _anchor(fact: Fact, at: Instant, basis: AnchorBasis) -> Anchor:
    return Anchor(
        at=at, happened=fact.happened, basis=basis, source=fact.source, known=fact.known, dressing_kind=fact.value
    )


def _counted_from(each: SiteFact) -> Instant:
    if each.line.start_basis in _BEGINS_A_LINE:
        return max(each.fact.happened.earliest, each.line.start.earliest)
    return each.fact.happened.earliest


def _basis(each: SiteFact, item: str) -> AnchorBasis | None:
    fact = each.fact
    if item == NEEDLE_ITEM:
        return _needle_basis(fact)
    if item != DRESSING_ITEM:
        changed = fact.kind is FactKind.PART_CHANGED and fact.value == item
        return AnchorBasis.CHANGE if changed else None
    match fact.kind:
        case FactKind.DRESSING_CHANGED:
            return AnchorBasis.CHANGE
        case FactKind.LABEL_DATE:
            return AnchorBasis.LABEL
        case FactKind.CHANGE_REPORTED:
            return AnchorBasis.REPORTED
        case FactKind.INSERTED | FactKind.PRESENT if each.line.start_basis in _BEGINS_A_LINE:
            return AnchorBasis.INSERTION
        case FactKind.PORT_ACCESSED:
            return AnchorBasis.INSERTION
        case _:
            return None


def _needle_basis(fact: Fact) -> AnchorBasis | None:
    if fact.kind is FactKind.PORT_ACCESSED:
        return AnchorBasis.INSERTION
    if fact.kind is FactKind.PART_CHANGED and fact.value == NEEDLE_ITEM:
        return AnchorBasis.CHANGE
    return None
