"""Facts of one patient → timelines with what stands, what does not, and how lines end. By hand from design 2.2, 2.3, 2.7.7.

Source: this project's own reading; the entry tolerance of 15 min is common practice, no source. Why a change later than
its own entry is never used: README of the open ICU data set, rule 4 and "Known defects" (93 such rows, 29 with a wrong
year).
"""

from dataclasses import replace

import pytest

from linedays.core.model import EndBasis, FactKind, IssueKind, PatientChart, Person
from linedays.core.moment import MINUTE
from linedays.core.timeline import build_chart
from support.builders import (
    FAR,
    PATIENT,
    RULES,
    at,
    changed,
    chart_of,
    device,
    exchanged,
    fact,
    inactive,
    inserted,
    issues_of,
    lines_of,
    patient_input,
    present,
    removed,
    retracted,
    seen,
    standing_of,
    stay,
    timelines_of,
    unused_of,
    used,
    when,
)

A = "Device/a"
IN, OUT, C = "Procedure/in", "Procedure/out", "Procedure/change"
LINE = (device(A, "2026-03-02 07:00"), inserted("2026-03-02 08:00", source=IN, device=A))


def only_timeline(*facts, **options):
    (timeline,) = timelines_of(chart_of(*LINE, *facts, **options)).values()
    return timeline


@pytest.mark.parametrize(
    ("out", "end", "basis"),
    [
        (None, "2026-03-04 08:00:00", EndBasis.DEATH),
        ("2026-03-04 07:59:59", "2026-03-04 07:59:59", EndBasis.REMOVAL),
        ("2026-03-04 08:00:00", "2026-03-04 08:00:00", EndBasis.REMOVAL),
        ("2026-03-04 08:00:01", "2026-03-04 08:00:00", EndBasis.DEATH),
    ],
)
def test_death_ends_a_line_that_was_not_out_before(out, end, basis):
    """Design 2.3.9: death closes at once; what is counted of the line ends with it."""
    facts = [inserted("2026-03-02 08:00", source="Procedure/in", device="Device/a")]
    facts += [removed(out, device="Device/a")] if out else []
    chart = build_chart(
        patient_input(*facts, person=Person(id=PATIENT, died=when("2026-03-04 08:00:00"))), RULES, known_by=FAR
    )
    line = lines_of(chart)["Procedure/in"]
    assert (line.end, line.end_basis) == (when(end), basis)


@pytest.mark.parametrize("stored", ["2026-03-02 08:00:00", "2026-03-04 08:00:01"])
def test_death_ends_a_line_known_by_a_record_alone_whenever_that_was_stored(stored):
    person = Person(id=PATIENT, died=when("2026-03-04 08:00:00"))
    chart = build_chart(patient_input(device(A, stored), person=person), RULES, known_by=FAR)
    assert lines_of(chart)[A].end == when("2026-03-04 08:00:00")


def test_line_charted_for_later_than_the_death_is_not_ended_by_it():
    facts = (inserted("2026-03-04 08:00:01", source="Procedure/in"),)
    chart = build_chart(
        patient_input(*facts, person=Person(id=PATIENT, died=when("2026-03-04 08:00:00"))), RULES, known_by=FAR
    )
    assert lines_of(chart)["Procedure/in"].end is None


def test_nothing_charted_is_an_empty_chart():
    assert chart_of() == PatientChart(person=Person(id=PATIENT), sites=(), stays=(), issues=(), standing=frozenset())


def test_facts_come_in_order_of_time_then_of_entry_then_of_source():
    timeline = only_timeline(
        used("2026-03-03 09:00", source="Procedure/3", known="2026-03-03 09:10", device=A),
        used("2026-03-03 09:00", source="Procedure/2", known="2026-03-03 09:20", device=A),
        used("2026-03-03 09:00", source="Procedure/1", known="2026-03-03 09:20", device=A),
        used("2026-03-03 08:00", source="Procedure/4", known="2026-03-04 08:00", device=A),
    )

    assert standing_of(timeline) == [IN, "Procedure/4", "Procedure/3", "Procedure/1", "Procedure/2"]


