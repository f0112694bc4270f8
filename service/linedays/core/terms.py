"""An anchor, its lines, the unit and the patient's age → the rule and interval in force, and what was assumed. No I/O.

A dressing kind that was not charted is assumed as the policy says and said so.
"""

from collections.abc import Mapping
from datetime import tzinfo

import msgspec

from linedays.core.anchors import DRESSING_ITEM
from linedays.core.model import Person, Place, Stay
from linedays.core.moment import Instant, local_date
from linedays.core.policy import IntervalRule, UnitSettings
from linedays.core.rule_book import RuleBook, TimedRule, age_group, settings_of, timed_rule
from linedays.core.states import Anchor, AnchorBasis, Reason
from linedays.core.watch import place_at
from linedays.core.windows import UnitDay

GAUZE = "gauze"
_INSERTION = AnchorBasis.INSERTION


class Setting(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """The surroundings that terms depend on: one patient's stays and person, the places, the policy and a zone.

    `days` keeps what `unit_day` found, since every item asks for the same few moments again.
    """

    book: RuleBook
    person: Person
    stays: tuple[Stay, ...]
    places: Mapping[str, Place]
    zone: tzinfo
    days: dict[Instant, UnitDay] = msgspec.field(default_factory=dict)


class Terms(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """What holds for one item: its rule, the interval, the kind gone by, and what was assumed.

    `kind_unknown` is true where no kind is charted and the unit states none: after the interval nobody knows.
    """

    rule: TimedRule | None
    interval_days: int
    dressing_kind: str | None
    assumed: tuple[Reason, ...]
    kind_unknown: bool


class _Kind(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    options: tuple[str | None, ...]
    assumed: tuple[Reason, ...]
    ask: bool = False
    unknown: bool = False


def unit_at(setting: Setting, at: Instant) -> Place | None:
    """Return the place that a patient's stays name for a moment."""
    return place_at([stay for stay in setting.stays if stay.start <= at], setting.places, at)


def unit_day(setting: Setting, at: Instant) -> UnitDay:
    """Return how the unit of a moment divides its days."""
    found = setting.days.get(at)
    if found is None:
        found = setting.days[at] = _unit_day(setting, at)
    return found


def _unit_day(setting: Setting, at: Instant) -> UnitDay:
    place = unit_at(setting, at)
    settings = settings_of(setting.book, place.unit_id if place else None)
    zone = place.zone if place is not None and place.zone is not None else setting.zone
    return UnitDay(settings, setting.book.policy.windows, zone)


def terms_at(
    setting: Setting,
    item: str,
    *,
    line_kinds: tuple[str, ...],
    anchor: Anchor | None,
    kind_before: str | None,
    at: Instant,
) -> Terms:
    """Return the terms of an item at a moment.

    The unit whose habit fills in a dressing kind is the one in which the dressing was put on; the rule is that of the
    unit the patient is in. Of several rules the shortest interval counts.
    """
    place, day = unit_at(setting, at), unit_day(setting, at)
    unit, on = place.unit_id if place else None, local_date(at, day.zone)
    age = age_group(setting.person, setting.book, day.settings, at)
    kind = _kind_of(item, anchor, kind_before, unit_day(setting, anchor.at).settings if anchor else day.settings)
    found: list[tuple[TimedRule, str | None]] = []
    for line_kind in line_kinds:
        for option in kind.options:
            rule = timed_rule(setting.book, item, line_kind=line_kind, dressing_kind=option, age=age, unit=unit, on=on)
            if rule is not None:
                found.append((rule, option))
    if not found:
        return Terms(rule=None, interval_days=0, dressing_kind=None, assumed=kind.assumed, kind_unknown=False)
    rule, option = min(found, key=lambda pair: (_days(pair[0]), pair[0].id))
    days = setting.book.policy.limits.ask_days if kind.ask and isinstance(rule, IntervalRule) else _days(rule)
    assumed = tuple(_said(reason, option) for reason in kind.assumed)
    return Terms(rule=rule, interval_days=days, dressing_kind=option, assumed=assumed, kind_unknown=kind.unknown)


def _days(rule: TimedRule) -> int:
    # An item without an interval is never the shortest.
    return rule.interval_days if isinstance(rule, IntervalRule) else 1_000_000


def _said(reason: Reason, option: str | None) -> Reason:
    return Reason(code=reason.code, values=(*reason.values, ("kind", option or "")))


def _kind_of(item: str, anchor: Anchor | None, kind_before: str | None, settings: UnitSettings) -> _Kind:
    if anchor is not None and (anchor.dressing_kind is not None or item != DRESSING_ITEM):
        return _Kind(options=(anchor.dressing_kind,), assumed=())
    if anchor is None:
        return _Kind(options=(settings.usual_dressing or GAUZE,), assumed=())
    if anchor.basis is _INSERTION:
        if settings.first_dressing is not None:
            return _Kind(options=(settings.first_dressing,), assumed=(Reason(code="assumed-first-dressing"),))
        return _Kind(options=(GAUZE,), assumed=(Reason(code="assumed-ask"),), ask=True)
    if settings.usual_dressing is None:
        return _Kind(options=(GAUZE,), assumed=(Reason(code="assumed-nothing"),), unknown=True)
    options = dict.fromkeys([settings.usual_dressing, *([kind_before] if kind_before else [])])
    return _Kind(options=tuple(options), assumed=(Reason(code="assumed-usual"),))
