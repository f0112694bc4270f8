"""What linedays says informs and never orders, on every text that it can say; "not due" never passes for "looked at".

Source: design 2.6 (wording) and reliability.md H31, H35. The rule, made exact here:

- The verbs remove, re-site, replace the line, start, stop, give and must do not occur, in their base form or as a gerund
  ("consider removing"), as these are the forms of a command.
- A participle after "be", "get" or "need" is a command as well ("to be removed") and does not occur.
- A participle or third person that says what was charted ("removed 09:40", "the stay starts") states a fact: allowed.
- Codes and names of elements ("infusion-start", `period.start`) are no text. Messages of the adapters are about addresses
  and the form of files, not about care, and are left out.
"""

import ast
import re
from collections.abc import Iterator
from datetime import datetime
from itertools import product
from pathlib import Path
from typing import Any

import pytest

import linedays
from linedays.adapters.server_starter import load_bundle
from linedays.cli.arguments import CAUTION, EXIT_CODES, parser
from linedays.core.moment import DAY, HOUR, UTC
from linedays.core.states import AnchorBasis, ItemState, Priority, Reason, State
from linedays.core.value_changes import WithdrawReason
from linedays.fhir.outputs import ref_of
from linedays.mapping.explain import explain_policy
from linedays.mapping.wording import REASONS, TITLED, sentence, title_words, words_for
from linedays.run.demo_hospital import hospital_resources, later_resources
from linedays.run.demo_story import told_at
from linedays.run.explain_line import explanation
from linedays.run.listing import listing
from linedays.run.rereading import read_ours
from linedays.run.wanted import wanted_of
from linedays.run.worklist import worklist
from linedays.run.writing import apply_plan
from support.memory_fhir_server import MemoryFhirServer
from support.small_ward import AT, IDENTITY, WARD, derived, hospital, memory_server, planned, wired, wired_demo

CODE = Path(linedays.__file__).parent
COMMAND = re.compile(
    r"\b(?:must|remove|removing|re-?sit(?:e|ing)|replace the lines?|start|starting|stop|stopping|give|giving)\b"
    r"|\b(?:be|get|gets|needs?)\s+(?:removed|re-?sited|started|stopped|given)\b",
    re.IGNORECASE,
)
REASSURES = re.compile(r"\b(?:fine|ok|okay|all clear|no action|safe|normal|healthy|good)\b", re.IGNORECASE)
OF_THE_RUN = re.compile(r"\b(?:today|tonight|yesterday|tomorrow|ago|currently|so far|elapsed|run)\b", re.IGNORECASE)
RECORDS_THE_WRITE = ("authoredOn", "lastModified", "meta", "id")


@pytest.mark.parametrize(
    "text",
    ["Remove the line", "consider removing it", "the line must come out", "re-site", "Resite it", "to be removed",
     "replace the line", "START a new one", "stop it", "give a dose", "needs to be started", "needs removed"],
)  # fmt: skip
def test_commands_are_found(text: str) -> None:
    assert COMMAND.search(text)


@pytest.mark.parametrize(
    "text",
    ["removal charted", "removed Tue 4 Mar", "the shift starts at 07:00", "restarted", "was given", "mustard", "the line was out",
     "infusion started", "change at once: CDC-2011", "insite"],
)  # fmt: skip
def test_statements_are_not_taken_for_commands(text: str) -> None:
    assert not COMMAND.search(text)


def leaves(value: Any) -> Iterator[str]:
    """Return every text in plain data; the names of elements are none."""
    match value:
        case str():
            yield value
        case dict():
            for one in value.values():
                yield from leaves(one)
        case list() | tuple():
            for one in value:
                yield from leaves(one)


def calm(texts: Any) -> int:
    """Check that no text commands or reassures; return how many there were."""
    told = list(texts)
    assert [text for text in told if COMMAND.search(text)] == []
    assert [text for text in told if REASSURES.search(text)] == []
    return len(told)


def test_wording_file() -> None:
    document = wired().documents.named("outputs.yaml")
    assert document is not None
    assert calm(leaves(document.data)) > 100


def values() -> Iterator[dict[str, str | int]]:
    """Return values for every place in a sentence: each finding, kind, rule, cause and basis that the policy knows."""
    policy = wired().instance.policy
    causes = ("off-unit", "refused", "unstable", "other", "not charted")
    kinds = (*policy.dressing_kinds, *(kind.code for kind in policy.line_kinds))
    whats = [finding.code for finding in policy.findings]
    most = max(len(kinds), len(whats), len(policy.rules))
    whens = ("anchor", "due", "since", "from", "seen", "at", "until", "review", "suggested", "window")
    times = {name: AT - number * HOUR for number, name in enumerate(whens)}
    for number in range(most):
        yield {
            **times,
            "basis": list(AnchorBasis)[number % len(AnchorBasis)],
            "kind": kinds[number % len(kinds)],
            "findings": " ".join((whats[number % len(whats)], whats[0])),
            "rule": policy.rules[number % len(policy.rules)].id,
            "why": causes[number % len(causes)],
            "minutes": str(number),
        }