def test_what_becomes_known_later_is_invisible_and_said_so():
    late = changed("2026-03-03 08:00", known="2026-03-05 08:00", source=C, device=A)
    stays = (stay("Encounter/1", "2026-03-01 08:00", known="2026-03-05 08:00"),)

    before = chart_of(*LINE, late, known_by="2026-03-05 07:59:59", stays=stays)
    after = chart_of(*LINE, late, known_by="2026-03-05 08:00:00", stays=stays)

    assert (standing_of(timelines_of(before)[A]), before.not_yet_known, before.stays) == ([IN], {C}, ())
    assert (standing_of(timelines_of(after)[A]), after.not_yet_known, after.stays) == ([IN, C], frozenset(), stays)


def test_a_resource_entered_in_error_clears_nothing():
    gone = retracted(C, "2026-03-04 08:00")

    assert standing_of(
        only_timeline(changed("2026-03-03 08:00", source=C, device=A, updated="2026-03-03 08:00"), gone)
    ) == [IN]


# --- guards ---------------------------------------------------------------------------------------------------------

GUARDED = [
    FactKind.DRESSING_CHANGED,
    FactKind.LABEL_DATE,
    FactKind.CHANGE_REPORTED,
    FactKind.PORT_ACCESSED,
    FactKind.PART_CHANGED,
]


@pytest.mark.parametrize("kind", [*GUARDED, FactKind.REMOVED, FactKind.EXCHANGED_OUT])
@pytest.mark.parametrize(
    ("happened", "usable"),
    [
        # Entered 08:00; 08:00 + 15 min = 08:15.
        pytest.param("2026-03-03 08:14:59", True, id="one second less than 15 min"),
        pytest.param("2026-03-03 08:15:00", True, id="15 min"),
        pytest.param("2026-03-03 08:15:01", False, id="one second more than 15 min"),
        pytest.param("2026-03-03", True, id="some time that day: it may have been before"),
        pytest.param("2026-03-04", False, id="the day after"),
    ],
)
def test_what_is_charted_for_later_than_its_own_entry_does_not_stand(kind, happened, usable):
    timeline = only_timeline(fact(kind, happened, known="2026-03-03 08:00", source=C, device=A))

    assert standing_of(timeline) == ([IN, C] if usable else [IN])
    assert unused_of(timeline) == ({} if usable else {C: IssueKind.AFTER_OWN_ENTRY})


@pytest.mark.parametrize(("happened", "usable"), [("2026-03-03 09:00:00", True), ("2026-03-03 09:00:01", False)])
def test_the_tolerance_is_a_setting_of_the_source_map(happened, usable):
    """60 min for column charting: entered 08:00, 08:00 + 60 min = 09:00."""
    late = changed(happened, known="2026-03-03 08:00", source=C, device=A)

    timeline = only_timeline(late, rules=replace(RULES, entry_tolerance=60 * MINUTE))

    assert (unused_of(timeline) == {}) is usable


@pytest.mark.parametrize("kind", GUARDED)
@pytest.mark.parametrize(
    ("happened", "usable"),
    [
        pytest.param("2026-03-02 07:59:59", False, id="one second before the insertion"),
        pytest.param("2026-03-02 08:00:00", True, id="at the insertion"),
        pytest.param("2026-03-02", True, id="some time that day"),
        pytest.param("2026-03", True, id="some time that month"),
        pytest.param("2026-03-01", False, id="the day before"),
    ],
)
def test_what_is_charted_for_before_the_insertion_does_not_stand(kind, happened, usable):
    timeline = only_timeline(fact(kind, happened, source=C, device=A))

    assert (C in standing_of(timeline)) is usable
    assert unused_of(timeline) == ({} if usable else {C: IssueKind.BEFORE_INSERTION})


def test_before_the_start_of_a_line_known_by_its_record_alone_nothing_is_refused():
    chart = chart_of(device(A, "2026-03-09 08:00"), changed("2026-03-01 08:00", source=C, device=A))

    assert standing_of(timelines_of(chart)[A]) == [C, A]


