"""What a sweep would write × what earlier sweeps wrote → what of it waits until a person has looked, and why. No I/O.

A wrong reading of the chart shows as far more than usual: a flood of new Tasks or Flags, or many that end only because
something is no longer found. Then all of that kind waits, not an arbitrary part of it. What is compromised or stat is
never held and does not count.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import median

from linedays.core.changes import Cancel, Create, EndFlag, EndReason
from linedays.core.compared import Condition, WantedTask
from linedays.core.states import Priority

# Design 2.6: creates of a kind above max(20, 3 × the median), endings by absence above max(5, 20 %).
CREATES_ALWAYS, CREATES_TIMES_USUAL = 20, 3
CLOSES_ALWAYS, CLOSES_ONE_IN = 5, 5
_NEVER_HELD = frozenset({Priority.ASAP, Priority.STAT})


class Kind(StrEnum):
    """A kind of what is written; the value is its resource type."""

    TASK = "Task"
    FLAG = "Flag"


class Guarded(StrEnum):
    """What is counted before it is written; the value is the word that lets it through in one sweep."""

    CREATES = "creates"
    CLOSES = "closes"


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """All creates of one kind, or all endings by absence (`kind` is None), wait: `count` of them, above `limit`."""

    what: Guarded
    kind: Kind | None
    count: int
    limit: int


Counts = Mapping[tuple[Guarded, Kind], int]
Usual = Mapping[Kind, Sequence[int]]


def counts_of(changes: Iterable[object]) -> Counts:
    """Return how many of each kind count as creates or as endings by absence; changes of another sort do not count."""
    return Counter(group for group in map(_group_of, changes) if group is not None)


def holds_on(
    changes: Iterable[object], usual: Usual, *, open_now: int, released: frozenset[Guarded] = frozenset()
) -> tuple[Hold, ...]:
    """Return what is held of a sweep's changes.

    `usual` says for each kind how many creates the last sweeps had, `open_now` how many of ours are open, `released`
    what a person lets through.
    """
    counts = counts_of(changes)
    holds = [
        Hold(what=Guarded.CREATES, kind=kind, count=counts.get((Guarded.CREATES, kind), 0), limit=_creates(usual, kind))
        for kind in Kind
    ]
    closes = sum(counts.get((Guarded.CLOSES, kind), 0) for kind in Kind)
    limit = max(CLOSES_ALWAYS, open_now // CLOSES_ONE_IN)
    holds.append(Hold(what=Guarded.CLOSES, kind=None, count=closes, limit=limit))
    return tuple(hold for hold in holds if hold.count > hold.limit and hold.what not in released)


def _creates(usual: Usual, kind: Kind) -> int:
    last = usual.get(kind, ())
    # A count above 22.5 is one above 22.
    return max(CREATES_ALWAYS, int(CREATES_TIMES_USUAL * median(last))) if last else CREATES_ALWAYS


def holding(holds: tuple[Hold, ...]) -> Callable[[object], Hold | None]:
    """Return the function that says which of some holds a change waits for, if any."""

    def held_by(change: object) -> Hold | None:
        group = _group_of(change)
        if group is None:
            return None
        what, kind = group
        return next((hold for hold in holds if hold.what is what and hold.kind in (kind, None)), None)

    return held_by


def is_absence_close(change: object) -> bool:
    """Tell whether a change ends something only because what it stood on is no longer found."""
    return isinstance(change, Cancel | EndFlag) and change.reason is EndReason.GONE_FROM_CHART


def _group_of(change: object) -> tuple[Guarded, Kind] | None:
    match change:
        case Create():
            kind = Kind.TASK if isinstance(change.wanted, WantedTask) else Kind.FLAG
            return None if _is_never_held(change) else (Guarded.CREATES, kind)
        case Cancel() | EndFlag() if is_absence_close(change):
            return Guarded.CLOSES, Kind.TASK if isinstance(change, Cancel) else Kind.FLAG
        case _:
            return None


def _is_never_held(change: Create) -> bool:
    wanted = change.wanted
    if isinstance(wanted, WantedTask):
        return wanted.priority in _NEVER_HELD
    return wanted.stat or wanted.condition is Condition.COMPROMISED