def test_every_sentence_of_every_reason_for_every_item() -> None:
    wording = wired().wording
    assert set(wording.shape.reasons) == REASONS
    said = [
        sentence(Reason(code=code, values=tuple(filled.items())), wording, UTC, item)
        for code, item, filled in product(REASONS, wording.shape.items, values())
    ]
    assert calm(said) > 1000
    assert not [text for text in said if "{" in text or "}" in text or "None" in text]


def test_every_title() -> None:
    wording = wired().wording
    said = [
        title_words(_item(name, State(state), code), wording)
        for name, states in TITLED.items()
        for state, code in product(states, REASONS)
    ]
    assert calm(said) == (6 + 1 + 2) * len(REASONS)
    assert calm(title_words(_item("connector-change", State(state), "interval-of-a-part"), wording) for state in TITLED["dressing-change"]) == 6
    assert calm(wording.shape.items.values()) > 3
    assert calm(words_for(code, wording) for code in wording.shape.words) > 30


def _item(name: str, state: State, code: str) -> ItemState:
    return ItemState(item=name, site="x", state=state, priority=Priority.URGENT, reason=Reason(code=code))


def test_policy_in_plain_words() -> None:
    policy = wired().instance.policy
    rows = explain_policy(policy)
    assert calm(text for row in rows for text in (row.says, row.applies_to, row.who or "", row.source)) > 100
    assert calm(rule.text for rule in policy.rules) == len(policy.rules)
    assert calm((*(kind.name for kind in policy.line_kinds), *(kind.who for kind in policy.line_kinds))) > 10


def texts_in(module: Path) -> Iterator[str]:
    """Return the texts a module holds, but for its docstrings: those with more than one word."""
    tree = ast.parse(module.read_text(encoding="utf-8"))
    described = (ast.Module, ast.ClassDef, ast.FunctionDef)
    told = {id(node.body[0].value) for node in ast.walk(tree) if isinstance(node, described) and _is_text(node.body[0])}  # type: ignore[attr-defined]
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in told and " " in node.value.strip():
            yield node.value


def _is_text(node: ast.stmt) -> bool:
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)


@pytest.mark.parametrize(("folder", "least"), [("core", 50), ("fhir", 50), ("mapping", 100), ("run", 40), ("cli", 50)])
def test_issue_texts_and_all_other_texts_in_code(folder: str, least: int) -> None:
    texts = [text for module in sorted((CODE / folder).rglob("*.py")) for text in texts_in(module)]
    assert [text for text in texts if COMMAND.search(text)] == []
    assert len(texts) >= least


def test_reasons_the_core_gives_all_have_a_sentence() -> None:
    given = {
        node.value.value
        for module in (CODE / "core").rglob("*.py")
        for call in ast.walk(ast.parse(module.read_text(encoding="utf-8")))
        if isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id == "Reason"
        for node in call.keywords
        if node.arg == "code" and isinstance(node.value, ast.Constant)
    }
    assert len(given) > 10
    assert given <= REASONS


def test_command_line_says_so_itself() -> None:
    assert calm((parser().format_help(), EXIT_CODES, CAUTION)) == 3
    assert "never orders" in parser().format_help()


def people_act(server: MemoryFhirServer, step: int, at: int) -> None:
    """Let people mark one Task in five as done with nothing charted, and hand one in seven back with a reason."""
    waiting = [one for one in read_ours(server, IDENTITY).values() if one["resourceType"] == "Task" and one["status"] == "requested"]
    for number, task in enumerate(sorted(waiting, key=lambda one: str(one["id"])), step):
        said = {"lastModified": datetime.fromtimestamp(at + 60, UTC).isoformat()}
        if number % 5 == 0:
            server.update({**task, **said, "status": "completed"}, task["meta"]["versionId"])
        elif number % 7 == 0:
            server.update({**task, **said, "status": "rejected", "statusReason": {"text": "asleep"}}, task["meta"]["versionId"])


@pytest.fixture(scope="module")
def written() -> list[dict[str, Any]]:
    """Return every version of every Task and Flag of ten days at the demo hospital, swept every five hours and 17 seconds."""
    start = told_at(hospital().story)
    server = memory_server(list(hospital_resources(hospital().document, start)), start)
    found = []
    for step, at in enumerate(range(start + 11, start + 10 * DAY, 5 * HOUR + 17)):
        if step == 2:
            load_bundle(server, later_resources(hospital().document, start))
        plan = planned(server, at, wired_demo())
        assert not [each.problems for each in plan.writes if each.problems]
        assert all(ref_of(each.change) or each.resource["status"] in ("requested", "active") for each in plan.writes)
        apply_plan(plan, server, IDENTITY)
        server.tick(5 * HOUR + 17)
        people_act(server, step, at)
        found += [one | {"swept": at} for one in read_ours(server, IDENTITY).values()]
    return found


def ours(resource: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in resource.items() if name not in (*RECORDS_THE_WRITE, "swept")}


