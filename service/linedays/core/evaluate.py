"""A patient's chart, the policy and a moment → the state of every item of every dressing site, and why. No I/O.

A pure fold: what it returns depends on its arguments only, and "not due" never comes out without a dated fact.
"""

from collections.abc import Mapping
from datetime import tzinfo

from linedays.core.anchors import DRESSING_ITEM, counts_from, facts_by
from linedays.core.concern import site_concern
from linedays.core.items import item_state
from linedays.core.model import DressingSite, PatientChart, Place, Timeline, Whereabouts
from linedays.core.moment import Instant
from linedays.core.policy import Policy
from linedays.core.presence import away_until, whereabouts
from linedays.core.rule_book import rule_book
from linedays.core.rule_changes import next_turn
from linedays.core.situation import Situation, findings_of
from linedays.core.states import ItemState, Priority, Reason, SiteState, State
from linedays.core.terms import Setting, unit_day
from linedays.core.watch import Watch, watch_at
from linedays.core.windows import UnitDay

_IN_PLACE = Whereabouts.IN_PLACE
_ASKED_ABOUT = frozenset({Whereabouts.IN_PLACE, Whereabouts.USED_AFTER_REMOVAL})
# Of the lines under one dressing the first of these that holds is where the site is.
_LEADING = (
    Whereabouts.IN_PLACE,
    Whereabouts.USED_AFTER_REMOVAL,
    Whereabouts.SAID_TO_BE_GONE,
    Whereabouts.AWAY,
    Whereabouts.REMOVAL_NOT_CHARTED,
    Whereabouts.NOT_YET,
    Whereabouts.ENDED,
)


def evaluate_chart(
    chart: PatientChart, policy: Policy, places: Mapping[str, Place], *, at: Instant, zone: tzinfo
) -> tuple[SiteState, ...]:
    """Return the state of every dressing site of a patient at a moment.

    Units: `zone` holds where no Location states one. Shape: in the order of the chart's sites.
    """
    book = rule_book(policy)
    watch = watch_at(chart.stays, places, at, policy.limits.stay_gap)
    setting = Setting(book=book, person=chart.person, stays=chart.stays, places=places, zone=zone)
    day = unit_day(setting, at)
    return tuple(_site_state(site, setting, watch, day, at) for site in chart.sites)


def _site_state(site: DressingSite, setting: Setting, watch: Watch, day: UnitDay, at: Instant) -> SiteState:
    where = tuple(whereabouts(timeline, watch, setting.person, setting.book, at) for timeline in site.timelines)
    leading = next(found for found in _LEADING if found in where)
    items: tuple[ItemState, ...] = ()
    concern: ItemState | None = None
    if leading in _ASKED_ABOUT:
        present = tuple(timeline for timeline, found in zip(site.timelines, where, strict=True) if found is leading)
        facts, since = facts_by(site, at), _since(present, watch)
        situation = Situation(
            site=site,
            present=present,
            facts=facts,
            findings=findings_of(facts, setting, day, since),
            since=since,
            setting=setting,
            watch=watch,
            day=day,
            at=at,
            next_turn=_earlier(next_turn(setting, at), _next_fact(site, len(facts), at)),
        )
        if leading is _IN_PLACE:
            items = tuple(found for item in setting.book.items if (found := item_state(situation, item)) is not None)
        else:
            items = (_used_after_removal(site, present),)
        concern = site_concern(situation)
    return SiteState(
        site=site,
        at=at,
        whereabouts=leading,
        items=items,
        concern=concern,
        place=watch.place.id if watch.place else None,
        unit=watch.place.unit if watch.place else None,
        encounter=watch.encounter,
        watched_since=watch.since,
        stay_ended=watch.ended,
        zone=day.zone,
        line_whereabouts=where,
    )


def _earlier(one: Instant | None, other: Instant | None) -> Instant | None:
    return other if one is None else one if other is None else min(one, other)


def _next_fact(site: DressingSite, counting: int, at: Instant) -> Instant | None:
    """Return when a fact or an end that is known already, but lies ahead, begins to count; `counting` facts do now."""
    begins = [] if counting == sum(len(timeline.facts) for timeline in site.timelines) else _ahead(site, at)
    ends = [timeline.line.end.earliest for timeline in site.timelines if timeline.line.end is not None]
    return min([*begins, *(end for end in ends if end > at)], default=None)


def _ahead(site: DressingSite, at: Instant) -> list[Instant]:
    return [begun for timeline in site.timelines for fact in timeline.facts if (begun := counts_from(fact)) > at]


def _since(present: tuple[Timeline, ...], watch: Watch) -> Instant | None:
    """Return from when what was charted counts: the return of the patient, unless a line was placed since."""
    back = [away_until(timeline, watch) for timeline in present]
    return back[0] if all(instant is not None for instant in back) else None


def _used_after_removal(site: DressingSite, present: tuple[Timeline, ...]) -> ItemState:
    """Say that a line charted out is still charted about: nobody knows the state of its dressing."""
    end = present[0].line.end
    values = (("at", end.earliest),) if end is not None else ()
    return ItemState(
        item=DRESSING_ITEM,
        site=site.key,
        state=State.UNKNOWN,
        priority=Priority.URGENT,
        reason=Reason(code="unknown-used-after-removal", values=values),
    )
