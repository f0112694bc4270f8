"""The state of a dressing item: every state, its precedence, and every boundary one second before, at and after.

Source of each rule: the project's own definitions, design sections 2.3 and 2.5 to 2.7, which name what is common practice
without a published source; where a guideline stands behind a value its name stands at the test. All times are UTC, shifts
begin at 07:00 and 19:00. Hazard ids are those of the hazard log.
"""

from dataclasses import replace
from datetime import date
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from linedays.core.model import FactKind, Person, Whereabouts
from linedays.core.moment import DAY, Precision, exactly
from linedays.core.policy import AgeGroup, Basis, NotRequiredWhen
from linedays.core.states import AnchorBasis, Priority, State
from support.builders import at, changed, device, fact, inserted, removed, seen, stay, used, when
from support.policies import (
    PLACED,
    PLACES,
    RULES,
    WITHIN_7_DAYS,
    codes,
    exchanged,
    interval,
    iso,
    item_at,
    line,
    not_required,
    policy,
    shipped_policy,
    site_at,
    sites_at,
    state_at,
    unit,
    value_of,
)

CHANGED = changed("2024-03-04 14:30", value="transparent")  # due 4 + 7 = 11 March 14:30
PAUSED = fact(FactKind.PAUSED, "2024-03-05 09:00", until="2024-03-20 09:00", value="comfort-care")
HEALED = fact(FactKind.SITE_HEALED, "2024-03-04 15:00")
LOOSE = seen("2024-03-11 20:00", "loose")


def not_done(when, why, **says):
    return fact(FactKind.NOT_DONE, when, value=why, **says)


def states(facts, expected, **says):
    assert {text: state_at(facts, text, **says) for text in expected} == expected


# Precedence: each row lacks the condition that led the row before.
BY_PRECEDENCE = [
    (
        State.NOT_REQUIRED,
        (CHANGED, HEALED, PAUSED, LOOSE),
        "2024-03-11 20:30",
        {"paused", "compromised"},
    ),
    (
        State.PAUSED,
        (CHANGED, PAUSED, LOOSE, not_done("2024-03-11 20:10", "refused")),
        "2024-03-11 20:30",
        {"compromised", "interval", "deferred"},
    ),
    (
        State.COMPROMISED,
        (CHANGED, LOOSE, not_done("2024-03-11 20:10", "refused")),
        "2024-03-11 20:30",
        {"interval", "deferred"},
    ),
    (State.OVERDUE, (CHANGED, not_done("2024-03-11 20:10", "refused")), "2024-03-11 20:30", {"deferred"}),
    (State.UNKNOWN, (not_done("2024-03-11 20:10", "refused"),), "2024-03-11 20:30", {"deferred"}),
    (State.DEFERRED, (CHANGED, not_done("2024-03-11 14:00", "refused")), "2024-03-11 14:30", {"interval"}),
    (State.DUE, (CHANGED,), "2024-03-11 14:30", set()),
    (State.WINDOW_OPEN, (CHANGED,), "2024-03-11 14:29:59", set()),
    (State.NOT_DUE, (CHANGED,), "2024-03-08 12:00", set()),
]


@pytest.mark.parametrize(("state", "facts", "moment", "beside"), BY_PRECEDENCE, ids=[row[0] for row in BY_PRECEDENCE])
def test_precedence_and_what_is_kept_beside(state, facts, moment, beside):
    placed = None if state is State.UNKNOWN else "2024-03-01 10:00"

    item = item_at(line(*facts, kind="tunnelled-cvc", placed=placed), moment)

    assert (item.state, codes(item.beside)) == (state, beside)


def test_the_table_of_precedence_holds_every_state():
    assert [row[0] for row in BY_PRECEDENCE] == list(State)


@pytest.mark.parametrize(
    ("facts", "moment", "priority"),
    [
        ((CHANGED,), "2024-03-08 12:00", None),
        ((CHANGED,), "2024-03-11 12:00", Priority.ROUTINE),  # window open
        ((CHANGED,), "2024-03-11 14:30", Priority.ROUTINE),  # due
        ((CHANGED,), "2024-03-11 14:30:01", Priority.URGENT),  # overdue
        ((CHANGED, seen("2024-03-06 08:00", "damp")), "2024-03-06 08:00", Priority.ASAP),
        ((CHANGED, seen("2024-03-06 08:00", "damp"), seen("2024-03-06 09:00")), "2024-03-06 09:00", Priority.ROUTINE),
        ((CHANGED, PAUSED), "2024-03-11 12:00", None),
        ((CHANGED, not_done("2024-03-11 14:00", "refused")), "2024-03-11 14:30", None),
    ],
)
def test_priority(facts, moment, priority):
    assert item_at(line(*facts), moment).priority is priority


def test_unknown_is_urgent():
    assert item_at(line(placed=None), "2024-03-05 08:00").priority is Priority.URGENT


@pytest.mark.parametrize("finding", ["pus", "bleeding-active", "exposed"])
def test_stat_for_what_calls_for_someone_at_once(finding):
    # Common practice, no source. Also where since seen intact: stat is never lowered.
    facts = line(CHANGED, fact(FactKind.SITE_SEEN, "2024-03-06 08:00", findings=(finding,)), seen("2024-03-06 09:00"))

    assert item_at(facts, "2024-03-06 09:00").priority is Priority.STAT


# --- Not required ------------------------------------------------------------------------------------------------------


def test_umbilical_asks_for_no_dressing_and_keeps_what_was_seen_beside():
    # Common practice, no source.
    facts = line(seen("2024-03-02 08:00", "bloody"), kind="umbilical-venous", dressing=None)

    item = item_at(facts, "2024-06-01 10:00")

    assert (item.state, item.reason.code, item.rule, item.priority) == (
        State.NOT_REQUIRED,
        "not-required-kind",
        "umbilical",
        None,
    )
    assert codes(item.beside) == {"compromised"}
    assert [one.finding for one in item.findings] == ["bloody"]


