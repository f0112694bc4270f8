"""Which line a fact belongs to. Expected values by hand from design 2.3.3, 2.3.4, 2.2.2.

Source: this project's own reading; the look-back of 30 d before an arrival is rule 5 of the open ICU data set's README
("a change up to 30 days before it counts, unless an earlier record of that kind stands in the stay").
"""

import pytest

from linedays.core.model import IssueKind
from support.builders import (
    changed,
    chart_of,
    device,
    exchanged,
    inserted,
    issues_of,
    lines_of,
    present,
    removed,
    seen,
    standing_of,
    timelines_of,
    when,
)

C = "Procedure/change"
IN, IN_2 = "Procedure/in", "Procedure/in-2"
LEFT = inserted("2026-03-02 08:00", source=IN, site="arm", side="left", device="Device/a")
RIGHT = inserted("2026-03-02 09:00", source=IN_2, site="arm", side="right", device="Device/b")


def line_with(chart, source=C):
    return [key for key, timeline in timelines_of(chart).items() if source in standing_of(timeline)]


def issue_of(chart, source=C):
    (issue,) = [issue for issue in chart.issues if issue.source == source]
    return issue


def charted(**says):
    return changed("2026-03-04 08:00", source=C, **says)


@pytest.mark.parametrize(
    ("says", "line"),
    [
        pytest.param({"device": "Device/b", "part_of": IN, "site": "arm", "side": "left"}, IN_2, id="device first"),
        pytest.param({"part_of": IN_2, "site": "arm", "side": "left"}, IN_2, id="then the insertion it is part of"),
        pytest.param({"device": "Device/pump", "part_of": IN_2}, IN_2, id="device not a line, part of an insertion"),
        pytest.param({"line_kind": "picc", "site": "arm", "side": "left"}, IN, id="then kind, site and side"),
        pytest.param({"site": "arm", "side": "right"}, IN_2, id="site and side alone"),
    ],
)
def test_a_fact_belongs_by_reference_first(says, line):
    chart = chart_of(LEFT, RIGHT, charted(**says))

    assert (line_with(chart), chart.issues) == ([line], ())


@pytest.mark.parametrize(
    ("says", "kind", "lines"),
    [
        pytest.param({"line_kind": "picc"}, IssueKind.WHICH_LINE, (IN, IN_2), id="two fit"),
        pytest.param({"line_kind": "unknown"}, IssueKind.WHICH_LINE, (IN, IN_2), id="nothing is said of the line"),
        pytest.param({}, IssueKind.WHICH_LINE, (IN, IN_2), id="nothing at all"),
        pytest.param({"line_kind": "midline"}, IssueKind.NO_LINE, (), id="no line of that kind"),
        pytest.param({"line_kind": "picc", "site": "leg"}, IssueKind.NO_LINE, (), id="no line of that site"),
        pytest.param(
            {"device": "Device/pump", "line_kind": "picc", "side": "left"}, IssueKind.NO_LINE, (), id="no line"
        ),
        pytest.param({"line_kind": "unknown", "site": "leg"}, IssueKind.NO_LINE, (), id="unknown kind, other site"),
    ],
)
def test_a_fact_that_fits_none_or_several_is_an_issue_and_clears_none(says, kind, lines):
    chart = chart_of(LEFT, RIGHT, charted(**says))

    issue = issue_of(chart)
    assert (line_with(chart), issue.kind, issue.lines, issue.used) == ([], kind, lines, False)
    assert C not in chart.standing


@pytest.mark.parametrize(
    ("happened", "kind"),
    [
        pytest.param("2026-03-02 07:59:59", IssueKind.BEFORE_INSERTION, id="one second before the insertion"),
        pytest.param("2026-03-02 08:00:00", None, id="at the insertion"),
        pytest.param("2026-03-02", None, id="some time that day"),
        pytest.param("2026-03-01", IssueKind.BEFORE_INSERTION, id="the day before"),
        pytest.param("2026-03-05 08:00:00", None, id="at the removal"),
        pytest.param("2026-03-05", None, id="some time on the day of the removal"),
        pytest.param("2026-03-05 08:00:01", IssueKind.AFTER_REMOVAL, id="one second after the removal"),
    ],
)
def test_an_unlinked_fact_belongs_only_to_a_line_in_place_at_that_time(happened, kind):
    chart = chart_of(
        LEFT, removed("2026-03-05 08:00", device="Device/a"), changed(happened, source=C, line_kind="picc", site="arm")
    )

    if kind is None:
        assert line_with(chart) == [IN]
    else:
        assert (issue_of(chart).kind, issue_of(chart).lines) == (kind, (IN,))


