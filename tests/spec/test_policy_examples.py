"""The shipped policy says what the published sources say, and its worked examples hold.

The expected values are written by hand from the guidelines; the source of each stands beside it.
"""

import re
from datetime import UTC, date

import pytest

from linedays.core.model import FactKind
from linedays.core.moment import DAY, HOUR
from linedays.core.policy import (
    AgeGroup,
    BloodRule,
    FindingClass,
    IntervalRule,
    NotRequiredRule,
    NotRequiredWhen,
    SeenRule,
)
from linedays.core.rule_book import rule_book, timed_rule
from linedays.mapping.examples import examples_from_documents, run_examples
from linedays.mapping.parse import policy_from_documents
from support.policy_files import FOLDER, documents_with, line_of, problems_of, replaced, shipped, text_of

POLICY = policy_from_documents(shipped())
EXAMPLES = examples_from_documents(shipped(), UTC)
ANY_DAY = date(2024, 3, 11)

DRESSED = (
    "nontunnelled-cvc", "tunnelled-cvc", "picc", "implanted-port", "dialysis-nontunnelled", "dialysis-tunnelled", "midline",
    "long-peripheral", "peripheral-iv", "arterial", "pulmonary-artery", "introducer", "unknown",
)  # fmt: skip
UNDRESSED = ("umbilical-venous", "umbilical-arterial", "intraosseous")

# Days until the dressing change is due, older than a neonate.
OLDER_DAYS = {
    "transparent": 7,  # CDC-2011 Dressing Regimens rec. 7; INS-2024 Std 39; peripheral: INS-2021
    "chg-transparent": 7,  # LHSC procedure, every 7 days
    "chg-gel": 7,  # LHSC procedure, every 7 days
    "chg-disc": 7,  # LHSC procedure, every 7 days
    "silicone-border": 7,  # common practice, no source
    "tissue-adhesive": 7,  # common practice, no source
    "gauze": 2,  # CDC-2011 Dressing Regimens rec. 6; INS-2024 Std 39
    "gauze-under-transparent": 2,  # RNAO best practice guideline
    "gauze-supporting-needle": 2,  # as gauze (RNAO), but on a port, below
    "none": 2,  # common practice, no source
    "other": 2,  # common practice, no source
}
GAUZE_KINDS = ("gauze", "gauze-under-transparent", "gauze-supporting-needle")


def rule_for(line_kind, dressing_kind, age, item="dressing-change"):
    return timed_rule(
        rule_book(POLICY), item, line_kind=line_kind, dressing_kind=dressing_kind, age=age, unit="ward", on=ANY_DAY
    )


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda example: example.id)
def test_worked_example_holds(example):
    (result,) = run_examples([example], POLICY, UTC)
    assert result.problem is None, str(result.problem)


@pytest.mark.parametrize("dressing", OLDER_DAYS)
@pytest.mark.parametrize("line_kind", DRESSED)
def test_interval_of_each_dressing_on_each_line(line_kind, dressing):
    days = OLDER_DAYS[dressing]
    if (line_kind, dressing) == ("implanted-port", "gauze-supporting-needle"):
        days = 7  # INS-2006, as quoted: gauze that only supports the needle is not a gauze dressing
    assert rule_for(line_kind, dressing, AgeGroup.OLDER).interval_days == days


@pytest.mark.parametrize("dressing", OLDER_DAYS)
@pytest.mark.parametrize("line_kind", DRESSED)
def test_neonates_have_no_interval_but_for_gauze(line_kind, dressing):
    rule = rule_for(line_kind, dressing, AgeGroup.NEONATE)
    if dressing in GAUZE_KINDS:
        assert isinstance(rule, IntervalRule)
        assert rule.interval_days == (7 if (line_kind, dressing) == ("implanted-port", "gauze-supporting-needle") else 2)
    else:
        # SHEA-NICU-2022 rec. 2: changed only if soiled, damp or loose; integrity inspected at least daily.
        assert isinstance(rule, SeenRule)
        assert rule.seen_within == 24 * HOUR


