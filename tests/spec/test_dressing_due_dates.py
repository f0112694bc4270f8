"""When a dressing is due: clinical-facts TV-6, every row, by elapsed hours and by calendar days.

The rules are those of the published sources named at each row; the dates are made up and the arithmetic stands beside
them. Hours counted against calendar days, grace 0, and the window are common practice, no source.
"""

from dataclasses import replace
from datetime import time
from zoneinfo import ZoneInfo

import pytest

from linedays.core.model import FactKind, Person
from linedays.core.moment import Moment, Precision
from linedays.core.policy import Basis, IntervalRule, Policy
from linedays.core.states import State
from support.builders import changed, fact, seen
from support.policies import (
    LIMITS,
    POLICY,
    RULES,
    exchanged,
    interval,
    iso,
    item_at,
    line,
    policy,
    shipped_policy,
    state_at,
    unit,
)

BERLIN, NEW_YORK = ZoneInfo("Europe/Berlin"), ZoneInfo("America/New_York")
TSM = "CDC-2011 Catheter Site Dressing Regimens rec. 7 (IB), INS-2024 Std 39: transparent, at least every 7 days"
GAUZE = "CDC-2011 Catheter Site Dressing Regimens rec. 6 (II), INS-2024 Std 39: gauze, every 2 days"
UNDER = "RNAO best practice guideline: gauze under a transparent dressing counts as gauze"
WINGS = "INS-2006 (as quoted; later editions from memory): gauze that only supports the port needle, 7 days"
NEEDLE = "INS via the Royal Marsden Manual: port needle, 7 days, with the dressing"

# Every row: id, the source, kind of line, dressing, zone, anchor; then by hand the elapsed due instant and, by
# calendar, the first instants at which it is due and overdue. Offsets: Berlin +01:00 in winter; New York -05:00, from
# 10 March until 3 November 2024 -04:00.
ROWS = [
    pytest.param(
        TSM,
        "picc",
        "transparent",
        BERLIN,
        "2024-03-04T14:30:00+01:00",
        "2024-03-11T14:30:00+01:00",  # 4 + 7 = 11 March; 168 h
        ("2024-03-11T00:00:00+01:00", "2024-03-12T00:00:00+01:00"),
        id="tv6-1 transparent",
    ),
    pytest.param(
        GAUZE,
        "picc",
        "gauze",
        BERLIN,
        "2024-03-04T14:30:00+01:00",
        "2024-03-06T14:30:00+01:00",  # 4 + 2 = 6 March; 48 h
        ("2024-03-06T00:00:00+01:00", "2024-03-07T00:00:00+01:00"),
        id="tv6-2 gauze",
    ),
    pytest.param(
        UNDER,
        "picc",
        "gauze-under-transparent",
        BERLIN,
        "2024-03-04T14:30:00+01:00",
        "2024-03-06T14:30:00+01:00",  # as gauze
        ("2024-03-06T00:00:00+01:00", "2024-03-07T00:00:00+01:00"),
        id="tv6-3 gauze under transparent",
    ),
    pytest.param(
        WINGS,
        "implanted-port",
        "gauze-supporting-needle",
        BERLIN,
        "2024-03-04T14:30:00+01:00",
        "2024-03-11T14:30:00+01:00",  # 7 days, not 2
        ("2024-03-11T00:00:00+01:00", "2024-03-12T00:00:00+01:00"),
        id="tv6-4 gauze under the wings of a port needle",
    ),
    pytest.param(
        TSM,
        "picc",
        "transparent",
        BERLIN,
        "2024-02-26T09:00:00+01:00",
        "2024-03-04T09:00:00+01:00",  # 26 Feb + 3 d = 29 Feb (leap year), + 4 d = 4 March
        ("2024-03-04T00:00:00+01:00", "2024-03-05T00:00:00+01:00"),
        id="tv6-5 over 29 February",
    ),
    pytest.param(
        TSM,
        "picc",
        "transparent",
        BERLIN,
        "2023-02-26T09:00:00+01:00",
        "2023-03-05T09:00:00+01:00",  # 26 Feb + 2 d = 28 Feb, + 5 d = 5 March
        ("2023-03-05T00:00:00+01:00", "2023-03-06T00:00:00+01:00"),
        id="tv6-6 no 29 February",
    ),
    pytest.param(
        TSM,
        "picc",
        "transparent",
        BERLIN,
        "2024-12-28T09:00:00+01:00",
        "2025-01-04T09:00:00+01:00",  # 28 + 3 = 31 December, + 4 = 4 January
        ("2025-01-04T00:00:00+01:00", "2025-01-05T00:00:00+01:00"),
        id="tv6-7 year end",
    ),
    pytest.param(
        TSM,
        "picc",
        "transparent",
        NEW_YORK,
        "2024-03-08T14:30:00-05:00",
        "2024-03-15T15:30:00-04:00",  # 168 h, one of them left out by the clocks on 10 March
        ("2024-03-15T00:00:00-04:00", "2024-03-16T00:00:00-04:00"),
        id="tv6-8 over the spring clock change",
    ),
    pytest.param(
        TSM,
        "picc",
        "transparent",
        NEW_YORK,
        "2024-11-01T14:30:00-04:00",
        "2024-11-08T13:30:00-05:00",  # 168 h, one of them shown twice by the clocks on 3 November
        ("2024-11-08T00:00:00-05:00", "2024-11-09T00:00:00-05:00"),
        id="tv6-9 over the autumn clock change",
    ),
]


