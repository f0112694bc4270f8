"""A timeline, the stays and a moment → where the line is. By hand from design 2.3.9, 2.7.16.

Source: this project's own reading. The 30 min of use after a removal: common practice, no source (mappings/policy/
limits.yaml). Which kinds a patient may go home with: mappings/policy/line_kinds.yaml, each with its source there.
"""

from functools import cache

import pytest

from linedays.core.model import FactKind, Person, Whereabouts
from linedays.core.moment import HOUR
from linedays.core.presence import USES, away_until, whereabouts
from linedays.core.rule_book import RuleBook, rule_book
from linedays.core.watch import watch_at
from linedays.mapping.parse import policy_from_documents
from support.builders import (
    PATIENT,
    at,
    chart_of,
    device,
    exchanged,
    fact,
    inactive,
    inserted,
    present,
    removed,
    stay,
    timelines_of,
    used,
    when,
)
from support.policy_files import shipped

W = Whereabouts
IN, OUT = "Procedure/in", "Procedure/out"
A = "Device/a"
INSERTED = inserted("2026-03-02 08:00", source=IN, device=A)
FIRST = stay("Encounter/1", "2026-03-01 08:00", "2026-03-05 10:00", status="finished")
SECOND = stay("Encounter/2", "2026-04-01 08:00")


@cache
def book() -> RuleBook:
    return rule_book(policy_from_documents(shipped()))


def where(moment, *facts, stays=(), died=None):
    timeline = timelines_of(chart_of(*facts))[IN if IN in {each.source for each in facts} else facts[0].source]
    person = Person(id=PATIENT, died=None if died is None else when(died))
    return whereabouts(timeline, watch_at(stays, {}, at(moment), 4 * HOUR), person, book(), at(moment))


@pytest.mark.parametrize(
    ("moment", "expected"), [("2026-03-02 07:59:59", W.NOT_YET), ("2026-03-02 08:00:00", W.IN_PLACE)]
)
def test_a_line_is_in_place_from_its_insertion(moment, expected):
    assert where(moment, INSERTED) is expected


def test_a_line_inserted_some_day_is_in_place_from_the_earliest_reading():
    assert where("2026-03-02 00:00:00", inserted("2026-03-02", source=IN)) is W.IN_PLACE
    assert where("2026-03-01 23:59:59", inserted("2026-03-02", source=IN)) is W.NOT_YET


def test_a_line_known_by_its_record_alone_is_in_place_at_any_time():
    assert where("2026-01-01 08:00", device(A, "2026-03-02 08:00")) is W.IN_PLACE


def test_a_line_whose_insertion_has_a_mistyped_year_is_not_hidden():
    assert where("2026-03-03 08:00", inserted("2027-03-02 08:00", known="2026-03-02 08:00", source=IN)) is W.IN_PLACE


# --- ends -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("moment", "expected"), [("2026-03-04 07:59:59", W.IN_PLACE), ("2026-03-04 08:00:00", W.ENDED)]
)
@pytest.mark.parametrize(
    "end",
    [
        removed("2026-03-04 08:00", device=A),
        inactive(A, "2026-03-04 08:00"),
        exchanged("2026-03-04 08:00", A, "Device/b")[0],
    ],
)
def test_a_line_ends_with_its_removal(moment, expected, end):
    assert where(moment, INSERTED, end) is expected


@pytest.mark.parametrize(
    ("moment", "expected"), [("2026-03-04 07:59:59", W.IN_PLACE), ("2026-03-04 08:00:00", W.ENDED)]
)
def test_a_line_ends_with_its_presence_interval(moment, expected):
    assert where(moment, present("2026-03-02 08:00", "2026-03-04 08:00", source=IN)) is expected


@pytest.mark.parametrize(
    ("moment", "expected"), [("2026-03-04 07:59:59", W.IN_PLACE), ("2026-03-04 08:00:00", W.ENDED)]
)
def test_death_closes_at_once(moment, expected):
    assert where(moment, INSERTED, died="2026-03-04 08:00") is expected