@pytest.mark.parametrize("example", [e for e in EXAMPLES if e.due is not None], ids=lambda example: example.id)
def test_due_time_of_an_example_is_its_interval_after_the_last_change(example):
    # CDC-2011, INS-2024: 7 days; gauze and what counts as gauze 2 days; INS via the Royal Marsden Manual: needle 7 days.
    two_days = ("dressing-gauze", "dressing-gauze-under-transparent", "dressing-gauze-without-port", "dressing-none-or-other")
    days = 2 if example.rule in two_days else 7
    resets = {FactKind.INSERTED, FactKind.DRESSING_CHANGED, FactKind.PORT_ACCESSED}
    last = max(fact.happened.earliest for fact in example.patient.facts if fact.kind in resets)
    assert example.due == last + days * 86_400


def test_threshold_is_tried_one_second_before_and_after():
    for rule in POLICY.rules:
        if isinstance(rule, IntervalRule) and "/" not in rule.id:
            distances = {e.at - e.due for e in EXAMPLES if e.rule == rule.id and e.due is not None}
            assert {-1, 1} <= distances, rule.id


def test_lines_without_a_dressing_are_never_asked_for_one():
    # Common practice, no source: umbilical catheters and intraosseous needles have no dressing to change.
    always = [rule for rule in POLICY.rules if isinstance(rule, NotRequiredRule) and rule.when is NotRequiredWhen.ALWAYS]
    assert sorted(code for rule in always for code in rule.line_kinds) == sorted(UNDRESSED)
    assert sorted(kind.code for kind in POLICY.line_kinds if not kind.dressing) == sorted(UNDRESSED)


def test_conditions_under_which_a_dressing_is_not_asked_for():
    found = {
        (rule.item, rule.when, rule.line_kinds, rule.incision)
        for rule in POLICY.rules
        if isinstance(rule, NotRequiredRule) and rule.when is not NotRequiredWhen.ALWAYS
    }
    assert found == {
        # RNAO: a healed tunnelled catheter may not require a dressing; only where healed is charted.
        ("dressing-change", NotRequiredWhen.SITE_HEALED, ("tunnelled-cvc", "dialysis-tunnelled"), 0),
        # RNAO: a healed, un-accessed port needs no dressing; the 14 days: common practice, no source.
        ("dressing-change", NotRequiredWhen.PORT_NOT_ACCESSED, ("implanted-port",), 14 * DAY),
        ("port-needle-change", NotRequiredWhen.PORT_NOT_ACCESSED, ("implanted-port",), 0),
    }


def test_port_needle_is_due_after_seven_days():
    # INS via the Royal Marsden Manual.
    assert rule_for("implanted-port", None, AgeGroup.OLDER, "port-needle-change").interval_days == 7
    assert rule_for("picc", None, AgeGroup.OLDER, "port-needle-change") is None


@pytest.mark.parametrize("line_kind", DRESSED)
def test_dialysis_lines_belong_to_dialysis_or_vascular_access_staff(line_kind):
    # Common practice, no source (local policy: dialysis catheters are dressed by dialysis staff).
    dialysis = line_kind.startswith("dialysis")
    expected = "dialysis or vascular access staff" if dialysis else "registered nurse or vascular access team"
    whose = {rule_for(line_kind, dressing, age).who for dressing in OLDER_DAYS for age in (AgeGroup.NEONATE, AgeGroup.OLDER)}
    assert whose == {expected}
    assert {kind.who for kind in POLICY.line_kinds if kind.code == line_kind} == {expected}


def test_central_by_kind():
    # NHSN Patient Safety Component Manual ch. 4 (definition and types); midline, arterial, introducer: from memory.
    central = {kind.code: kind.central for kind in POLICY.line_kinds}
    assert {code for code, is_central in central.items() if is_central} == {
        "nontunnelled-cvc", "tunnelled-cvc", "picc", "implanted-port", "dialysis-nontunnelled", "dialysis-tunnelled",
        "pulmonary-artery", "introducer", "umbilical-venous", "umbilical-arterial",
    }  # fmt: skip
    assert {code for code, is_central in central.items() if is_central is False} == {
        "midline", "long-peripheral", "peripheral-iv", "arterial", "intraosseous",
    }  # fmt: skip
    assert central["unknown"] is None


