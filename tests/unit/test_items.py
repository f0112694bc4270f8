"""How one state is put together from what holds. Expected values by hand from design 2.5; see tests/spec for the rules."""

import pytest

from linedays.core.model import FactKind, Line, StartBasis
from linedays.core.policy import NotRequiredWhen
from linedays.core.rule_book import rule_book
from linedays.core.rules import finding_priority, finding_reason, interval_state, seen_state, why_not_required
from linedays.core.states import Priority, SiteFinding, State
from linedays.core.windows import Clock
from support.builders import at, changed, device, fact, inserted, seen, stay, when
from support.policies import (
    PLACES,
    POLICY,
    RULES,
    codes,
    exchanged,
    interval,
    item_at,
    line,
    not_required,
    policy,
    seen_rule,
    value_of,
)

CLOCK = Clock(window_from=100, due=200, overdue_from=201, suggested=None)


@pytest.mark.parametrize(
    ("moment", "state", "coming"),
    [
        (99, State.NOT_DUE, 100),
        (100, State.WINDOW_OPEN, 200),
        (199, State.WINDOW_OPEN, 200),
        (200, State.DUE, 201),
        (201, State.OVERDUE, None),
        (202, State.OVERDUE, None),
    ],
)
def test_state_by_the_clock(moment, state, coming):
    assert interval_state(CLOCK, 201, moment) == (state, coming)


def test_an_item_put_off_by_a_change_of_rule_stays_due():
    assert interval_state(CLOCK, 300, 250) == (State.DUE, 300)


def test_a_calendar_item_is_due_before_it_appears():
    # Due from 00:00, appears with the day shift.
    clock = Clock(window_from=107, due=100, overdue_from=200, suggested=None)

    assert interval_state(clock, 200, 99) == (State.NOT_DUE, 100)
    assert interval_state(clock, 200, 100) == (State.DUE, 107)
    assert interval_state(clock, 200, 107) == (State.DUE, 200)


@pytest.mark.parametrize(
    ("last", "moment", "expected"),
    [
        (None, 0, (State.UNKNOWN, None)),
        (0, 86_399, (State.NOT_DUE, 86_400)),
        (0, 86_400, (State.UNKNOWN, None)),
    ],
)
def test_state_by_sight(last, moment, expected):
    assert seen_state(seen_rule("r", 24), last, moment) == expected


def finding(word, moment, source="O", minutes=None):
    seen_at = when(moment)
    return SiteFinding(finding=word, seen=seen_at, known=seen_at.latest, source=source, minutes_after_change=minutes)


def test_a_reason_names_each_finding_once_and_the_first_sighting():
    reason = finding_reason(
        "compromised",
        (finding("loose", "2024-03-06 09:00"), finding("damp", "2024-03-06"), finding("loose", "2024-03-07")),
        60,
    )

    assert dict(reason.values) == {"findings": "loose damp", "at": at("2024-03-06"), "precision": "day"}


@pytest.mark.parametrize(
    ("minutes", "said"), [((0,), "0"), ((60,), "60"), ((61,), None), ((90, 20), "20"), ((None,), None)]
)
def test_a_reason_says_how_soon_after_a_change(minutes, said):
    found = tuple(finding("loose", "2024-03-06 09:00", minutes=each) for each in minutes)

    assert dict(finding_reason("compromised", found, 60).values).get("minutes") == said


@pytest.mark.parametrize(
    ("words", "priority"),
    [(("loose",), Priority.ASAP), (("loose", "pus"), Priority.STAT), (("no such word",), Priority.ASAP)],
)
def test_priority_of_findings(words, priority):
    found = tuple(finding(word, "2024-03-06 09:00") for word in words)

    assert finding_priority(found, rule_book(POLICY).findings, Priority.ASAP) is priority


PORT = Line(
    key="L",
    patient="P",
    kind="implanted-port",
    site=None,
    side=None,
    start=when("2024-03-01 10:00"),
    start_basis=StartBasis.INSERTION,
    start_source="L",
)


def test_why_an_item_is_not_required():
    always = not_required("r", NotRequiredWhen.ALWAYS, "implanted-port")
    healed = not_required("r", NotRequiredWhen.SITE_HEALED, "implanted-port")
    told = [fact(FactKind.SITE_HEALED, "2024-03-05 10:00")]

    reason, until = why_not_required(always, PORT, [], 0)
    assert (reason.code, dict(reason.values), until) == (
        "not-required-kind",
        {"kind": "implanted-port", "rule": "r"},
        None,
    )
    reason, until = why_not_required(healed, PORT, told, 0)
    assert (reason.code, dict(reason.values), until) == (
        "not-required-healed",
        {"at": at("2024-03-05 10:00"), "rule": "r"},
        None,
    )
    assert why_not_required(healed, PORT, [], 0) is None


def test_an_incision_says_until_when():
    rule = not_required("r", NotRequiredWhen.PORT_NOT_ACCESSED, "implanted-port", incision=14 * 86_400)

    reason, until = why_not_required(rule, PORT, [], at("2024-03-02 10:00"))

    assert (dict(reason.values), until) == (
        {"at": at("2024-03-01 10:00"), "until": at("2024-03-15 10:00"), "rule": "r"},
        at("2024-03-15 10:00"),
    )


