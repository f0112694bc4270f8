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
    if fact.happened.precision is not Precision.DAY:
        return fact
    place = place_at(list(stays), places, fact.happened.earliest)
    if place is None or place.zone is None or place.zone is zone:
        return fact
    return replace(fact, happened=_same_day(fact.happened, zone, place.zone))


def _same_day(moment: Moment, read_in: tzinfo, meant_in: tzinfo) -> Moment:
    return day_moment(local_date(moment.earliest, read_in), meant_in)
