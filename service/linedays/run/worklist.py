"""A derivation → the rows a nurse would read, in order of urgency, in words. No I/O.

It looks like a printed handover sheet: what, when, which line, why. "Not due" is never called fine: it says before when
it is not due and when the dressing was last seen intact.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import tzinfo

from linedays.core.anchors import DRESSING_ITEM
from linedays.core.model import ItemState, Priority, SiteState, State, Whereabouts
from linedays.core.moment import Instant
from linedays.core.policy import Policy
from linedays.mapping.wording import Wording, plain, sentence, time_words
from linedays.run.derive import Derivation

CONCERN = "site concern"
_URGENCY = {Priority.STAT: 0, Priority.ASAP: 1, Priority.URGENT: 2, Priority.ROUTINE: 3, None: 4}
_STATES = list(State)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row of the list."""

    state: str
    what: str
    due: str
    patient: str
    line: str
    unit: str
    why: str
    rank: tuple[int, int, int, str]


def worklist(derivation: Derivation, policy: Policy, wording: Wording, zone: tzinfo) -> tuple[Row, ...]:
    """Return a row for every item of every dressing site that is in place, the most urgent first."""
    rows = [
        row
        for result in derivation.results
        for state in result.states
        if state.whereabouts in (Whereabouts.IN_PLACE, Whereabouts.USED_AFTER_REMOVAL, Whereabouts.SAID_TO_BE_GONE)
        for row in _rows(state, derivation, policy, wording, zone)
    ]
    return tuple(sorted(rows, key=lambda row: row.rank))


def _rows(
    state: SiteState, derivation: Derivation, policy: Policy, wording: Wording, zone: tzinfo
) -> Iterable[Row]:
    local = state.zone or zone
    place = derivation.places.get(state.place or "")
    unit = place.name if place is not None else "unit not charted"
    for item in (*state.items, *((state.concern,) if state.concern else ())):
        yield Row(
            state=CONCERN if item is state.concern else str(item.state),
            what=wording.shape.items.get(item.item, item.item),
            due=_due(item, local),
            patient=state.site.timelines[0].line.patient,
            line=line_words(state, policy),
            unit=unit,
            why=why_words(item, wording, local),
            rank=(_URGENCY[item.priority], _STATES.index(item.state), item.due or 0, state.site.key),
        )


def _due(item: ItemState, zone: tzinfo) -> str:
    if item.state is State.COMPROMISED:
        return "now"
    return time_words(item.due, zone) if item.due is not None and item.state is not State.NOT_REQUIRED else ""


def line_words(state: SiteState, policy: Policy) -> str:
    """Return the lines under a dressing in words: side, site and kind of each."""
    names = {kind.code: kind.name for kind in policy.line_kinds}
    lines = [timeline.line for timeline in state.site.timelines]
    shown = [
        " ".join(part for part in (line.side, line.site, names.get(line.kind, line.kind)) if part)
        for line, where in zip(lines, state.line_whereabouts, strict=True)
        if where is state.whereabouts
    ]
    return " + ".join(shown)


def why_words(item: ItemState, wording: Wording, zone: tzinfo) -> str:
    """Return the reason of an item with what stands beside it and what was assumed, as one text."""
    said = [sentence(item.reason, wording, zone, item.item)]
    if item.state is State.NOT_DUE:
        said = [*_not_due(item, wording, zone), *said]
    said += [sentence(reason, wording, zone, item.item) for reason in (*item.beside, *item.assumed)]
    return " · ".join(said)


def _not_due(item: ItemState, wording: Wording, zone: tzinfo) -> list[str]:
    said: list[str] = []
    if item.window_from is not None:
        said.append(plain(wording.shape.due_before, wording, zone, window=item.window_from))
    if item.item == DRESSING_ITEM:
        said.append(_seen(item.last_seen_intact, wording, zone))
    return said


def _seen(last: Instant | None, wording: Wording, zone: tzinfo) -> str:
    if last is None:
        return plain(wording.shape.not_seen, wording, zone)
    return plain(wording.shape.seen, wording, zone, seen=last)
