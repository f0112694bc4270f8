"""The store's file: private, at one schema, refused with words where it is not as it should be; one winner of any race.

Source: design 3 ("files of the store 0600"), reliability hazards H16 (damaged file) and H17 (schema), T7 (replicas race).
"""

import os
import sqlite3
import stat
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from linedays.adapters.store_file import FILE, migrations
from linedays.adapters.store_values import GroupCount, StoreProblem, StoreUnavailable, StoreUnusable, SweepRecord
from linedays.adapters.writer_store import opened_store, store_if_there, this_process

RECORD = SweepRecord(
    at=1000, policy="0123", first=False, counts=(GroupCount(what="creates", kind="Task", count=3, held=False),)
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "deep" / "store"


def made(folder: Path) -> Path:
    with opened_store(folder) as store:
        store.take("key", "first", at=1000, until=1120)
        store.end_sweep("key", 1, store.begin_sweep("key", 1, RECORD) or 0)
    return folder / FILE


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_folder_and_every_file_in_it_are_closed_to_others_whatever_the_umask(folder: Path) -> None:
    before = os.umask(0)
    try:
        with opened_store(folder) as store:
            store.take("key", "first", at=1000, until=1120)
            names = {path.name: mode(path) for path in folder.iterdir()}
    finally:
        os.umask(before)
    assert mode(folder) == 0o700
    assert names == {FILE: 0o600, f"{FILE}-wal": 0o600, f"{FILE}-shm": 0o600}


@pytest.mark.parametrize("bits", [0o701, 0o704, 0o710, 0o740, 0o755, 0o777])
def test_folder_that_others_can_enter_or_read_is_refused_and_nothing_is_put_there(tmp_path: Path, bits: int) -> None:
    folder = tmp_path / "open"
    folder.mkdir()
    folder.chmod(bits)
    with pytest.raises(StoreUnusable, match=r"open to other users of this machine.*chmod 700"), opened_store(folder):
        raise AssertionError("must not be opened")
    assert list(folder.iterdir()) == []


def test_file_that_others_can_read_is_refused(folder: Path) -> None:
    made(folder).chmod(0o640)
    with pytest.raises(StoreUnusable, match=r"file .* open to other users of this machine.*chmod 600"), opened_store(folder):
        raise AssertionError("must not be opened")


def test_file_in_the_place_of_the_folder_is_told(tmp_path: Path) -> None:
    (tmp_path / "store").write_text("something else")
    with pytest.raises(StoreUnavailable, match="LINEDAYS_STORE names a folder"), opened_store(tmp_path / "store"):
        raise AssertionError("must not be opened")


def test_everything_is_there_when_it_is_opened_again(folder: Path) -> None:
    made(folder)
    with opened_store(folder) as store:
        assert store.history("key", ("Task",), last=9).creates == {"Task": (3,)}
        assert store.take("key", "second", at=1001, until=1121).holder == "first"


def test_looking_makes_nothing(folder: Path) -> None:
    with store_if_there(folder) as store:
        assert store is None
    assert not folder.exists()
    made(folder)
    with store_if_there(folder) as store:
        assert store is not None


def test_file_keeps_what_is_written_through_a_loss_of_power(folder: Path) -> None:
    # "FULL is very safe" in WAL mode: https://www.sqlite.org/pragma.html#pragma_synchronous (2 = FULL).
    made(folder)
    with opened_store(folder) as store:
        asked = {name: store._connection.execute(f"PRAGMA {name}").fetchone()[0] for name in ("journal_mode", "synchronous", "busy_timeout")}
    assert asked == {"journal_mode": "wal", "synchronous": 2, "busy_timeout": 10_000}


def test_schema_is_the_number_of_steps_and_a_later_one_is_refused(folder: Path) -> None:
    path = made(folder)
    with raw(path) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (len(migrations()),)
        connection.execute(f"PRAGMA user_version = {len(migrations()) + 1}")
    kept = path.read_bytes()
    with pytest.raises(StoreUnusable, match="written by a later linedays"), opened_store(folder):
        raise AssertionError("must not be opened")
    assert path.read_bytes() == kept


def test_note_that_fails_half_way_leaves_nothing_and_the_store_goes_on(folder: Path) -> None:
    made(folder)
    counts = (*RECORD.counts, GroupCount(what="creates", kind="Flag", count=-1, held=False))
    with opened_store(folder) as store:
        with pytest.raises(sqlite3.IntegrityError):
            store.begin_sweep("key", 1, SweepRecord(at=1001, policy="0123", first=False, counts=counts))
        number = store.begin_sweep("key", 1, RECORD)
        assert (number, store.end_sweep("key", 1, number or 0)) == (2, True)
        assert store.history("key", ("Task", "Flag"), last=9).creates == {"Task": (3, 3), "Flag": ()}


def test_step_that_fails_leaves_the_schema_as_it_was(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = made(folder)
    steps = [*migrations(), "CREATE TABLE more (a);\nCREATE TABLE record_system (twice);\n"]
    monkeypatch.setattr("linedays.adapters.store_file.migrations", lambda: steps)
    with pytest.raises(StoreProblem), opened_store(folder):
        raise AssertionError("must not be opened")
    with raw(path) as connection:
        names = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        assert connection.execute("PRAGMA user_version").fetchone() == (len(migrations()),)
    assert names == {"record_system", "sweep", "sweep_count"}


@contextmanager
def raw(path: Path) -> Iterator[sqlite3.Connection]:
    connection = sqlite3.connect(path, isolation_level=None)
    try:
        yield connection
    finally:
        connection.close()


def damaged_head(path: Path) -> None:
    path.write_bytes(b"this is no database, whatever its name says" * 200)


def damaged_page(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[4096:8192] = b"\xff" * 4096  # the page of the first table
    path.write_bytes(content)


def cut_short(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:6000])


@pytest.mark.parametrize("damage", [damaged_head, damaged_page, cut_short])
def test_damaged_file_is_refused_with_what_to_do_and_left_as_it_is(folder: Path, damage: Any) -> None:
    path = made(folder)
    damage(path)
    kept = path.read_bytes()
    with pytest.raises(StoreUnusable, match=r"is damaged .* move the file and those beside it aside"), opened_store(folder):
        raise AssertionError("must not be opened")
    assert path.read_bytes() == kept


def test_file_that_another_program_keeps_locked_is_told(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = made(folder)
    monkeypatch.setattr("linedays.adapters.store_file.BUSY_MS", 1)
    with raw(path) as other, opened_store(folder) as store:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreUnavailable, match=r"database is locked.*run it again"):
            store.take("key", "second", at=2000, until=2120)
        other.execute("ROLLBACK")
        assert store.take("key", "second", at=2000, until=2120).holder == "second"


def test_store_that_was_moved_aside_lets_nothing_through(folder: Path) -> None:
    path = made(folder)
    with opened_store(folder) as first:
        for name in (FILE, f"{FILE}-wal", f"{FILE}-shm"):
            (folder / name).rename(folder / f"{name}.aside")
        with pytest.raises(StoreUnavailable):
            first.check("key", 1, at=1001)
        with opened_store(folder) as second:
            assert second.take("key", "second", at=1001, until=1121).epoch == 1
            with pytest.raises(StoreUnavailable, match="exchanged while it was in use"):
                first.check("key", 1, at=1001)
    assert path.exists()


def test_name_of_a_process_is_never_the_same_twice() -> None:
    first, second = this_process(), this_process()
    assert first != second
    assert f":{os.getpid()}:" in first


# A process that opens the store in the folder it is told, takes the lease at the moment it is told, and says who won.
RACER = """
import sys
from contextlib import ExitStack
from pathlib import Path
from linedays.adapters.writer_store import opened_store, this_process
me, stack, store, opened = this_process(), ExitStack(), None, None
print(me, flush=True)
for line in sys.stdin:
    folder, key, at = line.split()
    if folder != opened:
        stack.close()
        store, opened = stack.enter_context(opened_store(Path(folder))), folder
    lease = store.take(key, me, at=int(at), until=int(at) + 120)
    print(lease.holder, lease.epoch, flush=True)
stack.close()
"""


class Racers:
    """Processes that are told the same thing at the same time."""

    def __init__(self, count: int) -> None:
        pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
        environment = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
        self._processes = [
            subprocess.Popen([sys.executable, "-c", RACER], text=True, env=environment, **pipes) for _ in range(count)
        ]
        self._told = list(self._processes)
        self.names = [self._heard(process) for process in self._processes]

    def _heard(self, process: subprocess.Popen[str]) -> str:
        assert process.stdout is not None
        return process.stdout.readline().strip()

    def round(self, folder: Path, key: str, at: int) -> list[tuple[str, int]]:
        """Return, as each of them sees it, who holds the lease and its epoch."""
        self._told = self._told[1:] + self._told[:1]  # none of them is always told first
        for process in self._told:
            assert process.stdin is not None
            process.stdin.write(f"{folder} {key} {at}\n")
            process.stdin.flush()
        heard = [self._heard(process).split() for process in self._processes]
        return [(holder, int(epoch)) for holder, epoch in heard]

    def end(self) -> list[int]:
        for process in self._processes:
            process.communicate()
        return [process.returncode for process in self._processes]


@pytest.fixture(params=[2, 3])
def racers(request: pytest.FixtureRequest) -> Iterator[Racers]:
    all_of_them = Racers(request.param)
    yield all_of_them
    assert set(all_of_them.end()) == {0}


def test_processes_that_race_for_the_lease_agree_on_one_winner_every_time(folder: Path, racers: Racers) -> None:
    for number in range(150):
        # Each round is long after the lease of the one before; nobody gave it back.
        ((holder, epoch),) = set(racers.round(folder, "key", 1000 * (number + 1)))
        assert epoch == number + 1
        assert holder in racers.names


def test_processes_that_make_the_store_at_the_same_time_make_one(tmp_path: Path, racers: Racers) -> None:
    for number in range(40):
        ((_, epoch),) = set(racers.round(tmp_path / f"store-{number}", "key", 1000))
        assert epoch == 1
