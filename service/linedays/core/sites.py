"""The timelines of one patient → dressing sites: the one or more lines that lie under one dressing. No I/O.

Lines share a dressing where the chart says so (a parent device, a guidewire exchange) or where a pair of kinds that is
known to share one stands at the same charted site and side at the same time.
"""

from collections import defaultdict
from collections.abc import Iterable
from itertools import combinations

from linedays.core.charting import ChartingRules
from linedays.core.model import DressingSite, Line, Timeline
from linedays.core.moment import Instant


def dressing_sites(known: list[tuple[Instant, Timeline]], rules: ChartingRules) -> tuple[DressingSite, ...]:
    """Group a patient's lines by dressing. Each line comes with when it first became known.

    Shape: sites in order of their keys, the lines of each from the one known first.
    """
    if len(known) == 1:
        timeline = known[0][1]
        return (DressingSite(key=timeline.line.key, timelines=(timeline,)),)
    ordered = [timeline for _, timeline in sorted(known, key=lambda pair: (pair[0], pair[1].line.key))]
    group = list(range(len(ordered)))
    lines = [timeline.line for timeline in ordered]
    for one, other in (*_named(lines), *_paired(lines, rules)):
        _unite(group, one, other)
    sites: dict[int, list[Timeline]] = defaultdict(list)
    for index, timeline in enumerate(ordered):
        sites[_first(group, index)].append(timeline)
    return tuple(
        sorted(
            (DressingSite(key=under[0].line.key, timelines=tuple(under)) for under in sites.values()),
            key=lambda site: site.key,
        )
    )


def _first(group: list[int], index: int) -> int:
    while group[index] != index:
        index = group[index]
    return index


def _unite(group: list[int], one: int, other: int) -> None:
    first, second = sorted((_first(group, one), _first(group, other)))
    group[second] = first


def _named(lines: list[Line]) -> Iterable[tuple[int, int]]:
    """Return the lines that name another one, with that one."""
    if all(line.parent is None for line in lines):
        return ()
    by_name: dict[str, list[int]] = defaultdict(list)
    for index, line in enumerate(lines):
        for name in line.names:
            by_name[name].append(index)
    return [(index, other) for index, line in enumerate(lines) if line.parent for other in by_name.get(line.parent, ())]


def _paired(lines: list[Line], rules: ChartingRules) -> Iterable[tuple[int, int]]:
    """Return the lines of two kinds that share a dressing at one site and side at one time."""
    pairs = {*rules.shared_dressing, *(pair[::-1] for pair in rules.shared_dressing)}
    kinds = {kind for pair in pairs for kind in pair}
    at_place: dict[tuple[str, str | None], list[int]] = defaultdict(list)
    for index, line in enumerate(lines):
        if line.kind in kinds and line.site is not None:
            at_place[line.site, line.side].append(index)
    return [
        (one, other)
        for there in at_place.values()
        for one, other in combinations(there, 2)
        if (lines[one].kind, lines[other].kind) in pairs and _together(lines[one], lines[other])
    ]


def _together(one: Line, other: Line) -> bool:
    return (one.end is None or other.start.earliest <= one.end.latest) and (
        other.end is None or one.start.earliest <= other.end.latest
    )
