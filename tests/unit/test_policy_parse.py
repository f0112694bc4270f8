"""The policy files become the policy of the core: names by content, dated values, units, staff."""

import re
from datetime import date, time

import pytest

from linedays.core.moment import DAY, HOUR, MINUTE
from linedays.core.policy import AgeGroup, Basis, IntervalRule, Source, unit_settings
from linedays.core.rule_book import rule_book, timed_rule
from linedays.mapping.documents import Document, Documents, PolicyInvalid, Problem
from linedays.mapping.parse import policy_from_documents
from support.policy_files import documents_with, line_of, problems_of, replaced, shipped, text_of

RULES = "policy/dressing_rules.yaml"
UNITS = "policy/units.yaml"
LINE_KINDS = "policy/line_kinds.yaml"

EAST = """
  - unit: east
    blood_rule: near the border
    usual_dressing: transparent
    source: East unit, dressing policy 2025, section 2
    since: 2025-01-01
"""
EAST_GAUZE = """
  - id: gauze-east
    kind: interval
    item: dressing-change
    line_kinds: any
    dressing_kinds: [gauze]
    age: any
    units: [east]
    text: "gauze dressing in this unit: every {interval}"
    values:
      - since: 2020-01-01
        interval: 1 d
        basis: calendar
        grace: 0 h
        source: East unit, dressing policy 2025, section 3
"""
EAST_EXAMPLES = """
examples:
  - id: gauze-east
    rule: gauze-east
    line_kind: picc
    unit: east
    facts:
      - {what: inserted, when: 2024-03-01T10:00:00Z, dressing: transparent}
      - {what: dressing-changed, when: 2024-03-04T14:30:00Z, dressing: gauze}
    due: 2024-03-05T00:00:00Z
    expect:
      - {at: 2024-03-05T23:59:59Z, state: due}
      - {at: 2024-03-06T00:00:00Z, state: overdue}
"""


def policy_with(**texts):
    return policy_from_documents(documents_with({f"policy/{name}.yaml": text for name, text in texts.items()}))


def with_east(rule=EAST_GAUZE):
    return {
        "units": text_of(UNITS) + EAST,
        "dressing_rules": text_of(RULES) + rule,
        "examples/east": EAST_EXAMPLES,
    }


def rules_by_id(policy):
    return {rule.id: rule for rule in policy.rules}


def test_shipped_policy_parses():
    policy = policy_from_documents(shipped())
    assert re.fullmatch(r"[0-9a-f]{16}", policy.content_hash)
    assert len(rules_by_id(policy)) == len(policy.rules), "the id of a rule of the core names one rule"


def test_hash_is_stable_under_comments_key_order_and_entry_order():
    before = policy_from_documents(shipped()).content_hash
    value = "        interval: 2 d\n        basis: elapsed\n"
    keys = replaced(RULES, (value, "        basis: elapsed  # to the second\n        interval: 48 h\n"))
    first, second = "[damp, loose, soiled]", "[soiled, damp, loose]"
    findings = replaced("policy/findings.yaml", (first, second))
    windows = text_of("policy/windows.yaml").replace("windows:\n", "# a comment\n\nwindows:\n", 1)
    moved = policy_with(dressing_rules=keys, findings=findings, windows=windows)
    assert moved.content_hash == before


def test_hash_is_stable_when_a_rule_moves_to_another_file():
    needle = text_of("policy/needle_rules.yaml")
    policy = policy_with(needle_rules="rules: []\n", a_first=needle)
    assert policy.content_hash == policy_from_documents(shipped()).content_hash


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        (RULES, "grace: 0 h", "grace: 1 h"),
        (RULES, "basis: elapsed", "basis: calendar"),
        (RULES, "CDC-2011, Catheter Site Dressing Regimens rec. 7", "CDC-2011, rec. 7"),
        (LINE_KINDS, "may_go_home: false", "may_go_home: true"),
        (UNITS, "blood_rule: any", "blood_rule: near the border"),
        ("policy/windows.yaml", "lead: 3 h", "lead: 4 h"),
        ("policy/limits.yaml", "value: 60 min", "value: 61 min"),
        ("policy/findings.yaml", "stat: true", "stat: false"),
    ],
)
def test_hash_changes_with_a_value(file, old, new):
    changed = policy_from_documents(documents_with({file: replaced(file, (old, new))}))
    assert changed.content_hash != policy_from_documents(shipped()).content_hash


