"""Devices and insertions → lines, their keys and starts. Expected values by hand from design 2.3.1, 2.3.2, 2.3.4.

Source: this project's own definition of a line; the entry tolerance of 15 min is common practice, no source. That a
Device names its patient and a Procedure its device is FHIR R4 (http://hl7.org/fhir/R4/procedure-definitions.html).
"""

import pytest

from linedays.core.model import IssueKind, StartBasis
from support.builders import (
    at,
    changed,
    chart_of,
    device,
    exchanged,
    inactive,
    inserted,
    issues_of,
    lines_of,
    removed,
    standing_of,
    timelines_of,
    unused_of,
    when,
)

DAY = "2026-03-02 08:00"
IN = "Procedure/in"


def only_line(chart):
    (line,) = lines_of(chart).values()
    return line


def test_a_device_makes_a_line_there_from_when_it_became_known():
    line = only_line(chart_of(device("Device/a", DAY, part_of="Device/parent")))

    assert (line.key, line.kind, line.start_basis, line.start) == ("Device/a", "picc", StartBasis.DEVICE, when(DAY))
    assert (line.aliases, line.parent, line.end) == ((), "Device/parent", None)


def test_a_device_that_does_not_say_its_kind_makes_a_line_of_unknown_kind():
    assert only_line(chart_of(device("Device/a", DAY, kind=None))).kind == "unknown"


def test_an_insertion_makes_a_line():
    line = only_line(chart_of(inserted(DAY, source=IN, site="arm", side="left", slot="s", encounter="Encounter/1")))

    assert (line.key, line.start_basis, line.start_source) == (IN, StartBasis.INSERTION, IN)
    assert (line.kind, line.site, line.side, line.slot, line.encounter) == ("picc", "arm", "left", "s", "Encounter/1")


def test_an_insertion_that_does_not_say_the_kind_makes_a_line_of_unknown_kind():
    assert only_line(chart_of(inserted(DAY, kind=None))).kind == "unknown"


def test_what_is_linked_by_reference_is_one_line():
    line = only_line(
        chart_of(
            device("Device/a", "2026-03-02 09:00", kind="unknown"),
            inserted(DAY, known="2026-03-02 09:30", source=IN, device="Device/a", site="arm", encounter="Encounter/1"),
        )
    )

    assert (line.key, line.aliases) == ("Device/a", (IN,))
    assert (line.start, line.start_basis, line.start_source) == (when(DAY), StartBasis.INSERTION, IN)
    assert (line.kind, line.site, line.encounter) == ("picc", "arm", "Encounter/1")


@pytest.mark.parametrize(
    ("known", "key"),
    [
        pytest.param("2026-03-02 08:59:59", IN, id="insertion known one second before"),
        pytest.param("2026-03-02 09:00:00", "Device/a", id="tie: type, then id"),
        pytest.param("2026-03-02 09:00:01", "Device/a", id="insertion known one second later"),
    ],
)
def test_the_key_is_the_creating_resource_known_first(known, key):
    found = lines_of(
        chart_of(device("Device/a", "2026-03-02 09:00"), inserted(DAY, known=known, source=IN, device="Device/a"))
    )

    assert list(found) == [key]


def test_the_key_stays_when_the_resource_known_first_is_corrected_or_stored_again():
    """Known first at 08:30: the insertion. It is corrected on 4 March, the Device (09:00) stored again on 5 March."""
    first = inserted(DAY, known="2026-03-02 08:30", updated="2026-03-02 08:30", source=IN, device="Device/a")
    corrected = inserted(
        "2026-03-02 07:00", known="2026-03-04 08:00", updated="2026-03-04 08:00", source=IN, device="Device/a"
    )
    record = [device("Device/a", day, updated=day) for day in ("2026-03-02 09:00", "2026-03-05 08:00")]

    line = only_line(chart_of(first, corrected, *record))

    assert (line.key, line.start) == (IN, when("2026-03-02 07:00"))


