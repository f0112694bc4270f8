"""The facts of a dressing site → what an item's clock counts from, and under which dressing. No I/O.

The latest valid change instant wins, whatever row came last. A time of month or year precision sets no clock, and
neither does what was charted before a port's needle came out: its dressing came off with it.
"""

from collections.abc import Iterable, Sequence

import msgspec

from linedays.core.model import DressingSite, Fact, FactKind, Line, StartBasis
from linedays.core.moment import Instant, Precision, order
from linedays.core.states import Anchor, AnchorBasis

DRESSING_ITEM = "dressing-change"
NEEDLE_ITEM = "port-needle-change"
# Members have a name of their own where they are asked for once per fact (see `moment`).
_DEACCESSED, _ACCESSED, _PART_CHANGED = FactKind.PORT_DEACCESSED, FactKind.PORT_ACCESSED, FactKind.PART_CHANGED
_CHANGE, _INSERTION = AnchorBasis.CHANGE, AnchorBasis.INSERTION
_STARTING = frozenset({FactKind.INSERTED, FactKind.PRESENT})
_TOO_COARSE = frozenset({Precision.MONTH, Precision.YEAR})
BEGINS_A_LINE = frozenset({StartBasis.INSERTION, StartBasis.EXCHANGE})
# Among facts of one instant the one that says most is cited.
_BASIS = {
    FactKind.DRESSING_CHANGED: AnchorBasis.CHANGE,
    FactKind.LABEL_DATE: AnchorBasis.LABEL,
    FactKind.CHANGE_REPORTED: AnchorBasis.REPORTED,
}
_RANK = {AnchorBasis.INSERTION: 0, AnchorBasis.REPORTED: 1, AnchorBasis.LABEL: 2, AnchorBasis.CHANGE: 3}


class SiteFact(msgspec.Struct, frozen=True, gc=False):
    """A fact that has happened by the moment asked about, with the line it is on."""

    fact: Fact
    line: Line


class Anchoring(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """The anchor of an item, the dressing kind charted last before or at it, and a date too coarse to count."""

    anchor: Anchor | None
    kind_before: str | None
    too_coarse: Fact | None


def counts_from(fact: Fact) -> Instant:
    """Return the instant from which a fact counts.

    A finding entered before the time it is charted for counts from its entry: it cannot have been seen later.
    """
    return min(fact.happened.earliest, fact.known) if fact.findings else fact.happened.earliest


def facts_by(site: DressingSite, at: Instant) -> list[SiteFact]:
    """Return the facts of a site that had happened by a moment, in order of time."""
    found = [
        SiteFact(fact, timeline.line)
        for timeline in site.timelines
        for fact in timeline.facts
        if counts_from(fact) <= at
    ]
    if len(site.timelines) > 1:
        found.sort(key=lambda each: (each.fact.happened.earliest, each.fact.known, each.fact.source))
    return found


def anchoring(
    facts: Sequence[SiteFact], item: str, since: Instant | None, undressed: frozenset[str] = frozenset()
) -> Anchoring:
    """Return what an item counts from, of the facts that happened by the moment asked about.

    `since` limits it to facts that happened or were charted from then on (a readmission: what was charted before the
    gap says nothing now). `undressed` are the kinds of line whose insertion starts no dressing.
    """
    told = [
        (basis, each)
        for each in _since_the_needle(facts)
        if (basis := _basis(each, item, undressed)) is not None and _tells(each.fact, since)
    ]
    anchors = [_anchor(each, basis) for basis, each in told if each.fact.happened.precision not in _TOO_COARSE]
    anchors.sort(key=_says_more)
    coarse = [each.fact for _, each in told if each.fact.happened.precision in _TOO_COARSE]
    kinds = [anchor.dressing_kind for anchor in anchors[:-1] if anchor.dressing_kind is not None]
    return Anchoring(
        anchor=anchors[-1] if anchors else None,
        kind_before=kinds[-1] if kinds else None,
        too_coarse=coarse[-1] if coarse else None,
    )


def _since_the_needle(facts: Sequence[SiteFact]) -> Iterable[SiteFact]:
    """Leave out what happened before the last charted de-access."""
    out = [each.fact.happened for each in facts if each.fact.kind is _DEACCESSED]
    if not out:
        return facts
    return [each for each in facts if order(each.fact.happened, out[-1]) >= 0]


def _tells(fact: Fact, since: Instant | None) -> bool:
    return since is None or max(fact.happened.latest, fact.known) >= since


def _says_more(anchor: Anchor) -> tuple[Instant, int, bool, int, str]:
    # Of two entries for one instant the one that names the dressing counts, else the earlier.
    return anchor.at, _RANK[anchor.basis], anchor.dressing_kind is not None, -anchor.known, anchor.source


def _anchor(each: SiteFact, basis: AnchorBasis) -> Anchor:
    fact = each.fact
    begins = each.line.start_basis in BEGINS_A_LINE
    return Anchor(
        at=max(fact.happened.earliest, each.line.start.earliest) if begins else fact.happened.earliest,
        happened=fact.happened,
        basis=basis,
        source=fact.source,
        known=fact.known,
        # The value of a part that was changed is that part.
        dressing_kind=None if fact.kind is _PART_CHANGED else fact.value,
    )


def _basis(each: SiteFact, item: str, undressed: frozenset[str]) -> AnchorBasis | None:
    fact = each.fact
    if fact.kind is _PART_CHANGED:
        return _CHANGE if fact.value == item else None
    if fact.kind is _ACCESSED:
        return _INSERTION if item in (DRESSING_ITEM, NEEDLE_ITEM) else None
    return _dressing_basis(each, undressed) if item == DRESSING_ITEM else None


def _dressing_basis(each: SiteFact, undressed: frozenset[str]) -> AnchorBasis | None:
    kind = each.fact.kind
    if kind in _STARTING and each.line.start_basis in BEGINS_A_LINE and each.line.kind not in undressed:
        return _INSERTION
    return _BASIS.get(kind)