def test_unquoted_clock_stays_text_and_is_the_same_policy():
    # YAML 1.1 reads an unquoted 22:00 as the number 1320 (http://yaml.org/type/int.html, base 60).
    unquoted = replaced(UNITS, ('"22:00"', "22:00"), ('["07:00", "19:00"]', "[07:00, 19:00]"))
    assert policy_with(units=unquoted).content_hash == policy_from_documents(shipped()).content_hash


def test_rule_says_who_does_it_by_line_kind():
    rules = rules_by_id(policy_from_documents(shipped()))
    nurses, dialysis = rules["dressing-gauze"], rules["dressing-gauze/dialysis"]
    assert dialysis.line_kinds == ("dialysis-nontunnelled", "dialysis-tunnelled")
    assert dialysis.who == "dialysis or vascular access staff"
    assert nurses.who == "registered nurse or vascular access team"
    assert not set(nurses.line_kinds) & set(dialysis.line_kinds)


def test_any_leaves_out_line_kinds_without_a_dressing_for_the_dressing_change_only():
    rules = replaced(RULES, ("line_kinds: any\n    dressing_kinds: [gauze]", "line_kinds:\n      all_but: [unknown, picc]\n    dressing_kinds: [gauze]"))
    more = EAST_GAUZE.replace("units: [east]", "units: any").replace("line_kinds: any", "line_kinds: [picc, unknown]")
    policy = policy_with(dressing_rules=rules + more, **{"examples/east": EAST_EXAMPLES.replace("    unit: east\n", "")})
    gauze = rules_by_id(policy)["dressing-gauze"]
    assert gauze.line_kinds == (
        "nontunnelled-cvc", "tunnelled-cvc", "implanted-port", "midline", "long-peripheral", "peripheral-iv", "arterial",
        "pulmonary-artery", "introducer",
    )
    needles = replaced("policy/needle_rules.yaml", ("line_kinds: [implanted-port]", "line_kinds: any"))
    port = rules_by_id(policy_with(needle_rules=needles))["port-needle"]
    assert "intraosseous" in port.line_kinds


def test_all_but_of_dressing_kinds_is_every_other_kind():
    rules = replaced(RULES, ("[chg-transparent, chg-gel, chg-disc]\n    age: older", "\n      all_but: [transparent, gauze, gauze-under-transparent, gauze-supporting-needle, silicone-border,\n        tissue-adhesive, none, other]\n    age: older"))
    assert policy_with(dressing_rules=rules).content_hash == policy_from_documents(shipped()).content_hash


def test_dated_value_holds_until_the_next_one_and_has_a_name_of_its_own():
    value = "      - since: 2020-01-01\n        interval: 2 d\n        basis: elapsed\n        grace: 0 h\n        source: CDC-2011, Catheter Site Dressing Regimens rec. 6, Cat II; INS-2024 Std 39\n"
    later = value.replace("2020-01-01", "2024-03-01").replace("2 d", "1 d")
    examples = replaced("policy/examples/dressings.yaml", ("  - id: gauze\n", EAST_EXAMPLES.split("examples:\n")[1].replace("gauze-east\n    line", "dressing-gauze\n    line").replace("    unit: east\n", "") + "\n  - id: gauze\n"))
    neonates = text_of("policy/examples/neonates.yaml").replace("2024-03-06T14", "2024-02-06T14")
    early = text_of("policy/examples/dressings.yaml").replace("2024-03-06T14", "2024-02-06T14")
    documents = documents_with({RULES: replaced(RULES, (value, value + later)), "policy/examples/dressings.yaml": examples})
    assert "no worked example before its threshold from 2020-01-01" in "\n".join(p.what for p in problems_of(documents))
    policy = policy_with(
        dressing_rules=replaced(RULES, (value, value + later)),
        **{"examples/dressings": early, "examples/neonates": neonates, "examples/more": EAST_EXAMPLES.replace("rule: gauze-east", "rule: dressing-gauze").replace("    unit: east\n", "")},
    )
    rules = rules_by_id(policy)
    assert (rules["dressing-gauze"].since, rules["dressing-gauze"].until) == (date(2020, 1, 1), date(2024, 3, 1))
    assert (rules["dressing-gauze@2024-03-01"].since, rules["dressing-gauze@2024-03-01"].until) == (date(2024, 3, 1), None)
    assert rules["dressing-gauze@2024-03-01/dialysis"].interval_days == 1


