"""Presence intervals and numbered slots → lines. Expected values by hand from design 2.3.1, 2.3.2, 2.3.4.

Source: this project's own reading; the gap of 4 h is a setting, common practice, no source. That one line can stand in
two records that follow each other: README of the open ICU data set, "Known defects" (one line split in two records).
"""

from dataclasses import replace

import pytest

from linedays.core.charting import PresenceStart
from linedays.core.model import EndBasis, FactKind, IssueKind, StartBasis
from support.builders import (
    RULES,
    changed,
    chart_of,
    device,
    fact,
    inserted,
    issues_of,
    lines_of,
    present,
    removed,
    standing_of,
    stay,
    timelines_of,
    when,
)

P1, P2, P3 = "Procedure/p-1", "Procedure/p-2", "Procedure/p-3"
STAY = "Encounter/1"


def interval(start, until=None, source=P1, **says):
    return present(start, until, source=source, **{"site": "arm", "side": "left", "encounter": STAY} | says)


FIRST = interval("2026-03-02 08:00", "2026-03-03 10:00")


def second(start="2026-03-03 12:00", until="2026-03-04 08:00", **says):
    return interval(start, until, source=P2, **says)


def keys(*facts, **options):
    return set(lines_of(chart_of(*facts, **options)))


def only_line(*facts, **options):
    (line,) = lines_of(chart_of(*facts, **options)).values()
    return line


def test_an_interval_makes_a_line_that_arrives_at_its_start_and_ends_at_its_end():
    line = only_line(FIRST)

    assert (line.key, line.start_basis, line.start) == (P1, StartBasis.ARRIVAL, when("2026-03-02 08:00"))
    assert (line.end, line.end_basis, line.end_source) == (when("2026-03-03 10:00"), EndBasis.PRESENCE, P1)


def test_an_interval_starts_as_an_insertion_where_the_source_map_says_so():
    line = only_line(FIRST, rules=replace(RULES, presence_start=PresenceStart.INSERTION))

    assert line.start_basis is StartBasis.INSERTION


def test_an_interval_without_an_end_is_still_in_place():
    line = only_line(interval("2026-03-02 08:00"))

    assert (line.end, line.end_basis, line.end_source) == (None, None, None)


@pytest.mark.parametrize(
    ("start", "joined"),
    [
        # The first interval ends on 3 March at 10:00; 10:00 + 4 h = 14:00.
        pytest.param("2026-03-03 09:59:59", False, id="one second of overlap: two lines"),
        pytest.param("2026-03-03 10:00:00", True, id="no gap"),
        pytest.param("2026-03-03 13:59:59", True, id="one second less than 4 h"),
        pytest.param("2026-03-03 14:00:00", True, id="4 h"),
        pytest.param("2026-03-03 14:00:01", False, id="one second more than 4 h"),
        pytest.param("2026-03-03", True, id="some time that day: it may have been after"),
    ],
)
def test_intervals_with_a_gap_of_at_most_four_hours_are_one_line(start, joined):
    found = lines_of(chart_of(FIRST, second(start)))

    assert set(found) == ({P1} if joined else {P1, P2})
    assert found[P1].end == (when("2026-03-04 08:00") if joined else FIRST.until)
    if joined:
        assert (found[P1].aliases, found[P1].end_source, found[P1].start) == ((P2,), P2, FIRST.happened)


def test_intervals_are_never_joined_where_the_source_map_says_so():
    assert keys(FIRST, second("2026-03-03 10:00"), rules=replace(RULES, join_gap=None)) == {P1, P2}


@pytest.mark.parametrize(
    "says",
    [
        pytest.param({"kind": "midline"}, id="other kind"),
        pytest.param({"site": "leg"}, id="other site"),
        pytest.param({"site": None}, id="site not charted: not known to be the same"),
        pytest.param({"side": "right"}, id="side contradicts"),
        pytest.param({"slot": "other"}, id="other column"),
        pytest.param({"encounter": "Encounter/2"}, id="other stay"),
    ],
)
def test_intervals_of_other_kind_site_side_or_stay_are_other_lines(says):
    assert keys(FIRST, second(**says)) == {P1, P2}


