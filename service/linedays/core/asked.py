"""A dressing site's state → what its Tasks ask, and which conditions hold since when. No I/O."""

from dataclasses import dataclass

from linedays.core.anchors import DRESSING_ITEM
from linedays.core.compared import Condition, Severity
from linedays.core.model import Line, StartBasis, Whereabouts
from linedays.core.moment import Instant
from linedays.core.offers import is_raised
from linedays.core.states import ItemState, Priority, Reason, SiteFinding, SiteState, State

REMOVAL = "chart-the-removal"
_DEFERRED = "deferred"
_UNKNOWN = "unknown"

BY_STATE = {
    State.WINDOW_OPEN: (Severity.DUE, Priority.ROUTINE),
    State.DUE: (Severity.DUE, Priority.ROUTINE),
    State.NOT_DUE: (Severity.DUE, Priority.ROUTINE),
    State.OVERDUE: (Severity.OVERDUE, Priority.URGENT),
    State.UNKNOWN: (Severity.UNKNOWN, Priority.URGENT),
    State.COMPROMISED: (Severity.COMPROMISED, Priority.ASAP),
}
# A reason names the fact after which the state is not known by one of these.
_KNOWN_UNTIL = ("since", "at", "seen", "anchor", "from")


@dataclass(frozen=True, slots=True, kw_only=True)
class Holding:
    """A condition that holds at a dressing site since an instant, with the entry it stands on, if any."""

    condition: Condition
    since: Instant
    finding: SiteFinding | None = None
    found: Instant | None = None


def dressing_item(state: SiteState) -> ItemState | None:
    """Return the state of the dressing change, where the policy asks for one."""
    return next((item for item in state.items if item.item == DRESSING_ITEM), None)


def task_item(state: SiteState) -> ItemState | None:
    """Return the item that the site's one Task is about, or None where it should ask for nothing.

    The dressing where it is asked for; else a site concern; else the dressing that is not due, for an open Task to
    follow.
    """
    dressing = dressing_item(state)
    if state.whereabouts is Whereabouts.USED_AFTER_REMOVAL:
        # The one question is whether it is still there; a site concern stands beside that.
        return None
    if dressing is not None and dressing.state in BY_STATE:
        return state.concern if state.concern and dressing.state is State.NOT_DUE else dressing
    return state.concern


def cycle_of(state: SiteState, item: ItemState) -> ItemState:
    """Return the item whose anchor names the cycle: a site concern has none of its own, so that of the dressing."""
    return (dressing_item(state) or item) if item == state.concern else item


def is_kept(state: SiteState) -> bool:
    """Tell whether the open Task is to stay as it is: charted as not done for now."""
    dressing = dressing_item(state)
    return dressing is not None and dressing.state is State.DEFERRED and state.concern is None


def lines_there(state: SiteState) -> tuple[Line, ...]:
    """Return the lines under the dressing that are where the site is: not those of them that are out."""
    lines = tuple(timeline.line for timeline in state.site.timelines)
    there = tuple(
        line for line, where in zip(lines, state.line_whereabouts, strict=False) if where is state.whereabouts
    )
    return there or lines


def is_between_stays(state: SiteState) -> bool:
    """Tell whether the patient's stay has ended so lately that another one may continue it."""
    return state.stay_ended is not None and state.whereabouts in (
        Whereabouts.IN_PLACE,
        Whereabouts.USED_AFTER_REMOVAL,
        Whereabouts.SAID_TO_BE_GONE,
    )


def is_asked(state: SiteState, item: ItemState) -> bool:
    """Tell whether anything is asked now."""
    if item.state in (State.DUE, State.WINDOW_OPEN) and item != state.concern:
        # By calendar days an item is due from 00:00 and appears with the day shift.
        return item.window_from is None or item.window_from <= state.at
    return item == state.concern or item.state is not State.NOT_DUE


def only_looking(state: SiteState, item: ItemState) -> bool:
    """Tell whether only looking is asked: unknown, a site concern alone, stat."""
    if item.item not in (DRESSING_ITEM, state.concern.item if state.concern else DRESSING_ITEM):
        return False
    return item == state.concern or item.state is State.UNKNOWN or task_priority(state, item) is Priority.STAT