def test_text_of_a_rule_follows_its_value():
    longer = replaced(RULES, ("interval: 2 d", "interval: 3 d"))
    assert rules_by_id(policy_with(dressing_rules=longer))["dressing-gauze"].text == "gauze dressing: every 3 days"


def test_unit_states_only_what_differs():
    policy = policy_with(**with_east())
    east, every = unit_settings(policy, "east"), unit_settings(policy, "west")
    assert east.blood_rule.value == "near the border"
    assert east.usual_dressing == "transparent"
    assert east.shifts == every.shifts
    assert east.shifts.starts == (time(7), time(19))
    assert east.source == Source(text="East unit, dressing policy 2025, section 2")


def test_mistake_in_the_entry_for_every_unit_is_told_once():
    text = (text_of(UNITS) + EAST).replace("neonatal: false", "neonatal: no", 1)
    problems = problems_of(documents_with({UNITS: text}))
    assert [(problem.file, problem.line) for problem in problems] == [(UNITS, line_of(text, "neonatal: no"))]


def test_rule_for_a_unit_goes_before_the_rule_for_every_unit():
    policy = policy_with(**with_east())
    book = rule_book(policy)

    def gauze(unit):
        return timed_rule(
            book, "dressing-change", line_kind="picc", dressing_kind="gauze", age=AgeGroup.OLDER, unit=unit, on=date(2024, 3, 5)
        ).id

    assert (gauze("east"), gauze("west"), gauze(None)) == ("gauze-east", "dressing-gauze", "dressing-gauze")


def test_two_rules_for_one_unit_overlap():
    twice = EAST_GAUZE + EAST_GAUZE.replace("id: gauze-east", "id: gauze-east-again")
    documents = documents_with({f"policy/{name}.yaml": text for name, text in with_east(twice).items()})
    told = [problem.what for problem in problems_of(documents) if "overlaps" in problem.what]
    assert told == [
        "rule 'gauze-east-again' overlaps rule 'gauze-east' for gauze on nontunnelled-cvc, neonate, unit east, from 2020-01-01"
    ]


def test_rule_for_an_unknown_unit_is_told():
    documents = documents_with({RULES: text_of(RULES) + EAST_GAUZE, "policy/examples/east.yaml": EAST_EXAMPLES})
    assert "unknown unit 'east'" in [problem.what for problem in problems_of(documents)]


def test_two_mistakes_in_one_file_and_one_in_another_are_all_told():
    rules = replaced(RULES, ("interval: 7 d", "interval: 7"), ("basis: elapsed", "basis: hours"), ("seen_within: 24 h", "seen: 24 h"))
    windows = replaced("policy/windows.yaml", ("lead: 3 h", "lead: 3"))
    with pytest.raises(PolicyInvalid) as raised:
        policy_with(dressing_rules=rules, windows=windows)
    told = [(problem.file, problem.line) for problem in raised.value.problems]
    assert told == sorted(
        [
            (RULES, line_of(rules, "interval: 7\n")),
            (RULES, line_of(rules, "basis: hours")),
            (RULES, line_of(rules, "- since: 2020-01-01", rules.index("dressing-neonate"))),
            (RULES, line_of(rules, "seen: 24 h")),
            ("policy/windows.yaml", line_of(windows, "lead: 3\n")),
        ]
    )
    first = str(raised.value).splitlines()[0]
    assert first == (
        f"{RULES}:{line_of(rules, 'interval: 7')}: 'interval' is 7 without a unit"
        " — expected whole days with the unit, such as 7 d (48 h is 2 d)"
    )


def test_mistake_of_shape_does_not_hide_a_mistake_of_fit_in_the_same_file():
    rules = replaced(RULES, ("interval: 7 d", "interval: 7"), ("[silicone-border, tissue-adhesive]", "[silicone-border, tissue-adhesive, gauze]"))
    told = [problem.what for problem in problems_of(documents_with({RULES: rules}))]
    assert told[0] == "'interval' is 7 without a unit"
    assert any("overlaps" in what for what in told)
    assert not any("no rule of" in what for what in told), "a rule that cannot be read is no gap"


