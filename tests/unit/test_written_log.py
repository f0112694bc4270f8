"""The plugin that checks everything a run writes: what it sees and what not, what it says, and that it fails the run.

Source: design 2.6 (only what carries our identifier system is written). The runs inside are processes of their own, so that
what they write on purpose is not seen by the run that this test belongs to.
"""

import os
import sys
import threading
from pathlib import Path

import httpx
import pytest
import respx

import linedays
from linedays.adapters.entries import BundleKind, Entry
from linedays.adapters.fhir_http import new_client
from linedays.adapters.fhir_server import FhirServer
from linedays.adapters.server_starter import load_bundle
from support.memory_fhir_server import MemoryFhirServer
from support.spoiled_writes import GOOD
from support.written_log import NotRight, WrittenLog, checks, watched
from support.written_resources import FLAG, OBSERVATION, PROVENANCE, TASK, put

pytest_plugins = ["pytester"]
pytestmark = pytest.mark.sends_made_up("what the check of everything written is tried with")
BAD = put(TASK, ["status"], "bogus")  # only our own check sees that: the others know no codes


def taken(*resources):
    log = WrittenLog(test="a test")
    for resource in resources:
        log.take(resource)
    return log


def without_time(lines):
    return [line.rpartition(" (")[0] if line.endswith(" s)") else line for line in lines]


def test_summary_counts_what_was_written_and_what_is_distinct():
    log = taken(*GOOD.values(), FLAG, put(TASK, ["id"], "t-2"), put(TASK, ["meta"], {"versionId": "4"}), put(TASK, ["priority"], "asap"))
    assert without_time(log.summary()) == [
        "written in this run: 9 resources, 6 distinct (Task 2, Flag 1, Observation 1, Provenance 1, Device 1): "
        "R4B classes 6 passed, fhirkit 6 passed, own check 6 passed"
    ]
    assert list(log.complaints()) == []


def test_nothing_is_said_where_nothing_was_sent():
    assert list(WrittenLog().summary()) == []


@pytest.mark.parametrize(
    ("bad", "refusing"),
    [
        (BAD, {"own check"}),
        (put(FLAG, ["status"], ["active"]), {"R4B classes", "fhirkit", "own check"}),
        (put(FLAG, ["identifier"], [{"system": "https://other.example", "value": "1"}]), {"own check"}),
        (put(OBSERVATION, ["effectiveDateTime"], "2026-02-30T07:00:00Z"), {"R4B classes", "own check"}),
        (put(PROVENANCE, ["resourceType"], "Basic"), {"R4B classes", "own check"}),
    ],
    ids=["code", "list for one", "not ours", "30 February", "another type"],
)
def test_what_does_not_pass_is_kept_with_what_each_check_said(bad, refusing):
    log = taken(TASK, bad, bad)
    (wrong,) = log.not_right
    assert wrong.test == "a test"
    assert {name for name, problems in wrong.said.items() if problems} >= refusing
    assert set(wrong.said) == set(checks())
    (line,) = without_time(log.summary())
    assert "3 resources, 2 distinct" in line
    assert "own check 1 passed" in line


def test_complaint_names_the_type_the_test_and_what_each_said():
    wrong = NotRight(kind="Task", test="test_a.py::test_b", said={"fhirkit": (), "own check": ("Task.status: x", "Task.for: y")})
    assert list(wrong.lines()) == [
        "Task, first written in test_a.py::test_b", "  fhirkit: passed", "  own check: Task.status: x; Task.for: y",
    ]  # fmt: skip


def test_of_very_many_that_do_not_pass_the_rest_is_counted():
    log = taken(*(put(BAD, ["description"], f"number {number}") for number in range(25)))
    assert len(log.not_right) == 25
    assert list(log.complaints())[-1] == "and 5 more"


def test_what_is_left_out_is_counted_with_its_reason():
    log = WrittenLog(made_up="made up")
    log.take(BAD)
    assert list(log.summary()) == ["not among them: 1 that tests sent by hand (made up)"]
    assert log.not_right == []


