"""A patient's central line day number and eligibility, day by day, against the published rule.

Sources: NHSN Patient Safety Component Manual, ch. 4 and ch. 7 figure 1 (rules nhsn-day1, -access, -inpt-loc, -eligible,
-elig-end, -deaccess, -continue, -restart, -partial). The tables TV-1 and TV-2 are from memory; their expected cells were
worked out from the rules by hand.
"""

from datetime import date, timedelta

import pytest

from linedays.core.day_numbers import line_day_numbers
from linedays.core.model import FactKind, StartBasis
from linedays.core.moment import Moment, Precision
from support.counted_ward import FAR, basis, fact, line, local, moment, patient, stay


def table(found, first: str) -> str:
    """Write days from one on as number and `e` for eligible: "3e 4e 5e -e 1"."""
    start = date.fromisoformat(first)
    rows = [row for row in found if row.day >= start]
    assert [row.day for row in rows] == [start + timedelta(days=n) for n in range(len(rows))]
    return " ".join(f"{row.number or '-'}{'e' if row.eligible else ''}" for row in rows)


WARD_MARCH = stay("E1", "2026-03-29 09:00", "2026-04-06 20:00", ("heron", "2026-03-29 09:00", None))

TV1 = [
    pytest.param(
        (line("L1", "2026-03-29 10:00", "2026-04-02 09:00"), line("L2", "2026-04-04 11:00")),
        # removed on day 5; 3 Apr is a full day without; replaced 4 Apr = day 1, so eligible again on 6 Apr = day 3
        "3e 4e 5e -e 1 2 3e",
        id="TV-1-A removed, a full day without, replaced (NHSN ch. 7 figure 1, from memory)",
    ),
    pytest.param(
        (line("L1", "2026-03-29 10:00", "2026-04-02 09:00"), line("L2", "2026-04-03 11:00", "2026-04-05 15:00")),
        # no full day without between 2 and 3 Apr: the count goes on; 6 Apr is the day after removal
        "3e 4e 5e 6e 7e 8e -e",
        id="TV-1-B removed, replaced next day (NHSN ch. 7 figure 1, from memory)",
    ),
]


@pytest.mark.parametrize(("timelines", "expected"), TV1)
def test_device_day_table_of_hospital_days_3_to_9(timelines, expected):
    found = line_day_numbers(patient(timelines, (WARD_MARCH,)), at=FAR)

    assert table(found, "2026-03-31") == expected


WEEK = stay("E1", "2026-03-02 08:00", "2026-03-08 20:00", ("heron", "2026-03-02 08:00", None))
HERE = StartBasis.INSERTION
CAME = StartBasis.ARRIVAL

TV2 = [
    pytest.param(
        (
            line(
                "L1",
                "2026-01-10 10:00",
                kind="implanted-port",
                basis=CAME,
                facts=(
                    fact(FactKind.PORT_ACCESSED, "2026-03-04 10:00"),
                    fact(FactKind.PORT_DEACCESSED, "2026-03-05 10:00"),
                ),
            ),
        ),
        "- - 1 2 3e 4e 5e",
        id="TV-2-A port accessed day 3, de-accessed day 4 (nhsn-deaccess)",
    ),
    pytest.param(
        (line("L1", "2026-02-20 10:00", "2026-03-05 10:00", basis=CAME),),
        "- - - - - - -",
        id="TV-2-B in place, never accessed (nhsn-access)",
    ),
    pytest.param(
        (line("L1", "2026-03-02 10:00", "2026-03-05 10:00"),),
        "1 2 3e 4e -e - -",
        id="TV-2-C placed day 1, removed day 4 (nhsn-elig-end)",
    ),
    pytest.param(
        (line("L1", "2026-03-02 10:00", "2026-03-04 10:00"), line("L2", "2026-03-05 10:00", "2026-03-06 10:00")),
        "1 2 3e 4e 5e -e -",
        id="TV-2-D removed day 3, new line day 4 (nhsn-continue)",
    ),
    pytest.param(
        (line("L1", "2026-03-02 10:00", "2026-03-04 10:00"), line("L2", "2026-03-06 10:00")),
        "1 2 3e -e 1 2 3e",
        id="TV-2-E removed day 3, none day 4, new line day 5 (nhsn-restart)",
    ),
    pytest.param(
        (line("L1", "2026-03-02 10:00", "2026-03-03 10:00"),),
        "1 2 - - - - -",
        id="TV-2-F placed day 1, removed day 2, never eligible (nhsn-eligible)",
    ),
    pytest.param(
        (line("L1", "2026-03-02 10:00", "2026-03-04 10:00"), line("L2", "2026-03-04 22:00")),
        "1 2 3e 4e 5e 6e 7e",
        id="TV-2 removed and replaced on the same day (nhsn-continue)",
    ),
    pytest.param(
        (line("L1", "2026-03-02 10:00", "2026-03-04 00:05"), line("L2", "2026-03-05 23:55")),
        "1 2 3e 4e 5e 6e 7e",
        id="TV-2 removed 00:05, replaced 23:55 the next day: each day had some portion (nhsn-partial)",
    ),
    pytest.param(
        (line("L1", "2026-03-02 10:00", "2026-03-03 10:00"), line("L2", "2026-03-02 11:00", "2026-03-04 10:00")),
        "1 2 3e -e - - -",
        id="TV-2 two lines at once are one count (nhsn-onepp)",
    ),
]


