"""The demo shows the main job from end to end: worklist, flags, line days, a calm second sweep, and Tasks that end.

What each patient needs is what fixtures/demo-hospital/hospital.yaml says in words beside the patient.
"""

import re
from collections import Counter

import pytest

from linedays.adapters.server_starter import started_server
from linedays.cli import main
from linedays.cli.sweeps import identity_of
from linedays.core.moment import DAY
from linedays.run.demo import Step, bed_names, ended_rows, flag_rows, run_demo, task_rows
from linedays.run.demo_hospital import hospital_resources
from linedays.run.demo_story import told_at
from linedays.run.settings import VARIABLES
from linedays.run.sweep import read_ours
from linedays.run.wiring import server_at
from linedays.run.worklist import quiet_rows, worklist
from support.memory_fhir_server import MemoryFhirServer
from support.small_ward import hospital, wired_demo

Capture = pytest.CaptureFixture[str]
# What a nurse sees first, in order: one asap, then the urgent ones by due time, then what comes due.
FIRST = [
    ("asap", "Lantern Intensive Care, bed 01", "Dressing compromised · right internal-jugular"),
    ("urgent", "Heron Ward, bed 03", "Dressing date unknown: look at the dressing and its label · "),
    ("urgent", "Heron Ward, bed 07", "Site concern: look at the site · right hand"),
    ("urgent", "Lantern Intensive Care, bed 03", "Dressing change overdue · left subclavian"),
    ("urgent", "Heron Ward, bed 04", "Dressing change overdue · right forearm"),
    ("urgent", "Lantern Intensive Care, bed 02", "Dressing change overdue · right femoral"),
    ("routine", "Heron Ward, bed 10", "Dressing change coming due · left internal-jugular"),
    ("routine", "Heron Ward, bed 02", "Dressing change coming due · right basilic"),
]


def steps(at: int | None = None) -> tuple[bool, list[Step]]:
    """Return whether the second sweep was calm, and the three steps, on a server in memory."""
    start = told_at(hospital().story)
    found: list[Step] = []
    server = MemoryFhirServer(now=(start if at is None else at) - 60)
    calm = run_demo(server, hospital(), wired_demo(), identity_of(wired_demo().settings), at, found.append)
    return calm, found


def test_worklist_of_the_first_sweep() -> None:
    _, (first, _, _) = steps()
    beds = bed_names(hospital_resources(hospital().document, first.at))
    rows = task_rows(first.ours, beds)
    assert [(priority, bed) for priority, bed, _, _ in rows] == [(priority, bed) for priority, bed, _ in FIRST]
    for (_, _, says, _), (_, _, begins) in zip(rows, FIRST, strict=True):
        assert says.startswith(begins)
    # Gauze changed 49 h before 21:50 was due 48 h after that, at 20:50; 47 h ago, at 22:50 (CDC-2011 rec. 6: 2 days).
    due = {bed: when for _, bed, _, when in rows}
    assert due["Lantern Intensive Care, bed 02"] == "2031-03-12 20:50"
    assert due["Heron Ward, bed 10"] == "2031-03-12 22:50"


def test_what_no_task_asks_for_is_said_with_its_reason() -> None:
    """The stories of hospital.yaml that ask for nothing: newborns, healed exit site, one dressing over two devices, …"""
    _, (first, _, _) = steps()
    wired = wired_demo()
    derivation = first.plan.derivation
    rows = worklist(derivation, wired.instance.policy, wired.wording, wired.settings.zone)
    quiet, plain = quiet_rows(rows)
    found = {row.patient.removeprefix("Patient/"): row for row in quiet if row.state != "which line?"}

    assert found["pondweed"].state == "not required"
    assert found["pondweed"].why.startswith("exit site charted as healed")
    assert all("changed only when needed" in found[name].why for name in ("snailshell", "dewdrop"))
    assert found["driftwood"].line.count(" + ") == 1
    assert "which line?" in found["bellrope"].why
    assert "taken as transparent dressing with chlorhexidine" in found["lanternjaw"].why
    assert [row.state for row in quiet if row.state == "which line?"] == ["which line?"]
    assert plain == sum(row.state == "not due" and row.is_plain for row in rows) > 0
    asked = {row.patient for row in rows} - {row.patient for row in quiet}
    assert "Patient/foxglove" in asked