def test_what_we_send_to_the_server_in_memory_is_seen_and_what_others_do_is_not():
    log, server = WrittenLog(), MemoryFhirServer()
    with watched(log):
        made = server.send(Entry(resource=FLAG, if_none_exist="identifier=a|b"))
        server.send_bundle(BundleKind.BATCH, [Entry(resource=TASK), Entry(resource=PROVENANCE)])
        server.send_bundle(kind=BundleKind.TRANSACTION, entries=[Entry(resource=OBSERVATION)])
        load_bundle(server, [put(BAD, ["id"], "chart")])
        server.person_edits(f"Flag/{made.id}", lambda found: {**found, "status": "bogus"})
        server.update(put(BAD, ["id"], "theirs"), None)
        server.create(BAD, "identifier=c|d")
    server.send(Entry(resource=BAD))
    assert dict(log.distinct) == {"Flag": 1, "Task": 1, "Provenance": 1, "Observation": 1}
    assert log.written == 4
    assert log.not_right == []


def test_what_the_real_adapter_sends_is_seen_once_whatever_comes_of_it():
    log = WrittenLog()
    with respx.mock(base_url="https://fhir.example") as web, new_client() as client, watched(log):
        web.put("/Task/t-1").mock(return_value=httpx.Response(422))
        web.post("/Flag").mock(return_value=httpx.Response(201))
        web.post("/").mock(return_value=httpx.Response(200, json={"resourceType": "Bundle", "entry": [{"response": {"status": "400"}}]}))
        server = FhirServer("https://fhir.example", client=client)
        server.send(Entry(resource=BAD))
        server.send(Entry(resource=FLAG, if_none_exist="identifier=a|b"))
        server.send_bundle(BundleKind.BATCH, [Entry(resource=OBSERVATION)])
    assert (log.written, dict(log.distinct)) == (3, {"Task": 1, "Flag": 1, "Observation": 1})
    assert [one.kind for one in log.not_right] == ["Task"]


def test_threads_are_counted_together():
    log = WrittenLog()
    threads = [threading.Thread(target=lambda: [log.take(TASK) for _ in range(200)]) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (log.written, log.distinct["Task"]) == (1600, 1)


def test_service_writes_by_send_and_send_bundle_alone():
    # What goes through `create` and `update` of the server in memory is not seen: it is how tests play other writers.
    for module in (Path(linedays.__file__).parent / "run").glob("*.py"):
        assert "erver.create(" not in module.read_text()
        assert "erver.update(" not in module.read_text()


CONFTEST = """
from support.written_log import WrittenPlugin

def pytest_configure(config):
    config.addinivalue_line("markers", "sends_made_up(why): as in pyproject.toml")
    config.pluginmanager.register(WrittenPlugin(), "written")
"""
TESTS = """
import pytest
from linedays.adapters.entries import Entry
from support.memory_fhir_server import MemoryFhirServer
from support.written_resources import FLAG, TASK, put

def test_good():
    MemoryFhirServer().send(Entry(resource=FLAG))

def test_bad():
    MemoryFhirServer().send(Entry(resource=put(TASK, ["status"], "bogus")))

@pytest.mark.sends_made_up("on purpose")
def test_bad_on_purpose():
    MemoryFhirServer().send(Entry(resource=put(TASK, ["status"], "other")))
"""


@pytest.mark.parametrize(
    ("chosen", "code", "expected"),
    [
        (
            (),
            1,
            [
                "*written in this run: 2 resources, 2 distinct (Task 1, Flag 1,*own check 1 passed*",
                "*1 that tests sent by hand (on purpose)*",
                "*WRITTEN AND NOT RIGHT: 1*",
                "Task, first written in test_inner.py::test_bad",
                "*own check: Task.status: is not one of*",
            ],
        ),
        (("-k", "good or purpose"), 0, ["*written in this run: 1 resources, 1 distinct (Task 0, Flag 1,*own check 1 passed*"]),
        (("--collect-only",), 0, ["*3 tests collected*"]),
    ],
    ids=["all, in any order", "without the bad one", "none run"],
)
def test_run_fails_for_one_bad_resource_and_passes_without(pytester, monkeypatch, chosen, code, expected):
    places = [str(Path(__file__).parents[1]), str(Path(linedays.__file__).parents[1]), os.environ.get("PYTHONPATH", "")]
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(places))
    monkeypatch.delenv("PYTEST_ADDOPTS", raising=False)
    pytester.makeconftest(CONFTEST)
    pytester.makepyfile(test_inner=TESTS)
    result = pytester.run(sys.executable, "-m", "pytest", "--strict-markers", *chosen)
    assert result.ret == code, result.stdout.str()
    result.stdout.fnmatch_lines(expected)
    if code == 0:
        result.stdout.no_fnmatch_line("*NOT RIGHT*")
