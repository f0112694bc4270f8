"""Dates read in the zone of the instance → dates of the unit that charted them. By hand from design 2.2.1.

Source: the offsets are those of the IANA time zone data: Europe/Berlin UTC+1 and America/New_York UTC-5 on 2 March 2026.
"""

from zoneinfo import ZoneInfo

import pytest

from linedays.core.local_days import in_unit_zones
from linedays.core.model import Place, PlaceClass
from support.builders import at, changed, present, stay, when

BERLIN, NEW_YORK = ZoneInfo("Europe/Berlin"), ZoneInfo("America/New_York")
PLACES = {
    name: Place(id=name, unit=name, name=f"Made-up {name}", place_class=PlaceClass.INPATIENT, zone=zone)
    for name, zone in (("near", None), ("here", BERLIN), ("far", NEW_YORK))
}


def stay_in(place, start="2026-03-01 08:00"):
    return (stay("Encounter/1", start, None, (place, start, None)),)


def read(fact, stays):
    (found,) = in_unit_zones((fact,), stays, PLACES, BERLIN)
    return found


DAY = changed(when("2026-03-02", BERLIN))


def test_a_day_in_a_unit_of_another_zone_is_that_unit_s_day():
    """2 March in New York: from 05:00 UTC until before 05:00 UTC of 3 March."""
    found = read(DAY, stay_in("far")).happened

    assert (found.earliest, found.latest) == (at("2026-03-02 05:00"), at("2026-03-03 04:59:59"))
    assert found == when("2026-03-02", NEW_YORK)


@pytest.mark.parametrize("place", ["near", "here", "not-read"])
def test_a_day_in_a_unit_of_the_instance_s_zone_stays(place):
    assert read(DAY, stay_in(place)) == DAY


def test_a_day_without_a_stay_stays():
    assert in_unit_zones((DAY,), (), PLACES, BERLIN) == (DAY,)


@pytest.mark.parametrize("happened", ["2026-03-02 08:00", when("2026-03", BERLIN)], ids=["exact", "month"])
def test_only_days_are_read_anew(happened):
    fact = changed(happened)

    assert read(fact, stay_in("far")) == fact


def test_a_day_on_which_the_patient_came_is_that_unit_s_day():
    """In Berlin the day begins at 2026-03-01 23:00 UTC; the patient came at 10:00 UTC."""
    assert read(DAY, stay_in("far", "2026-03-02 10:00")).happened == when("2026-03-02", NEW_YORK)


def test_a_day_before_the_patient_was_anywhere_stays():
    assert read(DAY, stay_in("far", "2026-03-03 10:00")) == DAY


def test_a_day_in_a_place_of_the_instance_s_zone_stays_though_another_was_visited():
    stays = (
        stay(
            "Encounter/1",
            "2026-03-01 08:00",
            None,
            ("here", "2026-03-01 08:00", None),
            ("far", "2026-03-05 08:00", None),
        ),
    )

    assert read(DAY, stays) == DAY
    assert read(changed(when("2026-03-07", BERLIN)), stays).happened == when("2026-03-07", NEW_YORK)


@pytest.mark.parametrize(
    ("start", "meant"),
    [
        pytest.param(when("2026-03-02 08:00"), when("2026-03-02 08:00"), id="exact start"),
        pytest.param(when("2026-03-02", BERLIN), when("2026-03-02", NEW_YORK), id="start by day"),
    ],
)
def test_the_end_of_an_interval_is_read_as_its_start_is(start, meant):
    found = read(present(start, when("2026-03-04", BERLIN)), stay_in("far"))

    assert (found.happened, found.until) == (meant, when("2026-03-04", NEW_YORK))