def test_healed_and_later_not_healed_is_a_change_of_rule():
    # RNAO: a healed tunnelled site may not require a dressing. No longer healed on 20 March 10:00: the change of 4 March
    # was due on the 11th; overdue after the first day shift that begins after: 21 March 07:00 to 19:00 (H32).
    facts = line(CHANGED, HEALED, fact(FactKind.SITE_NOT_HEALED, "2024-03-20 10:00"), kind="tunnelled-cvc")

    states(
        facts,
        {
            "2024-03-04 14:59:59": State.NOT_DUE,
            "2024-03-04 15:00": State.NOT_REQUIRED,
            "2024-03-20 09:59:59": State.NOT_REQUIRED,
            "2024-03-20 10:00": State.DUE,
            "2024-03-21 18:59:59": State.DUE,
            "2024-03-21 19:00": State.OVERDUE,
        },
    )


def test_healed_and_not_healed_charted_for_one_time_is_read_as_not_healed():
    facts = line(CHANGED, HEALED, fact(FactKind.SITE_NOT_HEALED, "2024-03-04 15:00"), kind="tunnelled-cvc")

    assert state_at(facts, "2024-03-04 16:00") is State.NOT_DUE


def test_tunnelled_without_a_charted_healed_follows_the_rules_of_any_central_line():
    assert item_at(line(CHANGED, kind="tunnelled-cvc"), "2024-03-08 12:00").due == iso("2024-03-11T14:30:00Z")


def test_a_not_required_rule_holds_only_while_it_is_in_force():
    # Common practice, no source. From 10 March 00:00 on the healed rule no longer holds: a change of rule. Due 11 March
    # 14:30 by the 7 days; the first day shift that begins after 10 March 00:00 ends at 19:00 that day, before it is due.
    dated = policy(
        rules=exchanged(
            RULES, not_required("healed", NotRequiredWhen.SITE_HEALED, "tunnelled-cvc", until=date(2024, 3, 10))
        )
    )
    facts = line(CHANGED, HEALED, kind="tunnelled-cvc")

    assert item_at(facts, "2024-03-09 12:00", by=dated).next_change == iso("2024-03-10T00:00:00Z")
    states(
        facts,
        {
            "2024-03-09 23:59:59": State.NOT_REQUIRED,
            "2024-03-10 00:00": State.NOT_DUE,
            "2024-03-11 14:30": State.DUE,
            "2024-03-11 14:30:01": State.OVERDUE,
        },
        by=dated,
    )


ACCESSED = fact(FactKind.PORT_ACCESSED, "2024-03-04 14:30", value="transparent")
TAKEN_OUT = fact(FactKind.PORT_DEACCESSED, "2024-03-06 09:00")


def port(*facts, placed="2023-06-01 10:00"):
    return line(*facts, kind="implanted-port", placed=placed, dressing=None)


def test_port_asks_for_nothing_until_accessed_and_again_after_its_needle_came_out():
    # RNAO: no dressing on a healed port without a needle. Needle and dressing 4 + 7 = 11 March 14:30 (Royal Marsden Manual).
    facts = port(ACCESSED, TAKEN_OUT)
    expected = {
        "2024-03-04 14:29:59": State.NOT_REQUIRED,
        "2024-03-04 14:30": State.NOT_DUE,
        "2024-03-06 08:59:59": State.NOT_DUE,
        "2024-03-06 09:00": State.NOT_REQUIRED,
    }

    states(facts, expected)
    states(facts, expected, item="port-needle-change")
    states(port(ACCESSED), {"2024-03-11 14:30": State.DUE, "2024-03-11 14:30:01": State.OVERDUE})


@pytest.mark.parametrize(
    ("moment", "code"),
    [
        # Implanted 1 March 10:00: an incision until 1 + 14 = 15 March 10:00 (common practice, no source).
        ("2024-03-02 08:00", "not-required-incision"),
        ("2024-03-15 09:59:59", "not-required-incision"),
        ("2024-03-15 10:00", "not-required-port"),
    ],
)
def test_port_with_an_incision(moment, code):
    # The dressing seen lies over the incision, not over a needle.
    facts = port(seen("2024-03-02 07:30"), seen("2024-03-10 07:30"), placed="2024-03-01 10:00")

    item = item_at(facts, moment)

    assert (item.state, item.reason.code) == (State.NOT_REQUIRED, code)


def test_port_with_an_incision_tells_when_that_ends():
    item = item_at(port(placed="2024-03-01 10:00"), "2024-03-02 08:00")

    assert item.next_change == iso("2024-03-15T10:00:00Z")


def test_port_accessed_while_the_incision_heals_is_accessed():
    assert state_at(port(ACCESSED, placed="2024-03-01 10:00"), "2024-03-04 15:00") is State.NOT_DUE


@pytest.mark.parametrize(
    ("facts", "state"),
    [
        # A dressing seen or changed on a healed port lies over a needle whose access was not charted.
        pytest.param((seen("2024-03-07 08:00"),), State.UNKNOWN, id="dressing seen, access not charted"),
        pytest.param(
            (ACCESSED, TAKEN_OUT, seen("2024-03-20 08:00")), State.UNKNOWN, id="dressing seen after the needle was out"
        ),
        pytest.param(
            (changed("2024-03-20 08:00", value="transparent"),),
            State.NOT_DUE,
            id="dressing changed, access not charted",
        ),
        # At one minute: the new needle goes in after the old one came out; a dressing was seen before it came out.
        pytest.param(
            (fact(FactKind.PORT_DEACCESSED, "2024-03-20 08:00"), fact(FactKind.PORT_ACCESSED, "2024-03-20 08:00")),
            State.NOT_DUE,
            id="needle out and in at one minute",
        ),
        pytest.param(
            (ACCESSED, fact(FactKind.PORT_DEACCESSED, "2024-03-20 08:00"), seen("2024-03-20 08:00")),
            State.NOT_REQUIRED,
            id="dressing seen and needle out at one minute",
        ),
        # By day: whether the access of that day came after is open, so the dressing is asked for.
        pytest.param(
            (
                fact(FactKind.PORT_DEACCESSED, "2024-03-20", known="2024-03-20 08:30"),
                fact(FactKind.PORT_ACCESSED, "2024-03-20 08:00", value="transparent"),
            ),
            State.NOT_DUE,
            id="needle out by day only, access that day",
        ),
    ],
)
def test_port_whose_access_is_told_by_other_facts(facts, state):
    assert state_at(port(*facts), "2024-03-20 09:00") is state


def test_port_that_came_with_the_patient_is_not_taken_as_just_implanted():
    facts = (fact(FactKind.PRESENT, "2024-03-01 10:00", line_kind="implanted-port", source=PLACED),)

    assert item_at(facts, "2024-03-02 08:00").reason.code == "not-required-port"


