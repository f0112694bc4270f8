"""Stories of a Task that are longer than one cell of the life table: reminders, removals that are not charted, port needles.

Source: design 2.3.9, 2.6, 2.7.15, 2.7.16 (hazards H06, H22). One made-up patient each; Wednesday 14 May 2031, UTC; shifts begin at
07:00 and 19:00, quiet hours are 22:00 to 06:00 (common practice, no source).
"""

from collections.abc import Iterator
from typing import Any

import pytest

from linedays.core.moment import DAY, HOUR, MINUTE, Instant
from linedays.run.sweep import read_and_plan
from linedays.run.writing import apply_plan
from support.life_table_run import code_of
from support.life_table_ward import Ward, text_of
from support.memory_fhir_server import MemoryFhirServer
from support.small_ward import IDENTITY, Resource, device, instant, line, look, procedure, time, wired

OVERDUE = line("made-up", "p", "06 09:00")


def at(text: str) -> Instant:
    return instant(time(text))


def tasks(resources: list[Resource]) -> list[str]:
    return [str(code_of(one["code"], "upkeep-item")) for one in resources if one["resourceType"] == "Task"]


def open_tasks(ward: Ward) -> list[str]:
    return sorted(tasks(ward.ours("Task", "requested")))


def offers(ward: Ward, begin: str, end: str) -> Iterator[tuple[str, str]]:
    """Sweep every 15 min and yield each Task that is offered, with its time."""
    for moment in range(at(begin), at(end), 15 * MINUTE):
        for code in tasks(ward.sweep(moment)):
            yield text_of(moment)[8:16].replace("T", " "), code


def done_by_hand(ward: Ward, when: str) -> Resource:
    (task,) = ward.ours("Task", "requested")
    ward.change(task, status="completed", lastModified=time(when))
    return task


def test_done_by_hand_without_a_change_brings_one_reminder_and_then_quiet() -> None:
    # 2.6, 2.7.15: one reminder; completed as well, it counts as a person's no: an overdue item comes back after 24 h.
    ward = Ward(OVERDUE, at("14 09:00"))
    found = []
    for told in offers(ward, "14 09:00", "15 12:00"):
        found.append(told)
        done_by_hand(ward, told[0])
        assert len(ward.ours("Flag", "active")) == 1, "the item stays overdue"
    assert found == [("14 09:00", "dressing-change"), ("14 10:00", "chart-the-change"), ("15 10:00", "dressing-change")]


def test_the_reminder_waits_for_the_morning_and_is_of_the_same_line_under_a_key_of_its_own() -> None:
    # 2.7.1: in quiet hours only asap and stat are written, the rest at 06:00.
    ward = Ward(OVERDUE, at("14 21:45"))
    told = offers(ward, "14 21:45", "15 12:00")
    assert next(told) == ("14 21:45", "dressing-change")
    done = done_by_hand(ward, "14 22:05")
    assert list(told) == [("15 06:00", "chart-the-change")]
    (reminder,) = ward.ours("Task", "requested")
    assert reminder["groupIdentifier"] == done["groupIdentifier"]
    assert reminder["identifier"] != done["identifier"]


def test_the_reminder_is_completed_by_the_change_that_it_asked_to_chart() -> None:
    # Charted at 11:00 with its own time, 09:05: before the reminder was written. 2.6 complete it when a change is charted.
    ward = Ward(OVERDUE, at("14 09:00"))
    ward.sweep(at("14 09:00"))
    done_by_hand(ward, "14 09:10")
    ward.sweep(at("14 10:15"))
    assert open_tasks(ward) == ["chart-the-change"]
    change = procedure("dressing-change", "14 09:05", "p", "made-up", entered="14 11:00", dressing="transparent")
    ward.chart(change)
    ward.sweep(at("14 11:15"))
    assert open_tasks(ward) == []
    reminders = [one for one in ward.ours("Task", "completed") if tasks([one]) == ["chart-the-change"]]
    assert [one["valueReference"]["reference"] for one in reminders[0]["output"]] == [f"Procedure/{change['id']}"]


def _not_present() -> Resource:
    told = look("none", "14 10:00", "p", "made-up", code="line-not-present", valueBoolean=True)
    del told["valueCodeableConcept"]
    return told


def _out_but_used() -> list[Resource]:
    return [procedure("removal", "14 09:20", "p", "made-up"), procedure("line-access", "14 10:00", "p", "made-up")]


@pytest.mark.parametrize("charted", [[_not_present()], _out_but_used()], ids=["not present", "out but used"])
def test_one_task_asks_to_chart_the_removal_and_no_second_one(charted: list[Resource]) -> None:
    # 2.3.9, 2.7.16. A sweep every hour for two days, by night as well: one Task, and it stays as it was written.
    ward = Ward(OVERDUE, at("14 09:00"))
    ward.sweep(at("14 09:00"))
    ward.chart(*charted)
    ward.sweep(at("14 10:30"))
    assert open_tasks(ward) == ["chart-the-removal"]
    written = ward.ours("Task", "requested")
    for moment in range(at("14 11:00"), at("16 11:00"), HOUR):
        assert tasks(ward.sweep(moment)) == []
    assert ward.ours("Task", "requested") == written


