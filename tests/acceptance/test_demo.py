"""The demo shows the main job from end to end: worklist, flags, line days, a calm second sweep, and Tasks that end.

What each patient needs is what fixtures/demo-hospital/hospital.yaml says in words beside the patient.
"""

import re
from collections import Counter

import pytest

from linedays.adapters.server_starter import started_server
from linedays.cli import main
from linedays.core.moment import DAY
from linedays.run.demo import Step, ended_rows, flag_rows, run_demo
from linedays.run.demo_questions import row_cells
from linedays.run.demo_story import told_at
from linedays.run.rereading import read_ours
from linedays.run.settings import CODE_BASE, VARIABLES
from linedays.run.wiring import identity_of, server_at
from linedays.run.worklist import quiet_rows, worklist
from support.memory_fhir_server import MemoryFhirServer
from support.small_ward import hospital, wired_demo

Capture = pytest.CaptureFixture[str]
# What Heron Ward sees, in order: the urgent ones (without a due time first, then by due time), then what comes due.
HERON = [
    ("this shift", "Heron 03", "", "Dressing date unknown: look at the dressing and its label\n"),
    ("this shift", "Heron 07", "", "Site concern: look at the site\nright hand "),
    ("this shift", "Heron 04", "Wed 12 Mar 15:50", "Dressing change overdue\nright forearm "),
    # Both due 1 h after 21:50: transparent at 6 d 23 h, gauze at 47 h (CDC-2011 rec. 6 and 7: 7 days and 2).
    ("coming", "Heron 02", "Wed 12 Mar 22:50", "Dressing change coming due\nright basilic "),
    ("coming", "Heron 10", "Wed 12 Mar 22:50", "Dressing change coming due\nleft internal-jugular "),
]
OPEN = "requested,received,accepted,ready,in-progress,on-hold,draft"


def steps(at: int | None = None) -> tuple[bool, list[Step]]:
    """Return whether the second sweep was calm, and the three steps, on a server in memory."""
    start = told_at(hospital().story)
    found: list[Step] = []
    server = MemoryFhirServer(now=(start if at is None else at) - 60)
    calm = run_demo(server, hospital(), wired_demo(), identity_of(wired_demo().settings), at, found.append)
    return calm, found


def open_tasks(step: Step) -> list[dict]:
    return [one for one in step.ours.values() if one["resourceType"] == "Task" and one["status"] == "requested"]


def test_what_each_of_the_four_questions_finds_after_the_first_sweep() -> None:
    _, (first, _, _) = steps()
    place, owner, performer, patient = first.questions
    found = [row_cells(row, hospital().story) for row in place.rows]
    assert [cells[:3] for cells in found] == [row[:3] for row in HERON]
    for cells, (*_, begins) in zip(found, HERON, strict=True):
        assert cells[3].startswith(begins)
    (sent,) = place.sent
    assert sent.startswith("Task?encounter.location=Location/heron-ward,Location/heron-01,")
    assert sent.endswith(f"Location/heron-14&status={OPEN}")

    tasks = open_tasks(first)
    team = [one for one in tasks if one.get("owner") == {"reference": "CareTeam/lantern-nurses"}]
    assert {row.line_key for row in owner.rows} == {one["groupIdentifier"]["value"] for one in team}
    assert owner.sent == (f"Task?owner=CareTeam/lantern-nurses&status={OPEN}",)
    nursing = [one for one in tasks if "nursing" in str(one.get("performerType"))]
    assert {row.line_key for row in performer.rows} <= {one["groupIdentifier"]["value"] for one in nursing}
    assert performer.sent == (f"Task?performer={CODE_BASE}performer|nursing&status={OPEN}",)

    (loose,) = [row_cells(row, hospital().story) for row in patient.rows]
    assert loose[:3] == ("now", "Lantern 01", "now")
    assert loose[3].splitlines()[0] == "Dressing compromised"
    assert loose[3].splitlines()[2] == "dressing seen loose Wed 12 Mar 2031 21:40"
    assert patient.sent == (f"Task?patient=Patient/foxglove&status={OPEN}",)


