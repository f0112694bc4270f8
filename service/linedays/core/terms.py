"""An anchor, its lines, the unit and the patient's age → the rule and interval in force, and what had to be assumed. No I/O.

A dressing kind that was not charted is assumed as the policy says and said so. A change of rule by age, transfer or
policy never makes an item overdue at once: `put_off` is the earliest instant at which it may be.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import tzinfo

from linedays.core.model import Anchor, AnchorBasis, Person, Place, Reason, Stay
from linedays.core.moment import Instant, local_date, start_of_day
from linedays.core.policy import IntervalRule, UnitSettings
from linedays.core.rule_book import RuleBook, TimedRule, age_group, neonate_until, settings_of, timed_rule
from linedays.core.watch import place_at, transfers
from linedays.core.windows import UnitDay, end_of_next_day_shift

GAUZE = "gauze"


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """The surroundings that terms depend on: one patient's stays and person, the places, the policy and a zone."""

    book: RuleBook
    person: Person
    stays: tuple[Stay, ...]
    places: Mapping[str, Place]
    zone: tzinfo


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """What holds for one item: its rule, the interval, the kind gone by, and what was assumed.

    `kind_unknown` is true where no kind is charted and the unit states none: after the interval nobody knows.
    """

    rule: TimedRule | None
    interval_days: int
    dressing_kind: str | None
    assumed: tuple[Reason, ...]
    kind_unknown: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kind:
    options: tuple[str, ...]
    assumed: tuple[Reason, ...]
    ask: bool = False
    unknown: bool = False


def unit_at(setting: Setting, at: Instant) -> Place | None:
    """Return the place that a patient's stays name for a moment."""
    return place_at([stay for stay in setting.stays if stay.start <= at], setting.places, at)


def unit_day(setting: Setting, at: Instant) -> UnitDay:
    """Return how the unit of a moment divides its days."""
    place = unit_at(setting, at)
    settings = settings_of(setting.book, place.unit if place else None)
    zone = place.zone if place is not None and place.zone is not None else setting.zone
    return UnitDay(settings, setting.book.policy.windows, zone)


def terms_at(
    setting: Setting, item: str, line_kinds: tuple[str, ...], anchor: Anchor | None, kind_before: str | None, at: Instant
) -> Terms:
    """Return the terms of an item at a moment.

    The unit whose habit fills in a dressing kind is the one in which the dressing was put on; the rule is that of the
    unit the patient is in.
    """
    day = unit_day(setting, at)
    age = age_group(setting.person, setting.book, day.settings, at)
    kind = _kind_of(anchor, kind_before, unit_day(setting, anchor.at).settings if anchor else day.settings)
    on = local_date(at, day.zone)
    place = unit_at(setting, at)
    unit = place.unit if place else None
    found: list[tuple[TimedRule, str | None]] = []
    for line_kind in line_kinds:
        for option in kind.options or (None,):
            rule = timed_rule(setting.book, item, line_kind=line_kind, dressing_kind=option, age=age, unit=unit, on=on)
            if rule is not None:
                found.append((rule, option))
    if not found:
        return Terms(rule=None, interval_days=0, dressing_kind=None, assumed=kind.assumed, kind_unknown=False)
    rule, option = min(found, key=lambda pair: (_days(pair[0]), pair[0].id))
    days = _days(rule)
    if kind.ask and isinstance(rule, IntervalRule):
        days = setting.book.policy.limits.ask_days
    assumed = tuple(_said(reason, option) for reason in kind.assumed)
    return Terms(rule=rule, interval_days=days, dressing_kind=option, assumed=assumed, kind_unknown=kind.unknown)


def _days(rule: TimedRule) -> int:
    # An item without an interval is never the shortest.
    return rule.interval_days if isinstance(rule, IntervalRule) else 1_000_000


def _said(reason: Reason, option: str | None) -> Reason:
    return Reason(code=reason.code, values=(*reason.values, ("kind", option or "")))


def _kind_of(anchor: Anchor | None, kind_before: str | None, settings: UnitSettings) -> _Kind:
    if anchor is None:
        usual = settings.usual_dressing
        return _Kind(options=(usual,) if usual else (GAUZE,), assumed=())
    if anchor.dressing_kind is not None:
        return _Kind(options=(anchor.dressing_kind,), assumed=())
    if anchor.basis is AnchorBasis.INSERTION:
        if settings.first_dressing is not None:
            return _Kind(options=(settings.first_dressing,), assumed=(Reason(code="assumed-first-dressing"),))
        return _Kind(options=(GAUZE,), assumed=(Reason(code="assumed-ask"),), ask=True)
    if settings.usual_dressing is None:
        return _Kind(options=(GAUZE,), assumed=(Reason(code="assumed-nothing"),), unknown=True)
    options = dict.fromkeys([settings.usual_dressing, *([kind_before] if kind_before else [])])
    return _Kind(options=tuple(options), assumed=(Reason(code="assumed-usual"),))


def changed_rule_floor(
    setting: Setting, item: str, line_kinds: tuple[str, ...], anchor: Anchor, kind_before: str | None, at: Instant
) -> Instant | None:
    """Return the earliest instant at which a rule that changed after the anchor may make the item overdue.

    None where the same rule has held since the anchor.
    """

    def rule_at(moment: Instant) -> tuple[TimedRule | None, int]:
        terms = terms_at(setting, item, line_kinds, anchor, kind_before, moment)
        return terms.rule, terms.interval_days

    now = rule_at(at)
    if rule_at(anchor.at) == now:
        return None
    for instant in sorted(_turning_points(setting, anchor.at, at), reverse=True):
        if rule_at(instant - 1) != now:
            day = unit_day(setting, instant)
            return end_of_next_day_shift(instant, day.settings.shifts, day.zone)
    return None


def _turning_points(setting: Setting, after: Instant, until: Instant) -> list[Instant]:
    points = transfers(setting.stays, after, until)
    points += [stay.end for stay in setting.stays if stay.end is not None]
    points += [start_of_day(day, setting.zone) for day in setting.book.dates]
    grown = neonate_until(setting.person, setting.book)
    points += [grown] if grown is not None else []
    return [point for point in points if after < point <= until]


def next_rule_change(setting: Setting, at: Instant) -> Instant | None:
    """Return the next instant at which a rule may change by itself: a dated policy value, or the patient's age."""
    points = [start_of_day(day, setting.zone) for day in setting.book.dates if day > local_date(at, setting.zone)]
    grown = neonate_until(setting.person, setting.book)
    if grown is not None and grown > at:
        points.append(grown)
    return min(points, default=None)

