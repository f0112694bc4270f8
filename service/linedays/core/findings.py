"""The facts of a dressing site → the findings that stand, when it was last seen intact, and what is of concern. No I/O.

A change clears what was found before it, or in the same minute (that is the state found before the change). A later
"intact" clears nothing, reinforcing clears nothing, and a change known only by its day does not clear a finding of
that day. A site concern stands until a later look at the site is charted without one.
"""

from collections.abc import Callable, Iterable
from typing import TypeAlias, assert_never

import msgspec

from linedays.core.anchors import BEGINS_A_LINE, SiteFact
from linedays.core.model import Fact, FactKind
from linedays.core.moment import MINUTE, Instant, Moment, exactly, order
from linedays.core.policy import BloodRule, FindingClass, FindingMeaning
from linedays.core.states import SiteFinding

INTACT = "intact"
UNDATED = "undated"
_CHLORHEXIDINE = ("chg-transparent", "chg-gel", "chg-disc")
_NEW_DRESSING = frozenset(
    {FactKind.DRESSING_CHANGED, FactKind.PORT_ACCESSED, FactKind.LABEL_DATE, FactKind.CHANGE_REPORTED}
)
# A date read from a label or told by others says when a dressing was changed; nobody here saw it then.
_TOLD_DATES = frozenset({FactKind.LABEL_DATE, FactKind.CHANGE_REPORTED})
# Members have a name of their own where they are asked for once per fact (see `moment`).
_STARTING = frozenset({FactKind.INSERTED, FactKind.PRESENT})
_DEACCESSED, _SITE_SEEN = FactKind.PORT_DEACCESSED, FactKind.SITE_SEEN
_NONE, _BLOOD, _COMPROMISED = FindingClass.NONE, FindingClass.BLOOD, FindingClass.COMPROMISED
_ROW_ONLY = FindingClass.ROW_ONLY
_OF_THE_DRESSING = frozenset({FindingClass.COMPROMISED, FindingClass.BOTH})
_OF_CONCERN = frozenset({FindingClass.CONCERN, FindingClass.BOTH})

MeaningOf: TypeAlias = Callable[[str, str | None], FindingClass]


class Findings(msgspec.Struct, frozen=True, gc=False, kw_only=True):
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


class _Told(msgspec.Struct, frozen=True, gc=False):
    """One charted finding with its meaning, the fact that tells it, and what changes make of it."""

    fact: Fact
    meaning: FindingClass
    finding: SiteFinding
    stands: bool
    order_open: bool


def classify(
    finding: str, meanings: dict[str, FindingMeaning], blood_rule: BloodRule, dressing: str | None
) -> FindingClass:
    """Return what a finding means under a unit's blood rule and the dressing it was seen on.

    A finding the policy has no row for counts as compromised: it is looked at, not passed over.
    """
    meaning = meanings.get(finding)
    found = _COMPROMISED if meaning is None else meaning.finding_class
    if found is not _BLOOD:
        return found
    match blood_rule:
        case BloodRule.ANY | BloodRule.NEAR_BORDER:
            return FindingClass.COMPROMISED
        case BloodRule.OUTSIDE_PAD:
            return FindingClass.ROW_ONLY if dressing in _CHLORHEXIDINE else FindingClass.COMPROMISED
        case _:
            assert_never(blood_rule)