def test_a_finding_from_before_the_needle_came_out_is_gone_with_its_dressing():
    facts = port(ACCESSED, seen("2024-03-05 08:00", "loose"), TAKEN_OUT)

    item = item_at(facts, "2024-03-07 08:00")

    assert (item.state, item.beside, item.findings) == (State.NOT_REQUIRED, (), ())


# --- Unknown ----------------------------------------------------------------------------------------------------------


def test_no_date_is_unknown_and_stays_so_by_itself():
    item = item_at(line(placed=None), "2024-03-05 08:00")

    assert (item.state, item.reason.code, item.next_change, item.anchor) == (
        State.UNKNOWN,
        "unknown-no-date",
        None,
        None,
    )
    assert item.rule == "gauze-2"  # the rule of the shortest interval, which would hold


@pytest.mark.parametrize(("text", "precision"), [("2024-02", Precision.MONTH), ("2024", Precision.YEAR)])
def test_a_date_by_month_or_year_sets_no_due_time(text, precision):
    facts = line(changed(text, value="transparent", known="2024-03-02 08:00"), placed=None)

    item = item_at(facts, "2024-03-05 08:00")

    assert (item.state, item.reason.code, item.due) == (State.UNKNOWN, "unknown-coarse-date", None)
    assert value_of(item.reason, "precision") == precision


def test_an_exact_change_counts_beside_a_coarse_one():
    facts = line(changed("2024-02", value="gauze", known="2024-03-02 08:00"), CHANGED)

    assert item_at(facts, "2024-03-05 08:00").due == iso("2024-03-11T14:30:00Z")


def test_undated_on_a_dressing_without_a_date_makes_it_due():
    item = item_at(line(seen("2024-03-05 08:00", "undated"), placed=None), "2024-03-05 08:00")

    assert (item.state, item.reason.code) == (State.DUE, "due-undated")


def test_undated_on_a_charted_dressing_is_a_row_until_the_next_change():
    facts = line(CHANGED, seen("2024-03-05 08:00", "undated"), changed("2024-03-06 08:00", value="transparent"))

    found = [item_at(facts, moment) for moment in ("2024-03-05 08:00", "2024-03-06 08:00")]

    assert [(item.state, codes(item.beside)) for item in found] == [
        (State.NOT_DUE, {"label-undated"}),
        (State.NOT_DUE, set()),
    ]


def test_an_undated_dressing_says_nothing_of_the_needle():
    facts = port(seen("2024-03-05 08:00", "undated"))

    assert state_at(facts, "2024-03-05 08:00", item="dressing-change") is State.DUE
    assert state_at(facts, "2024-03-05 08:00", item="port-needle-change") is State.UNKNOWN


KIND_OF_A_CHANGE = [
    # (usual kind of the unit, kind before, due, what was assumed): the shorter of both (design 2.3.5)
    pytest.param("transparent", "transparent", "2024-03-11T14:30:00Z", "transparent", id="usual and before 7 d"),
    pytest.param("transparent", "gauze", "2024-03-06T14:30:00Z", "gauze", id="before shorter: 48 h"),
    pytest.param("gauze", "transparent", "2024-03-06T14:30:00Z", "gauze", id="usual shorter: 48 h"),
    pytest.param("transparent", None, "2024-03-11T14:30:00Z", "transparent", id="none before: usual"),
]


@pytest.mark.parametrize(("usual", "before", "due", "kind"), KIND_OF_A_CHANGE)
def test_kind_not_charted_at_a_change(usual, before, due, kind):
    with_usual = policy(units=(unit(usual_dressing=usual),))

    item = item_at(line(changed("2024-03-04 14:30"), dressing=before), "2024-03-05 08:00", by=with_usual)

    assert item.due == iso(due)
    assert [(reason.code, value_of(reason, "kind")) for reason in item.assumed] == [("assumed-usual", kind)]


def test_kind_not_charted_at_a_change_and_no_usual_kind_is_unknown_from_the_gauze_interval_on():
    facts = line(changed("2024-03-04 14:30"))
    before, after = (item_at(facts, moment) for moment in ("2024-03-06 14:29:59", "2024-03-06 14:30"))

    assert (before.state, before.reason.code) == (State.NOT_DUE, "interval-kind-not-charted")
    assert before.next_change == iso("2024-03-06T14:30:00Z")
    assert (after.state, after.reason.code, after.next_change) == (State.UNKNOWN, "unknown-kind", None)


def test_kind_not_charted_at_insertion_says_that_it_asks():
    item = item_at(line(dressing=None), "2024-03-02 08:00")

    assert item.due == iso("2024-03-03T10:00:00Z")  # 1 + 2 days
    assert [(reason.code, value_of(reason, "kind")) for reason in item.assumed] == [("assumed-ask", "gauze")]


def test_the_habit_of_the_unit_where_the_dressing_was_put_on_fills_in_its_kind():
    habits = policy(units=(unit(), unit("otter", usual_dressing="transparent")))
    stays = (
        stay(
            "E",
            "2024-03-01 08:00",
            None,
            ("otter-1", "2024-03-01 08:00", "2024-03-05 08:00"),
            ("heron-1", "2024-03-05 08:00", None),
        ),
    )

    item = item_at(line(changed("2024-03-04 14:30")), "2024-03-05 12:00", by=habits, stays=stays, places=PLACES)

    assert (item.due, codes(item.assumed)) == (iso("2024-03-11T14:30:00Z"), {"assumed-usual"})


# --- Labels and reports ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "basis"),
    [(FactKind.LABEL_DATE, AnchorBasis.LABEL), (FactKind.CHANGE_REPORTED, AnchorBasis.REPORTED)],
)
def test_a_date_read_or_reported_sets_the_clock_and_says_so(kind, basis):
    # Read on 5 March: "4 March". By day: from its first instant, 4 + 7 = 11 March 00:00.
    facts = line(fact(kind, "2024-03-04", known="2024-03-05 08:00", value="transparent"), placed=None)

    assert state_at(facts, "2024-03-05 07:59:59") is State.UNKNOWN
    item = item_at(facts, "2024-03-05 08:00")
    assert (item.state, item.due) == (State.NOT_DUE, iso("2024-03-11T00:00:00Z"))
    assert (item.anchor.basis, value_of(item.reason, "basis")) == (basis, basis)


