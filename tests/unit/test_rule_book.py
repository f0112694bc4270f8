"""Which rule holds for a line, a dressing, an age, a unit and a day. Expected values by hand from the made-up rules."""

from datetime import date

import pytest

from linedays.core.model import Person
from linedays.core.policy import AgeGroup, NotRequiredWhen
from linedays.core.rule_book import age_group, neonate_until, rule_book, settings_of, timed_rule
from support.builders import at, when
from support.policies import POLICY, RULES, interval, not_required, policy, seen_rule, unit

TODAY = date(2024, 3, 4)
BOOK = rule_book(
    policy(
        rules=(
            interval("any-unit", 7, dressing_kinds=("transparent",)),
            interval("otter", 4, dressing_kinds=("transparent",), units=("otter",)),
            interval("old", 2, dressing_kinds=("gauze",), until=date(2024, 3, 4)),
            interval("new", 1, dressing_kinds=("gauze",), since=date(2024, 3, 4)),
            interval("older", 7, dressing_kinds=("chg-gel",), age=AgeGroup.OLDER),
            seen_rule("neonate", 24, dressing_kinds=("chg-gel",)),
            interval("port-only", 7, dressing_kinds=("wings",), line_kinds=("implanted-port",)),
            interval("connector", 4, item="connector-change"),
            not_required("none", NotRequiredWhen.ALWAYS, "umbilical-venous"),
        ),
        units=(unit("otter", neonatal=True), unit("*")),
    )
)


def rule_of(dressing, *, item="dressing-change", line_kind="picc", age=AgeGroup.OLDER, unit=None, on=TODAY):
    found = timed_rule(BOOK, item, line_kind=line_kind, dressing_kind=dressing, age=age, unit=unit, on=on)
    return found and found.id


@pytest.mark.parametrize(
    ("found", "expected"),
    [
        (rule_of("transparent"), "any-unit"),
        (rule_of("transparent", unit="heron"), "any-unit"),
        (rule_of("transparent", unit="otter"), "otter"),
        (rule_of("gauze", on=date(2024, 3, 3)), "old"),
        (rule_of("gauze", on=date(2024, 3, 4)), "new"),
        (rule_of("chg-gel"), "older"),
        (rule_of("chg-gel", age=AgeGroup.NEONATE), "neonate"),
        (rule_of("wings"), None),
        (rule_of("wings", line_kind="implanted-port"), "port-only"),
        (rule_of(None, item="connector-change"), "connector"),
        (rule_of("transparent", item="connector-change"), "connector"),
        (rule_of(None), None),
        (rule_of("transparent", line_kind="a kind of no rule"), None),
    ],
)
def test_the_rule_that_sets_the_clock(found, expected):
    assert found == expected


def test_a_policy_is_indexed_once():
    assert rule_book(POLICY) is rule_book(POLICY)


def test_what_the_book_lists():
    assert BOOK.items == ("dressing-change", "connector-change")
    assert BOOK.dates == (date(2000, 1, 1), date(2024, 3, 4))
    assert [rule.id for rule in BOOK.waived["dressing-change", "umbilical-venous"]] == ["none"]
    assert BOOK.waived["dressing-change", "picc"] == ()
    assert rule_book(policy(rules=RULES)).undressed == {"umbilical-venous", "implanted-port"}


@pytest.mark.parametrize(("name", "neonatal"), [("otter", True), ("heron", False), (None, False)])
def test_the_settings_of_a_unit_else_those_of_every_other(name, neonatal):
    assert settings_of(BOOK, name).neonatal is neonatal
    assert settings_of(BOOK, name) is settings_of(BOOK, name)


@pytest.mark.parametrize(
    ("gestation_days", "until"),
    [
        # 44 weeks = 308 days corrected. Born 1 January 2024 10:00.
        (None, "2024-01-29 10:00"),  # read as term, 280 days: 28 days later
        (280, "2024-01-29 10:00"),
        (196, "2024-04-22 10:00"),  # 28 weeks: 112 days; 30 (to 31 Jan) + 29 + 31 = 90 on 31 March, + 22
        (308, "2024-01-01 10:00"),
    ],
)
def test_when_a_patient_outgrows_the_neonatal_rules(gestation_days, until):
    # Hospital card based on a paediatric network bundle: birth to 44 weeks corrected gestational age.
    person = Person(id="P", birth=when("2024-01-01 10:00"), gestation_days=gestation_days)

    assert neonate_until(person, BOOK) == at(until)
    assert age_group(person, BOOK, unit(), at(until) - 1) is AgeGroup.NEONATE
    assert age_group(person, BOOK, unit(neonatal=True), at(until)) is AgeGroup.OLDER


@pytest.mark.parametrize(("neonatal", "group"), [(True, AgeGroup.NEONATE), (False, AgeGroup.OLDER)])
def test_without_a_birth_date(neonatal, group):
    assert neonate_until(Person(id="P"), BOOK) is None
    assert age_group(Person(id="P"), BOOK, unit(neonatal=neonatal), 0) is group
