"""The kinds of rules, one small module each, and the one registry of them. No I/O."""

from linedays.core.rules.finding import finding_priority, finding_reason
from linedays.core.rules.interval import interval_state
from linedays.core.rules.not_required import why_not_required
from linedays.core.rules.seen import seen_state

__all__ = ["finding_priority", "finding_reason", "interval_state", "seen_state", "why_not_required"]