def test_a_side_that_is_not_charted_does_not_contradict():
    assert only_line(FIRST, second(side=None)).side == "left"
    assert only_line(replace_side(FIRST, None), second(side="left")).side == "left"


def replace_side(interval_fact, side):
    return interval(interval_fact.happened, interval_fact.until, side=side)


def test_an_interval_that_may_go_on_with_two_lines_goes_on_with_neither():
    other = interval("2026-03-02 08:00", "2026-03-03 10:00", source=P3, side="right")

    assert keys(FIRST, other, second(side=None)) == {P1, P2, P3}


def test_intervals_in_two_encounters_of_one_whole_stay_are_one_line():
    stays = (
        stay("Encounter/top", "2026-03-01 08:00"),
        stay(STAY, "2026-03-01 08:00", top="Encounter/top"),
        stay("Encounter/2", "2026-03-03 11:00", top="Encounter/top"),
    )

    assert keys(FIRST, second(encounter="Encounter/2"), stays=stays) == {P1}
    assert keys(FIRST, second(encounter="Encounter/2")) == {P1, P2}


def test_an_interval_after_one_that_is_not_over_is_another_line():
    assert keys(interval("2026-03-02 08:00"), second()) == {P1, P2}


@pytest.mark.parametrize(
    ("out", "joined"),
    [
        pytest.param(removed("2026-03-03 11:00", line_kind="picc", site="arm", side="left"), False, id="between"),
        pytest.param(removed("2026-03-03 11:00", site="arm"), False, id="between, side not charted"),
        pytest.param(removed("2026-03-03 11:00", part_of=P1), False, id="between, by reference"),
        pytest.param(removed("2026-03-03 12:00", part_of=P1), False, id="at the next start"),
        pytest.param(removed("2026-03-03 12:00:01", part_of=P1), True, id="one second after the next start"),
        pytest.param(removed("2026-03-02 07:59:59", part_of=P1), True, id="one second before the first start"),
        pytest.param(removed("2026-03-02 08:00:00", part_of=P1), False, id="at the first start"),
        pytest.param(removed("2026-03-03 11:00", line_kind="picc", site="leg"), True, id="of another site"),
        pytest.param(removed("2026-03-03 11:00", device="Device/other"), True, id="of another device"),
        pytest.param(removed("2026-03-03 11:00"), True, id="of nothing that is named"),
    ],
)
def test_intervals_are_never_joined_across_a_charted_removal(out, joined):
    assert keys(FIRST, second(), out) == ({P1} if joined else {P1, P2})


def test_the_key_of_joined_intervals_is_that_known_first():
    late = present(
        FIRST.happened, FIRST.until, source=P1, site="arm", side="left", encounter=STAY, known="2026-03-09 08:00"
    )

    assert keys(late, second()) == {P2}


# --- intervals linked by reference ----------------------------------------------------------------------------------


def test_an_interval_linked_to_a_device_is_that_line():
    line = only_line(
        device("Device/a", "2026-03-02 09:00", kind="picc"), interval(FIRST.happened, FIRST.until, device="Device/a")
    )

    assert (line.start, line.start_basis, line.end) == (FIRST.happened, StartBasis.ARRIVAL, FIRST.until)
    assert (line.aliases, line.site, line.side) == (("Device/a",), "arm", "left")


def test_an_interval_that_is_part_of_an_insertion_gives_it_an_end_and_leaves_its_start():
    line = only_line(
        inserted("2026-03-01 08:00", source="Procedure/in", site="arm"),
        interval(FIRST.happened, FIRST.until, part_of="Procedure/in"),
    )

    assert (line.start, line.start_basis) == (when("2026-03-01 08:00"), StartBasis.INSERTION)
    assert (line.end, line.end_basis) == (FIRST.until, EndBasis.PRESENCE)