def test_limits_twice_are_told():
    problems = problems_of(documents_with({"policy/more_limits.yaml": text_of("policy/limits.yaml")}))
    assert [(p.file, p.line, p.what) for p in problems] == [
        ("policy/more_limits.yaml", line_of(text_of("policy/limits.yaml"), "limits:"), "limits a second time")
    ]


def test_empty_folder_tells_every_missing_section():
    told = [problem.what for problem in problems_of(Documents(documents=()))]
    assert told == sorted(f"no {name} in any file" for name in (
        "staff", "line_kinds", "dressing_kinds", "findings", "rules", "windows", "units", "limits", "examples"
    ))


def test_rule_without_an_example_after_its_threshold_is_told():
    examples = text_of("policy/examples/ports.yaml").replace("state: overdue", "state: due")
    told = [p for p in problems_of(documents_with({"policy/examples/ports.yaml": examples})) if "'port-needle'" in p.what]
    assert [(p.file, p.what, p.expected) for p in told] == [
        (
            "policy/needle_rules.yaml",
            "rule 'port-needle' has no worked example after its threshold from 2020-01-01",
            "an example with rule: port-needle and the state overdue",
        )
    ]


def test_condition_without_an_example_where_it_does_not_hold_is_told():
    examples = text_of("policy/examples/not_required.yaml").replace("state: not due", "state: not required")
    told = [p.what for p in problems_of(documents_with({"policy/examples/not_required.yaml": examples}))]
    assert told == [
        "rule 'dressing-healed-exit-site' has no worked example where its condition does not hold from 2020-01-01"
    ]


def test_item_of_its_own_is_covered_for_the_line_kinds_it_names():
    needles = replaced("policy/needle_rules.yaml", ("age: any", "age: older"))
    told = [(p.file, p.what) for p in problems_of(documents_with({"policy/needle_rules.yaml": needles}))]
    assert ("policy/dressing_kinds.yaml", "no rule of port-needle-change for gauze on implanted-port, neonate, from 2020-01-01") in told


def test_policy_without_a_port_rule_has_no_incision():
    rules = text_of(RULES)
    rules = rules[: rules.index("  - id: dressing-port-not-accessed")]
    ports = text_of("policy/examples/ports.yaml")
    ports = ports[: ports.index("  - id: port-not-accessed")]
    policy = policy_with(dressing_rules=rules, **{"examples/ports": ports})
    assert policy.limits.port_incision == 0
    assert dict(policy.limits.sources)["port_incision"].text == "common practice, no source"


def test_limits_are_in_the_units_of_the_core():
    limits = policy_from_documents(shipped()).limits
    assert limits.ask_days == 2
    assert limits.after_change_hint == 60 * MINUTE
    assert (limits.off_unit_back, limits.off_unit_longest) == (1 * HOUR, 4 * HOUR)
    assert limits.used_after_removal == 30 * MINUTE
    assert limits.stay_gap == 4 * HOUR
    assert limits.port_incision == 14 * DAY
    assert limits.neonate_corrected_weeks == 44
    assert [name for name, _ in limits.sources] == [
        "ask_days", "after_change_hint", "off_unit_back", "off_unit_longest", "used_after_removal", "stay_gap",
        "port_incision", "neonate_corrected_weeks",
    ]


def test_intervals_are_elapsed_without_grace_by_default():
    rules = [rule for rule in policy_from_documents(shipped()).rules if isinstance(rule, IntervalRule)]
    assert {(rule.basis, rule.grace) for rule in rules} == {(Basis.ELAPSED, 0)}


def test_place_of_a_node_that_was_not_written_is_that_of_the_one_above():
    document = Document(file="a.yaml", data={}, lines={("a",): 3})
    assert document.line(("a", 0, "b")) == 3
    assert document.line(("b",)) == 1


def test_documents_are_found_by_folder_and_by_name():
    inside, outside = (Document(file=file, data={}, lines={}) for file in ("policy/a.yaml", "outputs.yaml"))
    problem = Problem(file="outputs.yaml", line=1, what="a tab", expected="spaces")
    documents = Documents(documents=(inside, outside), problems=(problem,))
    assert documents.under("policy") == Documents(documents=(inside,))
    assert documents.named("outputs.yaml") is outside
    assert documents.named("other.yaml") is None