@pytest.mark.parametrize(("timelines", "expected"), TV2)
def test_central_line_table_of_seven_hospital_days(timelines, expected):
    found = line_day_numbers(patient(timelines, (WEEK,)), at=FAR)

    assert table(found, "2026-03-02") == expected


def used(when: str):
    return (fact(FactKind.USED, when),)


CLINIC = stay(
    "C1",
    "2026-03-01 09:00",
    "2026-03-01 15:00",
    ("infusion", "2026-03-01 09:00", "2026-03-01 15:00"),
    encounter_class="AMB",
    status="finished",
)
TO_THEATRE = stay(
    "E1",
    "2026-03-02 08:00",
    "2026-03-08 20:00",
    ("theatre", "2026-03-02 08:00", "2026-03-02 12:00"),
    ("heron", "2026-03-02 12:00", None),
)
FROM_EMERGENCY = stay(
    "E1",
    "2026-03-02 19:00",
    "2026-03-06 20:00",
    ("emergency", "2026-03-02 19:00", "2026-03-03 02:00"),
    ("heron", "2026-03-03 02:00", None),
)
OBSERVED = stay(
    "E1", "2026-03-02 08:00", "2026-03-05 20:00", ("heron", "2026-03-02 08:00", None), encounter_class="OBSENC"
)
BOARDING = stay(
    "E1",
    "2026-03-02 08:00",
    "2026-03-06 20:00",
    ("emergency", "2026-03-02 08:00", "2026-03-04 09:00"),
    ("heron", "2026-03-04 09:00", None),
)

TV3 = [
    pytest.param(
        (line("L1", "2026-02-20 10:00", basis=CAME, kind="tunnelled-cvc", facts=used("2026-03-04 09:00")),),
        (WEEK,),
        "- - 1 2 3e 4e 5e",
        id="tv3-1 came with it, first flushed day 3 (Missouri DHSS FAQ 2005; NHSN ch. 4)",
    ),
    pytest.param(
        (line("L1", "2026-03-02 10:00", kind="picc"),),
        (TO_THEATRE,),
        "1 2 3e 4e 5e 6e 7e",
        id="tv3-2 placed in a procedure room on day 1 (NHSN ch. 4, nhsn-inpt-loc)",
    ),
    pytest.param(
        (
            line(
                "L1",
                "2026-01-10 10:00",
                kind="implanted-port",
                basis=CAME,
                facts=(
                    fact(FactKind.PORT_ACCESSED, "2026-03-01 10:00"),
                    fact(FactKind.PORT_ACCESSED, "2026-03-03 10:00"),
                ),
            ),
        ),
        (CLINIC, WEEK),
        "- 1 2 3e 4e 5e 6e",
        id="tv3-3 accessed in an infusion clinic the day before, on the ward on day 2 (NHSN ch. 4)",
    ),
    pytest.param(
        (line("L1", "2026-03-02 10:00", kind="midline"), line("L2", "2026-03-02 10:00", kind="peripheral-iv")),
        (WEEK,),
        "- - - - - - -",
        id="tv3-4 midline and peripheral line only (NHSN ch. 4; midline from memory)",
    ),
    pytest.param(
        (line("L1", "2026-03-02 20:00", facts=used("2026-03-03 10:00")),),
        (FROM_EMERGENCY,),
        "- 1 2 3e 4e",
        id="tv3-6 placed in the emergency department, used on the unit the next day (from memory)",
    ),
    pytest.param(
        (line("L1", "2026-03-02 10:00"),),
        (OBSERVED,),
        "1 2 3e 4e",
        id="tv3-7 observation patient in an inpatient unit (from memory)",
    ),
    pytest.param(
        (line("L1", "2026-03-02 10:00", facts=(*used("2026-03-03 10:00"), *used("2026-03-04 10:00"))),),
        (BOARDING,),
        "- - 1 2 3e",
        id="tv3-8 inpatient boarding in the emergency department (from memory)",
    ),
]


