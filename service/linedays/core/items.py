"""A dressing site's situation and an item → the item's one state, its reason, and the instant of its next change. No I/O.

Every condition that holds is found first; the state is the first of them by precedence, and the others are kept beside
it. A state never comes out as "not due" without an anchor or a sighting.
"""

from dataclasses import dataclass

from linedays.core.anchors import DRESSING_ITEM, Anchoring, anchoring
from linedays.core.findings import Findings
from linedays.core.model import Anchor, ItemState, Priority, Reason, State
from linedays.core.moment import Instant
from linedays.core.pauses import Deferral, Pause, deferral_of, pause_at
from linedays.core.policy import IntervalRule, SeenRule
from linedays.core.rules import finding_priority, finding_reason, interval_state, seen_state, why_not_required
from linedays.core.situation import Situation, findings_of
from linedays.core.terms import Terms, changed_rule_floor, next_rule_change, terms_at
from linedays.core.windows import Clock, clock_of

_PRECEDENCE = tuple(State)
_PRIORITY = {
    State.OVERDUE: Priority.URGENT,
    State.UNKNOWN: Priority.URGENT,
    State.DUE: Priority.ROUTINE,
    State.WINDOW_OPEN: Priority.ROUTINE,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Timed:
    """What the clock alone says of an item."""

    state: State
    reason: Reason
    next_change: Instant | None
    clock: Clock | None = None
    overdue_from: Instant | None = None
    rule: str | None = None
    assumed: tuple[Reason, ...] = ()


def item_state(situation: Situation, item: str) -> ItemState | None:
    """Return the state of an item, or None where the policy asks for no such item on these lines."""
    waived = _waived(situation, item)
    if waived is not None:
        return waived
    found = anchoring(situation.facts, item, situation.since)
    findings = findings_of(situation)
    terms = terms_at(
        situation.setting, item, situation.line_kinds, found.anchor, found.kind_before, situation.at
    )
    if terms.rule is None:
        return None
    timed = _timed(situation, item, found, findings, terms)
    since = found.anchor.at if found.anchor else None
    limits = situation.setting.book.policy.limits
    deferral = deferral_of(situation.facts, since, situation.setting.stays, limits, situation.day)
    pause = pause_at(situation.facts, situation.watch, situation.at)
    return _combined(situation, item, found.anchor, findings if item == DRESSING_ITEM else None, timed, deferral, pause)


def _waived(situation: Situation, item: str) -> ItemState | None:
    """Return "not required" where a rule says so of every line under the dressing."""
    reasons: list[tuple[Reason, Instant | None]] = []
    facts = [each.fact for each in situation.facts]
    for timeline in situation.present:
        rules = situation.setting.book.waived.get((item, timeline.line.kind), ())
        found = [why for rule in rules if (why := why_not_required(rule, timeline.line, facts, situation.at)) is not None]
        if not found:
            return None
        reasons.append(found[0])
    reason, until = reasons[0]
    return ItemState(
        item=item,
        site=situation.site.key,
        state=State.NOT_REQUIRED,
        priority=None,
        reason=reason,
        rule=str(dict(reason.values).get("rule", "")),
        next_change=until,
    )


def _timed(situation: Situation, item: str, found: Anchoring, findings: Findings, terms: Terms) -> _Timed:
    match terms.rule:
        case SeenRule() as rule:
            return _by_sight(situation, findings, rule)
        case IntervalRule() as rule if found.anchor is not None:
            return _by_interval(situation, item, found, terms, rule)
        case _:
            return _no_anchor(situation, found, findings, terms)


def _by_sight(situation: Situation, findings: Findings, rule: SeenRule) -> _Timed:
    state, next_change = seen_state(rule, findings.last_seen_intact, situation.at)
    seen = (("seen", findings.last_seen_intact),) if findings.last_seen_intact is not None else ()
    code = "seen-within" if state is State.NOT_DUE else "unknown-not-seen" if seen else "unknown-never-seen"
    return _Timed(state=state, reason=Reason(code=code, values=(*seen, ("rule", rule.id))), next_change=next_change, rule=rule.id)


def _by_interval(situation: Situation, item: str, found: Anchoring, terms: Terms, rule: IntervalRule) -> _Timed:
    anchor = found.anchor
    assert anchor is not None
    clock = clock_of(anchor.at, rule, terms.interval_days, situation.day)
    overdue_from = clock.overdue_from
    if situation.at >= overdue_from:
        floor = changed_rule_floor(
            situation.setting, item, situation.line_kinds, anchor, found.kind_before, situation.at
        )
        overdue_from = max(overdue_from, floor) if floor is not None else overdue_from
    reason = Reason(code="interval", values=_clock_values(anchor, terms, clock, rule))
    if terms.kind_unknown:
        return _kind_not_charted(situation, anchor, clock, rule)
    state, next_change = interval_state(clock, overdue_from, situation.at)
    return _Timed(
        state=state,
        reason=reason,
        next_change=next_change,
        clock=clock,
        overdue_from=overdue_from,
        rule=rule.id,
        assumed=terms.assumed,
    )


def _clock_values(anchor: Anchor, terms: Terms, clock: Clock, rule: IntervalRule) -> tuple[tuple[str, str | int], ...]:
    values: list[tuple[str, str | int]] = [
        ("basis", anchor.basis),
        ("anchor", anchor.at),
        ("precision", anchor.happened.precision),
        ("kind", terms.dressing_kind or ""),
        ("days", str(terms.interval_days)),
        ("due", clock.due),
        ("rule", rule.id),
    ]
    if clock.suggested is not None:
        values.append(("suggested", clock.suggested))
    return tuple(values)


def _kind_not_charted(situation: Situation, anchor: Anchor, clock: Clock, rule: IntervalRule) -> _Timed:
    """Say "kind not charted: look" from the shortest interval on, where no unit habit fills it in."""
    if situation.at < clock.due:
        values = (("anchor", anchor.at), ("precision", anchor.happened.precision), ("due", clock.due))
        reason = Reason(code="interval-kind-not-charted", values=(*values, ("rule", rule.id)))
        return _Timed(state=State.NOT_DUE, reason=reason, next_change=clock.due, rule=rule.id)
    reason = Reason(code="unknown-kind", values=(("anchor", anchor.at), ("precision", anchor.happened.precision)))
    return _Timed(state=State.UNKNOWN, reason=reason, next_change=None, rule=rule.id)


def _no_anchor(situation: Situation, found: Anchoring, findings: Findings, terms: Terms) -> _Timed:
    rule = terms.rule.id if terms.rule else None
    if findings.undated:
        # A dressing without a date on a line without a date in the chart: the label cannot help.
        return _Timed(state=State.DUE, reason=Reason(code="due-undated"), next_change=None, rule=rule)
    if found.too_coarse is not None:
        coarse = found.too_coarse.happened
        reason = Reason(code="unknown-coarse-date", values=(("from", coarse.earliest), ("precision", coarse.precision)))
    elif situation.since is not None:
        reason = Reason(code="unknown-since-arrival", values=(("since", situation.since),))
    else:
        reason = Reason(code="unknown-no-date")
    return _Timed(state=State.UNKNOWN, reason=reason, next_change=None, rule=rule)


def _combined(
    situation: Situation,
    item: str,
    anchor: Anchor | None,
    findings: Findings | None,
    timed: _Timed,
    deferral: Deferral | None,
    pause: Pause,
) -> ItemState:
    holding = {timed.state: timed.reason}
    book, at = situation.setting.book, situation.at
    hint = book.policy.limits.after_change_hint // 60
    changes = [timed.next_change, next_rule_change(situation.setting, at)]
    if findings is not None and findings.compromised:
        code = "compromised-since-intact" if findings.seen_intact_since else "compromised"
        holding[State.COMPROMISED] = finding_reason(code, findings.compromised, hint)
    if deferral is not None and at < deferral.until:
        holding[State.DEFERRED] = deferral.reason
        changes.append(deferral.until)
    if pause.reason is not None:
        holding[State.PAUSED] = pause.reason
        changes.append(pause.until)
    state = min(holding, key=_PRECEDENCE.index)
    return ItemState(
        item=item,
        site=situation.site.key,
        state=state,
        priority=_priority(situation, state, findings),
        reason=holding[state],
        rule=timed.rule,
        anchor=anchor,
        window_from=timed.clock.window_from if timed.clock else None,
        due=timed.clock.due if timed.clock else None,
        overdue_from=timed.overdue_from,
        next_change=min((change for change in changes if change is not None), default=None),
        beside=_beside(holding, state, findings, pause),
        findings=findings.compromised if findings else (),
        assumed=timed.assumed,
        last_seen_intact=findings.last_seen_intact if findings else None,
    )


def _beside(
    holding: dict[State, Reason], state: State, findings: Findings | None, pause: Pause
) -> tuple[Reason, ...]:
    beside = [reason for other, reason in holding.items() if other is not state]
    if pause.not_reviewed is not None:
        beside.append(pause.not_reviewed)
    if findings is not None and findings.undated:
        beside.append(Reason(code="label-undated"))
    if findings is not None and findings.order_unknown:
        beside.append(Reason(code="order-unknown"))
    return tuple(beside)


def _priority(situation: Situation, state: State, findings: Findings | None) -> Priority | None:
    if state is not State.COMPROMISED or findings is None:
        return _PRIORITY.get(state)
    usual = Priority.ROUTINE if findings.seen_intact_since else Priority.ASAP
    return finding_priority(findings.compromised, situation.setting.book.findings, usual)