def by(basis: Basis, of: Policy) -> Policy:
    """Return a policy with every interval counted on one basis."""
    return replace(
        of, rules=tuple(replace(rule, basis=basis) if isinstance(rule, IntervalRule) else rule for rule in of.rules)
    )


ELAPSED, CALENDAR = by(Basis.ELAPSED, shipped_policy()), by(Basis.CALENDAR, shipped_policy())


def charted(kind, dressing, when, *more):
    """Return a line placed long before its change, or for a port its access, at an instant."""
    moment = Moment(iso(when), iso(when))
    changes = FactKind.PORT_ACCESSED if kind == "implanted-port" else FactKind.DRESSING_CHANGED
    return line(fact(changes, moment, value=dressing), *more, kind=kind, placed="2023-01-10 10:00")


@pytest.mark.parametrize(("source", "kind", "dressing", "zone", "anchor", "due", "calendar"), ROWS)
def test_elapsed_is_due_at_the_instant_and_overdue_one_second_later(
    source, kind, dressing, zone, anchor, due, calendar
):
    facts = charted(kind, dressing, anchor)

    found = [item_at(facts, iso(due) + seconds, by=ELAPSED, zone=zone) for seconds in (-1, 0, 1)]

    assert [item.state for item in found] == [State.WINDOW_OPEN, State.DUE, State.OVERDUE], source
    assert {(item.due, item.overdue_from) for item in found} == {(iso(due), iso(due) + 1)}


@pytest.mark.parametrize(("source", "kind", "dressing", "zone", "anchor", "due", "calendar"), ROWS)
def test_calendar_is_due_from_midnight_and_overdue_from_the_next(source, kind, dressing, zone, anchor, due, calendar):
    facts = charted(kind, dressing, anchor)
    begins, overdue = map(iso, calendar)

    before = State.WINDOW_OPEN if "gauze" in dressing and kind != "implanted-port" else State.NOT_DUE
    expected = {begins - 1: before, begins: State.DUE, overdue - 1: State.DUE, overdue: State.OVERDUE}

    assert {at: state_at(facts, at, by=CALENDAR, zone=zone) for at in expected} == expected, source


