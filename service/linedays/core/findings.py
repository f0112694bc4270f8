"""The facts of a dressing site → the findings that stand, when it was last seen intact, and what is of concern. No I/O.

A change clears what was found before it, or in the same minute (that is the state found before the change). A later
"intact" clears nothing, reinforcing clears nothing, and a change known only by its day does not clear a finding of
that day. A site concern stands until a later look at the site is charted without one.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from linedays.core.anchors import SiteFact
from linedays.core.model import FactKind, SiteFinding, StartBasis
from linedays.core.moment import MINUTE, Instant, Moment, order
from linedays.core.policy import BloodRule, FindingClass, FindingMeaning

INTACT = "intact"
UNDATED = "undated"
_CHLORHEXIDINE = ("chg-transparent", "chg-gel", "chg-disc")
NewDressing = frozenset(
    {FactKind.DRESSING_CHANGED, FactKind.PORT_ACCESSED, FactKind.LABEL_DATE, FactKind.CHANGE_REPORTED}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What stands at a site: compromised, of concern, both by meaning; and when it was last seen intact.

    `seen_intact_since` is true where it was charted intact after the last compromising finding; `order_unknown` holds
    findings that a change of the same day may or may not have cleared.
    """

    compromised: tuple[SiteFinding, ...]
    concern: tuple[SiteFinding, ...]
    rows: tuple[SiteFinding, ...]
    undated: bool
    last_seen_intact: Instant | None
    seen_intact_since: bool
    order_unknown: bool
    site_last_seen: Instant | None


def classify(finding: str, meanings: dict[str, FindingMeaning], blood_rule: BloodRule, dressing: str | None) -> FindingClass:
    """Return what a finding means under a unit's blood rule and the dressing it was seen on.

    A finding the policy has no row for counts as compromised: it is looked at, not passed over.
    """
    meaning = meanings.get(finding)
    found = FindingClass.COMPROMISED if meaning is None else meaning.finding_class
    if found is not FindingClass.BLOOD:
        return found
    match blood_rule:
        case BloodRule.ANY | BloodRule.NEAR_BORDER:
            return FindingClass.COMPROMISED
        case BloodRule.OUTSIDE_PAD:
            return FindingClass.ROW_ONLY if dressing in _CHLORHEXIDINE else FindingClass.COMPROMISED


def standing_findings(
    facts: Iterable[SiteFact], meaning_of: Callable[[str, str | None], FindingClass], since: Instant | None
) -> Findings:
    """Return the findings of a site that nothing has cleared, of facts in order of time.

    `since` limits it to facts from then on, as for anchors.
    """
    told = [each for each in facts if since is None or each.fact.happened.latest >= since]
    changes = [each.fact.happened for each in told if _is_new_dressing(each)]
    compromised: list[SiteFinding] = []
    concern: list[SiteFinding] = []
    rows: list[SiteFinding] = []
    dressing: str | None = None
    undated: Moment | None = None
    seen_intact: Moment | None = None
    looked: Moment | None = None
    order_unknown = False
    for each in told:
        fact = each.fact
        if _is_new_dressing(each):
            dressing = fact.value or dressing
        if not fact.findings:
            continue
        classes = [(finding, meaning_of(finding, dressing)) for finding in fact.findings]
        if fact.kind is FactKind.SITE_SEEN:
            looked = fact.happened
            if not any(found in (FindingClass.CONCERN, FindingClass.BOTH) for _, found in classes):
                concern = [old for old in concern if order(old.seen, fact.happened) >= 0]
        for finding, found in classes:
            if finding == INTACT:
                seen_intact = fact.happened
            elif finding == UNDATED:
                undated = fact.happened
            stands, unsure, minutes = _after_changes(fact.happened, changes)
            one = SiteFinding(
                finding=finding, seen=fact.happened, known=fact.known, source=fact.source, minutes_after_change=minutes
            )
            if found in (FindingClass.COMPROMISED, FindingClass.BOTH) and stands:
                compromised.append(one)
                order_unknown = order_unknown or unsure
            if found in (FindingClass.CONCERN, FindingClass.BOTH):
                concern.append(one)
            if found is FindingClass.ROW_ONLY:
                rows.append(one)
    return Findings(
        compromised=tuple(compromised),
        concern=tuple(concern),
        rows=tuple(rows),
        undated=undated is not None and _after_changes(undated, changes)[0],
        last_seen_intact=_last_seen(seen_intact, changes),
        seen_intact_since=bool(compromised)
        and seen_intact is not None
        and all(order(one.seen, seen_intact) < 0 for one in compromised),
        order_unknown=order_unknown,
        site_last_seen=None if looked is None else looked.earliest,
    )


def _is_new_dressing(each: SiteFact) -> bool:
    if each.fact.kind in (FactKind.INSERTED, FactKind.PRESENT):
        return each.line.start_basis in (StartBasis.INSERTION, StartBasis.EXCHANGE)
    return each.fact.kind in NewDressing


def _after_changes(seen: Moment, changes: list[Moment]) -> tuple[bool, bool, int | None]:
    """Tell whether a finding stands, whether its order to a change is open, and how soon after a change it was seen."""
    unsure = False
    latest: Moment | None = None
    for change in changes:
        relation = order(seen, change)
        if relation < 0 or (relation == 0 and seen.is_exact and change.is_exact):
            return False, False, None
        if relation == 0:
            unsure = True
        elif latest is None or change.earliest > latest.earliest:
            latest = change
    exact = latest is not None and latest.is_exact and seen.is_exact
    return True, unsure, (seen.earliest - latest.earliest) // MINUTE if exact and latest is not None else None


def _last_seen(seen_intact: Moment | None, changes: list[Moment]) -> Instant | None:
    """A dressing change counts as seen intact: the new dressing was looked at while it went on."""
    exact = [moment.earliest for moment in ([seen_intact] if seen_intact else []) + changes]
    return max(exact, default=None)
