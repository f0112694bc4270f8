"""Stays and a moment → whether we watch, where the patient is, and since when. By hand from design 2.3.9, 2.7.16.

Source: this project's own reading; the gap of 4 h is a setting, common practice, no source. Status and parts of an
Encounter: FHIR R4 (http://hl7.org/fhir/R4/encounter-definitions.html#Encounter.status, Encounter.partOf).
"""

import pytest

from linedays.core.model import Person, Place, PlaceClass
from linedays.core.moment import HOUR
from linedays.core.watch import Watch, died_by, place_at, watch_at
from support.builders import PATIENT, at, stay, when

PLACES = {
    name: Place(id=name, unit=name, name=f"Made-up {name}", place_class=PlaceClass.INPATIENT)
    for name in ("heron", "otter")
}
E1, E2, E3 = "Encounter/1", "Encounter/2", "Encounter/3"
NOTHING = Watch(on=True, since=None, before=None, ended=None, on_leave=False, place=None, encounter=None)


def watched(moment, *stays):
    return watch_at(stays, PLACES, at(moment), 4 * HOUR)


def test_without_an_encounter_nothing_limits_the_watch():
    assert watched("2026-03-02 08:00") == NOTHING


@pytest.mark.parametrize("status", ["planned", "cancelled", "entered-in-error"])
def test_an_encounter_that_never_happened_does_not_count(status):
    assert watched("2026-03-02 09:00", stay(E1, "2026-03-02 08:00", status=status)) == NOTHING


@pytest.mark.parametrize(("moment", "encounter"), [("2026-03-02 07:59:59", None), ("2026-03-02 08:00:00", E1)])
def test_the_watch_begins_with_the_encounter(moment, encounter):
    found = watched(moment, stay(E1, "2026-03-02 08:00"))

    assert (found.on, found.encounter) == (True, encounter)
    assert found.since == (None if encounter is None else at("2026-03-02 08:00"))


@pytest.mark.parametrize(
    ("moment", "on", "ended"),
    [
        # Discharged at 10:00; 10:00 + 4 h = 14:00.
        pytest.param("2026-03-05 09:59:59", True, None, id="one second before discharge"),
        pytest.param("2026-03-05 10:00:00", True, "2026-03-05 10:00", id="at discharge"),
        pytest.param("2026-03-05 13:59:59", True, "2026-03-05 10:00", id="one second less than 4 h later"),
        pytest.param("2026-03-05 14:00:00", False, "2026-03-05 10:00", id="4 h later"),
    ],
)
def test_the_watch_ends_four_hours_after_the_last_encounter(moment, on, ended):
    found = watched(moment, stay(E1, "2026-03-02 08:00", "2026-03-05 10:00", status="finished"))

    assert (found.on, found.ended, found.encounter) == (on, None if ended is None else at(ended), E1)


@pytest.mark.parametrize(
    ("begins", "since", "before"),
    [
        pytest.param("2026-03-05 10:00:00", "2026-03-02 08:00", None, id="at once"),
        pytest.param("2026-03-05 13:59:59", "2026-03-02 08:00", None, id="one second less than 4 h later"),
        pytest.param("2026-03-05 14:00:00", "2026-03-05 14:00", "2026-03-05 10:00", id="4 h later: a new watch"),
    ],
)
def test_one_encounter_that_turns_into_another_closes_nothing(begins, since, before):
    found = watched("2026-03-06 08:00", stay(E1, "2026-03-02 08:00", "2026-03-05 10:00"), stay(E2, begins))

    assert (found.on, found.ended, found.encounter) == (True, None, E2)
    assert (found.since, found.before) == (at(since), None if before is None else at(before))


def test_the_watch_before_the_last_is_the_one_that_counts():
    found = watched(
        "2026-05-03 08:00",
        stay(E2, "2026-04-02 08:00", "2026-04-05 10:00"),
        stay(E3, "2026-05-02 08:00"),
        stay(E1, "2026-03-02 08:00", "2026-03-05 10:00"),
    )

    assert (found.since, found.before) == (at("2026-05-02 08:00"), at("2026-04-05 10:00"))


def test_another_active_encounter_keeps_the_watch_on():
    stays = (stay(E1, "2026-03-02 08:00"), stay(E2, "2026-03-03 08:00", "2026-03-04 08:00"))

    assert watched("2026-03-09 08:00", *stays) == Watch(
        on=True, since=at("2026-03-02 08:00"), before=None, ended=None, on_leave=False, place=None, encounter=E1
    )


