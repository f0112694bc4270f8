"""The terms of an item at a moment: rule, interval, and what was assumed. Expected values by hand from design 2.3.5."""

from dataclasses import replace
from datetime import UTC
from zoneinfo import ZoneInfo

import pytest

from linedays.core.model import Person
from linedays.core.policy import AgeGroup
from linedays.core.rule_book import rule_book
from linedays.core.states import Anchor, AnchorBasis
from linedays.core.terms import Setting, terms_at, unit_at, unit_day
from support.builders import at, stay, when
from support.policies import PLACES, POLICY, RULES, interval, policy, unit

NOW = at("2024-03-05 08:00")


def setting(by=POLICY, stays=(), places=PLACES, person=None):
    return Setting(book=rule_book(by), person=person or Person(id="P"), stays=stays, places=places, zone=UTC)


def anchor(basis=AnchorBasis.CHANGE, kind=None):
    moment = when("2024-03-04 14:30")
    return Anchor(at=moment.earliest, happened=moment, basis=basis, source="S", known=moment.latest, dressing_kind=kind)


def terms_of(found=None, *, by=POLICY, item="dressing-change", line_kinds=("picc",), before=None, **says):
    return terms_at(setting(by, **says), item, line_kinds=line_kinds, anchor=found, kind_before=before, at=NOW)


USUAL = policy(units=(unit(usual_dressing="transparent"),))
FIRST = policy(units=(unit(first_dressing="transparent"),))


@pytest.mark.parametrize(
    ("terms", "rule", "days", "kind", "assumed", "unknown"),
    [
        pytest.param(terms_of(anchor(kind="transparent")), "transparent-7", 7, "transparent", [], False, id="charted"),
        pytest.param(
            terms_of(anchor(kind="gauze"), by=USUAL), "gauze-2", 2, "gauze", [], False, id="charted, usual other"
        ),
        pytest.param(
            terms_of(anchor(AnchorBasis.INSERTION)), "gauze-2", 2, "gauze", ["assumed-ask"], False, id="insertion: ask"
        ),
        pytest.param(
            terms_of(anchor(AnchorBasis.INSERTION), by=FIRST),
            "transparent-7",
            7,
            "transparent",
            ["assumed-first-dressing"],
            False,
            id="insertion: the unit's first dressing",
        ),
        pytest.param(
            terms_of(anchor(AnchorBasis.LABEL), by=USUAL),
            "transparent-7",
            7,
            "transparent",
            ["assumed-usual"],
            False,
            id="label: the usual kind",
        ),
        pytest.param(
            terms_of(anchor(), by=USUAL, before="gauze"),
            "gauze-2",
            2,
            "gauze",
            ["assumed-usual"],
            False,
            id="change: the shorter of usual and before",
        ),
        pytest.param(
            terms_of(anchor(), by=USUAL, before="transparent"),
            "transparent-7",
            7,
            "transparent",
            ["assumed-usual"],
            False,
            id="change: one kind twice",
        ),
        pytest.param(
            terms_of(anchor(), before="gauze"), "gauze-2", 2, "gauze", ["assumed-nothing"], True, id="change: none"
        ),
        pytest.param(
            terms_of(None, by=USUAL), "transparent-7", 7, "transparent", [], False, id="no anchor, usual kind"
        ),
        pytest.param(terms_of(None), "gauze-2", 2, "gauze", [], False, id="no anchor, no usual kind"),
        pytest.param(
            terms_of(anchor(AnchorBasis.INSERTION), item="port-needle-change", line_kinds=("implanted-port",)),
            "needle-7",
            7,
            None,
            [],
            False,
            id="a needle has no dressing kind",
        ),
    ],
)
def test_terms(terms, rule, days, kind, assumed, unknown):
    assert (terms.rule.id, terms.interval_days, terms.dressing_kind) == (rule, days, kind)
    assert [reason.code for reason in terms.assumed] == assumed
    assert terms.kind_unknown is unknown


@pytest.mark.parametrize("found", [None, anchor(kind="transparent")])
def test_no_rule_is_no_terms(found):
    terms = terms_of(found, item="port-needle-change")

    assert (terms.rule, terms.interval_days, terms.dressing_kind, terms.kind_unknown) == (None, 0, None, False)


def test_of_two_lines_the_shorter_interval_counts_and_one_without_is_never_the_shortest():
    both = policy(
        rules=(
            interval("a-7", 7, line_kinds=("introducer",)),
            interval("b-2", 2, line_kinds=("pulmonary-artery",)),
            *(rule for rule in RULES if rule.id == "neonate-seen"),
        )
    )
    kinds = ("introducer", "pulmonary-artery")

    assert terms_of(anchor(kind="transparent"), by=both, line_kinds=kinds).rule.id == "b-2"
    child = Person(id="P", birth=when("2024-03-01"))
    found = terms_of(anchor(kind="transparent"), by=policy(rules=both.rules[1:]), line_kinds=kinds, person=child)
    assert found.rule.id == "b-2"


def test_asking_leaves_a_rule_without_an_interval_alone():
    seen_only = policy(rules=(replace(RULES[3], dressing_kinds=("gauze",), age=AgeGroup.ANY),))

    terms = terms_of(anchor(AnchorBasis.INSERTION), by=seen_only)

    assert terms.rule.id == "neonate-seen"
    assert terms.interval_days > 2


def test_the_place_and_the_day_of_its_unit():
    tokyo = ZoneInfo("Asia/Tokyo")
    stays = (stay("E", "2024-03-01 08:00", None, ("otter-1", "2024-03-04 08:00", None)),)
    places = {"otter-1": replace(PLACES["otter-1"], zone=tokyo)}
    there = setting(policy(units=(unit(), unit("otter", neonatal=True))), stays=stays, places=places)

    assert unit_at(there, at("2024-03-04 07:59:59")) is None
    assert unit_at(there, at("2024-03-04 08:00")).id == "otter-1"
    before, since = unit_day(there, at("2024-03-04 07:59:59")), unit_day(there, at("2024-03-04 08:00"))
    assert (before.zone, before.settings.unit) == (UTC, "*")
    assert (since.zone, since.settings.unit) == (tokyo, "otter")
    assert unit_day(setting(stays=stays), NOW).zone is UTC
