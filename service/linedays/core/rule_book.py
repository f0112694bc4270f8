"""A policy → look-ups that answer "which rule holds for this line, dressing, age, unit and day". No I/O.

A rule made for the unit goes before one made for every unit; beyond that the policy has been checked to hold exactly
one rule for each case, so the first that fits is the one.
"""

from dataclasses import dataclass
from datetime import date
from functools import lru_cache

from linedays.core.model import Person
from linedays.core.moment import DAY, Instant
from linedays.core.policy import (
    AgeGroup,
    FindingMeaning,
    IntervalRule,
    LineKind,
    NotRequiredRule,
    NotRequiredWhen,
    Policy,
    SeenRule,
    UnitSettings,
    UpkeepRule,
    in_force,
    unit_settings,
)

TERM_DAYS = 280
WEEK_DAYS = 7
TimedRule = IntervalRule | SeenRule


@dataclass(frozen=True, slots=True, eq=False)
class RuleBook:
    """One policy, indexed. Build it with `rule_book`; it is kept for as long as the policy is.

    `undressed` are the kinds of line whose insertion starts no dressing: none is expected, or it lies over a needle.
    `asked` are, by item, the kinds of line that any rule speaks of.
    """

    policy: Policy
    line_kinds: dict[str, LineKind]
    findings: dict[str, FindingMeaning]
    items: tuple[str, ...]
    dates: tuple[date, ...]
    settings: dict[str | None, UnitSettings]
    timed: dict[tuple[str, str, str | None, AgeGroup, str | None], tuple[TimedRule, ...]]
    waived: dict[tuple[str, str], tuple[NotRequiredRule, ...]]
    undressed: frozenset[str]
    asked: dict[str, frozenset[str]]


@lru_cache(maxsize=64)
def rule_book(policy: Policy) -> RuleBook:
    """Index a policy."""
    items = tuple(dict.fromkeys(rule.item for rule in policy.rules))
    ends = {rule.until for rule in policy.rules if rule.until is not None}
    return RuleBook(
        policy=policy,
        line_kinds={kind.code: kind for kind in policy.line_kinds},
        findings={meaning.code: meaning for meaning in policy.findings},
        items=items,
        dates=tuple(sorted({rule.since for rule in policy.rules} | ends)),
        settings={},
        timed={},
        waived={
            (item, kind.code): tuple(
                rule
                for rule in policy.rules
                if isinstance(rule, NotRequiredRule) and rule.item == item and kind.code in rule.line_kinds
            )
            for item in items
            for kind in policy.line_kinds
        },
        undressed=_undressed(policy),
        asked={
            item: frozenset(kind for rule in policy.rules if rule.item == item for kind in rule.line_kinds)
            for item in items
        },
    )


def _undressed(policy: Policy) -> frozenset[str]:
    needled = [
        kind
        for rule in policy.rules
        if isinstance(rule, NotRequiredRule) and rule.when is NotRequiredWhen.PORT_NOT_ACCESSED
        for kind in rule.line_kinds
    ]
    return frozenset([*needled, *(kind.code for kind in policy.line_kinds if not kind.dressing)])


def settings_of(book: RuleBook, unit: str | None) -> UnitSettings:
    """Return the settings of a unit."""
    found = book.settings.get(unit)
    if found is None:
        found = book.settings[unit] = unit_settings(book.policy, unit)
    return found


def timed_rule(
    book: RuleBook, item: str, *, line_kind: str, dressing_kind: str | None, age: AgeGroup, unit: str | None, on: date
) -> TimedRule | None:
    """Return the rule that sets an item's clock, or None where the policy asks for none."""
    case = (item, line_kind, dressing_kind, age, unit)
    rules = book.timed.get(case)
    if rules is None:
        rules = book.timed[case] = _fitting(book.policy.rules, case)
    return next((rule for rule in rules if in_force(rule, on)), None)


def _fitting(
    rules: tuple[UpkeepRule, ...], case: tuple[str, str, str | None, AgeGroup, str | None]
) -> tuple[TimedRule, ...]:
    item, line_kind, dressing_kind, age, unit = case
    fits = [
        rule
        for rule in rules
        if not isinstance(rule, NotRequiredRule)
        and rule.item == item
        and line_kind in rule.line_kinds
        and (not rule.dressing_kinds or dressing_kind in rule.dressing_kinds)
        and rule.age in (AgeGroup.ANY, age)
        and (not rule.units or unit in rule.units)
    ]
    return tuple(sorted(fits, key=lambda rule: not rule.units))


def neonate_until(person: Person, book: RuleBook) -> Instant | None:
    """Return the instant at which a patient outgrows the neonatal rules; None where no birth date is charted.

    The reading that makes the patient youngest counts; a gestational age that is not charted is read as term.
    Source: SHEA-NICU-2022 and a hospital audit card (birth to 44 weeks corrected gestational age).
    """
    if person.birth is None:
        return None
    gestation = TERM_DAYS if person.gestation_days is None else person.gestation_days
    return person.birth.latest + (book.policy.limits.neonate_corrected_weeks * WEEK_DAYS - gestation) * DAY


def age_group(person: Person, book: RuleBook, settings: UnitSettings, at: Instant) -> AgeGroup:
    """Return the age group that the rules go by."""
    until = neonate_until(person, book)
    if until is None:
        return AgeGroup.NEONATE if settings.neonatal else AgeGroup.OLDER
    return AgeGroup.NEONATE if at < until else AgeGroup.OLDER
