"""A sweep that ends after any of its writes and is run again leaves what an undisturbed one leaves: one Task per need.

Source: design 2.6 (identifiers are made from facts, so a second run finds them). In process for every request that
writes, single, batch or transaction; as a real process, ended by SIGKILL between a stored write and its answer, for a
few.
"""

import json
import os
import shutil
import signal
import subprocess
import sys
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
from linedays.run.rereading import read_ours
from linedays.run.writing import apply_plan
from support.memory_fhir_server import MemoryFhirServer
from support.small_ward import AT, IDENTITY, WARD, hospital, memory_server, planned, wired_demo
from support.swept_ward import changed_ward, lines_asked, standing, sweep, ward
from support.write_proxy import WriteProxy, write_proxy

Resource = dict[str, Any]
SWEEP = "import sys; from linedays.cli import main; sys.exit(main(sys.argv[1:]))"
LATER = 60


class Died(Exception):
    """The process is gone."""


class Dying:
    """A server whose client ends at the n-th request that writes: before it is sent, or stored but not answered."""

    def __init__(self, server: MemoryFhirServer, n: int, *, stored: bool) -> None:
        self._server, self._left, self._stored = server, n, stored

    def __getattr__(self, name: str) -> Any:
        return getattr(self._server, name)

    def send(self, *told: Any) -> Any:
        return self._write(self._server.send, told)

    def send_bundle(self, *told: Any) -> Any:
        return self._write(self._server.send_bundle, told)

    def _write(self, write: Any, told: Any) -> Any:
        self._left -= 1
        if self._left:
            return write(*told)
        if self._stored:
            write(*told)
        raise Died


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


# With at most 3 writes in a Bundle each dressing site is one by itself: 4 sites are written about at first, 3 later.
BUNDLED = [
    pytest.param(name, way, n, stored, id=f"{name}, {way} {n}, {'stored' if stored else 'not sent'}")
    for name, requests in (("first", 4), ("later", 3))
    for way in ("transaction", "batch")
    for n in range(1, requests + 1)
    for stored in (True, False)
]


@pytest.mark.parametrize(("name", "way", "n", "stored"), BUNDLED)
def test_sweep_cut_at_any_bundle_and_run_again_ends_as_if_undisturbed(
    name: str, way: str, n: int, stored: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("linedays.run.sending.BATCH_SIZE", 3)
    make, at, writes = SITUATIONS[name]
    undisturbed, server = make((way,)), make((way,))
    sweep(undisturbed, at)
    assert undisturbed.write_requests == {"first": 4, "later": 3}[name]
    with pytest.raises(Died):
        apply_plan(planned(server, at), Dying(server, n, stored=stored), IDENTITY)
    assert len(server.writes) == 2 * (n - (not stored))
    server.tick(LATER)
    assert sweep(server, at + LATER) == writes - 2 * (n - (not stored))
    assert standing(server) == standing(undisturbed)
    assert max(lines_asked(server).values()) == 1
    assert sweep(server, at + 2 * LATER) == 0


def test_demo_hospital_cut_again_and_again_ends_as_if_undisturbed() -> None:
    story, start = hospital(), told_at(hospital().story)
    servers = [memory_server(list(hospital_resources(story.document, start)), start) for _ in range(2)]
    for one in servers:
        one.offers = ()
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
        assert cuts == {0: 15, 1: 4}[entries]  # our Device, 8 Tasks and 6 Flags; then two of each end
        assert standing(server) == standing(undisturbed)


def command(url: str, *more: str) -> list[str]:
    zone, at = hospital().story.zone, hospital().story.told_at
    return [sys.executable, "-c", SWEEP, "sweep", "--fhir", url, "--zone", zone, "--at", at, *more]


def finished(url: str, folder: Path, *more: str) -> dict[str, Any]:
    done = subprocess.run(
        command(url, "--format", "json", *more), cwd=folder, env=with_store(folder), capture_output=True, text=True
    )
    assert (done.returncode, "Traceback" in done.stderr) == (0, False), done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def with_store(folder: Path) -> dict[str, str]:
    return os.environ | {"LINEDAYS_STORE": str(folder / "store")}


def store_lost(folder: Path) -> None:
    """Lose the store, and with it the lock of a process that was killed and the memory of its sweep."""
    shutil.rmtree(folder / "store")


def killed_after(proxy: WriteProxy, n: int, folder: Path) -> int:
    """Run a sweep and kill it when the server has stored its n-th write; return its exit status."""
    running: Queue[subprocess.Popen[bytes]] = Queue()
    proxy.after_write = lambda count: running.get().kill() if count == n else None
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    words = command(proxy.url, "--apply", "--first")
    with subprocess.Popen(words, cwd=folder, env=with_store(folder), **quiet) as process:
        running.put(process)
        return process.wait()


@pytest.mark.server
@pytest.mark.parametrize(("n", "bundles"), [(1, False), (5, False), (15, False), (100, False), (1, True)])
def test_process_killed_after_a_write_and_run_again_leaves_one_task_per_need(
    n: int, bundles: bool, tmp_path: Path
) -> None:
    with started_server() as base_url, write_proxy(base_url) as proxy, new_client() as client:
        proxy.offers_bundles = bundles
        server = FhirServer(base_url, client=client)
        load_bundle(server, hospital_resources(hospital().document, told_at(hospital().story)))
        wanted = [one["resource"] for one in finished(base_url, tmp_path)["writes"]]
        assert len(wanted) >= n
        assert read_ours(server, IDENTITY) == {}, "a dry run wrote something"

        assert killed_after(proxy, n, tmp_path) == -signal.SIGKILL
        # A transaction is one write to the proxy and up to 50 on the server; one by one, Provenance is among the writes.
        written = len(read_ours(server, IDENTITY))
        assert n < written <= 50 if bundles else n / 2 <= written <= n

        # The lock of the killed process stands until its time is over: nobody else writes meanwhile.
        words = command(proxy.url, "--apply", "--first")
        refused = subprocess.run(words, cwd=tmp_path, env=with_store(tmp_path), capture_output=True)
        assert (refused.returncode, len(read_ours(server, IDENTITY))) == (4, written)
        store_lost(tmp_path)
        rest = finished(base_url, tmp_path, "--apply", "--first")
        assert len(rest["writes"]) == len(wanted) - written
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
    assert len(server.writes) == len(standing(server)) - 1 == 8
    assert max(lines_asked(server).values()) == 1
