"""The kind of rule that makes an item due a fixed interval after the fact that last reset it. No I/O."""

from linedays.core.moment import Instant
from linedays.core.states import State
from linedays.core.windows import Clock

# Members have a name of their own where they are asked for once per item (see `moment`).
_OVERDUE, _DUE, _WINDOW_OPEN, _NOT_DUE = State.OVERDUE, State.DUE, State.WINDOW_OPEN, State.NOT_DUE


def interval_state(clock: Clock, overdue_from: Instant, at: Instant) -> tuple[State, Instant | None]:
    """Return the state of an item by its clock, and when it next changes by itself.

    `overdue_from` stands apart from the clock's own because a change of rule may put it off.
    """
    if at >= overdue_from:
        return _OVERDUE, None
    coming = [instant for instant in (clock.window_from, clock.due, overdue_from) if instant > at]
    next_change = min(coming)
    if at >= clock.due:
        return _DUE, next_change
    if at >= clock.window_from:
        return _WINDOW_OPEN, next_change
    return _NOT_DUE, next_change
