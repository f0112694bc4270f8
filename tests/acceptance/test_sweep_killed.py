"""A sweep that ends after any of its writes and is run again leaves what an undisturbed one leaves: one Task per need.

Source: design 2.6 (identifiers are made from facts, so a second run finds them). In process for every single write; as a
real process, ended by SIGKILL between a stored write and its answer, for a few.
"""

import json
import signal
import subprocess
import sys
from collections import Counter
from pathlib import Path
from queue import Queue
from typing import Any

import pytest

from linedays.adapters.fhir_http import new_client
from linedays.adapters.fhir_server import FhirServer
from linedays.adapters.server_starter import load_bundle, started_server
from linedays.fhir.identity import key_of
from linedays.run.demo import AFTER_LATER_ENTRIES
from linedays.run.demo_hospital import hospital_resources, later_resources
from linedays.run.demo_story import told_at
from linedays.run.sweep import read_ours
from linedays.run.writing import apply_plan
from support.memory_fhir_server import MemoryFhirServer
from support.small_ward import AT, IDENTITY, WARD, hospital, look, memory_server, planned, procedure, wired_demo
from support.write_proxy import WriteProxy, write_proxy

Resource = dict[str, Any]
SWEEP = "import sys; from linedays.cli import main; sys.exit(main(sys.argv[1:]))"
LATER = 60
# What is written differently by a later run and says nothing of its own: FHIR's own record of the write.
OF_THE_WRITE = ("meta", "id", "authoredOn", "lastModified")


class Died(Exception):
    """The process is gone."""


class Dying:
    """A server whose client ends at the n-th write: before it is sent, or after it is stored but not answered."""

    def __init__(self, server: MemoryFhirServer, n: int, *, stored: bool) -> None:
        self._server, self._left, self._stored = server, n, stored

    def __getattr__(self, name: str) -> Any:
        return getattr(self._server, name)

    def create(self, *told: Any) -> Any:
        return self._write(self._server.create, told)

    def update(self, *told: Any) -> Any:
        return self._write(self._server.update, told)

    def _write(self, write: Any, told: Any) -> Any:
        self._left -= 1
        if self._left:
            return write(*told)
        if self._stored:
            write(*told)
        raise Died


def standing(server: Any) -> dict[str, Resource]:
    """Return what of ours stands on a server by its key, but for what only records the write."""
    ours = list(read_ours(server, IDENTITY).values())
    keys = [key_of(one, IDENTITY) for one in ours]
    assert len(set(keys)) == len(keys), "two resources carry one key"
    return {
        str(key): {name: value for name, value in one.items() if name not in OF_THE_WRITE}
        for key, one in zip(keys, ours, strict=True)
    }


def lines_asked(server: Any) -> Counter[str]:
    """Return how many open Tasks there are for each line."""
    ours = read_ours(server, IDENTITY).values()
    return Counter(
        one["groupIdentifier"]["value"] for one in ours if one["resourceType"] == "Task" and one["status"] == "requested"
    )


def sweep(server: Any, at: int, settled: Any = None) -> int:
    plan = planned(server, at, settled)
    apply_plan(plan, server, IDENTITY)
    return len(plan.writes)


def ward() -> MemoryFhirServer:
    return memory_server(WARD)


def changed_ward() -> MemoryFhirServer:
    """Return the ward after its first sweep, with a change, a removal and a worse finding charted since."""
    server = memory_server(WARD)
    sweep(server, AT)
    charted = [
        procedure("dressing-change", "14 10:10", "over", "over-picc", dressing="transparent"),
        procedure("removal", "14 10:12", "loose", "loose-picc"),
        look("damp", "14 10:11", "calm", "calm-picc"),
    ]
    server.tick(1500)
    load_bundle(server, charted)
    server.writes.clear()
    return server


# From what was written by hand: WARD has 4 lines that ask for something, each with a Task and a Flag (8 writes). After the
# later entries: Task completed and Flag ended (over), Task cancelled and Flag ended (loose), Task and Flag new (calm).
SITUATIONS = {"first": (ward, AT, 8), "later": (changed_ward, AT + 1800, 6)}
CUTS = [
    pytest.param(name, n, stored, id=f"{name}, write {n}, {'stored' if stored else 'not sent'}")
    for name, (_, _, writes) in SITUATIONS.items()
    for n in range(1, writes + 1)
    for stored in (True, False)
]


@pytest.mark.parametrize("name", SITUATIONS)
def test_number_of_writes_is_as_written_above(name: str) -> None:
    make, at, writes = SITUATIONS[name]
    assert sweep(make(), at) == writes