def test_the_longest_of_overlapping_encounters_counts():
    stays = (stay(E1, "2026-03-02 08:00", "2026-03-08 08:00"), stay(E2, "2026-03-03 08:00", "2026-03-04 08:00"))

    assert watched("2026-03-07 08:00", *stays).on
    assert watched("2026-03-09 08:00", *stays).ended == at("2026-03-08 08:00")


def test_a_part_that_was_never_closed_is_over_with_the_whole_stay():
    """2.3.9: what counts is the top of `partOf`."""
    stays = (
        stay(E1, "2026-03-02 08:00", "2026-03-05 10:00", status="finished"),
        stay(E2, "2026-03-03 08:00", top=E1),
    )

    assert watched("2026-03-05 09:59:59", *stays).encounter == E2
    assert (watched("2026-03-05 14:00", *stays).on, watched("2026-03-05 14:00", *stays).ended) == (
        False,
        at("2026-03-05 10:00"),
    )


def test_a_part_that_ended_leaves_the_whole_stay_open():
    stays = (stay(E1, "2026-03-02 08:00"), stay(E2, "2026-03-03 08:00", "2026-03-04 08:00", top=E1))

    assert (watched("2026-03-05 10:00", *stays).on, watched("2026-03-05 10:00", *stays).encounter) == (True, E1)


def test_a_part_charted_as_ending_after_the_whole_stay_is_active_until_then():
    stays = (stay(E1, "2026-03-02 08:00", "2026-03-05 10:00"), stay(E2, "2026-03-03 08:00", "2026-03-05 18:00", top=E1))

    assert watched("2026-03-05 17:59:59", *stays).ended is None
    assert watched("2026-03-05 18:00:00", *stays).ended == at("2026-03-05 18:00")


def test_a_part_stands_for_a_whole_stay_that_was_not_read():
    found = watched("2026-03-05 10:00", stay(E2, "2026-03-03 08:00", "2026-03-04 08:00", top="Encounter/not-read"))

    assert (found.on, found.ended) == (False, at("2026-03-04 08:00"))


@pytest.mark.parametrize(
    ("places", "ended"),
    [
        pytest.param(
            (("heron", "2026-03-02 08:00", "2026-03-03 08:00"),), "2026-03-03 08:00", id="its last place ended"
        ),
        pytest.param((("heron", "2026-03-02 09:00", None),), "2026-03-02 09:00", id="a place without an end"),
        pytest.param((), "2026-03-02 08:00", id="no place"),
    ],
)
def test_an_encounter_finished_without_saying_when_is_not_active_for_ever(places, ended):
    found = watched("2026-03-09 08:00", stay(E1, "2026-03-02 08:00", None, *places, status="finished"))

    assert (found.on, found.ended) == (False, at(ended))


@pytest.mark.parametrize(("status", "on_leave"), [("onleave", True), ("in-progress", False)])
def test_a_leave_of_absence_is_said(status, on_leave):
    assert watched("2026-03-03 08:00", stay(E1, "2026-03-02 08:00", status=status)).on_leave is on_leave


def test_a_leave_that_is_over_is_not_said():
    assert not watched("2026-03-09 08:00", stay(E1, "2026-03-02 08:00", "2026-03-05 08:00", status="onleave")).on_leave


# --- places ---------------------------------------------------------------------------------------------------------

MOVED = stay(
    E1,
    "2026-03-02 08:00",
    None,
    ("heron", "2026-03-02 08:00", "2026-03-03 08:00"),
    ("otter", "2026-03-03 08:00", None),
    ("not-classed", "2026-03-09 08:00", None),
)


@pytest.mark.parametrize(
    ("moment", "place"),
    [
        ("2026-03-02 07:59:59", None),
        ("2026-03-02 08:00:00", "heron"),
        ("2026-03-03 07:59:59", "heron"),
        ("2026-03-03 08:00:00", "otter"),
        pytest.param("2026-03-09 08:00:00", None, id="a place that nobody classed"),
    ],
)
def test_the_place_is_the_one_entered_last_of_those_that_hold(moment, place):
    found = place_at((MOVED,), PLACES, at(moment))

    assert (found and found.id) == place
    if moment >= "2026-03-02 08":
        assert watched(moment, MOVED).place == found


# --- death ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("died", "moment", "told"),
    [
        (None, "2026-03-05 08:00", False),
        ("2026-03-05 08:00", "2026-03-05 07:59:59", False),
        ("2026-03-05 08:00", "2026-03-05 08:00:00", True),
        ("2026-03-05", "2026-03-04 23:59:59", False),
        ("2026-03-05", "2026-03-05 00:00:00", True),
    ],
)
def test_a_death_closes_from_its_earliest_reading(died, moment, told):
    person = Person(id=PATIENT, died=None if died is None else when(died))

    assert died_by(person, at(moment)) is told
