"""Facts dated by the instance's zone → the same facts dated by the zone of the unit that charted them. No I/O.

A date without a time means a local day. It is read in the zone of the instance first; where the patient's unit states
another zone, that day is another span of instants.
"""

from collections.abc import Iterable, Mapping
from datetime import tzinfo

from msgspec.structs import replace

from linedays.core.model import Fact, Place, Stay
from linedays.core.moment import Moment, Precision, day_moment, local_date
from linedays.core.watch import place_at

_DAY = Precision.DAY


def in_unit_zones(
    facts: Iterable[Fact], stays: tuple[Stay, ...], places: Mapping[str, Place], zone: tzinfo
) -> tuple[Fact, ...]:
    """Return the facts with day-precision times read in the zone of the place the patient was in."""
    if all(place.zone is None or place.zone is zone for place in _visited(stays, places)):
        return tuple(facts)
    return tuple(_in_unit_zone(fact, stays, places, zone) for fact in facts)


def _visited(stays: tuple[Stay, ...], places: Mapping[str, Place]) -> list[Place]:
    return [places[span.place] for stay in stays for span in stay.places if span.place in places]


def _in_unit_zone(fact: Fact, stays: tuple[Stay, ...], places: Mapping[str, Place], zone: tzinfo) -> Fact:
    if all(moment is None or moment.precision is not _DAY for moment in (fact.happened, fact.until)):
        return fact
    # Who came in the course of that day was in no place yet when it began.
    place = place_at(stays, places, fact.happened.earliest) or place_at(stays, places, fact.happened.latest)
    if place is None or place.zone is None or place.zone is zone:
        return fact
    until = fact.until and _same_day(fact.until, zone, place.zone)
    return replace(fact, happened=_same_day(fact.happened, zone, place.zone), until=until)


def _same_day(moment: Moment, read_in: tzinfo, meant_in: tzinfo) -> Moment:
    if moment.precision is not _DAY:
        return moment
    return day_moment(local_date(moment.earliest, read_in), meant_in)