def test_the_task_of_a_patient_who_moved_is_on_the_list_of_the_other_unit_only() -> None:
    _, (_, second, third) = steps()
    before = [one for one in open_tasks(second) if one["for"] == {"reference": "Patient/oatcake"}]
    after = [one for one in open_tasks(third) if one["for"] == {"reference": "Patient/oatcake"}]
    assert [one["identifier"] for one in before] == [one["identifier"] for one in after]
    assert [one["location"]["reference"] for one in (*before, *after)] == ["Location/lantern-02", "Location/heron-06"]
    come, left = third.questions
    assert [row_cells(row, hospital().story)[:3] for row in come.rows] == [("this shift", "Heron 06", "Wed 12 Mar 20:50")]
    assert left.rows == ()
    assert ("heron-01" in come.sent[0], "lantern-01" in left.sent[0]) == (True, True)
    # Foxglove's is the one that is left on Lantern's list: Stepstone's change was charted.
    assert left.none == "nothing of this patient; its list holds 1 of others"


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
    # Our Device; 8 Tasks and 6 Flags; nothing; two Tasks and two Flags that end, and a Task that goes along with its patient.
    assert sum(counts.values()) == 1 + 14 + 0 + 4 + 1


def test_demo_tells_the_same_stories_at_another_moment() -> None:
    start = told_at(hospital().story)
    _, (told, *_) = steps()
    calm, (moved, *_) = steps(start + 400 * DAY)
    assert calm
    for one, other in zip(told.questions, moved.questions, strict=True):
        assert one.sent == other.sent
        assert [(row.urgency, row.place, row.what) for row in one.rows] == [
            (row.urgency, row.place, row.what) for row in other.rows
        ]


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
    assert heads[0][1] == "Wed 12 Mar 2031 21:50"
    values = r"1 Device record: created, 6 Flag create: created, (\d+) Observation record: created, 8 Task create: created"
    told = re.fullmatch(values, heads[0][2])
    assert told is not None, heads[0][2]
    # Over two snapshots every line in place has at least its dwell; test_sweep_values counts Observations one by one.
    assert int(told[1]) > 2 * 2 * 20
    assert heads[1][2] == "nothing"
    assert "Counted by nhsn-denominator-snapshot 1 (2023)" in out
    for urgency, bed, due, _ in HERON[:4]:
        assert re.search(rf"{urgency} +{bed} +{due} +(Dressing|Site)", out), bed
    assert "What is open on Heron Ward? 5 open Tasks, the first 4\n  GET Task?encounter.location=" in out
    assert "is in Heron 06 now: what does Lantern Intensive Care see?\n" in out
    for title in ("Flags on the chart", "Line days of the month so far", "Tasks that ended"):
        assert title in out
    assert "which-line" in out
    assert out.rstrip().endswith("looking at the site.")
    names = [part for patient in hospital().story.patients for part in patient.name.split()]
    assert [name for name in names if name in out] == []


@pytest.mark.server
@pytest.mark.usefixtures("plain_surroundings")
@pytest.mark.parametrize("width", [80, 120])
def test_rows_can_be_read_on_a_narrow_terminal(width: int, monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    assert main(["demo"]) == 0
    out = capsys.readouterr().out
    # Urgency, bed and due time of a row stand whole on one line, and no reference is among its words.
    rows = re.findall(r"^ (now|this shift|coming) +(\w+ \d\d) +(now|\w{3} \d+ \w{3} \d\d:\d\d)? +(\S.*)$", out, re.MULTILINE)
    # The first four rows are the ward's, the last one is that of the patient who moved.
    assert [row[1] for row in (*rows[:4], rows[-1])] == ["Heron 03", "Heron 07", "Heron 04", "Heron 02", "Heron 06"]
    assert not any("/" in cell for row in rows for cell in row)


@pytest.mark.server
@pytest.mark.usefixtures("plain_surroundings")
def test_command_runs_on_any_other_server_and_is_repeatable_there(capsys: Capture) -> None:
    with started_server() as base_url:
        assert main(["demo", "--fhir", base_url]) == 0
        assert "8 Task create: created" in capsys.readouterr().out
        # Loaded again: the stories are back at their beginning, and no Task is doubled.
        assert main(["demo", "--fhir", base_url]) == 0
        assert "What is open on Heron Ward? 5 open Tasks" in capsys.readouterr().out
        with server_at(base_url) as server:
            ours = read_ours(server, identity_of(wired_demo().settings)).values()
    waiting = [one["groupIdentifier"]["value"] for one in ours if one.get("status") == "requested"]
    assert len(waiting) == len(set(waiting)) >= 6