def test_the_latest_of_change_label_and_report_counts_whatever_was_entered_last():
    # H11: the change of 4 March was entered last.
    late = changed("2024-03-04 14:30", value="transparent", known="2024-03-07 08:00")
    label = fact(FactKind.LABEL_DATE, "2024-03-06", known="2024-03-06 20:00", value="transparent")

    item = item_at(line(late, label), "2024-03-07 08:00")

    assert (item.due, item.anchor.basis) == (iso("2024-03-13T00:00:00Z"), AnchorBasis.LABEL)  # 6 + 7


def test_a_label_older_than_a_charted_change_counts_for_nothing():
    label = fact(FactKind.LABEL_DATE, "2024-03-02", known="2024-03-05 08:00", value="transparent")

    item = item_at(line(CHANGED, label), "2024-03-05 09:00")

    assert (item.due, item.anchor.basis) == (iso("2024-03-11T14:30:00Z"), AnchorBasis.CHANGE)


def test_a_change_charted_beside_the_insertion_of_one_instant_is_the_one_cited():
    facts = line(changed("2024-03-01 10:00", value="transparent"), dressing="gauze")

    item = item_at(facts, "2024-03-02 08:00")

    assert (item.anchor.basis, item.due) == (AnchorBasis.CHANGE, iso("2024-03-08T10:00:00Z"))  # 1 + 7


# --- Seen within 24 hours -----------------------------------------------------------------------------------------------

BORN = when("2024-02-20")
CHILD = Person(id="P", birth=BORN, gestation_days=28 * 7)


def test_a_neonates_dressing_is_known_for_24_hours_after_it_was_seen_intact():
    # SHEA-NICU-2022 rec. 2: integrity inspected at least daily, no interval.
    facts = line(CHANGED, seen("2024-03-06 02:10"))

    known = item_at(facts, "2024-03-07 02:09:59", person=CHILD)
    assert (known.state, known.reason.code, known.due) == (State.NOT_DUE, "seen-within", None)
    assert known.next_change == iso("2024-03-07T02:10:00Z")
    unknown = item_at(facts, "2024-03-07 02:10", person=CHILD)
    assert (unknown.state, unknown.reason.code) == (State.UNKNOWN, "unknown-not-seen")


def test_a_change_counts_as_seen_intact():
    states(line(CHANGED), {"2024-03-05 14:29:59": State.NOT_DUE, "2024-03-05 14:30": State.UNKNOWN}, person=CHILD)


def test_a_neonates_dressing_that_nobody_charted_is_unknown():
    facts = line(kind="picc", placed=None)
    in_nursery = policy(units=(unit(neonatal=True, usual_dressing="transparent"),))

    item = item_at(facts, "2024-03-05 08:00", by=in_nursery)

    assert (item.state, item.reason.code) == (State.UNKNOWN, "unknown-never-seen")


def test_seen_intact_charted_for_a_later_time_counts_from_its_entry():
    # H10: a slip of the year does not make a dressing known for a year. Entered 6 March 02:10.
    facts = line(CHANGED, seen("2025-03-06 02:10", known="2024-03-06 02:10"))

    states(facts, {"2024-03-07 02:09:59": State.NOT_DUE, "2024-03-07 02:10": State.UNKNOWN}, person=CHILD)


def test_gauze_on_a_neonate_keeps_its_interval():
    facts = line(changed("2024-03-04 14:30", value="gauze"))

    assert item_at(facts, "2024-03-05 08:00", person=CHILD).due == iso("2024-03-06T14:30:00Z")


OUTGROWN = [
    # (birth, gestation in weeks, the first instant at which the rules of older patients hold): the last instant that the
    # birth may mean + (44 weeks - gestation); term is 40 weeks. H28.
    pytest.param("2024-02-20", 28, "2024-06-11T23:59:59Z", id="28 weeks: 112 d after 20 Feb 23:59:59"),
    pytest.param("2024-02-20", 36, "2024-04-16T23:59:59Z", id="36 weeks: 56 d"),
    pytest.param("2024-02-20", None, "2024-03-19T23:59:59Z", id="gestation not charted, read as term: 28 d"),
    pytest.param("2024-02-20 10:00", None, "2024-03-19T10:00:00Z", id="by the second: 28 d"),
    pytest.param("2024-02", None, "2024-03-28T23:59:59Z", id="by month: 28 d after 29 Feb 23:59:59"),
    pytest.param("2024", None, "2025-01-28T23:59:59Z", id="by year: 28 d after 31 Dec 23:59:59"),
]


@pytest.mark.parametrize(("birth", "weeks", "until"), OUTGROWN)
def test_the_reading_that_makes_a_patient_youngest_counts(birth, weeks, until):
    # Hospital card based on a paediatric network bundle (V27): birth to 44 weeks corrected gestational age.
    person = Person(id="P", birth=when(birth), gestation_days=None if weeks is None else weeks * 7)
    last = iso(until) - 3600
    facts = line(changed(exactly(last), value="transparent"), placed="2024-02-21 10:00")

    rules = [item_at(facts, iso(until) + seconds, person=person).rule for seconds in (-1, 0, 1)]

    assert rules == ["neonate-seen", "transparent-7", "transparent-7"]


@pytest.mark.parametrize(("neonatal", "rule"), [(True, "neonate-seen"), (False, "transparent-7")])
def test_without_a_birth_date_the_unit_decides(neonatal, rule):
    assert item_at(line(CHANGED), "2024-03-05 08:00", by=policy(units=(unit(neonatal=neonatal),))).rule == rule


# --- A change of rule makes due, not overdue (H32) -----------------------------------------------------------------------


def test_by_age():
    # Outgrown 11 June 23:59:59; changed 1 May, so due since 8 May. Day shift of 12 June: 07:00 to 19:00.
    facts = line(changed("2024-05-01 10:00", value="transparent"), seen("2024-06-11 20:00"))

    states(
        facts,
        {
            "2024-06-11 23:59:58": State.NOT_DUE,
            "2024-06-11 23:59:59": State.DUE,
            "2024-06-12 18:59:59": State.DUE,
            "2024-06-12 19:00": State.OVERDUE,
        },
        person=CHILD,
    )


SHORTER_IN_OTTER = policy(
    rules=exchanged(
        (*RULES, interval("otter-2", 2, dressing_kinds=WITHIN_7_DAYS, age=AgeGroup.OLDER, units=("otter",))),
    )
)