def test_every_written_resource_of_ten_days(written: list[dict[str, Any]]) -> None:
    states = {one["code"]["text"].partition(" · ")[0] for one in written if one["resourceType"] == "Task"}
    assert states >= {
        "Dressing change coming due",
        "Dressing change overdue",
        "Dressing compromised",
        "Dressing date unknown: look at the dressing and its label",
        "Site concern: look at the site",
    }
    said = [text for one in written for text in leaves(ours(one))]
    assert calm(said) > 1000
    assert any(text.startswith("marked done ") for text in said)
    assert any(text.startswith("offered again; declined ") and "asleep" in text for text in said)


def test_every_task_carries_every_caution(written: list[dict[str, Any]]) -> None:
    cautions = set(wired().wording.cautions)
    assert len(cautions) == 2
    tasks = [one for one in written if one["resourceType"] == "Task"]
    assert len(tasks) > 100
    for task in tasks:
        assert cautions <= {note["text"] for note in task["note"]}
        assert task["intent"] == "plan"
    for one in (one for one in written if one["resourceType"] != "Device"):
        assert all(caution in one["text"]["div"].replace("&#x27;", "'") for caution in cautions), one["resourceType"]


def test_no_written_resource_holds_an_elapsed_time_or_the_time_of_the_run(written: list[dict[str, Any]]) -> None:
    zone = wired_demo().settings.zone
    runs = {datetime.fromtimestamp(one["swept"], tz).isoformat()[:19] for one in written for tz in (zone, UTC)}
    assert len(runs) > 50
    for one in written:
        texts = list(leaves(ours(one)))
        assert [text for text in texts if OF_THE_RUN.search(text)] == []
        # A Flag that ends without an entry that says when is the one thing of which only the time of the change is known.
        known_late = one.get("period", {}).get("end")
        assert [text for text in texts if any(when in text for when in runs) and text != known_late] == []


def test_every_derived_observation_of_three_days() -> None:
    """As for Task and Flag, but for the name of the counting rule in `method`, which says by which rule a time is counted."""
    start = told_at(hospital().story)
    server = memory_server(list(hospital_resources(hospital().document, start)), start)
    zone, runs = wired_demo().settings.zone, set()
    for step, at in enumerate(range(start + 11, start + 3 * DAY, 5 * HOUR + 17)):
        if step == 2:
            load_bundle(server, later_resources(hospital().document, start))
        plan = planned(server, at, wired_demo(values=True))
        assert not [each.problems for each in plan.writes if each.problems]
        apply_plan(plan, server, IDENTITY)
        server.tick(5 * HOUR + 17)
        runs |= {datetime.fromtimestamp(at, tz).isoformat()[:19] for tz in (zone, UTC)}
    written = [one for one in read_ours(server, IDENTITY).values() if one["resourceType"] in ("Observation", "Device")]
    assert {one.get("status") for one in written} == {"final", "active"}
    assert calm(reason.replace("-", " ") for reason in WithdrawReason) == 4
    texts = [text for one in written for text in leaves({**ours(one), "method": None})]
    assert calm(texts) > 5000
    assert [text for text in texts if OF_THE_RUN.search(text)] == []
    assert [text for text in texts if any(when in text for when in runs)] == []
    cautions = set(wired().wording.cautions)
    for one in (one for one in written if one["resourceType"] == "Observation"):
        assert cautions <= {note["text"] for note in one["note"]}
        assert {one.get("performer"), one.get("issued"), one.get("interpretation")} == {None}


@pytest.mark.parametrize("later", [1, 59 * 60, 3 * HOUR, 8 * HOUR])
def test_what_is_wanted_is_the_same_while_the_state_lasts(later: int) -> None:
    def wanted(at: int) -> list[Any]:
        found = planned(memory_server(WARD), at)
        facts = found.collected.facts
        return [
            one
            for result in found.derivation.results
            for one in wanted_of(result, facts[result.chart.person.id], wired().instance.policy, wired().wording, IDENTITY)
        ]

    assert wanted(AT) == wanted(AT + later)


def test_not_due_says_before_when_and_when_it_was_last_seen() -> None:
    start = told_at(hospital().story)
    rows = []
    for settled, resources, at in (
        (wired_demo(), list(hospital_resources(hospital().document, start)), start),
        (wired(), WARD, AT),
    ):
        derivation = derived(resources, at, settled=settled)
        rows += worklist(derivation, settled.instance.policy, settled.wording, settled.settings.zone)
    calm(text for row in rows for text in (row.state, row.what, row.due, row.line, row.why))
    quiet = [row for row in rows if row.state == State.NOT_DUE]
    assert len(quiet) > 10
    assert {"Port needle change", "Dressing change"} <= {row.what for row in quiet}
    for row in quiet:
        assert re.search(r"dressing (?:last changed or seen intact \w{3} \d|not charted as changed or seen)", row.why), row
        said = ("not due before ", "changed only when needed", "kind not charted; known until ")
        assert any(words in row.why for words in said), row


def test_listing_and_explanation() -> None:
    derivation = derived(WARD)
    assert calm(leaves(listing(derivation, wired().instance, wired().wording))) > 100
    keys = [timeline.line.key for result in derivation.results for site in result.chart.sites for timeline in site.timelines]
    told = [explanation(derivation, key, wired().instance, wired().wording) for key in keys]
    assert calm(leaves(told)) > 100