def test_an_interval_over_before_the_linked_insertion_does_not_end_it():
    line = only_line(
        inserted("2026-03-04 08:00", source="Procedure/in"),
        interval(FIRST.happened, FIRST.until, part_of="Procedure/in"),
    )

    assert line.end is None


def test_intervals_of_one_device_are_one_line_however_long_the_gap():
    line = only_line(
        interval(FIRST.happened, FIRST.until, device="Device/a"),
        interval("2026-03-09 08:00", None, source=P2, device="Device/a", encounter="Encounter/2"),
    )

    assert (line.key, line.aliases, line.end) == (P1, ("Device/a", P2), None)


def test_intervals_of_one_device_are_two_lines_across_a_charted_removal():
    found = keys(
        interval(FIRST.happened, FIRST.until, device="Device/a"),
        interval("2026-03-03 11:00", None, source=P2, device="Device/a"),
        removed("2026-03-03 10:30", device="Device/a"),
    )

    assert found == {P1, P2}


def test_an_interval_from_the_insertion_on_is_one_line_though_the_removal_is_known_only_by_day():
    line = only_line(
        inserted("2026-03-02 08:00", source="Procedure/in", device="Device/a"),
        interval("2026-03-02 08:00", "2026-03-02 15:00", device="Device/a"),
        removed("2026-03-02", device="Device/a", source="Procedure/out"),
    )

    assert (line.end, line.end_source) == (when("2026-03-02"), "Procedure/out")


def test_an_interval_that_begins_later_than_its_own_entry_does_not_say_since_when():
    chart = chart_of(interval("2027-03-02 08:00", known="2026-03-02 08:00"))

    (line,) = lines_of(chart).values()
    assert (line.start_basis, line.start) == (StartBasis.DEVICE, when("2026-03-02 08:00"))
    assert issues_of(chart) == {P1: IssueKind.AFTER_OWN_ENTRY}


# --- numbered slots -------------------------------------------------------------------------------------------------


def charted(entered, source, slot="slot-1", encounter=STAY):
    return fact(FactKind.CHARTED, entered, source=source, slot=slot, line_kind="unknown", encounter=encounter)


def test_a_slot_is_one_line_from_its_first_entry_in_a_stay():
    rows = [charted(f"2026-03-0{day} 08:00", f"Observation/{day}") for day in (4, 2, 3)]

    line = only_line(*rows)

    assert (line.key, line.start, line.start_basis) == ("Observation/2", when("2026-03-02 08:00"), StartBasis.ARRIVAL)
    assert (line.aliases, line.slot, line.kind) == (("Observation/3", "Observation/4"), "slot-1", "unknown")


def test_another_slot_or_stay_is_another_line():
    found = keys(
        charted("2026-03-02 08:00", "Observation/1"),
        charted("2026-03-02 09:00", "Observation/2", slot="slot-2"),
        charted("2026-03-02 10:00", "Observation/3", encounter="Encounter/2"),
    )

    assert found == {"Observation/1", "Observation/2", "Observation/3"}


def test_what_the_row_of_a_slot_says_is_on_the_line_of_that_slot_and_stay():
    row = {"slot": "slot-1", "line_kind": "unknown"}
    chart = chart_of(
        charted("2026-03-02 08:00", "Observation/1"),
        changed("2026-03-01 08:00", known="2026-03-02 08:00", source="Observation/1", encounter=STAY, **row),
        charted("2026-05-02 08:00", "Observation/2", encounter="Encounter/2"),
        changed("2026-05-02 07:00", known="2026-05-02 09:00", source="Observation/3", encounter="Encounter/2", **row),
    )

    found = timelines_of(chart)
    assert standing_of(found["Observation/1"]) == ["Observation/1", "Observation/1"]
    assert standing_of(found["Observation/2"]) == ["Observation/3", "Observation/2"]
    assert chart.issues == ()