def test_the_removal_is_charted_and_nothing_is_asked_any_more() -> None:
    ward = Ward(OVERDUE, at("14 09:00"))
    ward.chart(_not_present())
    ward.sweep(at("14 10:30"))
    assert open_tasks(ward) == ["chart-the-removal"]
    ward.chart(procedure("removal", "14 09:50", "p", "made-up", entered="14 12:00"))
    ward.sweep(at("14 12:15"))
    assert open_tasks(ward) == []
    assert tasks(ward.sweep(at("14 13:15"))) == []


def _port(accessed: str, changed: str) -> list[Resource]:
    """Return a port with its needle in since one time, and its dressing changed at another; implanted long before."""
    placed = procedure("insertion", "02 09:00", "p", "made-up", performedDateTime="2031-01-02T09:00:00Z")
    access = procedure("port-access", accessed, "p", "made-up", dressing="transparent")
    change = procedure("dressing-change", changed, "p", "made-up", dressing="transparent")
    return [device("made-up", "p", "implanted-port"), placed, access, change]


def test_a_needle_due_outside_the_dressings_window_has_a_task_of_its_own() -> None:
    # Needle in on the 6th at 09:00, 7 d (INS via the Royal Marsden Manual): overdue on the 14th. Dressing of the 12th: due on the 19th.
    ward = Ward(_port("06 09:00", "12 09:00"), at("14 10:00"))
    ward.sweep(at("14 10:00"))
    assert open_tasks(ward) == ["port-needle-change"]
    assert tasks(ward.sweep(at("14 10:15"))) == []
    ward.chart(procedure("port-needle-change", "14 11:00", "p", "made-up"))
    ward.sweep(at("14 11:15"))
    assert open_tasks(ward) == []
    assert tasks(ward.ours("Task", "completed")) == ["port-needle-change"]


def test_a_needle_due_with_the_dressing_is_a_step_of_its_task() -> None:
    # 2.6: the steps done together (securement, connector, port needle) are one Task. Both overdue since the 13th.
    ward = Ward(_port("06 09:00", "06 09:00"), at("14 10:00"))
    ward.sweep(at("14 10:00"))
    assert open_tasks(ward) == ["dressing-change"]


class Losing(MemoryFhirServer):
    """A server that forgets resources, as after a deletion: a direct read finds nothing."""

    def lose(self, *references: str) -> None:
        for reference in references:
            kind, _, name = reference.partition("/")
            del self._stored[kind, name]


def _swept(server: MemoryFhirServer, moment: Instant) -> None:
    assert apply_plan(read_and_plan(server, wired(), IDENTITY, at=moment), server, IDENTITY).refused == []


def test_what_is_open_for_a_line_that_is_gone_from_the_server_is_closed_and_says_so() -> None:
    # 2.6: closing because something is absent, after a direct read of the missing resource.
    ward = Ward(OVERDUE, at("14 09:00"))
    ward.server = lost = _copied(ward.server, at("14 08:00"))
    _swept(lost, at("14 09:00"))
    assert open_tasks(ward) == ["dressing-change"]
    lost.lose(*(f"{one['resourceType']}/{one['id']}" for one in OVERDUE))
    _swept(lost, at("14 09:15"))
    (task,) = ward.ours("Task", "cancelled")
    assert code_of(task["statusReason"], "end-reason") == "gone-from-chart"
    assert ward.ours("Flag", "active") == []


def test_a_line_that_is_only_missing_from_what_was_read_closes_nothing() -> None:
    # 2.6: closing needs positive evidence. A search that leaves out the line, while a direct read finds it.
    ward = Ward(OVERDUE, at("14 09:00"))
    ward.sweep(at("14 09:00"))
    hiding = _Hiding(now=at("14 09:05"))
    hiding._stored = ward.server._stored
    before = {key: dict(one) for key, one in hiding._stored.items()}
    _swept(hiding, at("14 09:15"))
    assert hiding._stored == before


class _Hiding(MemoryFhirServer):
    def read_pages(self, search: Any) -> Iterator[bytes]:
        return iter(()) if search.resource_type in ("Device", "Procedure") else super().read_pages(search)


def _copied(server: MemoryFhirServer, now: Instant) -> Losing:
    lost = Losing(now=now)
    lost._stored = server._stored
    return lost


@pytest.mark.parametrize("wait", [DAY, 3 * DAY])
def test_an_accepted_task_stays_the_nurses_however_long_it_takes(wait: int) -> None:
    # H23: the row comes back on the page at the end of the shift; the Task itself is neither set back nor doubled.
    ward = Ward(OVERDUE, at("14 09:00"))
    ward.sweep(at("14 09:00"))
    (task,) = ward.ours("Task", "requested")
    owner = {"reference": "Practitioner/made-up-nurse"}
    ward.change(task, status="accepted", owner=owner, lastModified=time("14 09:10"))
    for moment in range(at("14 09:15"), at("14 09:15") + wait, 2 * HOUR):
        assert tasks(ward.sweep(moment)) == []
    (task,) = ward.ours("Task", "accepted")
    assert task["owner"] == owner
    assert len(ward.ours("Flag", "active")) == 1
