"""A dressing site's situation and an item → the item's one state, its reason, and when it next changes. No I/O.

Every condition that holds is found first; the state is the first of them by precedence, and the others are kept beside
it. A state never comes out as "not due" without an anchor or a sighting.
"""


import msgspec

from linedays.core.anchors import DRESSING_ITEM, Anchoring, anchoring
from linedays.core.findings import Findings
from linedays.core.moment import MINUTE, Instant
from linedays.core.pauses import Deferral, Pause, deferral_of, pause_at
from linedays.core.policy import IntervalRule, SeenRule
from linedays.core.rule_changes import clock_at, overdue_from
from linedays.core.rules import finding_priority, finding_reason, interval_state, seen_state
from linedays.core.situation import Situation
from linedays.core.states import Anchor, ItemState, Priority, Reason, State
from linedays.core.terms import Terms, terms_at
from linedays.core.waivers import waived
from linedays.core.windows import Clock

_PRECEDENCE = tuple(State)
# Members have a name of their own where they are asked for once per item (see `moment`).
_COMPROMISED, _NOT_REQUIRED = State.COMPROMISED, State.NOT_REQUIRED
_PRIORITY = {
    State.OVERDUE: Priority.URGENT,
    State.UNKNOWN: Priority.URGENT,
    State.DUE: Priority.ROUTINE,
    State.WINDOW_OPEN: Priority.ROUTINE,
}


class _Timed(msgspec.Struct, frozen=True, gc=False, kw_only=True):
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
    if situation.setting.book.asked[item].isdisjoint(situation.line_kinds):
        return None
    facts = [each.fact for each in situation.facts]
    spared = waived(situation.setting, item, situation.present, facts, situation.at)
    if spared is not None:
        return _combined(situation, item, None, _by_waiver(*spared))
    found = anchoring(situation.facts, item, situation.since, situation.setting.book.undressed)
    terms = terms_at(
        situation.setting,
        item,
        line_kinds=situation.line_kinds,
        anchor=found.anchor,
        kind_before=found.kind_before,
        at=situation.at,
    )
    timed = _timed(situation, item, found, terms)
    return None if timed is None else _combined(situation, item, found.anchor, timed)


def _by_waiver(reason: Reason, until: Instant | None) -> _Timed:
    rule = str(dict(reason.values)["rule"])
    return _Timed(state=State.NOT_REQUIRED, reason=reason, next_change=until, rule=rule)


def _timed(situation: Situation, item: str, found: Anchoring, terms: Terms) -> _Timed | None:
    match terms.rule:
        case None:
            return None
        case SeenRule() as rule:
            return _by_sight(situation, rule)
        case IntervalRule() as rule if found.anchor is not None:
            return _by_interval(situation, item, found, found.anchor, (rule, terms))
        case rule:
            return _no_anchor(situation, item, found, rule.id)


def _by_sight(situation: Situation, rule: SeenRule) -> _Timed:
    last = situation.findings.last_seen_intact
    state, next_change = seen_state(rule, last, situation.at)
    seen = (("seen", last),) if last is not None else ()
    code = "seen-within" if state is State.NOT_DUE else "unknown-not-seen" if seen else "unknown-never-seen"
    reason = Reason(code=code, values=(*seen, ("rule", rule.id)))
    return _Timed(state=state, reason=reason, next_change=next_change, rule=rule.id)


def _by_interval(
    situation: Situation, item: str, found: Anchoring, anchor: Anchor, by: tuple[IntervalRule, Terms]
) -> _Timed:
    rule, terms = by
    clock = clock_at(situation.setting, anchor, rule, terms, situation.at)
    if terms.kind_unknown:
        return _kind_not_charted(situation, anchor, clock, rule)
    overdue = overdue_from(situation, item, found, anchor, clock)
    state, next_change = interval_state(clock, overdue, situation.at)
    return _Timed(
        state=state,
        reason=Reason(
            code="interval" if item == DRESSING_ITEM else "interval-of-a-part",
            values=_clock_values(anchor, terms, clock, rule),
        ),
        next_change=next_change,
        clock=clock,
        overdue_from=overdue,
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


def _no_anchor(situation: Situation, item: str, found: Anchoring, rule: str) -> _Timed:
    if item == DRESSING_ITEM and situation.findings.undated:
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


def _combined(situation: Situation, item: str, anchor: Anchor | None, timed: _Timed) -> ItemState:
    findings = situation.findings if item == DRESSING_ITEM else None
    pause = pause_at(situation.facts, situation.watch, situation.at)
    deferral = _deferral(situation, anchor, timed)
    holding = _holding(situation, timed, findings, deferral, pause)
    changes = [timed.next_change, situation.next_turn, pause.until, deferral.until if deferral else None]
    state = min(holding, key=_PRECEDENCE.index)
    return ItemState(
        item=item,
        site=situation.site.key,
        state=state,
        priority=_priority(situation, holding, state, findings),
        reason=holding[state],
        rule=timed.rule,
        anchor=anchor,
        window_from=timed.clock.window_from if timed.clock else None,
        due=timed.clock.due if timed.clock else None,
        overdue_from=timed.overdue_from,
        next_change=min((change for change in changes if change is not None), default=None),
        beside=_beside(situation, holding, state, findings, pause),
        findings=findings.compromised if findings else (),
        assumed=timed.assumed,
        last_seen_intact=findings.last_seen_intact if findings else None,
    )


def _deferral(situation: Situation, anchor: Anchor | None, timed: _Timed) -> Deferral | None:
    """Return a deferral that holds; what is not asked for is not put off either."""
    if timed.state is _NOT_REQUIRED:
        return None
    found = deferral_of(situation.facts, anchor.at if anchor else None, situation.setting, situation.day)
    return found if found is not None and situation.at < found.until else None


def _holding(
    situation: Situation, timed: _Timed, findings: Findings | None, deferral: Deferral | None, pause: Pause
) -> dict[State, Reason]:
    holding = {timed.state: timed.reason}
    if findings is not None and findings.compromised:
        code = "compromised-since-intact" if findings.seen_intact_since else "compromised"
        holding[State.COMPROMISED] = finding_reason(code, findings.compromised, _hint_minutes(situation))
    if deferral is not None:
        holding[State.DEFERRED] = deferral.reason
    if pause.reason is not None:
        holding[State.PAUSED] = pause.reason
    return holding


def _hint_minutes(situation: Situation) -> int:
    return situation.setting.book.policy.limits.after_change_hint // MINUTE


def _beside(
    situation: Situation, holding: dict[State, Reason], state: State, findings: Findings | None, pause: Pause
) -> tuple[Reason, ...]:
    beside = [reason for other, reason in holding.items() if other is not state]
    if pause.not_reviewed is not None:
        beside.append(pause.not_reviewed)
    if findings is not None and findings.undated:
        beside.append(Reason(code="label-undated"))
    if findings is not None and findings.order_unknown:
        beside.append(Reason(code="order-unknown"))
    if findings is not None and findings.rows:
        beside.append(finding_reason("also-seen", findings.rows, _hint_minutes(situation)))
    return tuple(beside)


def _priority(
    situation: Situation, holding: dict[State, Reason], state: State, findings: Findings | None
) -> Priority | None:
    if state is not _COMPROMISED or findings is None:
        return _PRIORITY.get(state)
    # Seen intact since then it is no more urgent than what its clock says.
    by_clock = Priority.URGENT if {State.OVERDUE, State.UNKNOWN} & holding.keys() else Priority.ROUTINE
    usual = by_clock if findings.seen_intact_since else Priority.ASAP
    return finding_priority(findings.compromised, situation.setting.book.findings, usual)