def test_the_key_of_a_device_stays_when_it_becomes_inactive():
    first = device("Device/a", "2026-03-02 08:00", updated="2026-03-02 08:00")
    insertion = inserted("2026-03-02 08:10", source=IN, device="Device/a")
    out = [
        device("Device/a", "2026-03-09 08:00", updated="2026-03-09 08:00"),
        inactive("Device/a", "2026-03-09 08:00", updated="2026-03-09 08:00"),
    ]

    line = only_line(chart_of(first, insertion, *out))

    assert (line.key, line.end) == ("Device/a", when("2026-03-09 08:00"))


def test_two_devices_with_one_permanent_identifier_are_one_line():
    line = only_line(
        chart_of(
            device("Device/b", "2026-03-02 09:00", value="urn:made-up|7", part_of="Device/parent"),
            device("Device/a", "2026-03-02 08:00", value="urn:made-up|7", kind="unknown"),
        )
    )

    assert (line.key, line.aliases, line.kind, line.parent) == ("Device/a", ("Device/b",), "picc", "Device/parent")


def test_devices_of_other_identifiers_are_other_lines():
    found = chart_of(
        device("Device/a", DAY, value="urn:made-up|7"),
        device("Device/b", DAY, value="urn:made-up|8"),
        device("Device/c", DAY),
    )

    assert set(lines_of(found)) == {"Device/a", "Device/b", "Device/c"}


# --- an unlinked Device and insertion -------------------------------------------------------------------------------


def test_an_unlinked_device_and_insertion_are_joined_where_each_is_the_only_candidate():
    chart = chart_of(device("Device/a", "2026-03-02 09:00"), inserted(DAY, known=DAY, source=IN, site="arm"))

    line = only_line(chart)
    (issue,) = chart.issues
    assert (line.key, line.aliases, line.start, line.site) == (IN, ("Device/a",), when(DAY), "arm")
    assert (issue.kind, issue.source, issue.used, issue.lines) == (IssueKind.LINES_JOINED, IN, True, (IN,))
    assert {IN, "Device/a"} <= chart.standing


@pytest.mark.parametrize(
    "says",
    [
        pytest.param({"kind": "midline"}, id="other kind"),
        pytest.param({"site": "leg"}, id="site contradicts"),
        pytest.param({"side": "right"}, id="side contradicts"),
    ],
)
def test_an_unlinked_device_and_insertion_that_contradict_stay_apart(says):
    chart = chart_of(device("Device/a", DAY, site="arm", side="left"), inserted(DAY, source=IN, **says))

    assert set(lines_of(chart)) == {"Device/a", IN}
    assert chart.issues == ()


def test_an_unknown_kind_is_no_candidate():
    chart = chart_of(device("Device/a", DAY, kind="unknown"), inserted(DAY, kind="unknown", source=IN))

    assert set(lines_of(chart)) == {"Device/a", IN}


@pytest.mark.parametrize(
    ("facts", "lines"),
    [
        pytest.param(
            (device("Device/a", DAY), device("Device/b", DAY), inserted(DAY, source=IN)),
            {IN: ("Device/a", "Device/b", IN)},
            id="two devices",
        ),
        pytest.param(
            (device("Device/a", DAY), inserted(DAY, source=IN), inserted("2026-03-03 08:00", source="Procedure/in-2")),
            {IN: ("Device/a", IN), "Procedure/in-2": ("Device/a", "Procedure/in-2")},
            id="two insertions",
        ),
    ],
)
def test_more_candidates_stay_apart_and_are_shown_as_ambiguous(facts, lines):
    chart = chart_of(*facts)

    assert set(lines_of(chart)) == {fact.source for fact in facts}
    assert {issue.source: issue.lines for issue in chart.issues} == lines
    assert {(issue.kind, issue.used) for issue in chart.issues} == {(IssueKind.WHICH_LINE, True)}