def test_second_sweep_is_calm_and_the_third_ends_what_was_charted() -> None:
    calm, (first, second, third) = steps()
    assert calm
    assert (second.plan.writes, second.ours) == ((), first.ours)
    assert [row[0] for row in ended_rows(second.ours, third.ours)] == ["cancelled", "completed"]
    cancelled, completed = ended_rows(second.ours, third.ours)
    assert cancelled[1].startswith("Dressing change overdue · right forearm")
    assert (cancelled[2], cancelled[3]) == ("line out", "")
    assert completed[2:] == ("change charted", "Procedure/stepstone-cvc-later-1-dressing-change")
    spans = [span for _, span in flag_rows(third.ours, "inactive")]
    assert sorted(spans) == ["2031-03-11 18:50 to 2031-03-12 21:54", "2031-03-12 15:50 to 2031-03-12 21:56"]
    assert len(flag_rows(third.ours, "active")) == 4


def test_nothing_was_refused() -> None:
    _, found = steps()
    assert [step.outcome.refused for step in found] == [[], [], []]
    counts = Counter(kind for step in found for kind in step.outcome.counts.elements())
    assert sum(counts.values()) == 14 + 0 + 4


def test_demo_tells_the_same_stories_at_another_moment() -> None:
    start = told_at(hospital().story)
    _, (told, *_) = steps()
    calm, (moved, *_) = steps(start + 400 * DAY)
    assert calm
    beds = bed_names(hospital_resources(hospital().document, start))
    assert [row[:2] for row in task_rows(moved.ours, beds)] == [row[:2] for row in task_rows(told.ours, beds)]


@pytest.fixture
def plain_surroundings(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in (*VARIABLES, "FORCE_COLOR"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("COLUMNS", "400")


@pytest.mark.server
@pytest.mark.usefixtures("plain_surroundings")
def test_command_shows_all_of_it_without_a_name_and_needs_no_setting(capsys: Capture) -> None:
    assert main(["demo"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    heads = re.findall(r"Sweep (\d) · ([^─]*?) ─+\s*\nwritten: ([^\n]*?) *\n", out)
    assert [number for number, _, _ in heads] == ["1", "2", "3"]
    assert heads[0][1:] == ("Wed 12 Mar 2031 21:50", "6 Flag create: created, 8 Task create: created")
    assert heads[1][2] == "nothing"
    assert "Counted by nhsn-denominator-snapshot 1 (2023)" in out
    for _, bed, begins in FIRST:
        assert re.search(re.escape(bed) + r"\s+" + re.escape(begins), out), begins
    for title in ("What a nurse would see: open Tasks", "Flags on the chart", "Line days of the month so far", "Tasks that ended"):
        assert title in out
    assert "which-line" in out
    assert out.rstrip().endswith("looking at the site.")
    names = [part for patient in hospital().story.patients for part in patient.name.split()]
    assert [name for name in names if name in out] == []


@pytest.mark.server
@pytest.mark.usefixtures("plain_surroundings")
def test_command_runs_on_any_other_server_and_is_repeatable_there(capsys: Capture) -> None:
    with started_server() as base_url:
        assert main(["demo", "--fhir", base_url]) == 0
        assert "8 Task create: created" in capsys.readouterr().out
        # Loaded again: the stories are back at their beginning, and no Task is doubled.
        assert main(["demo", "--fhir", base_url]) == 0
        assert "What a nurse would see: open Tasks" in capsys.readouterr().out
        with server_at(base_url) as server:
            ours = read_ours(server, identity_of(wired_demo().settings)).values()
    waiting = [one["groupIdentifier"]["value"] for one in ours if one.get("status") == "requested"]
    assert len(waiting) == len(set(waiting)) >= 6
