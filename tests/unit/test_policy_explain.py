"""The policy in plain words: every value in a row, with its source as it is."""

from dataclasses import fields, replace
from datetime import time

from linedays.core.policy import AgeGroup, Basis, BloodRule, IntervalRule, Limits, NotRequiredRule, Source
from linedays.mapping.check_rules import ORDERS
from linedays.mapping.explain import ExplainedRule, explain_policy, source_in_words
from linedays.mapping.parse import policy_from_documents
from support.policy_files import shipped

POLICY = policy_from_documents(shipped())
GAUZE = next(rule for rule in POLICY.rules if rule.id == "dressing-gauze")


def row(policy, name):
    (found,) = [row for row in explain_policy(policy) if row.name == name]
    return found


def explained(rule):
    return row(replace(POLICY, rules=(rule,)), rule.id)


def test_gauze_rule_in_plain_words():
    assert row(POLICY, "dressing-gauze/dialysis") == ExplainedRule(
        group="dressing-change",
        name="dressing-gauze/dialysis",
        applies_to="dialysis-nontunnelled, dialysis-tunnelled · gauze",
        says="gauze dressing: every 2 days; due 48 h later to the second, overdue after that",
        who="dialysis or vascular access staff",
        since="2020-01-01",
        until=None,
        source="CDC-2011, Catheter Site Dressing Regimens rec. 6, Cat II; INS-2024 Std 39",
    )


def test_rule_with_every_narrowing():
    rule = replace(
        GAUZE, line_kinds=("picc",), age=AgeGroup.OLDER, units=("east", "west"), grace=3600, until=GAUZE.since, dressing_kinds=()
    )
    found = explained(rule)
    assert found.applies_to == "picc · every dressing kind · older than a neonate · unit east, west"
    assert found.says.endswith("due 48 h later to the second, overdue after that and 1 h of grace")
    assert found.until == "2020-01-01"


def test_calendar_rule():
    says = explained(replace(GAUZE, basis=Basis.CALENDAR)).says
    assert says.endswith("due on the local day 2 days later, overdue from the unit's cut-off time or the next day")


def test_line_kinds_are_named_by_what_is_left_out_where_that_is_shorter():
    dressed = tuple(kind.code for kind in POLICY.line_kinds if kind.dressing)
    assert explained(replace(GAUZE, line_kinds=dressed)).applies_to == "every line kind with a dressing · gauze"
    assert explained(replace(GAUZE, line_kinds=dressed[1:])).applies_to.startswith(
        "every line kind with a dressing but nontunnelled-cvc"
    )
    assert explained(replace(GAUZE, line_kinds=dressed[:3])).applies_to.startswith("nontunnelled-cvc, tunnelled-cvc, picc ·")


def test_neonatal_rule():
    found = row(POLICY, "dressing-neonate/dialysis")
    assert found.applies_to.endswith("· neonates")
    assert found.says.endswith("no interval: known for 24 h after it was seen intact")


def test_not_required_rules():
    assert row(POLICY, "dressing-umbilical").says.endswith("stump are checked; never asked for")
    assert row(POLICY, "dressing-healed-exit-site").says.endswith("not asked for while the exit site is charted as healed")
    assert row(POLICY, "dressing-port-not-accessed").says.endswith(
        "not asked for while the port is not accessed; an incision for 14 days after implantation"
    )
    assert row(POLICY, "dressing-umbilical").who is None


def test_every_rule_and_value_has_its_row():
    rows = explain_policy(POLICY)
    assert [row.name for row in rows if row.group in ("dressing-change", "port-needle-change")] == [r.id for r in POLICY.rules]
    assert [row.name for row in rows if row.group == "line kinds"] == [kind.code for kind in POLICY.line_kinds]
    assert [row.name for row in rows if row.group == "findings"] == [meaning.code for meaning in POLICY.findings]
    assert [row.name for row in rows if row.group == "when an item appears"] == [
        "intervals up to 2 days", "every longer interval",
    ]  # fmt: skip
    assert [row.name for row in rows if row.group == "units"] == ["*"]
    limits = [field.name for field in fields(Limits) if field.name != "sources"]
    assert [row.name for row in rows if row.group == "limits"] == limits
    assert all(row.source and row.says for row in rows)


def test_source_from_memory_and_no_source_are_shown():
    assert source_in_words(Source(text="INS-2016 Std 41", seen=False)) == "INS-2016 Std 41 (from memory)"
    assert row(POLICY, "limb-swelling").source == "INS-2016, INS-2021 (arm circumference) (from memory)"
    assert row(POLICY, "dressing-silicone-or-adhesive").source == "common practice, no source (the maker's instructions)"


def test_line_kind_says_whether_it_is_central():
    assert "central or not is not said by the kind" in row(POLICY, "unknown").says
    assert row(POLICY, "midline").says.startswith("midline catheter: not central unless a charted tip or ruling")
    assert row(POLICY, "umbilical-venous").says.endswith("no dressing expected")
    assert row(POLICY, "dialysis-tunnelled").who == "dialysis or vascular access staff"


def test_finding_that_calls_for_someone_at_once_says_so():
    assert row(POLICY, "pus").says == "compromised and site concern; calls for someone at once (stat)"
    assert row(POLICY, "damp").says == "compromised"


def test_unit_in_plain_words():
    (every,) = POLICY.units
    east = replace(
        every, unit="east", usual_dressing="gauze", first_dressing="chg-gel", cutoff=time(20), neonatal=True,
        blood_rule=BloodRule.NEAR_BORDER,
    )  # fmt: skip
    found = row(replace(POLICY, units=(every, east)), "east")
    assert found.applies_to == "unit east"
    assert found.says == (
        "usual dressing gauze; first dressing where its kind is not charted: chg-gel; shifts from 07:00, 19:00; "
        "quiet hours 22:00 to 06:00; asap and stat matters only within 30 min of a change of shift; "
        "oozing or old blood counts: near the border; a calendar item is overdue from 20:00 on its due day; a neonatal unit"
    )


def test_limits_are_in_plain_words():
    assert row(POLICY, "ask_days").says == "kind of the first dressing not charted: its change is due after 2 days"
    assert row(POLICY, "neonate_corrected_weeks").says == "neonate: from birth to 44 weeks corrected gestational age"
    assert row(POLICY, "off_unit_longest").says.endswith("deferred for 4 h at most")


def test_no_row_orders():
    # "informs, never orders": the words that an output does not use.
    for found in explain_policy(POLICY):
        assert not ORDERS.search(f"{found.says} {found.applies_to}"), found.says


def test_kinds_of_rules_are_all_shown():
    kinds = {type(rule) for rule in POLICY.rules}
    assert {IntervalRule, NotRequiredRule} < kinds
