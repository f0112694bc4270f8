"""The lines under a dressing, their facts and a moment → why an item is not asked for then, and until when. No I/O."""

from collections.abc import Iterable

from linedays.core.model import Fact, Timeline
from linedays.core.moment import Instant, local_date
from linedays.core.policy import in_force
from linedays.core.rules import why_not_required
from linedays.core.states import Reason
from linedays.core.terms import Setting, unit_day


def waived(
    setting: Setting, item: str, present: tuple[Timeline, ...], facts: Iterable[Fact], at: Instant
) -> tuple[Reason, Instant | None] | None:
    """Return why an item is not asked for at a moment and until when that is so by itself, or None where it is.

    It is waived only where a rule says so of every line in place; `facts` are those that had happened by then.
    """
    by_line = [(timeline.line, setting.book.waived.get((item, timeline.line.kind), ())) for timeline in present]
    if not all(rules for _, rules in by_line):
        return None
    told, on = list(facts), local_date(at, unit_day(setting, at).zone)
    found: list[tuple[Reason, Instant | None]] = []
    for line, rules in by_line:
        reasons = (why_not_required(rule, line, told, at) for rule in rules if in_force(rule, on))
        why = next((reason for reason in reasons if reason is not None), None)
        if why is None:
            return None
        found.append(why)
    until = [instant for _, instant in found if instant is not None]
    return found[0][0], min(until, default=None)