def test_a_device_that_has_its_insertion_is_no_candidate_for_another():
    chart = chart_of(
        device("Device/a", DAY), inserted(DAY, source=IN, device="Device/a"), inserted(DAY, source="Procedure/in-2")
    )

    assert set(lines_of(chart)) == {"Device/a", "Procedure/in-2"}


# --- a second insertion on one device -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "removal",
    [
        pytest.param(removed("2026-03-05 08:00", device="Device/a", source="Procedure/out"), id="by device"),
        pytest.param(
            removed("2026-03-05 08:00", part_of=IN, source="Procedure/out"), id="by the insertion it is part of"
        ),
        pytest.param(removed("2026-03-05", device="Device/a", source="Procedure/out"), id="by day"),
        pytest.param(removed("2026-03-06 08:00", device="Device/a", source="Procedure/out"), id="at that instant"),
    ],
)
def test_a_second_insertion_on_a_device_that_was_removed_is_a_new_line(removal):
    found = lines_of(
        chart_of(
            device("Device/a", "2026-03-02 07:00"),
            inserted(DAY, source=IN, device="Device/a"),
            inserted("2026-03-06 08:00", source="Procedure/in-2", device="Device/a"),
            removal,
        )
    )

    assert set(found) == {"Device/a", "Procedure/in-2"}
    assert (found["Device/a"].end, found["Device/a"].end_source) == (removal.happened, "Procedure/out")
    assert (found["Procedure/in-2"].start, found["Procedure/in-2"].end) == (when("2026-03-06 08:00"), None)
    # Still of the kind that the record of the Device says.
    assert found["Procedure/in-2"].kind == found["Device/a"].kind != "unknown"


@pytest.mark.parametrize("out", [None, "2026-03-01 08:00", "2026-03-06 08:00:01"], ids=["never", "before", "after"])
def test_a_second_insertion_on_a_device_not_removed_between_is_an_issue(out):
    facts = [
        device("Device/a", "2026-03-02 07:00"),
        inserted(DAY, source=IN, device="Device/a"),
        inserted("2026-03-06 08:00", source="Procedure/in-2", device="Device/a"),
    ]

    chart = chart_of(*facts, *([removed(out, device="Device/a", source="Procedure/out")] if out else []))

    line = only_line(chart)
    assert (line.start, line.aliases) == (when(DAY), ("Procedure/in", "Procedure/in-2"))
    assert issues_of(chart)["Procedure/in-2"] is IssueKind.LINES_JOINED
    assert "Procedure/in-2" not in chart.standing


def test_the_key_stays_when_an_earlier_insertion_becomes_known_later():
    """Known first: the insertion of 6 March. That of 2 March is charted on 7 March; it is the start, not the key."""
    later = inserted("2026-03-06 08:00", source="Procedure/in-2", device="Device/a")
    earlier = inserted(DAY, known="2026-03-07 08:00", source=IN, device="Device/a")

    line = only_line(chart_of(earlier, later))

    assert (line.key, line.start, line.aliases) == ("Procedure/in-2", when(DAY), ("Device/a", IN))


def test_what_is_part_of_a_second_insertion_still_finds_the_line():
    chart = chart_of(
        inserted(DAY, source=IN, device="Device/a"),
        inserted("2026-03-06 08:00", source="Procedure/in-2", device="Device/a"),
        changed("2026-03-07 08:00", source="Procedure/change", part_of="Procedure/in-2"),
    )

    assert standing_of(timelines_of(chart)[IN]) == [IN, "Procedure/change"]


def test_a_removal_before_the_first_insertion_of_a_record_is_an_issue():
    chart = chart_of(
        device("Device/a", "2026-01-02 08:00"),
        removed("2026-02-02 08:00", device="Device/a", source="Procedure/out"),
        inserted(DAY, source=IN, device="Device/a"),
    )

    assert (only_line(chart).start, only_line(chart).end) == (when(DAY), None)
    assert issues_of(chart) == {"Procedure/out": IssueKind.BEFORE_INSERTION}


