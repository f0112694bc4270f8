"""The writes of a plan → those of each dressing site together, and these packed into batches. No I/O.

What is written for one dressing site belongs together: it was decided together, and where somebody else changed any of
it meanwhile, all of it is decided again. Sites that share a name of a line are taken as one.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from linedays.core.compared import SiteWanted
from linedays.fhir.identity import Identity, line_of
from linedays.run.plan import DECIDED_AGAIN, Planned

# Servers take 500 entries in a Bundle (the least of those looked at); fewer are repeated where one is contested.
BATCH_SIZE = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class LineWrites:
    """What is to be written for one dressing site, and every name of its lines.

    `lines` is empty for what is a function of the chart alone: it goes together, and is never decided again.
    """

    lines: frozenset[str]
    writes: tuple[Planned, ...]


def names_of_lines(sites: Iterable[SiteWanted]) -> dict[str, frozenset[str]]:
    """Return, for each name of a line, all names that must be looked at together with it."""
    found: dict[str, frozenset[str]] = {}
    for site in sites:
        together = frozenset(site.lines).union(*(found.get(line, frozenset()) for line in site.lines))
        found |= dict.fromkeys(together, together)
    return found


def by_line(
    writes: Iterable[Planned], names: Mapping[str, frozenset[str]], identity: Identity
) -> tuple[LineWrites, ...]:
    """Return the writes of each dressing site together, in the order of their first."""
    found: dict[tuple[bool, frozenset[str]], list[Planned]] = {}
    for planned in writes:
        line = str(line_of(planned.resource, identity))
        again = planned.resource["resourceType"] in DECIDED_AGAIN
        found.setdefault((again, names.get(line, frozenset((line,)))), []).append(planned)
    return tuple(
        LineWrites(lines=lines if again else frozenset(), writes=tuple(some))
        for (again, lines), some in found.items()
    )


def next_batch(waiting: Sequence[LineWrites], most: int) -> tuple[LineWrites, ...]:
    """Return the first of what waits, as much as goes into a batch of so many writes; at least one site, whole."""
    taken, count = 0, 0
    for one in waiting:
        count += len(one.writes)
        if taken and count > most:
            break
        taken += 1
    return tuple(waiting[:taken])