@pytest.mark.parametrize("kind", [FactKind.DRESSING_SEEN, FactKind.USED, FactKind.TIP])
def test_what_sets_no_clock_is_kept_whenever_it_is_charted_for(kind):
    timeline = only_timeline(
        fact(kind, "2026-03-01 08:00", source="Observation/before", device=A),
        fact(kind, "2027-03-01 08:00", known="2026-03-03 08:00", source="Observation/after", device=A),
    )

    assert standing_of(timeline) == ["Observation/before", IN, "Observation/after"]


def test_an_unused_fact_is_an_issue_of_its_line_and_not_used():
    chart = chart_of(*LINE, changed("2027-03-03 08:00", known="2026-03-03 08:00", source=C, device=A))

    (issue,) = chart.issues
    assert (issue.source, issue.lines, issue.used, issue.patient) == (C, (A,), False, PATIENT)
    assert chart.standing == {A, IN}


# --- label and reported dates ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", [FactKind.LABEL_DATE, FactKind.CHANGE_REPORTED])
@pytest.mark.parametrize(
    ("happened", "usable"),
    [
        pytest.param("2026-03-05 07:59:59", False, id="one second older than the change"),
        pytest.param("2026-03-05 08:00:00", True, id="as old"),
        pytest.param("2026-03-05", True, id="that day"),
        pytest.param("2026-03-04", False, id="the day before"),
    ],
)
def test_a_date_read_that_is_older_than_a_charted_change_does_not_stand(kind, happened, usable):
    change = changed("2026-03-05 08:00", source=C, device=A)
    read = fact(kind, happened, known="2026-03-06 08:00", source="Observation/label", device=A)

    timeline = only_timeline(change, read)

    assert unused_of(timeline) == ({} if usable else {"Observation/label": IssueKind.OLDER_THAN_A_CHANGE})
    assert ("Observation/label" in standing_of(timeline)) is usable
    assert C in standing_of(timeline)


@pytest.mark.parametrize(
    ("entered", "usable"),
    [("2026-03-06 07:59:59", False), ("2026-03-06 08:00:00", False), ("2026-03-06 08:00:01", True)],
)
def test_a_date_read_before_the_change_was_charted_stands(entered, usable):
    """What nobody had charted yet when the label was read does not make the reading wrong. Read on 6 March at 08:00."""
    timeline = only_timeline(
        changed("2026-03-05 08:00", known=entered, source=C, device=A),
        changed("2026-03-03 08:00", known="2026-03-03 08:00", source="Procedure/older", device=A),
        fact(FactKind.LABEL_DATE, "2026-03-04", known="2026-03-06 08:00", source="Observation/label", device=A),
    )

    assert (unused_of(timeline) == {}) is usable


def test_a_date_read_on_a_line_without_a_change_stands():
    timeline = only_timeline(fact(FactKind.LABEL_DATE, "2026-03-04", source="Observation/label", device=A))

    assert standing_of(timeline) == [IN, "Observation/label"]


# --- ends -----------------------------------------------------------------------------------------------------------


def end_of(*facts):
    line = only_timeline(*facts).line
    return line.end, line.end_basis, line.end_source


def test_a_line_without_an_end_is_in_place():
    assert end_of() == (None, None, None)


def test_a_removal_ends_a_line():
    assert end_of(removed("2026-03-05 08:00", device=A, source=OUT)) == (
        when("2026-03-05 08:00"),
        EndBasis.REMOVAL,
        OUT,
    )


def test_of_two_removals_the_earlier_ends_the_line():
    facts = (
        removed("2026-03-05 08:00", device=A, source=OUT),
        removed("2026-03-06 08:00", device=A, source="Procedure/again"),
    )

    assert end_of(*facts) == (when("2026-03-05 08:00"), EndBasis.REMOVAL, OUT)


def test_an_inactive_record_ends_a_line_only_where_no_removal_is_charted():
    status = inactive(A, "2026-03-04 08:00")

    assert end_of(status) == (when("2026-03-04 08:00"), EndBasis.STATUS, A)
    assert end_of(status, removed("2026-03-05 08:00", device=A, source=OUT))[1:] == (EndBasis.REMOVAL, OUT)