def test_a_removal_on_the_day_of_the_first_insertion_ends_that_line():
    line = only_line(
        chart_of(
            device("Device/a", "2026-03-01 08:00"),
            inserted(DAY, source=IN, device="Device/a"),
            removed("2026-03-02", device="Device/a"),
        )
    )

    assert line.end == when("2026-03-02")


# --- a guidewire exchange -------------------------------------------------------------------------------------------


def test_an_exchange_ends_the_old_line_and_starts_the_new_one_at_one_instant():
    found = lines_of(
        chart_of(
            device("Device/a", DAY),
            inserted(DAY, source=IN, device="Device/a"),
            device("Device/b", "2026-03-05 09:00"),
            *exchanged("2026-03-05 08:00", "Device/a", "Device/b", line_kind="picc"),
        )
    )

    assert found["Device/a"].end == found["Procedure/exchange"].start == when("2026-03-05 08:00")
    assert found["Procedure/exchange"].start_basis is StartBasis.EXCHANGE
    assert (found["Procedure/exchange"].parent, found["Procedure/exchange"].aliases) == ("Device/a", ("Device/b",))


# --- an insertion charted for later than its own entry --------------------------------------------------------------


@pytest.mark.parametrize(
    ("happened", "believed"),
    [
        # Entered 08:00; 08:00 + 15 min = 08:15.
        pytest.param("2026-03-02 08:14:59", True, id="one second less than 15 min"),
        pytest.param("2026-03-02 08:15:00", True, id="15 min"),
        pytest.param("2026-03-02 08:15:01", False, id="one second more than 15 min"),
        pytest.param("2027-03-02 08:00:00", False, id="the wrong year"),
    ],
)
@pytest.mark.parametrize("linked", [True, False])
def test_an_insertion_later_than_its_entry_does_not_start_the_line(happened, believed, linked):
    """Not believed: the line is there all the same, since when is not known; a typed year must not hide it."""
    insertion = inserted(happened, known=DAY, source=IN, device="Device/a")

    chart = chart_of(*([device("Device/a", "2026-03-02 07:00")] if linked else []), insertion)

    (timeline,) = timelines_of(chart).values()
    assert timeline.line.start_basis is (StartBasis.INSERTION if believed else StartBasis.DEVICE)
    assert timeline.line.start.earliest == (at(happened) if believed else at("2026-03-02 07:00" if linked else DAY))
    assert unused_of(timeline) == ({} if believed else {IN: IssueKind.AFTER_OWN_ENTRY})
    assert (IN in chart.standing) is believed


def test_a_good_insertion_after_one_that_was_not_believed_starts_the_line():
    chart = chart_of(
        device("Device/a", "2026-03-02 07:00"),
        inserted("2027-03-02 08:00", known=DAY, source="Procedure/typo", device="Device/a"),
        inserted("2026-03-02 08:00", known="2026-03-02 09:00", source=IN, device="Device/a"),
    )

    assert (only_line(chart).start, only_line(chart).start_source) == (when(DAY), IN)
    assert issues_of(chart) == {"Procedure/typo": IssueKind.AFTER_OWN_ENTRY}


def test_an_unlinked_insertion_that_is_not_believed_is_still_joined():
    chart = chart_of(device("Device/a", "2026-03-02 07:00"), inserted("2027-03-02 08:00", known=DAY, source=IN))

    assert (only_line(chart).key, only_line(chart).start_basis) == ("Device/a", StartBasis.DEVICE)
    assert {issue.kind for issue in chart.issues} == {IssueKind.LINES_JOINED, IssueKind.AFTER_OWN_ENTRY}


def test_an_insertion_of_partial_precision_starts_the_line_at_its_earliest_reading():
    line = only_line(chart_of(inserted("2026-03", known="2026-03-10 08:00", source=IN)))

    assert (line.start.earliest, line.start_basis) == (at("2026-03-01 00:00"), StartBasis.INSERTION)
