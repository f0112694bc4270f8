"""An item's present state and its states at earlier instants → when the present one began, where that is known. No I/O.

The instants tried are those that the state itself names: its clock, its anchor, its findings, its reason. One counts
only where the state there is the present one and the state one second before was another.
"""

from collections.abc import Callable
from typing import TypeAlias

from linedays.core.moment import Instant
from linedays.core.states import ItemState, SiteState, State

StateAt: TypeAlias = Callable[[Instant], ItemState | None]


def state_began(state: SiteState, item: ItemState, since: Instant, state_at: StateAt) -> Instant | None:
    """Return the instant after `since` at which an item's present state began, or None where it cannot be told.

    `state_at` answers what the state of the same item was at an instant; None where it was asked for nothing.
    """
    found: Instant | None = None
    for tried in sorted({at for at in _named(state, item) if since < at <= state.at}, reverse=True):
        there = state_at(tried)
        if _is(there, item.state):
            found = tried
            continue
        # A state that time alone brought may name only the fact before it; that one's own end is then its beginning.
        turn = there.next_change if there is not None else None
        if turn is not None and turn <= (state.at if found is None else found) and _is(state_at(turn), item.state):
            found = turn
        break
    if found is None or _is(state_at(found - 1), item.state):
        return None
    return found


def _is(found: ItemState | None, state: State) -> bool:
    return found is not None and found.state is state


def _named(state: SiteState, item: ItemState) -> list[Instant]:
    """Return the instants at which the state may have begun."""
    told = [item.window_from, item.due, item.overdue_from, item.last_seen_intact, state.watched_since]
    told += [item.anchor.at if item.anchor else None]
    told += [min(finding.seen.earliest, finding.known) for finding in item.findings]
    told += [value for _, value in item.reason.values if isinstance(value, int)]
    told += [timeline.line.start.earliest for timeline in state.site.timelines]
    return [at for at in told if at is not None]
