"""A patient's stays and a moment → whether we watch, where the patient is, and since when. No I/O.

Discharge ends our watch, not the line. The watch is on while any Encounter is active and for a short gap after the
last one, so that one Encounter turning into another closes nothing.
"""

from collections.abc import Iterable, Mapping

import msgspec

from linedays.core.model import Person, Place, Stay
from linedays.core.moment import Instant

_NEVER_HAPPENED = frozenset({"planned", "cancelled", "entered-in-error"})


class Watch(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """What the stays say at one moment.

    `on` is false after discharge; `since` is when this watch began (None: no Encounter in scope, so nothing limits it)
    and `before` when the one before it ended, if there was one; `ended` is when the last Encounter ended where none is
    active; `on_leave` is a charted leave of absence.
    """

    on: bool
    since: Instant | None
    before: Instant | None
    ended: Instant | None
    on_leave: bool
    place: Place | None
    encounter: str | None


def watch_at(stays: tuple[Stay, ...], places: Mapping[str, Place], at: Instant, gap: int) -> Watch:
    """Return what the stays say at a moment. Units: `gap` in seconds between two Encounters of one watch."""
    if len(stays) == 1 and _has_begun(stays[0], at):
        return _in_the_only_stay(stays[0], places, at, gap)
    begun = sorted((stay for stay in stays if _has_begun(stay, at)), key=lambda stay: (stay.start, stay.id))
    if not begun:
        return Watch(on=True, since=None, before=None, ended=None, on_leave=False, place=None, encounter=None)
    ends = _ends(begun)
    since, before, until = _last_watch(begun, ends, gap)
    active = [stay for stay in begun if not _is_over(ends[stay.id], at)]
    current = active[-1] if active else begun[-1]
    return Watch(
        on=bool(active) or until is None or at < until + gap,
        since=since,
        before=before,
        ended=None if active else until,
        on_leave=any(stay.status == "onleave" for stay in active),
        place=place_at(begun, places, at),
        encounter=current.id,
    )


def _in_the_only_stay(stay: Stay, places: Mapping[str, Place], at: Instant, gap: int) -> Watch:
    """Return what one stay says, as most patients have no more."""
    end = _own_end(stay)
    over = _is_over(end, at)
    return Watch(
        on=end is None or at < end + gap,
        since=stay.start,
        before=None,
        ended=end if over else None,
        on_leave=not over and stay.status == "onleave",
        place=place_at((stay,), places, at),
        encounter=stay.id,
    )


def _has_begun(stay: Stay, at: Instant) -> bool:
    return stay.status not in _NEVER_HAPPENED and stay.start <= at


def _is_over(end: Instant | None, at: Instant) -> bool:
    return end is not None and end <= at


def _ends(stays: list[Stay]) -> dict[str, Instant | None]:
    """Return the end of each stay. One that was never closed is over with the outermost one that it is part of."""
    own = {stay.id: _own_end(stay) for stay in stays}
    return {stay.id: own[stay.id] if own[stay.id] is not None else own.get(stay.top) for stay in stays}


def _own_end(stay: Stay) -> Instant | None:
    """Return when a stay ended; one that is finished without saying when ended at its last charted place."""
    if stay.end is not None or stay.status != "finished":
        return stay.end
    return max((span.end or span.start for span in stay.places), default=stay.start)


def _last_watch(
    begun: list[Stay], ends: dict[str, Instant | None], gap: int
) -> tuple[Instant, Instant | None, Instant | None]:
    since, until = begun[0].start, ends[begun[0].id]
    before: Instant | None = None
    for stay in begun[1:]:
        end = ends[stay.id]
        if until is not None and stay.start >= until + gap:
            since, before, until = stay.start, until, end
        elif until is not None:
            until = None if end is None else max(until, end)
    return since, before, until


def place_at(stays: Iterable[Stay], places: Mapping[str, Place], at: Instant) -> Place | None:
    """Return the place charted for a moment: of those that hold, the one entered last."""
    held = [
        (span.start, span.place)
        for stay in stays
        for span in stay.places
        if span.start <= at and (span.end is None or at < span.end)
    ]
    return places.get(max(held)[1]) if held else None


def died_by(person: Person, at: Instant) -> bool:
    """Tell whether a death is charted for that moment or before."""
    return person.died is not None and person.died.earliest <= at