@pytest.mark.parametrize(("timelines", "stays", "expected"), TV3)
def test_admission_with_a_line_counts_from_the_first_inpatient_access(timelines, stays, expected):
    found = line_day_numbers(patient(timelines, stays), at=FAR)

    assert table(found, "2026-03-02") == expected


@pytest.mark.parametrize(
    ("event", "eligible"),
    [pytest.param("2026-03-08", True, id="tv3-5 event d7"), pytest.param("2026-03-09", False, id="tv3-5 event d8")],
)
def test_line_removed_on_day_6_is_eligible_until_the_day_after(event, eligible):
    # Source: NHSN ch. 4, nhsn-elig-end. Placed 2 Mar = d1, removed 7 Mar = d6; d7 = 8 Mar, d8 = 9 Mar.
    ward = stay("E1", "2026-03-02 08:00", None, ("heron", "2026-03-02 08:00", None))
    found = line_day_numbers(
        patient((line("L1", "2026-03-02 10:00", "2026-03-07 10:00"),), (ward,)), at=local("2026-03-10 12:00")
    )

    assert {row.day.isoformat(): row.eligible for row in found}[event] is eligible


def test_discharge_ends_the_count_and_a_new_admission_begins_anew():
    # Source: NHSN ch. 4, nhsn-end and nhsn-day1 (this admission). Discharged on day 3, back two days later, used there.
    first = stay("E1", "2026-03-02 08:00", "2026-03-04 12:00", ("heron", "2026-03-02 08:00", None))
    again = stay("E2", "2026-03-06 08:00", "2026-03-08 12:00", ("heron", "2026-03-06 08:00", None))
    timeline = line("L1", "2026-03-02 10:00", kind="tunnelled-cvc", facts=used("2026-03-07 10:00"))

    found = line_day_numbers(patient((timeline,), (first, again)), at=FAR)

    assert [(row.admission, row.day.day, row.number, row.eligible) for row in found] == [
        ("E1", 2, 1, False),
        ("E1", 3, 2, False),
        ("E1", 4, 3, True),
        ("E2", 6, None, False),
        ("E2", 7, 1, False),
        ("E2", 8, 2, False),
    ]


def test_conversion_of_one_encounter_into_another_goes_on_counting():
    # Design 2.3.9: an encounter that begins within 4 h of the last one's end closes nothing.
    observed = stay(
        "E1", "2026-03-02 08:00", "2026-03-03 10:00", ("heron", "2026-03-02 08:00", None), encounter_class="OBSENC"
    )
    admitted = stay("E2", "2026-03-03 13:59", "2026-03-04 12:00", ("heron", "2026-03-03 13:59", None))

    found = line_day_numbers(patient((line("L1", "2026-03-02 10:00"),), (observed, admitted)), at=FAR)

    assert table(found, "2026-03-02") == "1 2 3e"


def test_days_are_local_days_over_a_leap_day_and_a_clock_change():
    # 28 and 29 Feb 2028 and 1 Mar are three days (29 Feb exists in 2028); 26 Mar 2028 has 23 h in Berlin and is one day.
    leap = stay("E1", "2028-02-28 08:00", "2028-03-01 12:00", ("heron", "2028-02-28 08:00", None))
    spring = stay("E2", "2028-03-25 08:00", "2028-03-27 12:00", ("heron", "2028-03-25 08:00", None))
    timelines = (line("L1", "2028-02-28 23:59", "2028-03-01 10:00"), line("L2", "2028-03-25 23:59:59"))

    found = line_day_numbers(patient(timelines, (leap, spring)), at=FAR)

    assert [(row.day.isoformat(), row.number) for row in found] == [
        ("2028-02-28", 1),
        ("2028-02-29", 2),
        ("2028-03-01", 3),
        ("2028-03-25", 1),
        ("2028-03-26", 2),
        ("2028-03-27", 3),
    ]