def test_of_two_lines_alike_the_one_in_place_at_that_time_counts():
    chart = chart_of(
        LEFT,
        removed("2026-03-05 08:00", device="Device/a"),
        inserted("2026-03-06 08:00", source=IN_2, site="arm", side="left"),
        changed("2026-03-07 08:00", source=C, line_kind="picc", site="arm", side="left"),
        changed("2026-03-05 09:00", source="Procedure/gap", line_kind="picc", site="arm", side="left"),
    )

    assert line_with(chart) == [IN_2]
    assert issue_of(chart, "Procedure/gap").lines == (IN, IN_2)


def test_a_line_known_by_its_record_alone_may_have_been_there_before():
    chart = chart_of(device("Device/a", "2026-03-09 08:00"), charted(line_kind="picc"))

    assert line_with(chart) == ["Device/a"]


@pytest.mark.parametrize(("kind", "site", "fits"), [("picc", "arm", True), ("picc", None, False), (None, "arm", True)])
def test_a_line_of_unknown_kind_is_found_by_its_site(kind, site, fits):
    chart = chart_of(
        inserted("2026-03-02 08:00", kind="unknown", source=IN, site="arm"), charted(line_kind=kind, site=site)
    )

    assert line_with(chart) == ([IN] if fits else [])


@pytest.mark.parametrize(
    ("says", "fits"),
    [
        pytest.param({"slot": "column-1"}, True, id="same column"),
        pytest.param({"slot": "column-1", "line_kind": "midline"}, True, id="same column, whatever kind"),
        pytest.param({"slot": "column-2", "line_kind": "picc"}, False, id="other column"),
        pytest.param({"slot": "column-1", "side": "right"}, False, id="same column, side contradicts"),
        pytest.param({"line_kind": "picc"}, True, id="no column: kind"),
    ],
)
def test_a_column_says_which_line(says, fits):
    chart = chart_of(present("2026-03-02 08:00", source=IN, slot="column-1", side="left"), charted(**says))

    assert line_with(chart) == ([IN] if fits else [])


# --- what came with a line that arrived -----------------------------------------------------------------------------

ARRIVED = present("2026-03-31 08:00", source=IN, encounter="Encounter/1")


def came(happened, **says):
    return changed(
        happened, known="2026-03-31 09:00", source=C, **{"line_kind": "picc", "encounter": "Encounter/1"} | says
    )


@pytest.mark.parametrize(
    ("happened", "fits"),
    [
        # 31 March 08:00 - 30 d = 1 March 08:00.
        pytest.param("2026-03-01 07:59:59", False, id="one second more than 30 d"),
        pytest.param("2026-03-01 08:00:00", True, id="30 d"),
        pytest.param("2026-03-01 08:00:01", True, id="one second less than 30 d"),
        pytest.param("2026-03-01", True, id="some time that day: it may be within"),
        pytest.param("2026-02-28", False, id="the day before"),
        pytest.param("2026-03-31 07:59:59", True, id="one second before the arrival"),
    ],
)
@pytest.mark.parametrize("says", [{}, {"part_of": IN}], ids=["by kind", "by reference"])
def test_a_line_that_arrives_can_have_its_dressing_on(happened, fits, says):
    chart = chart_of(ARRIVED, came(happened, **says))

    assert line_with(chart) == ([IN] if fits else [])
    assert issues_of(chart) == ({} if fits else {C: IssueKind.BEFORE_INSERTION})


def test_what_came_before_an_arrival_is_not_taken_from_another_stay():
    assert issues_of(chart_of(ARRIVED, came("2026-03-30 08:00", encounter="Encounter/0"))) == {
        C: IssueKind.BEFORE_INSERTION
    }


def test_what_came_before_is_only_that_of_the_first_line_of_its_kind_in_the_stay():
    later = present("2026-04-20 08:00", source=IN_2, encounter="Encounter/1", site="leg")
    other_stay = present("2026-01-20 08:00", "2026-01-21 08:00", source="Procedure/in-3", encounter="Encounter/0")

    chart = chart_of(ARRIVED, later, other_stay, came("2026-03-30 08:00"))

    assert line_with(chart) == [IN]


def test_nothing_comes_with_a_second_line():
    gone = present("2026-03-20 08:00", "2026-03-21 08:00", source=IN_2, encounter="Encounter/1")

    assert issues_of(chart_of(ARRIVED, gone, came("2026-03-30 08:00"))) == {C: IssueKind.BEFORE_INSERTION}


