"""The timelines of one patient → dressing sites: the one or more lines that lie under one dressing. No I/O.

Lines share a dressing where the chart says so (a parent device, a guidewire exchange) or where a pair of kinds that is
known to share one stands at the same charted site and side at the same time.
"""

from linedays.core.charting import ChartingRules
from linedays.core.model import DressingSite, Line, Timeline
from linedays.core.moment import Instant


def dressing_sites(known: list[tuple[Instant, Timeline]], rules: ChartingRules) -> tuple[DressingSite, ...]:
    """Group a patient's lines by dressing.

    Shape: sites in order of their keys, the lines of each from the one known first.
    """
    if len(known) == 1:
        return (DressingSite(key=known[0][1].line.key, timelines=(known[0][1],)),)
    ordered = sorted(known, key=lambda pair: (pair[0], pair[1].line.key))
    groups: list[list[Timeline]] = []
    for _, timeline in ordered:
        touching = [group for group in groups if any(_share(timeline.line, other.line, rules) for other in group)]
        merged = [other for group in touching for other in group] + [timeline]
        groups = [group for group in groups if not any(group is found for found in touching)] + [merged]
    rank = {timeline.line.key: index for index, (_, timeline) in enumerate(ordered)}
    sites = (sorted(group, key=lambda timeline: rank[timeline.line.key]) for group in groups)
    return tuple(sorted((DressingSite(key=group[0].line.key, timelines=tuple(group)) for group in sites), key=_key))


def _key(site: DressingSite) -> str:
    return site.key


def _share(one: Line, other: Line, rules: ChartingRules) -> bool:
    if _names(one, other) or _names(other, one):
        return True
    pair = (one.kind, other.kind)
    if pair not in rules.shared_dressing and pair[::-1] not in rules.shared_dressing:
        return False
    same = one.site is not None and one.site == other.site and one.side == other.side
    return same and _together(one, other)


def _names(one: Line, other: Line) -> bool:
    return one.parent is not None and (one.parent == other.key or one.parent in other.aliases)


def _together(one: Line, other: Line) -> bool:
    return (one.end is None or other.start.earliest <= one.end.latest) and (
        other.end is None or one.start.earliest <= other.end.latest
    )
