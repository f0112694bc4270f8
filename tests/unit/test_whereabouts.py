"""Where a patient is: admissions and the one inpatient unit at an instant. Expected values by hand from design 2.3.9, 2.4."""

from itertools import pairwise

import pytest

from linedays.core.admissions import admissions, in_admission
from linedays.core.whereabouts import Housing, UnitAnswer, answer_in, unit_at, unit_spans
from support.counted_ward import PLACES, local, stay

H = Housing
DAY = "2026-03-02 "


def at(clock: str) -> int:
    return local(DAY + clock)


def on(*places):
    return tuple((place, DAY + start, None if end is None else DAY + end) for place, start, end in places)


def one(*places, encounter_class="IMP", status="in-progress", end="20:00"):
    return (
        stay(
            "E1",
            DAY + "08:00",
            None if end is None else DAY + end,
            *on(*places),
            encounter_class=encounter_class,
            status=status,
        ),
    )


CASES = [
    # (stays, clock, housing, unit or competing units)
    pytest.param(one(("heron", "08:00", None)), "07:59:59", H.NOT_ADMITTED, None, id="one second before admission"),
    pytest.param(one(("heron", "08:00", None)), "08:00:00", H.UNIT, "Heron", id="at admission"),
    pytest.param(one(("heron", "08:00", None)), "19:59:59", H.UNIT, "Heron", id="one second before discharge"),
    pytest.param(one(("heron", "08:00", None)), "20:00:00", H.NOT_ADMITTED, None, id="at discharge"),
    pytest.param(one(("heron", "08:00", "22:00")), "21:00", H.NOT_ADMITTED, None, id="place charted beyond discharge"),
    pytest.param(one(("heron", "07:00", None)), "07:30", H.NOT_ADMITTED, None, id="place charted before admission"),
    pytest.param(
        one(("heron", "08:00", "12:00"), ("otter", "12:00", None)), "11:59:59", H.UNIT, "Heron", id="before transfer"
    ),
    pytest.param(
        one(("heron", "08:00", "12:00"), ("otter", "12:00", None)), "12:00:00", H.UNIT, "Otter", id="at transfer"
    ),
    pytest.param(
        one(("heron", "08:00", "10:00"), ("theatre", "10:00", "12:00")), "11:00", H.UNIT, "Heron", id="in theatre"
    ),
    pytest.param(
        one(("heron", "08:00", "10:00"), ("theatre", "10:00", "12:00")), "13:00", H.UNIT, "Heron", id="after theatre"
    ),
    pytest.param(
        one(("theatre", "08:00", "12:00"), ("heron", "12:00", None)), "11:00", H.PROCEDURE, None, id="theatre first"
    ),
    pytest.param(one(("heron", "08:00", "10:00")), "13:00", H.UNIT, "Heron", id="nothing charted after a unit"),
    pytest.param(
        one(("heron", "08:00", None), ("otter", "10:00", None)), "11:00", H.UNCLEAR, ("Heron", "Otter"), id="two units"
    ),
    pytest.param(
        one(("heron", "08:00", None), ("heron-bed-2", "10:00", None)), "11:00", H.UNIT, "Heron", id="unit and its bed"
    ),
    pytest.param(
        one(("heron", "08:00", "10:00"), ("otter", "08:00", "10:00"), ("theatre", "10:00", None)),
        "11:00",
        H.UNCLEAR,
        ("Heron", "Otter"),
        id="in theatre after two units at once",
    ),
    pytest.param(
        one(("emergency", "08:00", None)), "09:00", H.OUTPATIENT, None, id="boarding in the emergency department"
    ),
    pytest.param(
        one(("emergency", "08:00", "10:00"), ("heron", "12:00", None)),
        "11:00",
        H.OUTPATIENT,
        None,
        id="after it, before a unit",
    ),
    pytest.param(
        one(("emergency", "08:00", None), ("heron", "12:00", None)),
        "13:00",
        H.UNIT,
        "Heron",
        id="an emergency place never closed gives way to the unit",
    ),
    pytest.param(
        one(("heron", "08:00", "10:00"), ("infusion", "10:00", None)),
        "11:00",
        H.OUTPATIENT,
        None,
        id="sent to a clinic",
    ),
    pytest.param(
        one(("heron", "08:00", "10:00"), ("infusion", "10:00", "11:00"), ("theatre", "11:00", None)),
        "11:30",
        H.PROCEDURE,
        None,
        id="theatre after a clinic",
    ),
    pytest.param(
        one(("heron", "08:00", "10:00"), ("infusion", "10:00", None), ("theatre", "10:00", None)),
        "11:00",
        H.UNIT,
        "Heron",
        id="clinic and theatre at once: still with the unit",
    ),
    pytest.param(
        one(("heron", "08:00", "10:00"), ("infusion", "10:00", "12:00"), ("theatre", "10:00", "12:00")),
        "11:00",
        H.UNIT,
        "Heron",
        id="clinic and theatre at once, both ended later",
    ),
    pytest.param(one(("elsewhere", "08:00", None)), "09:00", H.UNCLEAR, (), id="a place nobody classed"),
    pytest.param(
        one(("elsewhere", "08:00", None), ("heron", "08:00", None)),
        "09:00",
        H.UNIT,
        "Heron",
        id="a known unit beside it",
    ),
    pytest.param(
        one(("elsewhere", "08:00", "10:00")), "11:00", H.UNCLEAR, (), id="nothing charted after a place nobody classed"
    ),
    pytest.param(one(), "09:00", H.UNCLEAR, (), id="an inpatient in no place"),
    pytest.param(one(encounter_class="EMER"), "09:00", H.OUTPATIENT, None, id="an emergency patient in no place"),
    pytest.param(
        one(("heron", "08:00", None), encounter_class="OBSENC"), "09:00", H.UNIT, "Heron", id="observed in a unit"
    ),
    pytest.param(
        one(("heron", "08:00", None), encounter_class="EMER"), "09:00", H.UNIT, "Heron", id="emergency class in a unit"
    ),
    pytest.param(
        one(("infusion", "08:00", None), encounter_class="AMB"), "09:00", H.NOT_ADMITTED, None, id="clinic visit"
    ),
    pytest.param(
        one(("heron", "08:00", None), encounter_class="PRENC"), "09:00", H.NOT_ADMITTED, None, id="pre-admission"
    ),
    pytest.param(one(("heron", "08:00", None), status="planned"), "09:00", H.NOT_ADMITTED, None, id="planned"),
    pytest.param(one(("heron", "08:00", None), status="cancelled"), "09:00", H.NOT_ADMITTED, None, id="cancelled"),
    pytest.param(
        one(("heron", "08:00", None), status="entered-in-error"), "09:00", H.NOT_ADMITTED, None, id="in error"
    ),
]