def test_after_a_death_nothing_is_said_of_later_uses():
    facts = (INSERTED, removed("2026-03-03 08:00", device=A), used("2026-03-03 12:00", device=A))

    assert where("2026-03-04 08:00", *facts, died="2026-03-04 08:00") is W.ENDED


# --- charted out but still charted ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("happened", "moment", "expected"),
    [
        # Charted out at 08:00; 08:00 + 30 min = 08:30.
        pytest.param("2026-03-04 08:29:59", "2026-03-04 12:00", W.ENDED, id="one second less than 30 min"),
        pytest.param("2026-03-04 08:30:00", "2026-03-04 12:00", W.ENDED, id="30 min"),
        pytest.param("2026-03-04 08:30:01", "2026-03-04 12:00", W.USED_AFTER_REMOVAL, id="one second more than 30 min"),
        pytest.param("2026-03-04 11:00:00", "2026-03-04 10:59:59", W.ENDED, id="one second before the use"),
        pytest.param("2026-03-04 11:00:00", "2026-03-04 11:00:00", W.USED_AFTER_REMOVAL, id="at the use"),
    ],
)
def test_a_use_more_than_half_an_hour_after_the_removal_is_said(happened, moment, expected):
    facts = (INSERTED, removed("2026-03-04 08:00", device=A), used(happened, device=A))

    assert where(moment, *facts) is expected


def test_after_discharge_nobody_is_asked_to_look_at_a_line_charted_out():
    """Discharge ends our watch 4 h after the stay (2026-03-05 08:00 + 4 h = 12:00); design 2.3.9."""
    facts = (INSERTED, removed("2026-03-04 08:00", device=A), used("2026-03-04 11:00:00", device=A))
    over = stay("s", "2026-03-01 08:00", "2026-03-05 08:00", status="finished")

    assert where("2026-03-05 11:59:59", *facts, stays=(over,)) is W.USED_AFTER_REMOVAL
    assert where("2026-03-05 12:00:00", *facts, stays=(over,)) is W.ENDED


def test_a_removal_known_only_by_day_counts_from_the_end_of_that_day():
    """4 March 24:00 + 30 min = 5 March 00:30 (the last second of 4 March + 30 min = 00:29:59)."""
    removal = removed("2026-03-04", device=A)

    assert where("2026-03-06 08:00", INSERTED, removal, used("2026-03-05 00:29:59", device=A)) is W.ENDED
    assert where("2026-03-06 08:00", INSERTED, removal, used("2026-03-05 00:30:00", device=A)) is W.USED_AFTER_REMOVAL


@pytest.mark.parametrize("kind", list(FactKind))
def test_which_facts_are_a_use(kind):
    """What can only be done to, or seen at, a line that is there; a date read, a tip or a pause says nothing."""
    expected = {
        "used",
        "port-accessed",
        "infusion-started",
        "dressing-changed",
        "dressing-seen",
        "site-seen",
        "part-changed",
        "repositioned",
    }

    assert (kind in USES) is (kind.value in expected)


def test_a_reading_that_is_no_use_says_nothing_after_the_removal():
    facts = (INSERTED, removed("2026-03-04 08:00", device=A), fact(FactKind.TIP, "2026-03-04 12:00", device=A))

    assert where("2026-03-05 08:00", *facts) is W.ENDED


def test_a_use_after_the_end_of_a_presence_interval_is_not_a_use_after_a_removal():
    facts = (present("2026-03-02 08:00", "2026-03-04 08:00", source=IN), used("2026-03-04 12:00", part_of=IN))

    assert where("2026-03-05 08:00", *facts) is W.ENDED


# --- said to be gone ------------------------------------------------------------------------------------------------

GONE = fact(FactKind.LINE_NOT_PRESENT, "2026-03-04 08:00", device=A)