@pytest.mark.parametrize(("name", "n", "stored"), CUTS)
def test_sweep_cut_at_any_write_and_run_again_ends_as_if_undisturbed(name: str, n: int, stored: bool) -> None:
    make, at, writes = SITUATIONS[name]
    undisturbed = make()
    sweep(undisturbed, at)
    server = make()
    with pytest.raises(Died):
        apply_plan(planned(server, at), Dying(server, n, stored=stored), IDENTITY)
    assert len(server.writes) == n - (not stored)
    server.tick(LATER)
    assert sweep(server, at + LATER) == writes - n + (not stored)
    assert standing(server) == standing(undisturbed)
    assert max(lines_asked(server).values()) == 1
    assert sweep(server, at + 2 * LATER) == 0


def test_demo_hospital_cut_again_and_again_ends_as_if_undisturbed() -> None:
    story, start = hospital(), told_at(hospital().story)
    servers = [memory_server(list(hospital_resources(story.document, start)), start) for _ in range(2)]
    undisturbed, server = servers
    for entries, at in ((0, start), (1, start + AFTER_LATER_ENTRIES)):
        for one in servers:
            one.tick(AFTER_LATER_ENTRIES * entries)
            load_bundle(one, later_resources(story.document, start) if entries else [])
        sweep(undisturbed, at, wired_demo())
        cuts = 0
        while (plan := planned(server, at + cuts, wired_demo())).writes:
            cuts += 1
            with pytest.raises(Died):
                apply_plan(plan, Dying(server, 1, stored=True), IDENTITY)
        assert cuts == {0: 14, 1: 4}[entries]  # 8 Tasks and 6 Flags; then two of each end
        assert standing(server) == standing(undisturbed)


def command(url: str, *more: str) -> list[str]:
    zone, at = hospital().story.zone, hospital().story.told_at
    return [sys.executable, "-c", SWEEP, "sweep", "--fhir", url, "--zone", zone, "--at", at, *more]


def finished(url: str, folder: Path, *more: str) -> dict[str, Any]:
    done = subprocess.run(command(url, "--format", "json", *more), cwd=folder, capture_output=True, text=True)
    assert (done.returncode, "Traceback" in done.stderr) == (0, False), done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def killed_after(proxy: WriteProxy, n: int, folder: Path) -> int:
    """Run a sweep and kill it when the server has stored its n-th write; return its exit status."""
    running: Queue[subprocess.Popen[bytes]] = Queue()
    proxy.after_write = lambda count: running.get().kill() if count == n else None
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    with subprocess.Popen(command(proxy.url, "--apply"), cwd=folder, **quiet) as process:
        running.put(process)
        return process.wait()


@pytest.mark.server
@pytest.mark.parametrize("n", [1, 5, 14])
def test_process_killed_after_a_write_and_run_again_leaves_one_task_per_need(n: int, tmp_path: Path) -> None:
    with started_server() as base_url, write_proxy(base_url) as proxy, new_client() as client:
        server = FhirServer(base_url, client=client)
        load_bundle(server, hospital_resources(hospital().document, told_at(hospital().story)))
        wanted = [one["resource"] for one in finished(base_url, tmp_path)["writes"]]
        assert len(wanted) >= n
        assert read_ours(server, IDENTITY) == {}, "a dry run wrote something"

        assert killed_after(proxy, n, tmp_path) == -signal.SIGKILL
        assert len(read_ours(server, IDENTITY)) == n

        rest = finished(base_url, tmp_path, "--apply")
        assert len(rest["writes"]) == len(wanted) - n
        assert set(standing(server)) == {key_of(one, IDENTITY) for one in wanted}
        assert max(lines_asked(server).values()) == 1
        assert finished(base_url, tmp_path, "--apply")["writes"] == []


def test_lines_that_need_nothing_are_asked_about_by_nobody() -> None:
    server = memory_server(WARD)
    sweep(server, AT)
    asked = {one.partition("/")[2].partition("-")[0] for one in lines_asked(server)}
    assert asked == {"over", "loose", "undated", "red"}


def test_two_sweeps_that_read_before_either_wrote_leave_one_task_per_need() -> None:
    server = memory_server(WARD)
    first, second = planned(server), planned(server)
    apply_plan(first, server, IDENTITY)
    outcome = apply_plan(second, server, IDENTITY)
    assert outcome.counts == {"Task create: existed": 4, "Flag create: existed": 4}
    assert len(server.writes) == len(standing(server)) == 8
    assert max(lines_asked(server).values()) == 1
