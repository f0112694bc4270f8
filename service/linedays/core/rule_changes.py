"""What held for an item since its anchor → from when it is overdue, and when something next changes. No I/O.

A change of rule by age, transfer, policy, or a site that is no longer healed never makes an item overdue at once: it is
overdue after the first day shift that begins after the change. One that was overdue before stays so.
"""

from collections.abc import Iterable
from datetime import UTC, timedelta

from linedays.core.anchors import Anchoring, SiteFact, counts_from
from linedays.core.model import FactKind, Stay
from linedays.core.moment import DAY, Instant, local_date, start_of_day
from linedays.core.policy import IntervalRule
from linedays.core.rule_book import neonate_until
from linedays.core.situation import Situation
from linedays.core.states import Anchor
from linedays.core.terms import Setting, Terms, terms_at, unit_day
from linedays.core.waivers import waived
from linedays.core.windows import Clock, UnitDay, clock_of, end_of_next_day_shift

_OF_HEALING = (FactKind.SITE_HEALED, FactKind.SITE_NOT_HEALED)


def clock_at(setting: Setting, anchor: Anchor, rule: IntervalRule, terms: Terms, at: Instant) -> Clock:
    """Return the instants of a cycle under the terms and the unit of a moment, in the zone of its anchor."""
    day = unit_day(setting, at)
    zone = unit_day(setting, anchor.at).zone
    return clock_of(anchor.at, rule, terms.interval_days, UnitDay(day.settings, day.windows, zone))


def overdue_from(situation: Situation, item: str, found: Anchoring, anchor: Anchor, clock: Clock) -> Instant:
    """Return when an item is overdue: by its clock, or later where what holds for it changed not long before."""
    setting = situation.setting
    points = sorted(_turns_between(setting, situation.facts, anchor.at, situation.at))
    if not points or _spared_until(setting, points[-1]) <= clock.overdue_from:
        return clock.overdue_from
    held = by_clock = _by_clock(situation, item, found, anchor, anchor.at)
    for point in points:
        before, by_clock = by_clock, _by_clock(situation, item, found, anchor, point)
        if by_clock == before:
            continue
        was_overdue = held is not None and held < point
        if by_clock is None or (was_overdue and by_clock <= point):
            held = by_clock
        else:
            held = max(by_clock, _spared_until(setting, point))
    return clock.overdue_from if held is None else held


def _by_clock(situation: Situation, item: str, found: Anchoring, anchor: Anchor, at: Instant) -> Instant | None:
    """Return when the rules of a moment make an item overdue; None where none of them does."""
    told = [each.fact for each in situation.facts if counts_from(each.fact) <= at]
    if waived(situation.setting, item, situation.present, told, at) is not None:
        return None
    terms = terms_at(
        situation.setting,
        item,
        line_kinds=situation.line_kinds,
        anchor=anchor,
        kind_before=found.kind_before,
        at=at,
    )
    if not isinstance(terms.rule, IntervalRule):
        return None
    return clock_at(situation.setting, anchor, terms.rule, terms, at).overdue_from


def _spared_until(setting: Setting, change: Instant) -> Instant:
    day = unit_day(setting, change)
    return end_of_next_day_shift(change, day.settings.shifts, day.zone)


def _turns_between(setting: Setting, facts: Iterable[SiteFact], after: Instant, until: Instant) -> set[Instant]:
    """Return the instants in (after, until] at which another rule may begin to hold."""
    points = {each.fact.happened.earliest for each in facts if each.fact.kind in _OF_HEALING}
    points.update(_of_stays(setting.stays), _of_policy_and_age(setting, after))
    return {point for point in points if after < point <= until}


def next_turn(setting: Setting, at: Instant) -> Instant | None:
    """Return the next instant at which another rule, place or stay may hold without a new fact."""
    gap = setting.book.policy.limits.stay_gap
    closed = [stay.end + gap for stay in setting.stays if stay.end is not None]
    points = [*_of_stays(setting.stays), *closed, *_of_policy_and_age(setting, at)]
    return min((point for point in points if point > at), default=None)


def _of_stays(stays: tuple[Stay, ...]) -> list[Instant]:
    ends = [instant for stay in stays for instant in (stay.start, stay.end) if instant is not None]
    spans = [span for stay in stays for span in stay.places]
    return ends + [instant for span in spans for instant in (span.start, span.end) if instant is not None]


def _of_policy_and_age(setting: Setting, after: Instant) -> list[Instant]:
    grown = neonate_until(setting.person, setting.book)
    dates = setting.book.dates
    if dates and after > start_of_day(dates[-1], UTC) + 2 * DAY:
        # Every dated value began long before, which is the usual case.
        return [] if grown is None else [grown]
    # Two zones may be a day apart: a date is looked at from the day before.
    first = local_date(after, setting.zone) - timedelta(days=1)
    coming = [start_of_day(day, setting.zone) for day in setting.book.dates if day >= first]
    begins = [start_of_day(local_date(begun, setting.zone), unit_day(setting, begun).zone) for begun in coming]
    return begins if grown is None else [*begins, grown]