@pytest.mark.parametrize(
    ("policy_of", "dressing", "due"),
    [
        # The default, both ways: kind charted as gauze, 4 + 2 = 6 March 10:00 (CDC-2011 rec. 6).
        pytest.param(POLICY, "gauze", "2024-03-06T10:00:00Z", id="gauze charted: 48 h"),
        # Kind not charted: ask, 48 h (common practice, no source).
        pytest.param(POLICY, None, "2024-03-06T10:00:00Z", id="kind not charted, ask: 48 h"),
        # The 24 h setting, either way of stating it: 4 + 1 = 5 March 10:00 (RNAO: 24 to 48 h).
        pytest.param(
            policy(limits=replace(LIMITS, ask_days=1)), None, "2024-03-05T10:00:00Z", id="kind not charted, ask: 24 h"
        ),
        pytest.param(
            policy(
                rules=(*RULES, interval("first-1", 1, dressing_kinds=("first-gauze",))),
                units=(unit(first_dressing="first-gauze"),),
            ),
            None,
            "2024-03-05T10:00:00Z",
            id="kind not charted, the unit's first dressing: 24 h",
        ),
    ],
)
def test_tv6_10_first_dressing(policy_of, dressing, due):
    facts = line(placed="2024-03-04 10:00", dressing=dressing)

    assert [state_at(facts, iso(due) + seconds, by=policy_of) for seconds in (-1, 0, 1)] == [
        State.WINDOW_OPEN,
        State.DUE,
        State.OVERDUE,
    ]


def test_tv6_11_compromised_is_due_at_once_and_reinforcing_does_not_start_the_clock_anew():
    # CDC-2011 rec. 3, INS-2024 Std 39: changed at once where damp, loose or soiled; practice: reinforcing is no change.
    facts = charted(
        "picc",
        "transparent",
        "2024-03-04T14:30:00Z",
        seen("2024-03-06 02:10", "loose"),
        fact(FactKind.DRESSING_REINFORCED, "2024-03-06 02:20"),
    )

    assert state_at(facts, "2024-03-06 02:09:59") is State.NOT_DUE
    assert state_at(facts, "2024-03-06 02:10") is State.COMPROMISED
    after = item_at(facts, "2024-03-06 03:00")
    assert (after.state, after.due) == (State.COMPROMISED, iso("2024-03-11T14:30:00Z"))


def test_tv6_12_a_change_done_early_starts_the_clock_anew():
    # 6 + 7 = 13 March (CDC-2011 rec. 7)
    facts = charted("picc", "transparent", "2024-03-04T14:30:00Z", changed("2024-03-06 08:00", value="transparent"))

    assert item_at(facts, "2024-03-12 12:00").due == iso("2024-03-13T08:00:00Z")
    assert item_at(facts, "2024-03-12 12:00", by=CALENDAR).due == iso("2024-03-13T00:00:00Z")


def test_tv6_13_a_neonate_has_no_interval():
    # SHEA-NICU-2022 rec. 2. Born 20 February 2024 at 28 weeks: 5 March is two weeks later, 30 weeks corrected.
    child = Person(
        id="P",
        birth=Moment(iso("2024-02-20T00:00:00Z"), iso("2024-02-20T23:59:59Z"), Precision.DAY),
        gestation_days=28 * 7,
    )
    facts = charted("picc", "transparent", "2024-03-04T14:30:00Z", seen("2024-03-20 14:30"))

    item = item_at(facts, "2024-03-21 14:29:59", by=shipped_policy(), person=child)

    assert (item.state, item.due, item.overdue_from) == (State.NOT_DUE, None, None)


def test_tv6_14_healed_tunnelled_has_none():
    # RNAO: "may not require" a dressing once healed; CDC-2011 rec. 9 leaves it open (from memory).
    facts = charted(
        "tunnelled-cvc", "transparent", "2024-03-04T14:30:00Z", fact(FactKind.SITE_HEALED, "2024-03-05 08:00")
    )

    item = item_at(facts, "2024-06-01 08:00", by=shipped_policy())

    assert (item.state, item.due) == (State.NOT_REQUIRED, None)


def test_tv6_15_no_known_date_is_unknown():
    # An audit form, no guideline (clinical-facts due-nodate): look at the label.
    item = item_at(line(placed=None), "2024-03-05 08:00", by=shipped_policy())

    assert (item.state, item.reason.code, item.due) == (State.UNKNOWN, "unknown-no-date", None)


