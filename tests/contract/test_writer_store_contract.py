"""What every writer's store behind our port does: the one in memory, and the SQLite file.

Source: design 2.6 ("One writing process per record system: lock and epoch; a stale epoch writes nothing") and, for how
long what counts, our own choice (DEVELOPERS.md, "One writer").
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from linedays.adapters.store_values import GroupCount, Lease, SweepHistory, SweepRecord
from linedays.adapters.writer_store import opened_store
from support.memory_writer_store import MemoryWriterStore

KEY, OTHER = "hospital-a", "hospital-b"
KINDS = ("Task", "Flag")
LENGTH = 120


@pytest.fixture(params=["memory", "sqlite"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Any]:
    if request.param == "memory":
        yield MemoryWriterStore()
        return
    with opened_store(tmp_path / "store") as opened:
        yield opened


def taken(store: Any, at: int, holder: str = "first", key: str = KEY) -> Lease:
    lease: Lease = store.take(key, holder, at=at, until=at + LENGTH)
    return lease


def test_free_lease_is_taken_with_the_first_epoch(store: Any) -> None:
    assert taken(store, 1000) == Lease(holder="first", epoch=1, since=1000, until=1120)
    assert store.check(KEY, 1, at=1000)


@pytest.mark.parametrize(("later", "holder"), [(0, "first"), (119, "first"), (120, "second"), (121, "second")])
def test_lease_is_somebody_elses_until_its_time_is_over(store: Any, later: int, holder: str) -> None:
    first = taken(store, 1000)
    lease = taken(store, 1000 + later, "second")
    assert lease.holder == holder
    assert lease == first if holder == "first" else lease.epoch == 2


def test_lease_given_back_is_free_and_the_epoch_grows_all_the_same(store: Any) -> None:
    store.release(KEY, taken(store, 1000).epoch)
    assert not store.check(KEY, 1, at=1001)
    assert taken(store, 1001, "second") == Lease(holder="second", epoch=2, since=1001, until=1121)


def test_renewed_lease_lasts_longer_and_says_since_when(store: Any) -> None:
    taken(store, 1000)
    assert store.renew(KEY, 1, until=1220)
    assert taken(store, 1150, "second") == Lease(holder="first", epoch=1, since=1000, until=1220)


@pytest.mark.parametrize(("at", "stands"), [(1000, True), (1119, True), (1120, False), (9000, False)])
def test_check_is_true_until_the_lease_is_over(store: Any, at: int, stands: bool) -> None:
    taken(store, 1000)
    assert store.check(KEY, 1, at=at) is stands


def test_epoch_that_was_overtaken_is_stale_for_everything(store: Any) -> None:
    taken(store, 1000)
    number = store.begin_sweep(KEY, 1, record())
    second = taken(store, 1120, "second")
    assert not store.check(KEY, 1, at=1121)
    assert not store.renew(KEY, 1, until=9999)
    assert store.begin_sweep(KEY, 1, record()) is None
    assert not store.end_sweep(KEY, 1, number)
    store.release(KEY, 1)
    assert store.check(KEY, second.epoch, at=1121)
    assert taken(store, 1122, "third") == second
    assert store.history(KEY, KINDS, last=9) == SweepHistory(completed=False, creates={"Task": (), "Flag": ()})


def test_lease_that_nobody_took_meanwhile_can_be_renewed_late(store: Any) -> None:
    taken(store, 1000)
    assert store.renew(KEY, 1, until=2120)
    assert store.check(KEY, 1, at=2000)


def test_lease_from_before_the_clock_was_set_back_is_free(store: Any) -> None:
    # Twice the length is allowed for: a lease is never that far ahead while the clock runs on.
    taken(store, 1000)
    assert taken(store, 1120 - 2 * LENGTH, "second").holder == "first"
    assert taken(store, 1119 - 2 * LENGTH, "second") == Lease(holder="second", epoch=2, since=879, until=999)
    assert not store.check(KEY, 1, at=900)


def test_record_systems_do_not_know_each_other(store: Any) -> None:
    taken(store, 1000)
    assert taken(store, 1000, "second", OTHER).holder == "second"
    number = store.begin_sweep(OTHER, 1, record(tasks=7))
    assert not store.end_sweep(KEY, 1, number + 1)
    assert store.end_sweep(OTHER, 1, number)
    assert not store.history(KEY, KINDS, last=9).completed
    assert store.history(OTHER, KINDS, last=9).creates["Task"] == (7,)


def record(*, at: int = 1000, tasks: int = 0, flags: int = 0, held: tuple[str, ...] = (), first: bool = False) -> SweepRecord:
    counts = [
        GroupCount(what="creates", kind="Task", count=tasks, held="Task" in held),
        GroupCount(what="creates", kind="Flag", count=flags, held="Flag" in held),
        GroupCount(what="closes", kind="Task", count=3, held=False),
    ]
    return SweepRecord(at=at, policy="0123", first=first, counts=tuple(counts))


def swept(store: Any, *records: SweepRecord) -> None:
    lease = taken(store, 1000)
    for each in records:
        assert store.end_sweep(KEY, lease.epoch, store.begin_sweep(KEY, lease.epoch, each))


def test_nothing_is_known_of_a_record_system_that_was_never_written_to(store: Any) -> None:
    assert store.history(KEY, KINDS, last=9) == SweepHistory(completed=False, creates={"Task": (), "Flag": ()})


def test_sweep_that_did_not_come_to_its_end_is_none_so_far(store: Any) -> None:
    taken(store, 1000)
    store.begin_sweep(KEY, 1, record(tasks=5))
    assert store.history(KEY, KINDS, last=9) == SweepHistory(completed=False, creates={"Task": (), "Flag": ()})


def test_counts_of_each_kind_come_newest_first(store: Any) -> None:
    swept(store, record(tasks=1, flags=4), record(tasks=2, flags=5), record(tasks=3, flags=6))
    assert store.history(KEY, KINDS, last=9) == SweepHistory(completed=True, creates={"Task": (3, 2, 1), "Flag": (6, 5, 4)})
    assert store.history(KEY, KINDS, last=2).creates == {"Task": (3, 2), "Flag": (6, 5)}


def test_first_sweep_is_one_but_says_nothing_of_what_is_usual(store: Any) -> None:
    swept(store, record(tasks=300, first=True), record(tasks=2))
    assert store.history(KEY, KINDS, last=9) == SweepHistory(completed=True, creates={"Task": (2,), "Flag": (0,)})


def test_what_was_held_says_nothing_of_what_is_usual(store: Any) -> None:
    swept(store, record(tasks=1, flags=1), record(tasks=300, flags=2, held=("Task",)))
    assert store.history(KEY, KINDS, last=9).creates == {"Task": (1,), "Flag": (2, 1)}