def moved(*moves):
    """Return one stay that goes through places: pairs of place and since when."""
    spans = [(place, begun, after[1]) for (place, begun), after in pairwise([*moves, ("", None)])]
    return (stay("E", "2024-02-01 08:00", None, *spans),)


@pytest.mark.parametrize(
    ("moment_of_transfer", "overdue"),
    [
        # To Otter (2 days; due 4 + 2 = 6 March 14:30): overdue after the first day shift that begins after the transfer.
        ("2024-03-08 06:59:59", "2024-03-08 19:00"),
        ("2024-03-08 07:00", "2024-03-09 19:00"),
        ("2024-03-08 10:00", "2024-03-09 19:00"),
        ("2024-03-08 23:00", "2024-03-09 19:00"),
        # The new interval has not run out yet: due 6 March 14:30, still spared until 7 March 19:00.
        ("2024-03-06 12:00", "2024-03-07 19:00"),
    ],
)
def test_by_transfer(moment_of_transfer, overdue):
    stays = moved(("heron-1", "2024-02-01 08:00"), ("otter-1", moment_of_transfer))
    says = {"by": SHORTER_IN_OTTER, "stays": stays, "places": PLACES}
    begins = max(at(moment_of_transfer), iso("2024-03-06T14:30:00Z"))

    assert state_at(line(CHANGED), at(moment_of_transfer) - 1, **says) is State.NOT_DUE
    assert state_at(line(CHANGED), begins, **says) is State.DUE
    assert item_at(line(CHANGED), begins, **says).overdue_from == at(overdue)
    assert state_at(line(CHANGED), at(overdue) - 1, **says) is State.DUE
    assert state_at(line(CHANGED), overdue, **says) is State.OVERDUE


def test_by_transfer_and_back():
    # Otter lets it be 14 days. Back in Heron (7 days, due 11 March) on 13 March 10:00: overdue 14 March 19:00.
    longer = policy(rules=exchanged((*RULES, interval("otter-14", 14, dressing_kinds=WITHIN_7_DAYS, units=("otter",)))))
    stays = moved(("heron-1", "2024-02-01 08:00"), ("otter-1", "2024-03-06 10:00"), ("heron-1", "2024-03-13 10:00"))

    states(
        line(CHANGED),
        {
            "2024-03-13 09:59:59": State.NOT_DUE,
            "2024-03-13 10:00": State.DUE,
            "2024-03-14 18:59:59": State.DUE,
            "2024-03-14 19:00": State.OVERDUE,
        },
        by=longer,
        stays=stays,
    )


def test_what_was_overdue_before_the_transfer_stays_overdue():
    stays = moved(("heron-1", "2024-02-01 08:00"), ("otter-1", "2024-03-13 10:00"))

    states(
        line(CHANGED),
        {"2024-03-11 14:30:01": State.OVERDUE, "2024-03-13 10:00": State.OVERDUE, "2024-03-14 10:00": State.OVERDUE},
        by=SHORTER_IN_OTTER,
        stays=stays,
    )


def test_a_transfer_to_a_unit_of_the_same_rules_spares_nothing():
    stays = moved(("heron-1", "2024-02-01 08:00"), ("heron-2", "2024-03-11 10:00"))

    states(line(CHANGED), {"2024-03-11 14:30": State.DUE, "2024-03-11 14:30:01": State.OVERDUE}, stays=stays)


def dated(*values):
    """Return a policy whose transparent rule has values by date."""
    rules = [rule for rule in RULES if rule.id != "transparent-7"]
    return policy(
        rules=(*rules, *(interval("transparent", days, dressing_kinds=WITHIN_7_DAYS, **says) for days, says in values))
    )


def test_by_policy():
    # From 9 March 00:00 on 3 instead of 7 days: due since 4 + 3 = 7 March; day shift of 9 March ends at 19:00.
    shortened = dated((7, {"until": date(2024, 3, 9)}), (3, {"since": date(2024, 3, 9)}))

    assert item_at(line(CHANGED), "2024-03-08 12:00", by=shortened).next_change == iso("2024-03-09T00:00:00Z")
    assert item_at(line(CHANGED), "2024-03-09 00:00", by=shortened).next_change == iso("2024-03-09T19:00:00Z")
    states(
        line(CHANGED),
        {
            "2024-03-08 23:59:59": State.NOT_DUE,
            "2024-03-09 00:00": State.DUE,
            "2024-03-09 18:59:59": State.DUE,
            "2024-03-09 19:00": State.OVERDUE,
        },
        by=shortened,
    )


def test_by_policy_at_the_midnight_of_the_unit_that_states_a_zone():
    # Heron here lies in Tokyo (+09:00): 9 March begins at 15:00 UTC on the 8th; its day shift ends 19:00 = 10:00 UTC.
    tokyo = ZoneInfo("Asia/Tokyo")
    places = {"heron-1": replace(PLACES["heron-1"], zone=tokyo)}
    shortened = dated((7, {"until": date(2024, 3, 9)}), (3, {"since": date(2024, 3, 9)}))
    says = {"by": shortened, "places": places, "stays": moved(("heron-1", "2024-02-01 08:00"))}

    assert item_at(line(CHANGED), "2024-03-08 12:00", **says).next_change == iso("2024-03-08T15:00:00Z")
    states(
        line(CHANGED),
        {
            "2024-03-08 14:59:59": State.NOT_DUE,
            "2024-03-08 15:00": State.DUE,
            "2024-03-09 09:59:59": State.DUE,
            "2024-03-09 10:00": State.OVERDUE,
        },
        **says,
    )


def test_a_new_entry_with_the_same_interval_spares_nothing():
    renamed = dated((7, {"until": date(2024, 3, 11)}), (7, {"since": date(2024, 3, 11)}))

    states(line(CHANGED), {"2024-03-11 14:30": State.DUE, "2024-03-11 14:30:01": State.OVERDUE}, by=renamed)


