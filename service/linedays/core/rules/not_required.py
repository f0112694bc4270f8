"""The kind of rule under which an item is not asked for: by kind, healed exit site, port without a needle. No I/O.

Where two facts leave their order open, the reading counts under which the item is asked for.
"""

from collections.abc import Iterable
from typing import assert_never

from linedays.core.model import Fact, FactKind, Line, StartBasis
from linedays.core.moment import Instant, Moment, order
from linedays.core.policy import NotRequiredRule, NotRequiredWhen
from linedays.core.states import Reason

_OVER_A_NEEDLE = (FactKind.DRESSING_CHANGED, FactKind.DRESSING_SEEN)


def why_not_required(
    rule: NotRequiredRule, line: Line, facts: Iterable[Fact], at: Instant
) -> tuple[Reason, Instant | None] | None:
    """Return why an item is not asked for on a line and until when that is so by itself, or None where it is.

    Shape: `facts` in order of time.
    """
    match rule.when:
        case NotRequiredWhen.ALWAYS:
            return Reason(code="not-required-kind", values=(("kind", line.kind), ("rule", rule.id))), None
        case NotRequiredWhen.SITE_HEALED:
            return _healed(rule, facts)
        case NotRequiredWhen.PORT_NOT_ACCESSED:
            return _port(rule, line, facts, at)
        case _:
            assert_never(rule.when)


def _healed(rule: NotRequiredRule, facts: Iterable[Fact]) -> tuple[Reason, Instant | None] | None:
    told = list(facts)
    healed = _times(told, FactKind.SITE_HEALED)
    if not healed or any(order(healed[-1], other) <= 0 for other in _times(told, FactKind.SITE_NOT_HEALED)):
        return None
    values = (("at", healed[-1].earliest), ("rule", rule.id))
    return Reason(code="not-required-healed", values=values), None


def _port(
    rule: NotRequiredRule, line: Line, facts: Iterable[Fact], at: Instant
) -> tuple[Reason, Instant | None] | None:
    healing_until = line.start.earliest + rule.incision if line.start_basis is StartBasis.INSERTION else None
    if _is_accessed(list(facts), healing_until):
        return None
    if healing_until is not None and at < healing_until:
        values = (("at", line.start.earliest), ("until", healing_until), ("rule", rule.id))
        return Reason(code="not-required-incision", values=values), healing_until
    return Reason(code="not-required-port", values=(("rule", rule.id),)), None


def _is_accessed(facts: list[Fact], healing_until: Instant | None) -> bool:
    """Tell whether a port has a needle in.

    A dressing that is charted as changed or seen lies over a needle, whether or not the access was charted; but over
    the incision while that heals.
    """
    accessed = _times(facts, FactKind.PORT_ACCESSED)
    dressed = [
        moment for moment in _times(facts, *_OVER_A_NEEDLE) if healing_until is None or moment.earliest >= healing_until
    ]
    out = _times(facts, FactKind.PORT_DEACCESSED)
    if not out:
        return bool(accessed or dressed)
    return any(order(moment, out[-1]) >= 0 for moment in accessed) or any(
        order(moment, out[-1]) > 0 for moment in dressed
    )


def _times(facts: list[Fact], *kinds: FactKind) -> list[Moment]:
    return [fact.happened for fact in facts if fact.kind in kinds]