def test_only_what_happened_by_the_moment_asked_about_counts():
    found = line_day_numbers(patient((line("L1", "2026-03-03 10:00"),), (WEEK,)), at=local("2026-03-03 09:59"))
    later = line_day_numbers(patient((line("L1", "2026-03-03 10:00"),), (WEEK,)), at=local("2026-03-03 10:00"))

    assert table(found, "2026-03-02") == "- -"
    assert table(later, "2026-03-02") == "- 1"
    assert line_day_numbers(patient((), (WEEK,)), at=local("2026-03-02 07:59")) == ()


def test_day_of_insertion_known_without_a_time_counts_and_a_month_alone_does_not():
    # Design 2.2.2: month precision sets no date. An insertion on 3 Mar, time unknown, makes 3 Mar day 1.
    by_day = patient((line("L1", "2026-03-03", "2026-03-03"),), (WEEK,))
    march = Moment(local("2026-03-01"), local("2026-03-31 23:59:59"), Precision.MONTH)
    by_month = patient((line("L1", march),), (WEEK,))

    assert table(line_day_numbers(by_day, at=FAR), "2026-03-02") == "- 1 - - - - -"
    assert table(line_day_numbers(by_month, at=FAR), "2026-03-02") == "- - - - - - -"


def test_insertion_on_the_day_of_admission_without_a_time_counts_from_admission():
    found = patient((line("L1", moment("2026-03-02")),), (WEEK,))

    assert found.lines[0].counts_from == (("E1", local("2026-03-02 08:00")),)


def test_use_charted_after_the_removal_does_not_begin_the_count():
    gone = line("L1", "2026-02-20 10:00", "2026-03-03 10:00", basis=CAME, facts=used("2026-03-04 09:00"))

    assert table(line_day_numbers(patient((gone,), (WEEK,)), at=FAR), "2026-03-02") == "- - - - - - -"


def test_every_day_carries_its_rule_the_moment_asked_about_and_the_moment_of_knowledge():
    by = basis(known_by=local("2026-03-09 00:00"))

    row = line_day_numbers(patient((line("L1", "2026-03-02 10:00"),), (WEEK,), by), at=local("2026-03-02 12:00"))[0]

    assert [str(rule) for rule in row.stamp.rules] == ["nhsn-central-line-day 1 (2023)"]
    assert (row.stamp.at, row.stamp.known_by) == (local("2026-03-02 12:00"), local("2026-03-09 00:00"))
    assert (row.patient, row.lines) == ("P", ("L1",))


def test_of_several_accesses_the_first_begins_the_count_whatever_their_order():
    uses = (*used("2026-03-05 09:00"), *used("2026-03-03 09:00"), *used("2026-03-06 09:00"))

    found = patient((line("L1", "2026-02-20 10:00", basis=CAME, facts=uses),), (WEEK,))

    assert table(line_day_numbers(found, at=FAR), "2026-03-02") == "- 1 2 3e 4e 5e 6e"


def test_access_at_the_instant_of_discharge_is_not_in_the_admission():
    # The admission is over from 8 March 20:00:00 on.
    last = patient((line("L1", "2026-02-20 10:00", basis=CAME, facts=used("2026-03-08 19:59:59")),), (WEEK,))
    late = patient((line("L1", "2026-02-20 10:00", basis=CAME, facts=used("2026-03-08 20:00:00")),), (WEEK,))

    assert last.lines[0].counts_from == (("E1", local("2026-03-08 19:59:59")),)
    assert late.lines[0].counts_from == ()


def test_removal_known_only_by_its_month_is_read_as_early_as_it_may_have_been():
    # Design 2.7.18: a doubtful time is used by its earlier reading; the day of insertion itself counts (nhsn-partial).
    march = Moment(local("2026-03-01"), local("2026-03-31 23:59:59"), Precision.MONTH)

    found = patient((line("L1", "2026-03-03 10:00", march),), (WEEK,))

    assert table(line_day_numbers(found, at=FAR), "2026-03-02") == "- 1 - - - - -"