def test_a_line_keeps_the_zone_of_the_unit_in_which_its_dressing_was_put_on():
    # Changed 4 March 23:30 UTC in Heron, +09:00: there it is 5 March 08:30. By calendar days due 5 + 7 = 12 March 00:00
    # +09:00 = 11 March 15:00 UTC, also after the move to Otter, which lies in UTC (design 2.2.1).
    by_days = policy(
        rules=exchanged(RULES, interval("transparent-7", 7, dressing_kinds=WITHIN_7_DAYS, basis=Basis.CALENDAR))
    )
    places = {**PLACES, "heron-1": replace(PLACES["heron-1"], zone=ZoneInfo("Asia/Tokyo"))}
    stays = moved(("heron-1", "2024-02-01 08:00"), ("otter-1", "2024-03-06 10:00"))
    facts = line(changed("2024-03-04 23:30", value="transparent"))

    item = item_at(facts, "2024-03-07 12:00", by=by_days, stays=stays, places=places)

    assert (item.due, item.overdue_from) == (iso("2024-03-11T15:00:00Z"), iso("2024-03-12T15:00:00Z"))


# --- Deferred ------------------------------------------------------------------------------------------------------------

DEFERRALS = [
    # (reason, charted, until): next shift start for what was refused or unstable; off the unit at most 4 h (all practice)
    pytest.param("refused", "2024-03-11 08:00", "2024-03-11 19:00", id="refused by day"),
    pytest.param("refused", "2024-03-11 06:59:59", "2024-03-11 07:00", id="refused one second before the shift"),
    pytest.param("refused", "2024-03-11 07:00", "2024-03-11 19:00", id="refused as the shift begins"),
    pytest.param("refused", "2024-03-10 20:00", "2024-03-11 07:00", id="refused at night"),
    pytest.param("unstable", "2024-03-11 08:00", "2024-03-11 19:00", id="unstable"),
    pytest.param("other", "2024-03-11 08:00", "2024-03-11 19:00", id="other"),
    pytest.param(None, "2024-03-11 08:00", "2024-03-11 19:00", id="no reason charted"),
    pytest.param("off-unit", "2024-03-11 08:00", "2024-03-11 12:00", id="off the unit, no return charted"),
]
LONG_DUE = policy(rules=exchanged(RULES, interval("transparent-7", 5, dressing_kinds=WITHIN_7_DAYS, grace=3 * DAY)))


@pytest.mark.parametrize(("why", "charted", "until"), DEFERRALS)
def test_deferred_until(why, charted, until):
    # Due since 4 + 5 = 9 March 14:30, overdue after 12 March 14:30.
    facts = line(CHANGED, not_done(charted, why))

    item = item_at(facts, charted, by=LONG_DUE)

    assert (item.state, value_of(item.reason, "until"), item.next_change) == (State.DEFERRED, at(until), at(until))
    assert value_of(item.reason, "why") == (why or "not charted")
    assert state_at(facts, at(until) - 1, by=LONG_DUE) is State.DEFERRED
    assert state_at(facts, until, by=LONG_DUE) is State.DUE


@pytest.mark.parametrize(
    ("moves", "until"),
    [
        # Off the unit charted 08:00. Back + 1 h, at most 08:00 + 4 h = 12:00 (practice).
        pytest.param([("theatre", "2024-03-11 07:30"), ("heron-1", "2024-03-11 09:15")], "2024-03-11 10:15", id="back"),
        pytest.param(
            [("theatre", "2024-03-11 08:10"), ("heron-1", "2024-03-11 09:15")], "2024-03-11 10:15", id="left later"
        ),
        pytest.param(
            [("theatre", "2024-03-11 07:30"), ("heron-1", "2024-03-11 11:00")], "2024-03-11 12:00", id="back at 3 h"
        ),
        pytest.param(
            [("theatre", "2024-03-11 07:30"), ("heron-1", "2024-03-11 11:30")], "2024-03-11 12:00", id="back late"
        ),
        pytest.param([("theatre", "2024-03-11 08:10")], "2024-03-11 12:00", id="not back"),
        pytest.param([("mars", "2024-03-11 09:00")], "2024-03-11 10:00", id="a place we do not know counts as back"),
    ],
)
def test_off_unit_until_the_return(moves, until):
    stays = moved(("heron-1", "2024-02-01 08:00"), *moves)

    item = item_at(
        line(CHANGED, not_done("2024-03-11 08:00", "off-unit")), "2024-03-11 08:30", by=LONG_DUE, stays=stays
    )

    assert value_of(item.reason, "until") == at(until)


def test_refused_twice_says_so():
    facts = line(CHANGED, not_done("2024-03-11 08:00", "refused"), not_done("2024-03-11 20:00", "refused"))

    assert item_at(facts, "2024-03-11 08:00", by=LONG_DUE).reason.code == "deferred"
    assert item_at(facts, "2024-03-11 20:00", by=LONG_DUE).reason.code == "deferred-refused-again"


def test_refused_once_and_put_off_once_is_not_refused_twice():
    facts = line(CHANGED, not_done("2024-03-11 08:00", "unstable"), not_done("2024-03-11 20:00", "refused"))

    assert item_at(facts, "2024-03-11 20:00", by=LONG_DUE).reason.code == "deferred"


def test_a_change_ends_a_deferral_and_its_count():
    facts = line(
        CHANGED,
        not_done("2024-03-11 08:00", "refused"),
        changed("2024-03-11 09:00", value="transparent"),
        not_done("2024-03-16 12:00", "refused"),
    )

    assert state_at(facts, "2024-03-11 09:00", by=LONG_DUE) is State.NOT_DUE
    assert item_at(facts, "2024-03-16 12:00", by=LONG_DUE).reason.code == "deferred"


def test_overdue_stays_overdue_with_the_deferral_beside_it_until_that_ends():
    facts = line(CHANGED, not_done("2024-03-11 15:00", "refused"))

    item = item_at(facts, "2024-03-11 15:00")

    assert (item.state, codes(item.beside), item.next_change) == (State.OVERDUE, {"deferred"}, at("2024-03-11 19:00"))
    assert item_at(facts, "2024-03-11 19:00").beside == ()


# --- Paused --------------------------------------------------------------------------------------------------------------


def test_a_pause_holds_to_its_review_date_and_then_says_that_it_was_not_reviewed():
    facts = line(CHANGED, PAUSED)

    found = {text: item_at(facts, text) for text in ("2024-03-05 08:59:59", "2024-03-20 09:00", "2024-03-20 09:00:01")}

    assert [(item.state, codes(item.beside)) for item in found.values()] == [
        (State.NOT_DUE, set()),
        (State.PAUSED, {"interval"}),
        (State.OVERDUE, {"pause-not-reviewed"}),
    ]
    paused = found["2024-03-20 09:00"]
    assert (value_of(paused.reason, "why"), paused.next_change) == ("comfort-care", iso("2024-03-20T09:00:01Z"))