@pytest.mark.parametrize(
    ("facts", "moment", "expected"),
    [
        pytest.param((GONE,), "2026-03-04 07:59:59", W.IN_PLACE, id="one second before it was said"),
        pytest.param((GONE,), "2026-03-04 08:00:00", W.SAID_TO_BE_GONE, id="when it was said"),
        pytest.param(
            (GONE, used("2026-03-04 08:00", device=A)), "2026-03-04 12:00", W.SAID_TO_BE_GONE, id="used at that instant"
        ),
        pytest.param((GONE, used("2026-03-04 08:00:01", device=A)), "2026-03-04 12:00", W.IN_PLACE, id="used after it"),
        pytest.param(
            (GONE, used("2026-03-04 12:00:01", device=A)),
            "2026-03-04 12:00",
            W.SAID_TO_BE_GONE,
            id="used later than asked",
        ),
        pytest.param(
            (GONE, fact(FactKind.TIP, "2026-03-04 09:00", device=A)), "2026-03-04 12:00", W.SAID_TO_BE_GONE, id="no use"
        ),
        pytest.param(
            (GONE, removed("2026-03-04 09:00", device=A)), "2026-03-04 12:00", W.ENDED, id="charted out since"
        ),
    ],
)
def test_a_line_said_not_to_be_there_is_said_to_be_gone(facts, moment, expected):
    assert where(moment, INSERTED, *facts) is expected


# --- discharge and readmission --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        ("picc", W.AWAY),
        ("midline", W.AWAY),
        ("implanted-port", W.AWAY),
        ("tunnelled-cvc", W.AWAY),
        ("dialysis-tunnelled", W.AWAY),
        ("nontunnelled-cvc", W.REMOVAL_NOT_CHARTED),
        ("peripheral-iv", W.REMOVAL_NOT_CHARTED),
        pytest.param("not-in-the-policy", W.AWAY, id="a kind that the policy does not know"),
    ],
)
@pytest.mark.parametrize("moment", ["2026-03-05 13:59:59", "2026-03-05 14:00:00"])
def test_discharge_ends_our_watch_not_the_line(kind, expected, moment):
    """Discharged at 10:00; nothing closes for 4 h: until 14:00."""
    found = where(moment, inserted("2026-03-02 08:00", source=IN, kind=kind), stays=(FIRST,))

    assert found is (W.IN_PLACE if moment.endswith("59") else expected)


@pytest.mark.parametrize(
    ("kind", "use", "expected"),
    [
        pytest.param("picc", None, W.IN_PLACE, id="came back with the patient"),
        pytest.param("peripheral-iv", None, W.REMOVAL_NOT_CHARTED, id="nothing charted since"),
        pytest.param("peripheral-iv", "2026-04-01 08:00:00", W.REMOVAL_NOT_CHARTED, id="used at the readmission"),
        pytest.param("peripheral-iv", "2026-04-01 08:00:01", W.IN_PLACE, id="used one second after it"),
        pytest.param("peripheral-iv", "2026-04-02 08:00:01", W.REMOVAL_NOT_CHARTED, id="used later than asked"),
    ],
)
def test_on_readmission_a_kind_that_may_go_home_is_there_and_others_if_used(kind, use, expected):
    facts = [inserted("2026-03-02 08:00", source=IN, kind=kind, device=A)]
    if use is not None:
        facts.append(used(use, device=A))

    assert where("2026-04-02 08:00", *facts, stays=(FIRST, SECOND)) is expected


@pytest.mark.parametrize(
    ("start", "since"),
    [
        # The watch before ended on 5 March at 10:00.
        pytest.param("2026-03-05 10:00:00", "2026-04-01 08:00", id="there when that watch ended"),
        pytest.param("2026-03-05 10:00:01", None, id="one second after that watch"),
    ],
)
def test_a_line_that_was_here_before_came_back_with_the_readmission(start, since):
    (timeline,) = timelines_of(chart_of(inserted(start, source=IN))).values()

    found = away_until(timeline, watch_at((FIRST, SECOND), {}, at("2026-04-02 08:00"), 4 * HOUR))

    assert found == (None if since is None else at(since))


def test_in_a_first_watch_no_line_has_come_back():
    (timeline,) = timelines_of(chart_of(INSERTED)).values()

    assert away_until(timeline, watch_at((FIRST,), {}, at("2026-03-03 08:00"), 4 * HOUR)) is None