def test_what_is_charted_after_an_arrived_line_ended_did_not_come_with_it():
    ended = present("2026-03-31 08:00", "2026-04-02 08:00", source=IN, encounter="Encounter/1")
    late = changed("2026-04-03 08:00", source=C, line_kind="picc", encounter="Encounter/1")

    assert issues_of(chart_of(ended, late)) == {C: IssueKind.AFTER_REMOVAL}


def test_nothing_comes_with_a_line_that_was_inserted_here():
    chart = chart_of(inserted("2026-03-31 08:00", source=IN, encounter="Encounter/1"), came("2026-03-30 08:00"))

    assert issues_of(chart) == {C: IssueKind.BEFORE_INSERTION}


@pytest.mark.parametrize("says", [{"line_kind": "picc"}, {"part_of": IN}], ids=["by kind", "by reference"])
def test_a_removal_from_before_an_arrival_is_that_of_another_line(says):
    out = removed("2026-03-30 08:00", source="Procedure/out", encounter="Encounter/1", **says)
    chart = chart_of(ARRIVED, out)

    assert lines_of(chart)[IN].end is None
    assert issues_of(chart) == {"Procedure/out": IssueKind.BEFORE_INSERTION}
    assert "Procedure/out" not in chart.standing


# --- lines that used one device in turn -----------------------------------------------------------------------------

IN_TURN = (
    inserted("2026-03-02 08:00", source=IN, device="Device/a"),
    removed("2026-03-05 08:00", source="Procedure/out", device="Device/a"),
    inserted("2026-03-06 08:00", source=IN_2, device="Device/a"),
)


@pytest.mark.parametrize(
    ("happened", "line"),
    [
        pytest.param("2026-03-06 07:59:59", IN, id="one second before the second insertion"),
        pytest.param("2026-03-06 08:00:00", IN_2, id="at the second insertion"),
        pytest.param("2026-03-06", IN_2, id="some time that day"),
    ],
)
def test_a_fact_on_a_device_used_twice_is_on_the_last_line_begun(happened, line):
    assert line_with(chart_of(*IN_TURN, seen(happened, source=C, device="Device/a"))) == [line]


def test_a_fact_from_before_both_is_kept_beside_the_first():
    chart = chart_of(*IN_TURN, changed("2026-03-01 08:00", source=C, device="Device/a"))

    assert (issue_of(chart).kind, issue_of(chart).lines) == (IssueKind.BEFORE_INSERTION, (IN,))


@pytest.mark.parametrize(
    ("out", "line"),
    [("2026-03-06 08:00:00", None), ("2026-03-06", None), ("2026-03-06 08:00:01", IN_2), ("2026-03-07", IN_2)],
)
def test_a_removal_at_the_second_insertion_is_not_its_own(out, line):
    found = lines_of(chart_of(*IN_TURN, removed(out, source="Procedure/out-2", device="Device/a")))

    assert found[IN].end == when("2026-03-05 08:00")
    assert found[IN_2].end == (None if line is None else when(out))


# --- removals that are not linked, and exchanges --------------------------------------------------------------------


def test_a_removal_that_fits_two_lines_ends_neither():
    chart = chart_of(LEFT, RIGHT, removed("2026-03-05 08:00", source="Procedure/out", line_kind="picc", site="arm"))

    assert {line.end for line in lines_of(chart).values()} == {None}
    assert issues_of(chart) == {"Procedure/out": IssueKind.WHICH_LINE}


def test_a_removal_that_fits_one_line_ends_it():
    chart = chart_of(LEFT, RIGHT, removed("2026-03-05 08:00", source="Procedure/out", site="arm", side="right"))

    assert {key: line.end for key, line in lines_of(chart).items()} == {IN: None, IN_2: when("2026-03-05 08:00")}


@pytest.mark.parametrize(
    "old", ["Device/not-read", "Device/new"], ids=["old device not read", "only the new one named"]
)
def test_an_exchange_never_ends_the_line_that_it_began(old):
    chart = chart_of(*exchanged("2026-03-05 08:00", old, "Device/new", line_kind="picc"))

    assert lines_of(chart)["Procedure/exchange"].end is None
    assert issues_of(chart) == {"Procedure/exchange": IssueKind.NO_LINE}


def test_an_exchange_that_names_only_the_new_device_ends_the_one_line_of_that_kind_and_site():
    chart = chart_of(
        LEFT, *exchanged("2026-03-05 08:00", "Device/new", "Device/new", line_kind="picc", site="arm", side="left")
    )

    found = lines_of(chart)
    assert (found[IN].end, found["Procedure/exchange"].end) == (when("2026-03-05 08:00"), None)