def test_a_review_date_by_day_holds_to_the_end_of_that_day():
    facts = line(CHANGED, fact(FactKind.PAUSED, "2024-03-05 09:00", until="2024-03-20"))

    states(facts, {"2024-03-20 23:59:59": State.PAUSED, "2024-03-21 00:00": State.OVERDUE})
    assert value_of(item_at(facts, "2024-03-20 12:00").reason, "why") == "not charted"


def test_a_pause_without_a_review_date_pauses_nothing():
    assert state_at(line(CHANGED, fact(FactKind.PAUSED, "2024-03-05 09:00")), "2024-03-06 09:00") is State.NOT_DUE


def test_the_pause_charted_last_counts():
    again = fact(FactKind.PAUSED, "2024-03-19 09:00", until="2024-03-30 09:00")

    assert state_at(line(CHANGED, PAUSED, again), "2024-03-25 09:00") is State.PAUSED


def test_leave_of_absence_pauses():
    item = item_at(line(CHANGED), "2024-03-12 08:00", stays=(stay("E", "2024-02-01 08:00", status="onleave"),))

    assert (item.state, item.reason.code) == (State.PAUSED, "paused-leave")
    assert state_at(line(CHANGED), "2024-03-12 08:00", stays=(stay("E", "2024-02-01 08:00"),)) is State.OVERDUE


def test_a_site_concern_stands_through_a_pause():
    facts = line(CHANGED, PAUSED, fact(FactKind.SITE_SEEN, "2024-03-06 08:00", findings=("redness",)))

    site = site_at(facts, "2024-03-06 08:00")

    assert site.items[0].state is State.PAUSED
    assert (site.concern.state, site.concern.priority) == (State.DUE, Priority.URGENT)


# --- Stays and whereabouts -------------------------------------------------------------------------------------------------

HOME_AND_BACK = (
    stay("E1", "2024-02-20 08:00", "2024-03-06 12:00"),
    stay("E2", "2024-03-08 10:00"),
)


def test_on_readmission_a_dressing_is_unknown_until_something_is_charted_about_it():
    facts = line(CHANGED, seen("2024-03-05 08:00", "loose"), changed("2024-03-09 09:00", value="transparent"))

    back = item_at(facts, "2024-03-08 10:00", stays=HOME_AND_BACK)
    assert (back.state, back.reason.code, back.findings) == (State.UNKNOWN, "unknown-since-arrival", ())
    assert value_of(back.reason, "since") == at("2024-03-08 10:00")
    charted = item_at(facts, "2024-03-09 09:00", stays=HOME_AND_BACK)
    assert (charted.state, charted.due) == (State.NOT_DUE, iso("2024-03-16T09:00:00Z"))  # 9 + 7


def test_a_change_reported_after_readmission_counts_though_it_was_done_at_home():
    reported = fact(FactKind.CHANGE_REPORTED, "2024-03-07", known="2024-03-08 11:00", value="transparent")

    item = item_at(line(CHANGED, reported), "2024-03-08 11:00", stays=HOME_AND_BACK)

    assert (item.due, item.anchor.basis) == (iso("2024-03-14T00:00:00Z"), AnchorBasis.REPORTED)  # 7 + 7


@pytest.mark.parametrize(
    ("again", "state"),
    [("2024-03-06 15:59:59", State.NOT_DUE), ("2024-03-06 16:00", State.UNKNOWN)],
)
def test_a_stay_that_goes_on_within_4_hours_is_one_watch(again, state):
    # Common practice, no source: 12:00 + 4 h = 16:00.
    stays = (stay("E1", "2024-02-20 08:00", "2024-03-06 12:00"), stay("E2", again))

    assert state_at(line(CHANGED), "2024-03-06 17:00", stays=stays) is state


def test_after_discharge_nothing_changes_for_4_hours_and_the_state_says_when():
    stays = (stay("E1", "2024-02-20 08:00", "2024-03-06 12:00"),)

    item = item_at(line(CHANGED), "2024-03-06 13:00", stays=stays)
    assert (item.state, item.next_change) == (State.NOT_DUE, iso("2024-03-06T16:00:00Z"))
    away = site_at(line(CHANGED), "2024-03-06 16:00", stays=stays)
    assert (away.whereabouts, away.items, away.concern) == (Whereabouts.AWAY, (), None)


def test_a_line_that_does_not_go_home_asks_for_nothing_when_its_patient_is_back():
    site = site_at(line(CHANGED, kind="nontunnelled-cvc"), "2024-03-08 11:00", stays=HOME_AND_BACK)

    assert (site.whereabouts, site.items) == (Whereabouts.REMOVAL_NOT_CHARTED, ())


def test_a_removed_line_asks_for_nothing():
    facts = line(CHANGED, removed("2024-03-06 09:00"))

    assert state_at(facts, "2024-03-06 08:59:59") is State.NOT_DUE
    assert site_at(facts, "2024-03-06 09:00").items == ()


def test_a_line_charted_about_after_its_removal_is_unknown():
    # H21; more than 30 min after: common practice, no source.
    facts = line(CHANGED, removed("2024-03-06 09:00"), used("2024-03-06 09:30:01"))

    site = site_at(facts, "2024-03-06 10:00")

    (item,) = site.items
    assert (site.whereabouts, item.state, item.priority) == (
        Whereabouts.USED_AFTER_REMOVAL,
        State.UNKNOWN,
        Priority.URGENT,
    )
    assert (item.item, item.reason.code) == ("dressing-change", "unknown-used-after-removal")
    assert value_of(item.reason, "at") == iso("2024-03-06T09:00:00Z")


def test_a_line_said_to_be_gone_asks_for_nothing():
    # H22
    site = site_at(line(CHANGED, fact(FactKind.LINE_NOT_PRESENT, "2024-03-06 09:00")), "2024-03-06 10:00")

    assert (site.whereabouts, site.items) == (Whereabouts.SAID_TO_BE_GONE, ())


def test_a_line_not_yet_placed_asks_for_nothing():
    facts = line(placed="2024-03-04 10:00")

    assert site_at(facts, "2024-03-04 09:59:59", known_by=at("2024-03-05")).whereabouts is Whereabouts.NOT_YET