def test_of_two_rules_that_waive_an_item_the_first_that_holds_is_named():
    both = policy(
        rules=exchanged(
            RULES,
            not_required("healed", NotRequiredWhen.SITE_HEALED, "picc"),
            not_required("never", NotRequiredWhen.ALWAYS, "picc"),
        )
    )

    item = item_at(line(), "2024-03-05 08:00", by=both)

    assert (item.state, item.rule, item.anchor, item.due) == (State.NOT_REQUIRED, "never", None, None)


def test_a_waived_item_is_not_put_off():
    facts = line(fact(FactKind.NOT_DONE, "2024-03-05 08:00", value="refused"), kind="umbilical-venous")

    assert item_at(facts, "2024-03-05 08:00").beside == ()


def test_a_needle_tells_nothing_of_the_dressing():
    facts = line(
        fact(FactKind.PORT_ACCESSED, "2024-03-04 14:30", value="transparent"),
        seen("2024-03-05 08:00", "loose"),
        kind="implanted-port",
    )

    needle = item_at(facts, "2024-03-05 08:00", item="port-needle-change")
    dressing = item_at(facts, "2024-03-05 08:00")

    assert (needle.state, needle.findings, needle.last_seen_intact, needle.beside) == (State.NOT_DUE, (), None, ())
    assert (dressing.state, dressing.last_seen_intact) == (State.COMPROMISED, at("2024-03-04 14:30"))


def test_a_due_time_at_night_says_what_is_suggested():
    item = item_at(line(changed("2024-03-04 23:30", value="transparent")), "2024-03-05 08:00")

    assert value_of(item.reason, "suggested") == at("2024-03-11 22:00")


def test_the_reason_of_an_unknown_kind_says_since_when():
    item = item_at(line(changed("2024-03-04 14:30")), "2024-03-06 14:30")

    assert dict(item.reason.values) == {"anchor": at("2024-03-04 14:30"), "precision": "second"}
    assert (item.due, item.rule) == (None, "gauze-2")


def test_a_port_whose_state_is_first_known_now_is_not_spared_by_an_earlier_transfer():
    # Label read on 20 March: "5 March". No access charted; the dressing seen on the 20th tells of one. Due 12 March.
    facts = line(
        fact(FactKind.LABEL_DATE, "2024-03-05", known="2024-03-20 08:00", value="transparent"),
        seen("2024-03-20 08:00"),
        kind="implanted-port",
        placed="2023-06-01 10:00",
        dressing=None,
    )
    stays = (
        stay(
            "E", "2023-06-01 08:00", None, ("heron-1", "2023-06-01 08:00", None), ("otter-1", "2024-03-20 07:30", None)
        ),
    )

    item = item_at(facts, "2024-03-20 08:00", stays=stays, places=PLACES)

    assert (item.state, item.overdue_from) == (State.OVERDUE, at("2024-03-12 00:00:01"))


def test_a_rule_that_became_longer_and_then_ran_out():
    # Otter lets it be 14 days: due 4 + 14 = 18 March 14:30. Overdue in Heron since 11 March; there from the 13th on.
    longer = policy(rules=(*RULES, interval("otter-14", 14, units=("otter",))))
    stays = (
        stay(
            "E",
            "2024-02-01 08:00",
            None,
            ("heron-1", "2024-02-01 08:00", "2024-03-13 10:00"),
            ("otter-1", "2024-03-13 10:00", None),
        ),
    )
    facts = line(changed("2024-03-04 14:30", value="transparent"))

    found = {
        moment: item_at(facts, moment, by=longer, stays=stays).state
        for moment in ("2024-03-13 09:59:59", "2024-03-13 10:00", "2024-03-18 14:30", "2024-03-18 14:30:01")
    }

    assert list(found.values()) == [State.OVERDUE, State.NOT_DUE, State.DUE, State.OVERDUE]


def test_both_a_pause_over_and_an_undated_label_stand_beside():
    facts = line(
        changed("2024-03-04 14:30", value="transparent"),
        fact(FactKind.PAUSED, "2024-03-05 09:00", until="2024-03-05 10:00"),
        seen("2024-03-05 08:00", "undated"),
    )

    assert codes(item_at(facts, "2024-03-06 08:00").beside) == {"pause-not-reviewed", "label-undated"}


def test_two_waivers_end_with_the_first_of_them():
    # Two ports under one dressing, implanted 1 and 3 March 10:00: incisions until the 15th and the 17th.
    first = inserted("2024-03-01 10:00", kind="implanted-port", source="Procedure/a", device="Device/a")
    second = inserted("2024-03-03 10:00", kind="implanted-port", source="Procedure/b", device="Device/b")
    child = device("Device/b", "2024-03-03 10:00", kind="implanted-port", part_of="Procedure/a")

    item = item_at((first, second, child), "2024-03-04 08:00")

    assert (item.state, item.next_change) == (State.NOT_REQUIRED, at("2024-03-15 10:00"))
