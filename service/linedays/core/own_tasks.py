"""A dressing site's state → the items that have a Task of their own, with the steps that are done in one go. No I/O.

One for the dressing, one for a removal that the chart leaves open, and one for each other part that is due while the
dressing is not.
"""

from linedays.core.anchors import DRESSING_ITEM
from linedays.core.asked import BY_STATE, REMOVAL, dressing_item, is_asked, only_looking, task_item
from linedays.core.model import Fact, FactKind, Whereabouts
from linedays.core.states import ItemState, Priority, Reason, SiteState, State


def own_tasks(state: SiteState) -> tuple[tuple[ItemState, tuple[ItemState, ...]], ...]:
    """Return the items that have a Task of their own, each with the items whose steps are done with it."""
    steps = joined_steps(state)
    found = [(one, steps if one.item == DRESSING_ITEM else ()) for one in (task_item(state),) if one]
    found += [(removal, ()) for removal in (removal_item(state),) if removal]
    found += [(part, ()) for part in part_items(state) if part not in steps and is_for_a_list(part)]
    return tuple(found)


def joined_steps(state: SiteState) -> tuple[ItemState, ...]:
    """Return the parts that are done together with the dressing: those asked for while its change is asked for."""
    item = task_item(state)
    if item is None or item.item != DRESSING_ITEM or not is_asked(state, item) or only_looking(state, item):
        return ()
    return tuple(part for part in part_items(state) if is_asked(state, part))


def removal_item(state: SiteState) -> ItemState | None:
    """Return the one thing asked of a line whose removal the chart leaves open: to chart it, or to correct the chart.

    Charted as not present, with no removal charted: a repair of the chart. Charted out but still charted about: nobody
    knows, so it is unknown.
    """
    item = dressing_item(state)
    if state.whereabouts is Whereabouts.USED_AFTER_REMOVAL and item is not None:
        return ItemState(
            item=REMOVAL, site=item.site, state=State.UNKNOWN, priority=Priority.URGENT, reason=item.reason
        )
    said = last_said_gone(state)
    if state.whereabouts is not Whereabouts.SAID_TO_BE_GONE or said is None:
        return None
    happened = said.happened
    values = (("at", happened.earliest), ("precision", happened.precision))
    return ItemState(
        item=REMOVAL,
        site=state.site.key,
        state=State.DUE,
        priority=Priority.ROUTINE,
        reason=Reason(code="said-to-be-gone", values=values),
    )


def last_said_gone(state: SiteState) -> Fact | None:
    """Return the last entry that says a line of the site is not there."""
    facts = [fact for each in state.site.timelines for fact in each.facts if fact.kind is FactKind.LINE_NOT_PRESENT]
    told = [fact for fact in facts if fact.happened.earliest <= state.at]
    return max(told, key=lambda fact: fact.happened.earliest, default=None)


def removal_source(state: SiteState) -> str | None:
    """Return the entry that leaves the removal of a line open: it says that the line is gone, or was taken out."""
    if state.whereabouts is Whereabouts.SAID_TO_BE_GONE:
        said = last_said_gone(state)
        return said.source if said else None
    ends = [each.line.end_source for each in state.site.timelines if each.line.end_source]
    return ends[0] if ends else None


def part_items(state: SiteState) -> tuple[ItemState, ...]:
    """Return the items besides the dressing that have a state of their own to be followed."""
    return tuple(item for item in state.items if item.item != DRESSING_ITEM and item.state in BY_STATE)


def is_for_a_list(item: ItemState) -> bool:
    """Tell whether a part is asked for rarely enough to have a Task of its own: an interval of 24 h or more."""
    days = dict(item.reason.values).get("days")
    return days is None or float(days) >= 1