@pytest.mark.parametrize(("stays", "clock", "housing", "units"), CASES)
def test_unit_at_an_instant(stays, clock, housing, units):
    found = unit_at(stays, PLACES, at(clock))

    assert found.housing is housing
    assert found.unit == (units if isinstance(units, str) else None)
    assert found.units == (units if isinstance(units, tuple) else ())
    assert found.owns_patient_day is (housing in (H.UNIT, H.UNCLEAR))
    assert found.is_inpatient is (housing in (H.UNIT, H.UNCLEAR, H.PROCEDURE))
    assert found.admission == (None if housing is H.NOT_ADMITTED else "E1")


@pytest.mark.parametrize(("stays", "clock", "housing", "units"), CASES)
def test_spans_give_the_same_answer_as_the_instant(stays, clock, housing, units):
    spans = [span for admission in admissions(stays) for span in unit_spans(admission, PLACES)]

    assert answer_in(spans, at(clock)) == unit_at(stays, PLACES, at(clock))
    assert all(a.end == b.start and a.answer != b.answer for a, b in pairwise(spans))


def test_place_is_the_one_the_patient_came_to_last():
    stays = one(("heron", "08:00", None), ("theatre", "10:00", "12:00"))

    assert [unit_at(stays, PLACES, at(clock)).place for clock in ("09:00", "11:00", "13:00")] == [
        "heron",
        "theatre",
        "heron",
    ]
    assert unit_at(one(("heron", "08:00", "10:00")), PLACES, at("11:00")).place is None


