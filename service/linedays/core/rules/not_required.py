"""The kind of rule under which an item is not asked for: by kind, healed exit site, or port without a needle. No I/O."""

from collections.abc import Iterable

from linedays.core.model import Fact, FactKind, Line, Reason, StartBasis
from linedays.core.moment import Instant
from linedays.core.policy import NotRequiredRule, NotRequiredWhen


def why_not_required(
    rule: NotRequiredRule, line: Line, facts: Iterable[Fact], at: Instant
) -> tuple[Reason, Instant | None] | None:
    """Return why an item is not asked for on a line and until when that is so by itself, or None where it is."""
    match rule.when:
        case NotRequiredWhen.ALWAYS:
            return Reason(code="not-required-kind", values=(("kind", line.kind), ("rule", rule.id))), None
        case NotRequiredWhen.SITE_HEALED:
            healed = _latest(facts, FactKind.SITE_HEALED, FactKind.SITE_NOT_HEALED)
            if healed is None or healed.kind is not FactKind.SITE_HEALED:
                return None
            values = (("at", healed.happened.earliest), ("rule", rule.id))
            return Reason(code="not-required-healed", values=values), None
        case NotRequiredWhen.PORT_NOT_ACCESSED:
            return _port(rule, line, facts, at)


def _port(rule: NotRequiredRule, line: Line, facts: Iterable[Fact], at: Instant) -> tuple[Reason, Instant | None] | None:
    # A dressing that is charted as changed or seen lies over a needle, whether or not the access was charted.
    access = _latest(
        facts, FactKind.PORT_ACCESSED, FactKind.PORT_DEACCESSED, FactKind.DRESSING_CHANGED, FactKind.DRESSING_SEEN
    )
    if access is not None and access.kind is not FactKind.PORT_DEACCESSED:
        return None
    healing_until = line.start.earliest + rule.incision
    if line.start_basis is StartBasis.INSERTION and at < healing_until:
        values = (("at", line.start.earliest), ("until", healing_until), ("rule", rule.id))
        return Reason(code="not-required-incision", values=values), healing_until
    return Reason(code="not-required-port", values=(("rule", rule.id),)), None


def _latest(facts: Iterable[Fact], *kinds: FactKind) -> Fact | None:
    found = [fact for fact in facts if fact.kind in kinds]
    return max(found, key=lambda fact: (fact.happened.earliest, fact.known, fact.source), default=None)