def test_the_place_of_the_patient_is_told():
    site = site_at(line(CHANGED), "2024-03-05 08:00", stays=moved(("otter-1", "2024-02-01 08:00")))

    assert (site.place, site.unit, site.encounter) == ("otter-1", "otter", "E")


# --- Two devices under one dressing -----------------------------------------------------------------------------------------


def introducer_and_catheter(*facts):
    """Return an introducer, its catheter through it six days later, and facts that name the introducer."""
    placed = inserted(
        "2024-03-01 10:00", kind="introducer", source="Procedure/i", site="neck", side="left", value="transparent"
    )
    through = inserted(
        "2024-03-03 10:00", kind="pulmonary-artery", source="Procedure/p", site="neck", side="left", value="gauze"
    )
    return (placed, through, *facts)


def test_one_change_clears_both_and_the_one_item_asks_for_both():
    facts = introducer_and_catheter(
        seen("2024-03-04 08:00", "loose", part_of="Procedure/p"),
        changed("2024-03-04 14:30", value="transparent", part_of="Procedure/i"),
    )

    (site,) = sites_at(facts, "2024-03-04 14:00")
    assert [item.state for item in site.items] == [State.COMPROMISED]
    after = item_at(facts, "2024-03-05 08:00")
    assert (after.state, after.due) == (State.NOT_DUE, iso("2024-03-11T14:30:00Z"))


def test_a_new_line_through_an_old_one_starts_the_dressing_anew():
    assert item_at(introducer_and_catheter(), "2024-03-03 12:00").due == iso("2024-03-05T10:00:00Z")  # gauze, 3 + 2


def test_removing_one_device_leaves_the_item_standing():
    facts = introducer_and_catheter(
        changed("2024-03-04 14:30", value="transparent", part_of="Procedure/i"),
        removed("2024-03-06 09:00", part_of="Procedure/p"),
    )

    assert item_at(facts, "2024-03-06 10:00").due == iso("2024-03-11T14:30:00Z")


def test_an_item_is_waived_only_where_it_is_waived_for_every_line_under_the_dressing():
    tunnelled = device("Device/a", "2024-03-01 10:00", kind="tunnelled-cvc")
    beside = device("Device/b", "2024-03-01 10:00", kind="umbilical-venous", part_of="Device/a")
    healed = fact(FactKind.SITE_HEALED, "2024-03-02 10:00", device="Device/a")

    (both,) = sites_at((tunnelled, beside, healed), "2024-03-03 10:00")
    (one,) = sites_at((tunnelled, beside), "2024-03-03 10:00")

    assert [item.state for item in both.items] == [State.NOT_REQUIRED]
    assert [item.state for item in one.items] == [State.UNKNOWN]


# --- When the state next changes ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("facts", "moment", "coming"),
    [
        pytest.param((CHANGED,), "2024-03-05 08:00", "2024-03-10T19:00:00Z", id="not due: to the window"),
        pytest.param((CHANGED,), "2024-03-10 19:00", "2024-03-11T14:30:00Z", id="window open: to due"),
        pytest.param((CHANGED,), "2024-03-11 14:30", "2024-03-11T14:30:01Z", id="due: to overdue"),
        pytest.param((CHANGED,), "2024-03-11 14:30:01", None, id="overdue: not by itself"),
        pytest.param(
            (CHANGED, seen("2024-03-05 08:00", "loose")), "2024-03-05 08:00", "2024-03-10T19:00:00Z", id="compromised"
        ),
        pytest.param(
            # Charted for ten minutes after its own entry, within the tolerance: it counts from its own time.
            (CHANGED, changed("2024-03-06 08:10", value="transparent", known="2024-03-06 08:00")),
            "2024-03-06 08:00",
            "2024-03-06T08:10:00Z",
            id="a change that lies minutes ahead",
        ),
        pytest.param(
            (CHANGED, removed("2024-03-06 08:10", known="2024-03-06 08:00")),
            "2024-03-06 08:00",
            "2024-03-06T08:10:00Z",
            id="a removal that lies minutes ahead",
        ),
    ],
)
def test_when_the_state_next_changes_by_itself(facts, moment, coming):
    # 11 March 14:30 - 12 h = 02:30: the shift that began on 10 March 19:00.
    expected = None if coming is None else iso(coming)

    assert item_at(line(*facts), moment).next_change == expected


def test_the_next_change_is_not_after_a_change_of_rule_by_age():
    facts = line(changed("2024-06-11 23:00", value="transparent"))

    assert item_at(facts, "2024-06-11 23:30", person=CHILD).next_change == iso("2024-06-11T23:59:59Z")


def test_what_a_state_says_of_itself():
    item = item_at(line(CHANGED, seen("2024-03-07 02:10")), "2024-03-08 12:00")

    assert (item.window_from, item.due, item.overdue_from) == (
        iso("2024-03-10T19:00:00Z"),
        iso("2024-03-11T14:30:00Z"),
        iso("2024-03-11T14:30:01Z"),
    )
    assert item.last_seen_intact == iso("2024-03-07T02:10:00Z")
    assert dict(item.reason.values) == {
        "basis": "change",
        "anchor": iso("2024-03-04T14:30:00Z"),
        "precision": "second",
        "kind": "transparent",
        "days": "7",
        "due": iso("2024-03-11T14:30:00Z"),
        "rule": "transparent-7",
    }


def test_an_item_that_no_rule_asks_for_is_not_there():
    assert [item.item for item in site_at(line(CHANGED), "2024-03-05 08:00").items] == ["dressing-change"]


def test_a_dressing_that_no_rule_speaks_of_has_no_item():
    # A policy that leaves a kind of dressing out is refused before it comes here (mapping.check_coverage).
    facts = line(changed("2024-03-04 14:30", value="a kind without a rule"))

    assert site_at(facts, "2024-03-05 08:00").items == ()


def test_under_the_shipped_policy_every_kind_of_line_comes_out_with_a_dressing_state():
    for kind in shipped_policy().line_kinds:
        item = item_at(line(kind=kind.code, placed=None), "2024-03-05 08:00", by=shipped_policy())
        expected = State.UNKNOWN if kind.dressing and kind.code != "implanted-port" else State.NOT_REQUIRED
        assert item.state is expected, kind.code