def test_nobody_is_anywhere_without_a_stay():
    assert unit_at((), PLACES, at("09:00")) == UnitAnswer(housing=H.NOT_ADMITTED)
    assert answer_in((), at("09:00")) == UnitAnswer(housing=H.NOT_ADMITTED)


def test_nested_stay_belongs_to_its_admission():
    admission = stay("E1", DAY + "08:00", DAY + "20:00", *on(("heron", "08:00", "10:00"), ("heron", "14:00", None)))
    intensive = stay("E2", DAY + "10:00", None, *on(("otter", "10:00", "14:00")), top="E1", encounter_class="ACUTE")

    (found,) = admissions((intensive, admission))

    assert (found.key, found.start, found.end) == ("E1", at("08:00"), at("20:00"))
    assert [one.id for one in found.stays] == ["E1", "E2"]
    assert [span.answer.unit for span in unit_spans(found, PLACES)] == ["Heron", "Otter", "Heron"]


def test_nested_stays_stand_for_an_outermost_one_that_was_not_read():
    parts = (
        stay("E2", DAY + "08:00", DAY + "10:00", top="E1"),
        stay("E3", DAY + "09:00", DAY + "15:00", top="E1"),
    )

    (found,) = admissions(parts)

    assert (found.key, found.start, found.end) == ("E1", at("08:00"), at("15:00"))


@pytest.mark.parametrize(
    ("start", "count"),
    [
        # Design 2.3.9: none started within 4 h. The first stay ends at 10:00.
        pytest.param("13:59:59", 1, id="one second less than 4 h"),
        pytest.param("14:00:00", 2, id="4 h"),
    ],
)
def test_stay_that_begins_soon_after_goes_on_with_the_admission(start, count):
    stays = (stay("E1", DAY + "08:00", DAY + "10:00"), stay("E2", DAY + start, DAY + "20:00"))

    found = admissions(stays)

    assert len(found) == count
    assert (found[0].key, found[-1].end) == ("E1", at("20:00"))


def test_patient_stays_with_the_unit_while_one_encounter_turns_into_another():
    stays = (
        stay("E1", DAY + "08:00", DAY + "10:00", *on(("heron", "08:00", "10:00")), encounter_class="OBSENC"),
        stay("E2", DAY + "11:00", DAY + "20:00", *on(("otter", "12:00", None))),
    )

    assert [unit_at(stays, PLACES, at(clock)).unit for clock in ("10:30", "11:30", "12:00")] == [
        "Heron",
        "Heron",
        "Otter",
    ]
    assert unit_at(stays[:1], PLACES, at("10:30")).housing is H.NOT_ADMITTED


def test_admission_not_ended_takes_in_what_follows():
    stays = (stay("E1", DAY + "08:00", None), stay("E2", DAY + "12:00", DAY + "13:00"))

    (found,) = admissions(stays)

    assert (found.end, in_admission(stays, at("23:00"))) == (None, found)


@pytest.mark.parametrize(
    ("places", "end"),
    [
        pytest.param((("heron", "08:00", "11:00"), ("otter", "11:00", "15:00")), "15:00", id="ended at the last place"),
        pytest.param((("heron", "09:00", None),), "09:00", id="a place without an end gives no time"),
        pytest.param((), "08:00", id="no place at all"),
    ],
)
def test_finished_stay_that_does_not_say_when_is_never_open_for_ever(places, end):
    (found,) = admissions(one(*places, status="finished", end=None))

    assert found.end == at(end)
    assert in_admission(one(*places, status="finished", end=None), at(end)) is None