@pytest.mark.parametrize("basis", [ELAPSED, CALENDAR], ids=["elapsed", "calendar"])
def test_tv6_16_needle_and_dressing_of_a_port_are_due_together(basis):
    facts = charted("implanted-port", "transparent", "2024-03-04T14:30:00+01:00")

    due = {
        item: item_at(facts, iso("2024-03-05T12:00:00+01:00"), item=item, by=basis, zone=BERLIN).due
        for item in ("dressing-change", "port-needle-change")
    }

    expected = iso("2024-03-11T14:30:00+01:00" if basis is ELAPSED else "2024-03-11T00:00:00+01:00")
    assert due == dict.fromkeys(due, expected), NEEDLE


def test_a_needle_is_due_after_its_own_interval_where_the_dressing_kind_is_not_charted():
    # INS via the Royal Marsden Manual: 7 days; the dressing asks after 48 h (common practice, no source).
    facts = charted("implanted-port", None, "2024-03-04T14:30:00Z")

    assert item_at(facts, "2024-03-05 12:00", item="port-needle-change").due == iso("2024-03-11T14:30:00Z")
    assert item_at(facts, "2024-03-05 12:00").due == iso("2024-03-06T14:30:00Z")


@pytest.mark.parametrize(
    ("dressing", "begins", "overdue"),
    [
        # TV-6 rows 4 to 7 are charted by day. Elapsed counts from the first instant of that day (design 2.2.2).
        pytest.param("transparent", "2024-03-11T00:00:00+01:00", "2024-03-12T00:00:00+01:00", id="transparent"),
        pytest.param("gauze", "2024-03-06T00:00:00+01:00", "2024-03-07T00:00:00+01:00", id="gauze"),
    ],
)
def test_a_change_charted_by_day_counts_from_its_first_instant(dressing, begins, overdue):
    day = Moment(iso("2024-03-04T00:00:00+01:00"), iso("2024-03-04T23:59:59+01:00"), Precision.DAY)
    facts = line(fact(FactKind.DRESSING_CHANGED, day, value=dressing), placed="2024-02-01 10:00")

    elapsed = item_at(facts, iso("2024-03-05T12:00:00+01:00"), by=ELAPSED, zone=BERLIN)
    calendar = item_at(facts, iso("2024-03-05T12:00:00+01:00"), by=CALENDAR, zone=BERLIN)

    assert (elapsed.due, elapsed.overdue_from) == (iso(begins), iso(begins) + 1)
    assert (calendar.due, calendar.overdue_from) == (iso(begins), iso(overdue))


def test_grace_puts_off_overdue_and_not_due():
    # Common practice, no source: due + grace, overdue one second later. 11 March 14:30 + 4 h = 18:30.
    graced = policy(
        rules=exchanged(RULES, interval("transparent-7", 7, dressing_kinds=("transparent",), grace=4 * 3600))
    )
    facts = charted("picc", "transparent", "2024-03-04T14:30:00Z")

    expected = {
        "2024-03-11T14:29:59Z": State.WINDOW_OPEN,
        "2024-03-11T14:30:00Z": State.DUE,
        "2024-03-11T18:30:00Z": State.DUE,
        "2024-03-11T18:30:01Z": State.OVERDUE,
    }
    assert {text: state_at(facts, iso(text), by=graced) for text in expected} == expected


def test_a_cutoff_on_the_due_day_makes_a_calendar_item_overdue_from_then():
    # Common practice, no source: the unit's cut-off, 16:00 on the due day.
    cut = policy(
        rules=exchanged(RULES, interval("transparent-7", 7, dressing_kinds=("transparent",), basis=Basis.CALENDAR)),
        units=(unit(cutoff=time(16)),),
    )
    facts = charted("picc", "transparent", "2024-03-04T14:30:00+01:00")

    expected = {
        "2024-03-10T23:59:59+01:00": State.NOT_DUE,
        "2024-03-11T00:00:00+01:00": State.DUE,
        "2024-03-11T15:59:59+01:00": State.DUE,
        "2024-03-11T16:00:00+01:00": State.OVERDUE,
    }
    assert {text: state_at(facts, iso(text), by=cut, zone=BERLIN) for text in expected} == expected
