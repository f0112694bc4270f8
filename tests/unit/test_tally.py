"""Which resources with facts were used after all. By hand from design 2.3.12: used + ignored + issues = read.

Source: this project's own definition of the counts.
"""

from collections import Counter

import pytest

from linedays.core.tally import shortfall
from linedays.core.timeline import build_chart
from support.builders import FAR, at, changed, device, exchanged, inserted, patient_input, removed, retracted, seen
from support.builders import RULES as CHARTING

A = device("Device/a", "2026-03-02 08:00", updated="2026-03-02 08:00")
P = "Procedure/p"
NOTHING = (Counter(), Counter())


def missing(*facts, known_by=FAR):
    chart = build_chart(
        patient_input(*facts), CHARTING, known_by=at(known_by) if isinstance(known_by, str) else known_by
    )
    found = shortfall(facts, chart)
    return found.issues, found.ignored


def version(day, **says):
    says = {
        "known": f"2026-03-0{day} 10:00",
        "updated": f"2026-03-0{day} 10:00",
        "source": P,
        "device": "Device/a",
    } | says
    return changed(f"2026-03-0{day} 09:00", **says)


def gone(day):
    return retracted(P, f"2026-03-0{day} 10:00")


def test_what_stands_is_missing_nowhere():
    assert missing(A, version(3)) == NOTHING


@pytest.mark.parametrize(
    "fact",
    [
        pytest.param(version(3, device="Device/none"), id="belongs to no line"),
        pytest.param(version(3, device=None), id="fits any line"),
        pytest.param(version(3, known="2026-03-01 10:00"), id="later than its own entry"),
    ],
)
def test_a_resource_none_of_whose_facts_stand_is_an_issue(fact):
    assert missing(A, fact) == (Counter({"Procedure": 1}), Counter())


def test_a_resource_is_used_if_one_of_its_facts_stands():
    facts = exchanged("2026-03-05 08:00", "Device/not-read", "Device/b", source=P)

    assert missing(A, *facts) == NOTHING


def test_an_insertion_that_is_not_believed_is_an_issue_though_its_line_is_shown():
    typed = inserted("2027-03-02 08:00", known="2026-03-02 08:00", source=P)

    assert missing(typed) == (Counter({"Procedure": 1}), Counter())


def test_a_second_insertion_on_one_device_is_an_issue():
    facts = [inserted(f"2026-03-0{day} 08:00", source=f"Procedure/{day}", device="Device/a") for day in (3, 4)]

    assert missing(A, *facts) == (Counter({"Procedure": 1}), Counter())


def test_what_becomes_known_later_is_ignored_as_such():
    assert missing(A, version(5), known_by="2026-03-05 09:59:59") == (
        Counter(),
        Counter({("Procedure", "not-known-yet"): 1}),
    )
    assert missing(A, version(5), known_by="2026-03-05 10:00:00") == NOTHING


def test_each_copy_of_a_resource_but_one_is_a_duplicate():
    exchange = exchanged("2026-03-05 08:00", "Device/a", "Device/b", updated="2026-03-05 08:00")

    found = missing(A, A, A, *exchange, *exchange)

    assert found == (Counter(), Counter({("Device", "duplicate"): 2, ("Procedure", "duplicate"): 1}))


def test_each_version_of_a_resource_but_one_is_superseded():
    assert missing(A, version(3), version(4), version(5)) == (
        Counter(),
        Counter({("Procedure", "superseded-version"): 2}),
    )


def test_versions_and_copies_that_are_not_used_either_are_an_issue_once():
    """Read four: two copies of the first version, one of the second, one of the third, on a device that is no line."""
    one, two, three = (version(day, device="Device/none") for day in (3, 4, 5))

    assert missing(A, one, one, two, three) == (
        Counter({"Procedure": 1}),
        Counter({("Procedure", "duplicate"): 1, ("Procedure", "superseded-version"): 2}),
    )


@pytest.mark.parametrize(
    ("facts", "known_by", "ignored"),
    [
        pytest.param((version(3), gone(4)), FAR, {"superseded-version": 1}, id="retracted"),
        pytest.param((version(3), gone(4)), "2026-03-04 09:59:59", {}, id="not retracted yet"),
        pytest.param((version(3), gone(4)), "2026-03-03 09:59:59", {"not-known-yet": 1}, id="not known yet"),
        pytest.param((version(3), version(4), gone(5)), FAR, {"superseded-version": 2}, id="two versions retracted"),
        pytest.param((version(3), gone(4), version(5)), FAR, {"superseded-version": 1}, id="stated again"),
        pytest.param(
            (version(3), gone(4), version(5)), "2026-03-04 10:00", {"superseded-version": 2}, id="not stated again yet"
        ),
        pytest.param((gone(4),), FAR, {}, id="counted when it was read"),
    ],
)
def test_a_retraction_supersedes_what_was_said_before(facts, known_by, ignored):
    expected = Counter({("Procedure", rule): count for rule, count in ignored.items()})

    assert missing(A, *facts, known_by=known_by) == (Counter(), expected)


def test_types_are_counted_apart():
    facts = (seen("2026-03-03 08:00", device="Device/none"), removed("2026-03-03 08:00", device="Device/none"))

    assert missing(A, *facts) == (Counter({"Observation": 1, "Procedure": 1}), Counter())
