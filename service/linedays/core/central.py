"""A line with its charted tip and the analysts' rulings → central, not central or unknown, and why. No I/O.

The kind gives the default. A mapped tip code can make a line central, from the insertion on; only an analyst's ruling
can take one out. Once central, central until out: a tip that moved later changes nothing.
Source: NHSN Patient Safety Component Manual, ch. 4, central line definition and its notes (in part from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from linedays.core.count_rules import CountingRules, kind_counting
from linedays.core.model import FactKind, Timeline
from linedays.core.moment import Instant


class Central(StrEnum):
    """Whether a line is a central line to the counting."""

    YES = "central"
    NO = "not central"
    UNKNOWN = "unknown kind"


class CentralBasis(StrEnum):
    """What says so."""

    KIND = "line kind"
    TIP = "charted tip location"
    RULING = "analyst's ruling"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ruling:
    """An analyst's decision about one line, holding from its insertion; `ruled` is when it was made."""

    line: str
    central: bool
    ruled: Instant
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Centrality:
    """Whether a line is central, what says so, and the resource or record behind it (None: the kind alone)."""

    central: Central
    basis: CentralBasis
    source: str | None = None


def centrality(
    timeline: Timeline, counting: CountingRules, rulings: Sequence[Ruling], *, known_by: Instant
) -> Centrality:
    """Return whether a line is central as known by a moment; the latest ruling made by then leads."""
    names = timeline.line.names
    made = [ruling for ruling in rulings if ruling.line in names and ruling.ruled <= known_by]
    if made:
        last = max(made, key=lambda ruling: (ruling.ruled, ruling.source))
        return Centrality(
            central=Central.YES if last.central else Central.NO, basis=CentralBasis.RULING, source=last.source
        )
    kind = kind_counting(counting, timeline.line.kind)
    if kind is not None and kind.central:
        return Centrality(central=Central.YES, basis=CentralBasis.KIND)
    central_tips = {tip.code for tip in counting.tips if tip.central}
    for fact in timeline.facts:
        if fact.kind is FactKind.TIP and fact.value in central_tips:
            return Centrality(central=Central.YES, basis=CentralBasis.TIP, source=fact.source)
    unknown = kind is None or kind.central is None
    return Centrality(central=Central.UNKNOWN if unknown else Central.NO, basis=CentralBasis.KIND)
