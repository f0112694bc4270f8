"""The kind of rule that makes an item due a fixed interval after the fact that last reset it. No I/O."""

from linedays.core.moment import Instant
from linedays.core.states import State
from linedays.core.windows import Clock


def interval_state(clock: Clock, overdue_from: Instant, at: Instant) -> tuple[State, Instant | None]:
    """Return the state of an item by its clock, and when it next changes by itself.

    `overdue_from` stands apart from the clock's own because a change of rule may put it off.
    """
    if at >= overdue_from:
        return State.OVERDUE, None
    coming = [instant for instant in (clock.window_from, clock.due, overdue_from) if instant > at]
    next_change = min(coming)
    if at >= clock.due:
        return State.DUE, next_change
    if at >= clock.window_from:
        return State.WINDOW_OPEN, next_change
    return State.NOT_DUE, next_change
