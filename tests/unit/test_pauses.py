"""Pauses and deferrals. Expected values by hand from design 2.5 and 2.7.3 to 2.7.4; all durations are common practice."""

from datetime import UTC

import pytest

from linedays.core.anchors import SiteFact
from linedays.core.model import FactKind, Line, Person, StartBasis
from linedays.core.pauses import Pause, deferral_of, pause_at
from linedays.core.rule_book import rule_book
from linedays.core.terms import Setting, unit_day
from linedays.core.watch import watch_at
from support.builders import at, fact, stay, when
from support.policies import PLACES, POLICY, codes, value_of

LINE = Line(
    key="L",
    patient="P",
    kind="picc",
    site=None,
    side=None,
    start=when("2024-03-01 10:00"),
    start_basis=StartBasis.INSERTION,
    start_source="L",
)
AT_HOME = watch_at((), PLACES, 0, 0)


def told(*facts):
    return [SiteFact(each, LINE) for each in facts]


def paused(when, until, **says):
    return fact(FactKind.PAUSED, when, until=until, **says)


def not_done(when, why, **says):
    return fact(FactKind.NOT_DONE, when, value=why, **says)


def deferral(*facts, since=None, stays=()):
    setting = Setting(book=rule_book(POLICY), person=Person(id="P"), stays=stays, places=PLACES, zone=UTC)
    return deferral_of(told(*facts), since, setting, unit_day(setting, at("2024-03-11 08:00")))


def test_nothing_charted_is_no_pause_and_no_deferral():
    assert pause_at([], AT_HOME, at("2024-03-06 09:00")) == Pause()
    assert deferral() is None


def test_a_pause_and_its_end():
    facts = told(paused("2024-03-05 09:00", "2024-03-20 09:00", value="comfort-care"))

    during, after = (pause_at(facts, AT_HOME, at(moment)) for moment in ("2024-03-20 09:00", "2024-03-20 09:00:01"))

    assert (during.reason.code, during.not_reviewed, during.until) == ("paused", None, at("2024-03-20 09:00:01"))
    assert (after.reason, after.not_reviewed.code, after.until) == (None, "pause-not-reviewed", None)
    assert value_of(after.not_reviewed, "review") == at("2024-03-20 09:00")


@pytest.mark.parametrize(
    "facts",
    [
        (paused("2024-03-05 09:00", "2024-03-20 09:00"), paused("2024-03-10 09:00", "2024-03-12 09:00")),
        (paused("2024-03-10 09:00", "2024-03-12 09:00"), paused("2024-03-05 09:00", "2024-03-20 09:00")),
    ],
)
def test_the_pause_of_the_latest_time_counts(facts):
    assert pause_at(told(*facts), AT_HOME, at("2024-03-15 09:00")).reason is None


def test_of_pauses_of_one_time_the_one_entered_last_counts():
    facts = told(
        paused("2024-03-05 09:00", "2024-03-20 09:00", source="first", known="2024-03-05 09:00"),
        paused("2024-03-05 09:00", "2024-03-06 09:00", source="a correction", known="2024-03-05 10:00"),
    )

    assert pause_at(facts, AT_HOME, at("2024-03-15 09:00")).reason is None


def test_leave_goes_before_a_charted_pause_and_ends_with_the_leave():
    watch = watch_at((stay("E", "2024-03-01 08:00", status="onleave"),), PLACES, at("2024-03-06 09:00"), 0)

    pause = pause_at(told(paused("2024-03-05 09:00", "2024-03-20 09:00")), watch, at("2024-03-06 09:00"))

    assert (pause.reason.code, pause.until) == ("paused-leave", None)


@pytest.mark.parametrize(
    ("since", "deferred"),
    [(None, True), ("2024-03-11 07:59:59", True), ("2024-03-11 08:00", False), ("2024-03-11 09:00", False)],
)
def test_only_what_was_not_done_since_the_anchor_puts_off(since, deferred):
    found = deferral(not_done("2024-03-11 08:00", "unstable"), since=None if since is None else at(since))

    assert (found is not None) is deferred


def test_the_latest_of_several_counts():
    found = deferral(not_done("2024-03-11 20:00", "unstable"), not_done("2024-03-11 08:00", "refused"))

    assert (value_of(found.reason, "why"), found.until) == ("unstable", at("2024-03-12 07:00"))
    assert codes((found.reason,)) == {"deferred"}


@pytest.mark.parametrize(
    ("back", "until"),
    [
        # Off the unit at 08:00; 1 h after the return, at most 4 h.
        (None, "2024-03-11 12:00"),
        ("2024-03-11 07:59:59", "2024-03-11 12:00"),
        ("2024-03-11 08:00", "2024-03-11 12:00"),
        ("2024-03-11 08:00:01", "2024-03-11 09:00:01"),
        ("2024-03-11 10:59:59", "2024-03-11 11:59:59"),
        ("2024-03-11 11:00", "2024-03-11 12:00"),
        ("2024-03-11 11:00:01", "2024-03-11 12:00"),
    ],
)
def test_off_the_unit(back, until):
    stays = () if back is None else (stay("E", "2024-03-01 08:00", None, ("heron-1", back, None)),)

    found = deferral(not_done("2024-03-11 08:00", "off-unit"), stays=stays)

    assert found.until == at(until)


def test_coming_to_an_operating_room_is_no_return():
    stays = (stay("E", "2024-03-01 08:00", None, ("theatre", "2024-03-11 08:10", None)),)

    assert deferral(not_done("2024-03-11 08:00", "off-unit"), stays=stays).until == at("2024-03-11 12:00")