def test_kinds_that_may_go_home():
    # Common practice, no source.
    assert {kind.code for kind in POLICY.line_kinds if kind.may_go_home} == {
        "implanted-port", "tunnelled-cvc", "picc", "midline", "dialysis-nontunnelled", "dialysis-tunnelled",
    }  # fmt: skip


def test_every_finding_is_in_its_one_row():
    meanings = {}
    for meaning in POLICY.findings:
        assert meaning.code not in meanings
        meanings[meaning.code] = meaning.finding_class
    expected = {
        # INS-2024 Std 39 (moisture, lifted border, soiled, blood); CDC-2011 rec. 3 (damp, loosened, soiled); LHSC (pad)
        FindingClass.COMPROMISED: "damp moisture-under loose soiled lifted bloody missing chg-pad-swollen",
        # INS-2024 Std 39 (drainage, compromised skin); the others common practice, no source
        FindingClass.BOTH: "drainage pus bleeding-active skin-damage exposed",
        # RNAO documentation of the site; INS phlebitis scale; the others common practice, no source
        FindingClass.CONCERN: "redness swelling tenderness pain warmth crepitus induration cord streak infiltration displaced"
        " limb-swelling disconnected catheter-damaged",
        # sources differ: INS-2024 any blood, SickKids near the border, LHSC not inside the pad
        FindingClass.BLOOD: "oozing old-blood",
        FindingClass.ROW_ONLY: "bruising",  # common practice, no source
        FindingClass.NONE: "intact none undated",  # common practice, no source
    }
    assert meanings == {code: means for means, codes in expected.items() for code in codes.split()}


def test_findings_that_call_for_someone_at_once():
    # Common practice, no source.
    assert {meaning.code for meaning in POLICY.findings if meaning.stat} == {
        "disconnected", "catheter-damaged", "exposed", "pus", "bleeding-active",
    }  # fmt: skip


def test_settings_of_every_unit():
    # Common practice, no source; any blood: INS-2024 Std 39.
    (every,) = POLICY.units
    assert every.unit == "*"
    assert [f"{clock:%H:%M}" for clock in every.shifts.starts] == ["07:00", "19:00"]
    assert (f"{every.shifts.quiet_from:%H:%M}", f"{every.shifts.quiet_until:%H:%M}") == ("22:00", "06:00")
    assert every.shifts.change_margin == 30 * 60
    assert every.blood_rule is BloodRule.ANY
    assert (every.usual_dressing, every.first_dressing, every.cutoff, every.neonatal) == (None, None, None, False)


def test_windows():
    # Common practice, no source: at most 48 h, 3 h before; longer, 12 h before.
    assert [(window.up_to_days, window.lead) for window in POLICY.windows] == [(2, 3 * 3600), (None, 12 * 3600)]


def test_readme_story_of_the_gauze_rule_holds_as_it_is_written():
    readme = (FOLDER / "README.md").read_text(encoding="utf-8")
    values, example = (
        re.sub(r"^   ", "", block, flags=re.MULTILINE) for block in re.findall(r"```yaml\n(.*?)   ```", readme, re.DOTALL)
    )
    rules_file, examples_file = "policy/dressing_rules.yaml", "policy/examples/dressings.yaml"
    old = values[: values.index("      - since: 2026-05-01")].replace("    values:\n", "", 1)
    rules = replaced(rules_file, (old, values.replace("    values:\n", "", 1)))
    told = problems_of(documents_with({rules_file: rules}))
    assert [problem.what for problem in told] == [
        f"rule 'dressing-gauze' has no worked example {side} its threshold from 2026-05-01" for side in ("after", "before")
    ]
    line = line_of(rules, "- since: 2026-05-01")
    assert f"{told[1].file}:{line}: {told[1].what} — expected" in readme
    documents = documents_with({rules_file: rules, examples_file: text_of(examples_file) + "\n" + example})
    policy = policy_from_documents(documents)
    results = run_examples(examples_from_documents(documents, UTC), policy, UTC)
    assert [str(result.problem) for result in results if result.problem] == []
    assert {rule.id: rule.interval_days for rule in policy.rules if rule.id.startswith("dressing-gauze@")} == {
        "dressing-gauze@2026-05-01": 1,
        "dressing-gauze@2026-05-01/dialysis": 1,
    }
