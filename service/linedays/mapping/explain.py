"""The policy → rows in plain words for the people who own it: what holds, for whom, since when, from where. No I/O.

Every value of the policy is in exactly one row, and the source of each is shown as it is, also where there is none.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from typing import assert_never

from linedays.core.moment import DAY
from linedays.core.policy import (
    AgeGroup,
    Basis,
    IntervalRule,
    Limits,
    LineKind,
    NotRequiredRule,
    NotRequiredWhen,
    Policy,
    SeenRule,
    Source,
    UnitSettings,
    UpkeepRule,
    WindowRule,
)
from linedays.mapping.quantities import duration_in_hours, duration_in_words

LINE_KINDS = "line kinds"
FINDINGS = "findings"
WINDOWS = "when an item appears"
UNITS = "units"
LIMITS = "limits"

_LIMIT_WORDS = {
    "ask_days": "kind of the first dressing not charted: its change is due after {}",
    "after_change_hint": "a finding charted up to {} after a change asks whether it was the state before the change",
    "off_unit_back": "change not done because the patient was off the unit: deferred until back for {}",
    "off_unit_longest": "change not done because the patient was off the unit: deferred for {} at most",
    "used_after_removal": "a line charted as used more than {} after its removal is shown as still charted",
    "stay_gap": "a stay is over when no other one in scope begins within {}",
    "port_incision": "a port implanted less than {} ago has an incision",
    "neonate_corrected_weeks": "neonate: from birth to {} weeks corrected gestational age",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ExplainedRule:
    """One row: `group` is the item or the part of the policy, `name` the rule's id or the value's code.

    Shape: dates are ISO texts; `until` is None where no end is set, `since` where only the files state it.
    """

    group: str
    name: str
    applies_to: str
    says: str
    who: str | None
    since: str | None
    until: str | None
    source: str


def explain_policy(policy: Policy) -> tuple[ExplainedRule, ...]:
    """Return the policy in plain words: the rules by item, then line kinds, findings, windows, units and limits."""
    items = dict.fromkeys(rule.item for rule in policy.rules)
    return (
        *(_rule(rule, policy) for item in items for rule in policy.rules if rule.item == item),
        *(_line_kind(kind) for kind in policy.line_kinds),
        *_findings(policy),
        *_windows(policy.windows),
        *(_unit(settings) for settings in policy.units),
        *_limits(policy.limits),
    )


def source_in_words(source: Source) -> str:
    """Return the source as it is shown; one whose page nobody has seen says so."""
    return source.text if source.seen else f"{source.text} (from memory)"


def _rule(rule: UpkeepRule, policy: Policy) -> ExplainedRule:
    who: str | None = None
    match rule:
        case IntervalRule():
            says, who = _interval(rule), rule.who
        case SeenRule():
            says, who = _seen(rule), rule.who
        case NotRequiredRule():
            says = _not_required(rule)
        case _:
            assert_never(rule)
    return ExplainedRule(
        group=rule.item,
        name=rule.id,
        applies_to=_applies_to(rule, policy),
        says=says,
        who=who,
        since=rule.since.isoformat(),
        until=_iso(rule.until),
        source=source_in_words(rule.source),
    )


def _interval(rule: IntervalRule) -> str:
    length = duration_in_words(rule.interval_days * DAY)
    if rule.basis is Basis.CALENDAR:
        return f"{rule.text}; due on the local day {length} later, overdue from the unit's cut-off time or the next day"
    grace = f" and {duration_in_words(rule.grace)} of grace" if rule.grace else ""
    return f"{rule.text}; due {rule.interval_days * 24} h later to the second, overdue after that{grace}"


def _seen(rule: SeenRule) -> str:
    return f"{rule.text}; no interval: known for {duration_in_hours(rule.seen_within)} after it was seen intact"


def _not_required(rule: NotRequiredRule) -> str:
    when = {
        NotRequiredWhen.ALWAYS: "never asked for",
        NotRequiredWhen.SITE_HEALED: "not asked for while the exit site is charted as healed",
        NotRequiredWhen.PORT_NOT_ACCESSED: "not asked for while the port is not accessed",
    }[rule.when]
    incision = f"; an incision for {duration_in_words(rule.incision)} after implantation" if rule.incision else ""
    return f"{rule.text}; {when}{incision}"


def _applies_to(rule: UpkeepRule, policy: Policy) -> str:
    parts = [_line_kinds(rule.line_kinds, policy)]
    if not isinstance(rule, NotRequiredRule):
        parts.append(", ".join(rule.dressing_kinds) or "every dressing kind")
        if rule.age is not AgeGroup.ANY:
            parts.append({AgeGroup.NEONATE: "neonates", AgeGroup.OLDER: "older than a neonate"}[rule.age])
        if rule.units:
            parts.append("unit " + ", ".join(rule.units))
    return " · ".join(parts)


def _line_kinds(codes: tuple[str, ...], policy: Policy) -> str:
    dressed = [kind.code for kind in policy.line_kinds if kind.dressing]
    absent = [code for code in dressed if code not in codes]
    if not set(codes) <= set(dressed) or len(codes) <= 2 * len(absent):
        return ", ".join(codes)
    return "every line kind with a dressing" + (" but " + ", ".join(absent) if absent else "")


def _iso(day: date | None) -> str | None:
    return day.isoformat() if day is not None else None


def _row(group: str, name: str, says: str, source: Source, applies_to: str = "") -> ExplainedRule:
    return ExplainedRule(
        group=group,
        name=name,
        applies_to=applies_to,
        says=says,
        who=None,
        since=None,
        until=None,
        source=source_in_words(source),
    )


def _line_kind(kind: LineKind) -> ExplainedRule:
    central = {
        True: "central unless a charted tip or ruling says otherwise",
        False: "not central unless a charted tip or ruling says otherwise",
        None: "central or not is not said by the kind",
    }[kind.central]
    home = "may go home in place" if kind.may_go_home else "does not go home in place"
    dressing = "has a dressing" if kind.dressing else "no dressing expected"
    says = f"{kind.name}: {central}; {home}; {dressing}"
    row = _row(LINE_KINDS, kind.code, says, kind.source)
    return replace(row, who=kind.who)


def _findings(policy: Policy) -> Iterator[ExplainedRule]:
    for meaning in policy.findings:
        says = f"{meaning.finding_class.value}" + ("; calls for someone at once (stat)" if meaning.stat else "")
        yield _row(FINDINGS, meaning.code, says, meaning.source)


def _windows(windows: tuple[WindowRule, ...]) -> Iterator[ExplainedRule]:
    for window in windows:
        if window.up_to_days is None:
            applies_to = "every longer interval"
        else:
            applies_to = f"intervals up to {duration_in_words(window.up_to_days * DAY)}"
        lead = duration_in_words(window.lead)
        says = f"appears with the last change of shift at least {lead} before it is due"
        yield _row(WINDOWS, applies_to, says, window.source, applies_to)


def _unit(settings: UnitSettings) -> ExplainedRule:
    shifts = settings.shifts
    says = "; ".join(
        (
            f"usual dressing {settings.usual_dressing or 'not stated'}",
            f"first dressing where its kind is not charted: {settings.first_dressing or 'ask'}",
            "shifts from " + ", ".join(f"{clock:%H:%M}" for clock in shifts.starts),
            f"quiet hours {shifts.quiet_from:%H:%M} to {shifts.quiet_until:%H:%M}",
            f"asap and stat matters only within {duration_in_words(shifts.change_margin)} of a change of shift",
            f"oozing or old blood counts: {settings.blood_rule.value}",
            f"a calendar item is overdue from {_cutoff(settings)}",
            "a neonatal unit" if settings.neonatal else "not a neonatal unit",
        )
    )
    applies_to = "every unit that is not named" if settings.unit == "*" else f"unit {settings.unit}"
    return _row(UNITS, settings.unit, says, settings.source, applies_to)


def _cutoff(settings: UnitSettings) -> str:
    return "the end of its due day" if settings.cutoff is None else f"{settings.cutoff:%H:%M} on its due day"


def _limits(limits: Limits) -> Iterator[ExplainedRule]:
    for name, source in limits.sources:
        value: int = getattr(limits, name)
        match name:
            case "ask_days":
                words = duration_in_words(value * DAY)
            case "neonate_corrected_weeks":
                words = str(value)
            case _:
                words = duration_in_words(value)
        yield _row(LIMITS, name, _LIMIT_WORDS[name].format(words), source)
