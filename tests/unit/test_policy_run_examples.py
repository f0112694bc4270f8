"""Worked examples are read into input for the core, run, and told with file and line where they do not hold."""

from datetime import UTC
from zoneinfo import ZoneInfo

import pytest

from linedays.core.model import FactKind
from linedays.core.moment import Precision
from linedays.core.states import State
from linedays.mapping.documents import PolicyInvalid
from linedays.mapping.examples import examples_from_documents, run_examples
from linedays.mapping.parse import policy_from_documents
from support.policy_files import documents_with, line_of, replaced, shipped, text_of

DRESSINGS = "policy/examples/dressings.yaml"
PORTS = "policy/examples/ports.yaml"


def run(file, *edits):
    text = replaced(file, *edits)
    documents = documents_with({file: text})
    results = run_examples(examples_from_documents(documents, UTC), policy_from_documents(shipped()), UTC)
    return text, [result.problem for result in results if result.problem is not None]


def test_shipped_examples_hold():
    assert run(DRESSINGS)[1] == []


def test_example_with_a_wrong_state_is_told_with_file_and_line():
    text, (problem,) = run(DRESSINGS, ("{at: 2024-03-06T14:29:59Z, state: window open}", "{at: 2024-03-06T14:29:59Z, state: overdue}"))
    assert (problem.file, problem.line) == (DRESSINGS, line_of(text, "{at: 2024-03-06T14:29:59Z, state: overdue}"))
    assert problem.what == "example 'gauze-1' of rule 'dressing-gauze' gives the state 'window open'"
    assert problem.expected == "'overdue', due 2024-03-06T14:30:00Z"


def test_example_with_a_wrong_due_time_is_told_for_each_moment():
    _, problems = run(PORTS, ("due: 2024-03-11T14:30:00Z", "due: 2024-03-11T14:30:01Z"))
    assert [problem.what for problem in problems] == [
        f"example 'port-needle-{number}' of rule 'port-needle' gives the due time 2024-03-11T14:30:00Z" for number in (1, 2, 3)
    ]
    assert problems[0].expected == "'window open', due 2024-03-11T14:30:01Z"


def test_example_that_expects_no_due_time_is_told():
    _, problems = run(PORTS, ("due: 2024-03-11T14:30:00Z", "due: null"))
    assert problems[0].expected == "'window open', due never"


def test_example_whose_line_has_no_such_item_is_told():
    _, problems = run(PORTS, ("line_kind: implanted-port", "line_kind: picc"))
    assert problems[0].what == "example 'port-needle-1' of rule 'port-needle' gives no state of port-needle-change"


def test_changed_policy_fails_the_examples_of_the_old_value():
    daily = documents_with({"policy/dressing_rules.yaml": replaced("policy/dressing_rules.yaml", ("interval: 2 d", "interval: 1 d"))})
    results = run_examples(examples_from_documents(daily, UTC), policy_from_documents(daily), UTC)
    # Example "gauze" 3 moments, "gauze-first-dressing" 2, "neonate-gauze" 2: each has a due time of two days.
    assert [result.example.rule for result in results if result.problem] == ["dressing-gauze"] * 7


@pytest.mark.parametrize("zone", ["America/New_York", "Australia/Sydney", "Asia/Kathmandu"])
def test_shipped_examples_hold_in_any_zone(zone):
    zone = ZoneInfo(zone)
    results = run_examples(examples_from_documents(shipped(), zone), policy_from_documents(shipped()), zone)
    assert [str(result.problem) for result in results if result.problem] == []
    assert all((result.state, result.due) == (result.example.state, result.example.due) for result in results)


def test_example_becomes_input_for_the_core():
    examples = {example.id: example for example in examples_from_documents(shipped(), UTC)}
    gauze = examples["gauze-2"]
    inserted, changed = gauze.patient.facts
    assert (inserted.kind, inserted.source, inserted.part_of, inserted.line_kind, inserted.value) == (
        FactKind.INSERTED, "Procedure/ins", None, "nontunnelled-cvc", "transparent",
    )  # fmt: skip
    assert (changed.kind, changed.part_of, changed.line_kind, changed.value) == (
        FactKind.DRESSING_CHANGED, "Procedure/ins", None, "gauze",
    )  # fmt: skip
    assert changed.known - changed.happened.earliest == 600  # charted 14:30, known 14:40
    assert (gauze.state, gauze.rule, gauze.item, gauze.unit) == (State.DUE, "dressing-gauze", "dressing-change", "*")
    assert gauze.at == gauze.due == 1_709_735_400  # 2024-03-06T14:30:00Z = 19,788 days × 86,400 + 52,200
    assert (gauze.file, gauze.line) == (DRESSINGS, line_of(text_of(DRESSINGS), "{at: 2024-03-06T14:30:00Z, state: due}"))
    neonate = examples["neonate-seen-intact-1"].patient
    assert neonate.person.birth.precision is Precision.DAY
    assert neonate.person.gestation_days == 210  # 30 weeks × 7
    assert neonate.facts[-1].findings == ("intact",)


def test_example_patient_without_gestation():
    documents = documents_with({"policy/examples/more.yaml": """
examples:
  - id: grown-up
    rule: dressing-gauze
    line_kind: picc
    patient: {born: 1970}
    facts:
      - {what: inserted, when: 2024-03-01T10:00:00Z, dressing: gauze}
    due: 2024-03-03T10:00:00Z
    expect:
      - {at: 2024-03-03T10:00:01Z, state: overdue}
""".replace("1970", '"1970"')})
    (grown_up,) = [example for example in examples_from_documents(documents, UTC) if example.id == "grown-up-1"]
    assert grown_up.patient.person.gestation_days is None
    (result,) = run_examples([grown_up], policy_from_documents(documents), UTC)
    assert result.problem is None


def test_examples_that_cannot_be_read_are_refused():
    with pytest.raises(PolicyInvalid, match="'state' is 'fine'"):
        examples_from_documents(documents_with({DRESSINGS: replaced(DRESSINGS, ("state: due", "state: fine"))}), UTC)
