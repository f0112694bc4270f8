"""The facts of a dressing site, the stays and a moment → whether upkeep is paused or put off, and until when. No I/O.

A pause is only what was charted as one, with a review date, or a leave of absence. "Not done" puts an item off for a
while; it never changes what is due or overdue.
"""


import msgspec

from linedays.core.anchors import SiteFact
from linedays.core.model import FactKind, Place, PlaceClass
from linedays.core.moment import Instant
from linedays.core.states import Reason
from linedays.core.terms import Setting
from linedays.core.watch import Watch
from linedays.core.windows import UnitDay, next_shift_start

REFUSED = "refused"
OFF_UNIT = "off-unit"
# Members have a name of their own where they are asked for once per fact (see `moment`).
_PAUSED, _NOT_DONE = FactKind.PAUSED, FactKind.NOT_DONE


class Pause(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """A pause that holds (`reason`), or one whose review date has passed (`not_reviewed`)."""

    reason: Reason | None = None
    not_reviewed: Reason | None = None
    until: Instant | None = None


def pause_at(facts: list[SiteFact], watch: Watch, at: Instant) -> Pause:
    """Return the pause that holds at a moment."""
    if watch.on_leave:
        return Pause(reason=Reason(code="paused-leave"))
    charted = [each.fact for each in facts if each.fact.kind is _PAUSED and each.fact.until is not None]
    if not charted:
        return Pause()
    last = max(charted, key=lambda fact: (fact.happened.earliest, fact.known, fact.source))
    assert last.until is not None
    review = last.until.latest
    values = (("why", last.value or "not charted"), ("review", review))
    if at <= review:
        return Pause(reason=Reason(code="paused", values=values), until=review + 1)
    return Pause(not_reviewed=Reason(code="pause-not-reviewed", values=values))


class Deferral(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """An item that was charted as not done since its anchor: put off until `until`."""

    until: Instant
    reason: Reason


def deferral_of(facts: list[SiteFact], since: Instant | None, setting: Setting, day: UnitDay) -> Deferral | None:
    """Return how long the last "not done" since the anchor puts an item off, whether or not that is over."""
    told = [
        each.fact
        for each in facts
        if each.fact.kind is _NOT_DONE and (since is None or each.fact.happened.earliest > since)
    ]
    if not told:
        return None
    last = max(told, key=lambda fact: (fact.happened.earliest, fact.known, fact.source))
    charted = last.happened.earliest
    why = last.value or "not charted"
    until = _back_by(setting, charted) if why == OFF_UNIT else next_shift_start(charted, day.settings.shifts, day.zone)
    refused = sum(fact.value == REFUSED for fact in told)
    code = "deferred-refused-again" if why == REFUSED and refused > 1 else "deferred"
    return Deferral(until=until, reason=Reason(code=code, values=(("why", why), ("at", charted), ("until", until))))


def _back_by(setting: Setting, charted: Instant) -> Instant:
    """Return when a patient off the unit is taken as back: a while after the return, and never later than the limit."""
    limits = setting.book.policy.limits
    latest = charted + limits.off_unit_longest
    # Coming to an operating room is not a return.
    back = [
        span.start + limits.off_unit_back
        for stay in setting.stays
        for span in stay.places
        if charted < span.start and not _is_procedural(setting.places.get(span.place))
    ]
    return min([latest, *back])


def _is_procedural(place: Place | None) -> bool:
    return place is not None and place.place_class is PlaceClass.PROCEDURAL
