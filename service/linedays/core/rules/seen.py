"""The kind of rule without an interval: an item is known only while it was seen intact not long ago. No I/O."""

from linedays.core.moment import Instant
from linedays.core.policy import SeenRule
from linedays.core.states import State


def seen_state(rule: SeenRule, last_seen_intact: Instant | None, at: Instant) -> tuple[State, Instant | None]:
    """Return the state of an item that is changed only when needed, and when it next changes by itself.

    Source: SHEA-NICU-2022 rec. 2 (no interval; integrity inspected at least daily).
    """
    if last_seen_intact is None or at >= last_seen_intact + rule.seen_within:
        return State.UNKNOWN, None
    return State.NOT_DUE, last_seen_intact + rule.seen_within