def standing_findings(facts: Iterable[SiteFact], meaning_of: MeaningOf, since: Instant | None) -> Findings:
    """Return the findings of a site that nothing has cleared, of facts in order of time.

    `since` limits it to what was seen from then on.
    """
    told = [each for each in facts if since is None or each.fact.happened.latest >= since]
    new = [_is_new_dressing(each) for each in told]
    by_fact = list(zip(told, new, strict=True))
    # The dressing over a port's needle comes off with it.
    cleared_at = [each.fact.happened for each, is_new in by_fact if is_new or each.fact.kind is _DEACCESSED]
    changed_at = [each.fact.happened for each, is_new in by_fact if is_new and each.fact.kind not in _TOLD_DATES]
    findings = _findings(by_fact, meaning_of, cleared_at)
    standing = [one for one in findings if one.meaning in _OF_THE_DRESSING and one.stands]
    compromised = tuple(one.finding for one in standing)
    intact = _intact(findings)
    return Findings(
        compromised=compromised,
        concern=_concern(findings),
        rows=tuple(one.finding for one in findings if one.meaning is _ROW_ONLY and one.stands),
        undated=any(one.finding.finding == UNDATED and one.stands for one in findings),
        # A dressing change counts as seen intact: the new dressing was looked at while it went on.
        last_seen_intact=max((seen.earliest for seen in [*([intact] if intact else []), *changed_at]), default=None),
        seen_intact_since=_all_before(compromised, intact),
        order_unknown=any(one.order_open for one in standing),
    )


def _is_new_dressing(each: SiteFact) -> bool:
    if each.fact.kind in _STARTING:
        return each.line.start_basis in BEGINS_A_LINE
    return each.fact.kind in _NEW_DRESSING


def _findings(
    by_fact: Iterable[tuple[SiteFact, bool]], meaning_of: MeaningOf, cleared_at: list[Moment]
) -> list[_Told]:
    """Return every charted finding, each with its meaning on the dressing that was on at the time."""
    found: list[_Told] = []
    dressing: str | None = None
    for each, is_new in by_fact:
        if is_new:
            dressing = each.fact.value
        for finding in each.fact.findings:
            found.append(_told(each.fact, finding, meaning_of(finding, dressing), cleared_at))
    return found


def _told(fact: Fact, finding: str, meaning: FindingClass, cleared_at: list[Moment]) -> _Told:
    # Most looks find nothing: what changes make of those is never asked.
    asked = meaning is not _NONE or finding == UNDATED
    stands, order_open, minutes = _after_changes(fact.happened, cleared_at) if asked else (False, False, None)
    one = SiteFinding(
        finding=finding, seen=fact.happened, known=fact.known, source=fact.source, minutes_after_change=minutes
    )
    return _Told(fact, meaning, one, stands, order_open)


def _concern(findings: list[_Told]) -> tuple[SiteFinding, ...]:
    """Return the site concerns that no later look at the site without any has ended."""
    of_concern = {one.fact.source for one in findings if one.meaning in _OF_CONCERN}
    calm = [
        _seen_by(one.fact)
        for one in findings
        if one.fact.kind is _SITE_SEEN and one.fact.source not in of_concern
    ]
    return tuple(
        one.finding
        for one in findings
        if one.meaning in _OF_CONCERN and not any(order(one.fact.happened, look) < 0 for look in calm)
    )


def _intact(findings: list[_Told]) -> Moment | None:
    """Return the last time the dressing was charted as intact."""
    seen = [_seen_by(one.fact) for one in findings if one.finding.finding == INTACT]
    return max(seen, key=lambda moment: moment.earliest, default=None)


def _seen_by(fact: Fact) -> Moment:
    """Return when something was seen: not later than its own entry."""
    return exactly(fact.known) if fact.happened.earliest > fact.known else fact.happened


def _all_before(findings: tuple[SiteFinding, ...], seen: Moment | None) -> bool:
    return bool(findings) and seen is not None and all(order(one.seen, seen) < 0 for one in findings)


def _after_changes(seen: Moment, changes: list[Moment]) -> tuple[bool, bool, int | None]:
    """Tell whether a finding stands, whether its order to a change is open, and how soon after a change it was seen."""
    order_open = False
    minutes: int | None = None
    for change in changes:
        relation = order(seen, change)
        exact = seen.is_exact and change.is_exact
        if relation < 0 or (relation == 0 and exact):
            return False, False, None
        if relation == 0:
            order_open = True
        elif exact:
            after = (seen.earliest - change.earliest) // MINUTE
            minutes = after if minutes is None else min(minutes, after)
    return True, order_open, minutes