def task_priority(state: SiteState, item: ItemState) -> Priority:
    """Return the priority of an item's Task: its own; for the dressing that of a site concern beside it, if higher."""
    own = item.priority or BY_STATE[item.state][1]
    of_the_site = item.item in (DRESSING_ITEM, REMOVAL) or item == state.concern
    beside = state.concern.priority if state.concern and of_the_site else None
    return beside if beside is not None and is_raised(beside, own) else own


def severity_of(state: SiteState, item: ItemState) -> Severity:
    """Return how bad a state is, as far as offering it again goes."""
    if task_priority(state, item) is Priority.STAT:
        return Severity.STAT
    return Severity.SITE_CONCERN if item == state.concern else BY_STATE[item.state][0]


def deferred_until(item: ItemState) -> Instant | None:
    """Return until when an item was charted as not done for now, where that stands beside its state."""
    for reason in item.beside:
        if reason.code.startswith(_DEFERRED):
            return instant_in(reason, ("until",))
    return None


def began(state: SiteState, item: ItemState) -> Instant | None:
    """Return when the state became so, for states that are not a matter of the clock; None for those that are.

    A compromised dressing or a site concern: when it was first seen. Unknown: the fact after which it is not known,
    else the start of the line.
    """
    if item.item == REMOVAL:
        return instant_in(item.reason, ("at",))
    if item == state.concern or item.state is State.COMPROMISED:
        first = first_finding(item.findings)
        return first.seen.earliest if first else None
    return _unknown_since(state, item.reason) if item.state is State.UNKNOWN else None


def first_finding(findings: tuple[SiteFinding, ...]) -> SiteFinding | None:
    """Return the finding that was seen first."""
    return min(findings, key=lambda finding: (finding.seen.earliest, finding.source), default=None)


def newest_known(findings: tuple[SiteFinding, ...]) -> Instant | None:
    """Return when the finding charted last became known."""
    return max((finding.known for finding in findings), default=None)


def conditions(state: SiteState) -> tuple[Holding, ...]:
    """Return every condition that holds at a dressing site, in the order overdue, compromised, unknown, site concern.

    While upkeep is paused or not required only a site concern is shown.
    """
    item = dressing_item(state)
    found = []
    if item is not None and item.state not in (State.PAUSED, State.NOT_REQUIRED):
        if item.overdue_from is not None and item.overdue_from <= state.at:
            found.append(Holding(condition=Condition.OVERDUE, since=item.overdue_from))
        found += _seen(Condition.COMPROMISED, item.findings)
        unknown = next((one for one in (item.reason, *item.beside) if one.code.startswith(_UNKNOWN)), None)
        if unknown is not None:
            found.append(Holding(condition=Condition.UNKNOWN, since=_unknown_since(state, unknown)))
    if state.concern is not None:
        found += _seen(Condition.SITE_CONCERN, state.concern.findings)
    return tuple(found)


def _seen(condition: Condition, findings: tuple[SiteFinding, ...]) -> list[Holding]:
    first = first_finding(findings)
    if first is None:
        return []
    return [
        Holding(condition=condition, since=first.seen.earliest, finding=first, found=newest_known(findings))
    ]


def _unknown_since(state: SiteState, reason: Reason) -> Instant:
    said = instant_in(reason, _KNOWN_UNTIL)
    if said is not None:
        return said
    # A line that is known by its device record alone has no start of its own, only the time that record was stored,
    # which moves with every edit of it: the start of the stay is what holds still.
    lines = [one.line for one in state.site.timelines]
    charted = [line.start.earliest for line in lines if line.start_basis is not StartBasis.DEVICE]
    begun = min(charted or [line.start.earliest for line in lines])
    return begun if charted or state.watched_since is None else state.watched_since


def instant_in(reason: Reason, names: tuple[str, ...]) -> Instant | None:
    """Return the first of some values of a reason that is an instant."""
    values = dict(reason.values)
    return next((value for name in names if isinstance(value := values.get(name), int)), None)