@pytest.mark.parametrize(("happened", "ends"), [("2026-03-02 07:59:59", False), ("2026-03-02 08:00:00", True)])
def test_a_removal_before_the_start_ends_nothing(happened, ends):
    timeline = only_timeline(removed(happened, device=A, source=OUT, known="2026-03-05 08:00"))

    assert (timeline.line.end is not None) is ends
    assert unused_of(timeline) == ({} if ends else {OUT: IssueKind.BEFORE_INSERTION})


def test_a_removal_charted_for_later_than_its_own_entry_ends_nothing():
    """A typed year must not close a line, neither now nor when that day has come."""
    timeline = only_timeline(removed("2027-03-05 08:00", device=A, source=OUT, known="2026-03-05 08:00"))

    assert (timeline.line.end, unused_of(timeline)) == (None, {OUT: IssueKind.AFTER_OWN_ENTRY})


def test_a_removal_that_is_not_believed_leaves_the_next_one_to_end_the_line():
    typed = removed("2027-03-05 08:00", device=A, source="Procedure/typed", known="2026-03-05 08:00")

    assert end_of(typed, removed("2026-03-06 08:00", device=A, source=OUT))[2] == OUT


def test_an_exchange_ends_a_line():
    old = lines_of(chart_of(*LINE, *exchanged("2026-03-05 08:00", A, "Device/b")))[A]

    assert (old.end, old.end_basis, old.end_source) == (
        when("2026-03-05 08:00"),
        EndBasis.EXCHANGE,
        "Procedure/exchange",
    )


def test_a_charted_removal_goes_before_the_end_of_the_interval():
    interval = present("2026-03-02 08:00", "2026-03-05 10:00", source="Procedure/p")

    (line,) = lines_of(chart_of(interval, removed("2026-03-05 09:00", part_of="Procedure/p", source=OUT))).values()

    assert (line.end, line.end_basis) == (when("2026-03-05 09:00"), EndBasis.REMOVAL)


def test_discharge_does_not_end_a_line():
    stays = (stay("Encounter/1", "2026-03-01 08:00", "2026-03-05 08:00", status="finished"),)

    assert only_timeline(stays=stays).line.end is None


def test_a_use_after_the_removal_stands_on_the_line():
    use = used("2026-03-05 09:00", source="Procedure/use", device=A)

    assert standing_of(only_timeline(removed("2026-03-05 08:00", device=A, source=OUT), use)) == [
        IN,
        OUT,
        "Procedure/use",
    ]


# --- issues ---------------------------------------------------------------------------------------------------------


def test_issues_come_in_order_of_source_and_do_not_depend_on_the_order_of_input():
    facts = (
        *exchanged("2027-03-05 08:00", A, "Device/b", known="2026-03-05 08:00"),
        changed("2026-03-03 08:00", source="Procedure/z"),
        seen("2026-03-03 08:00", source="Observation/a", line_kind="midline", site="leg"),
    )

    chart = chart_of(*LINE, *facts)

    assert chart == chart_of(*facts[::-1], *LINE[::-1])
    assert [(issue.source, issue.kind) for issue in chart.issues] == [
        ("Observation/a", IssueKind.NO_LINE),
        ("Procedure/exchange", IssueKind.AFTER_OWN_ENTRY),
        ("Procedure/exchange", IssueKind.AFTER_OWN_ENTRY),
        ("Procedure/z", IssueKind.WHICH_LINE),
    ]
    assert [issue.lines for issue in chart.issues] == [(), (A,), ("Procedure/exchange",), (A, "Procedure/exchange")]


def test_no_issue_text_names_the_patient():
    """The made-up id stands for whatever would identify a patient."""
    chart = chart_of(
        *LINE, changed("2026-03-01 08:00", source=C, device=A), seen("2026-03-03 08:00", line_kind="midline")
    )

    assert issues_of(chart)
    assert not any(PATIENT in issue.text or "made-up" in issue.text for issue in chart.issues)


def test_a_chart_depends_on_what_was_known_not_on_a_moment_asked_about():
    future = changed("2026-06-01 08:00", known="2026-06-01 08:00", source=C, device=A)

    assert C in standing_of(only_timeline(future))
    assert at("2026-06-01 08:00") > only_timeline(future, known_by="2026-03-03 08:00").facts[-1].happened.latest
