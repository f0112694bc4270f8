"""A sweep and its guards, on a FHIR server in memory: one writer, the first sweep, the preview, what is held.

Source: design 2.6 ("Creates held when …", "the first writing sweep always stops at the preview", "a stale epoch writes
nothing"), reliability H15, H20, T15.
"""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from linedays.adapters.fhir_errors import FhirUnavailable
from linedays.adapters.server_starter import load_bundle
from linedays.adapters.store_values import SweepHistory
from linedays.adapters.writer_store import opened_store
from linedays.core.holds import Guarded
from linedays.run.errors import NotAsWritten, PreviewMoved, StaleWriter, WriterBusy
from linedays.run.guarded_sweep import Asked, GuardedSweep, WriterSetting, history_of, looked_at, writing_sweep
from linedays.run.plan import without_held
from linedays.run.writer import LEASE_S
from support.memory_fhir_server import MemoryFhirServer
from support.memory_writer_store import GivenClock, MemoryWriterStore
from support.small_ward import AT, IDENTITY, PLACES, WARD, line, look, memory_server, person, planned, procedure, wired

KEY = "made-up-hospital"
FIRST = Asked(first=True)


@pytest.fixture(params=["memory", "sqlite"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Any]:
    if request.param == "memory":
        yield MemoryWriterStore()
        return
    with opened_store(tmp_path / "store") as opened:
        yield opened


def sweep(
    server: Any, store: Any, asked: Asked | None = None, *, at: int = AT, clock: Any = None, process: str = "first"
) -> GuardedSweep:
    setting = WriterSetting(store=store, key=KEY, clock=clock or GivenClock(at), process=process)
    return writing_sweep(server, wired(), IDENTITY, setting, asked or Asked(), at=at)


def overdue(count: int, name: str = "flood") -> list[Any]:
    """Return so many patients whose dressing, changed on the 6th, is overdue: a Task and a Flag each."""
    names = [f"{name}-{n}" for n in range(count)]
    return [each for one in names for each in (*person(one), *line(f"{one}-picc", one, "06 09:00"))]


def loose(count: int) -> list[Any]:
    names = [f"loose-{n}" for n in range(count)]
    return [
        each
        for one in names
        for each in (*person(one), *line(f"{one}-picc", one, "13 09:00"), look("loose", "14 09:40", one, f"{one}-picc"))
    ]


def settled(store: Any, *more: Any) -> MemoryFhirServer:
    """Return a server on which the first writing sweep is over: the small ward, 8 writes."""
    server = memory_server([*WARD, *more])
    sweep(server, store, FIRST)
    server.writes.clear()
    return server


def kinds(server: MemoryFhirServer) -> dict[str, int]:
    """Return what was written of each kind but Provenance, which goes with it."""
    written = [kind for kind, _ in server.writes if kind != "Provenance"]
    return {kind: written.count(kind) for kind in sorted(set(written))}


def test_first_writing_sweep_halts_at_the_preview_every_time_until_it_is_let_through(store: Any) -> None:
    server = memory_server(WARD)
    for _ in range(2):
        shown = sweep(server, store)
        assert (shown.is_first, shown.outcome, len(shown.plan.writes)) == (True, None, 8)
        assert server.writes == []
    written = sweep(server, store, Asked(first=True, expected=shown.preview))
    assert written.outcome is not None
    assert sum(kinds(server).values()) == 8
    again = sweep(server, store)
    assert again.is_first is False
    assert again.outcome is not None
    assert sum(kinds(server).values()) == 8


def test_first_writing_sweep_with_nothing_to_write_halts_as_well(store: Any) -> None:
    server = memory_server(PLACES)  # as from a server that answers with nothing
    assert sweep(server, store).outcome is None
    load_bundle(server, WARD)
    server.writes.clear()
    assert sweep(server, store).outcome is None
    assert server.writes == []


def test_first_writing_sweep_has_no_hold_of_creates(store: Any) -> None:
    server = memory_server([*WARD, *overdue(30)])
    shown = sweep(server, store, FIRST)
    assert shown.holds == ()
    assert kinds(server) == {"Flag": 34, "Task": 34}


def test_first_writing_sweep_says_nothing_of_what_is_usual(store: Any) -> None:
    server = memory_server([*WARD, *overdue(30)])
    sweep(server, store, FIRST)
    load_bundle(server, overdue(21, "more"))
    assert [hold.limit for hold in sweep(server, store, at=AT + 60).holds] == [20, 20]


def test_first_is_refused_where_there_has_been_one(store: Any) -> None:
    server = settled(store)
    with pytest.raises(NotAsWritten, match="there has been one"):
        sweep(server, store, FIRST)


class Down(MemoryFhirServer):
    """A server that goes away after so many writes."""

    left = 10**6

    def _store(self, *told: Any, **more: Any) -> Any:
        if self.left == 0:
            raise FhirUnavailable("create: no connection")
        self.left -= 1
        return super()._store(*told, **more)


def test_first_sweep_that_was_cut_off_is_still_the_first_and_ends_as_if_undisturbed(store: Any) -> None:
    server = Down(now=AT - 60)
    load_bundle(server, WARD)
    server.writes.clear()
    server.left, server.offers = 3, ()
    with pytest.raises(FhirUnavailable):
        sweep(server, store, FIRST)
    assert len(server.writes) == 3
    server.left = 100
    assert sweep(server, store, process="second").is_first is True
    sweep(server, store, FIRST, process="third")
    assert kinds(server) == {"Flag": 4, "Task": 4}


@pytest.mark.parametrize(("more", "holds"), [(19, 0), (20, 0), (21, 2)])
def test_flood_of_one_more_than_the_limit_is_held_and_nothing_of_it_is_written(store: Any, more: int, holds: int) -> None:
    server = settled(store)
    load_bundle(server, overdue(more))
    server.writes.clear()
    shown = sweep(server, store, at=AT + 60)
    assert len(shown.holds) == holds  # Tasks and Flags, each for themselves
    assert kinds(server) == ({} if holds else {"Flag": more, "Task": more})


def test_compromised_is_written_beside_a_flood_that_is_held(store: Any) -> None:
    server = settled(store)
    load_bundle(server, [*overdue(30), *loose(25)])
    server.writes.clear()
    shown = sweep(server, store, at=AT + 60)
    assert [(hold.kind, hold.count) for hold in shown.holds] == [("Task", 30), ("Flag", 30)]
    assert kinds(server) == {"Flag": 25, "Task": 25}


def test_held_flood_is_let_through_in_one_sweep_and_is_held_again_in_the_next(store: Any) -> None:
    server = settled(store)
    load_bundle(server, overdue(30))
    assert len(sweep(server, store, at=AT + 60).holds) == 2
    server.writes.clear()
    released = Asked(released=frozenset({Guarded.CREATES}))
    assert sweep(server, store, released, at=AT + 120).holds == ()
    assert kinds(server) == {"Flag": 30, "Task": 30}
    for n in range(3):  # three calm sweeps, so that one odd one does not make 90 the usual
        sweep(server, store, at=AT + 180 + n)
    load_bundle(server, overdue(21, "more"))
    assert len(sweep(server, store, at=AT + 240).holds) == 2


def test_changes_with_evidence_are_written_beside_what_is_held(store: Any) -> None:
    server = settled(store)
    change = procedure("dressing-change", "14 10:01", "over", "over-picc", dressing="transparent")
    load_bundle(server, [*overdue(30), change])
    server.writes.clear()
    shown = sweep(server, store, at=AT + 600)
    assert len(shown.holds) == 2
    assert kinds(server) == {"Flag": 1, "Task": 1}  # completed, ended


def test_preview_that_was_looked_at_lets_exactly_that_through(store: Any) -> None:
    server = settled(store)
    load_bundle(server, overdue(1))
    looked = looked_at(planned(server, AT + 60), IDENTITY, history_of(store, KEY))
    server.writes.clear()
    sweep(server, store, Asked(expected=looked.preview), at=AT + 120)
    assert kinds(server) == {"Flag": 1, "Task": 1}


def test_nothing_is_written_where_more_was_charted_since_it_was_looked_at(store: Any) -> None:
    server = settled(store)
    load_bundle(server, overdue(1))
    looked = looked_at(planned(server, AT + 60), IDENTITY, None)
    load_bundle(server, overdue(1, "late"))
    server.writes.clear()
    with pytest.raises(PreviewMoved, match=r"then 2 to create and 0 to change, now 4 to create and 0 to change\. Nothing"):
        sweep(server, store, Asked(expected=looked.preview), at=AT + 120)
    assert server.writes == []


def test_same_numbers_with_another_content_are_told_apart(store: Any) -> None:
    server = settled(store)
    load_bundle(server, overdue(1))
    looked = looked_at(planned(server, AT + 60), IDENTITY, None)
    load_bundle(server, [look("redness", "14 10:01", "flood-0", "flood-0-picc", code="site-assessment")])
    moved = looked_at(planned(server, AT + 60), IDENTITY, None)
    assert moved.preview != looked.preview
    load_bundle(server, [procedure("removal", "14 10:02", "flood-0", "flood-0-picc"), *overdue(1, "other")])
    server.writes.clear()
    with pytest.raises(PreviewMoved, match="now 2 to create and 0 to change as well, but not the same ones"):
        sweep(server, store, Asked(expected=looked.preview), at=AT + 180)
    assert server.writes == []


def test_second_process_reads_and_writes_nothing_while_the_first_writes(store: Any) -> None:
    server = memory_server(WARD)
    store.take(KEY, "ward-host:1:ab", at=AT, until=AT + LEASE_S)
    silent: Any = object()  # it has no method: whoever asks it anything fails
    with pytest.raises(WriterBusy, match="ward-host:1:ab"):
        sweep(silent, store, FIRST, process="second")
    assert server.writes == []


class Sleeping(MemoryFhirServer):
    """A server in whose n-th write the process is held up for longer than its lease."""

    asleep: Callable[[], None]
    nth = 0

    def _store(self, *told: Any, **more: Any) -> Any:
        stored = super()._store(*told, **more)
        if len(self.writes) == self.nth:
            self.asleep()
        return stored


@pytest.mark.parametrize("nth", [1, 3, 7])
def test_process_that_sleeps_past_its_lease_sends_nothing_more_and_the_next_one_ends_it(store: Any, nth: int) -> None:
    server, clock = Sleeping(now=AT - 60), GivenClock(AT)
    load_bundle(server, WARD)
    server.writes.clear()
    server.nth, server.offers = nth, ()

    def sleep() -> None:
        clock.at += LEASE_S
        assert store.take(KEY, "second", at=clock.at, until=clock.at + LEASE_S).holder == "second"

    server.asleep = sleep
    with pytest.raises(StaleWriter, match="nothing more was sent"):
        sweep(server, store, FIRST, clock=clock)
    assert len(server.writes) == nth
    assert store.check(KEY, 2, at=clock.at), "the lease of the second was given back by the first"
    assert not history_of(store, KEY).completed
    store.release(KEY, 2)
    server.nth = 0
    sweep(server, store, FIRST, process="third")
    assert kinds(server) == {"Flag": 4, "Task": 4}


def test_process_overtaken_in_its_last_write_does_not_call_its_sweep_done(store: Any) -> None:
    server, clock = Sleeping(now=AT - 60), GivenClock(AT)
    load_bundle(server, WARD)
    server.writes.clear()
    server.nth, server.offers = 8 + 4, ()  # with the Provenance of each dressing site
    server.asleep = lambda: store.take(KEY, "second", at=AT + LEASE_S, until=AT + 2 * LEASE_S)
    with pytest.raises(StaleWriter, match="during the last write"):
        sweep(server, store, FIRST, clock=clock)
    assert not history_of(store, KEY).completed


def test_process_overtaken_before_its_first_write_sends_nothing() -> None:
    class Overtaken(MemoryWriterStore):
        def begin_sweep(self, key: str, epoch: int, record: Any) -> int | None:
            self.take(key, "second", at=AT + LEASE_S, until=AT + 2 * LEASE_S)
            return super().begin_sweep(key, epoch, record)

    server = memory_server(WARD)
    with pytest.raises(StaleWriter, match="nothing was sent"):
        sweep(server, Overtaken(), FIRST)
    assert server.writes == []


def test_process_overtaken_while_it_read_writes_nothing(store: Any) -> None:
    class Slow(MemoryFhirServer):
        def read_pages(self, search: Any) -> Any:
            clock.at += LEASE_S
            if search.resource_type == "Procedure":
                store.take(KEY, "second", at=clock.at, until=clock.at + LEASE_S)
            return super().read_pages(search)

    server, clock = Slow(now=AT - 60), GivenClock(AT)
    load_bundle(server, WARD)
    server.writes.clear()
    with pytest.raises(StaleWriter):
        sweep(server, store, FIRST, clock=clock)
    assert server.writes == []


def test_long_reading_keeps_the_lease(store: Any) -> None:
    class Slow(MemoryFhirServer):
        def read_pages(self, search: Any) -> Any:
            clock.at += LEASE_S - 1
            return super().read_pages(search)

    server, clock = Slow(now=AT - 60), GivenClock(AT)
    load_bundle(server, WARD)
    server.writes.clear()
    sweep(server, store, FIRST, clock=clock)
    assert kinds(server) == {"Flag": 4, "Task": 4}


def test_nobody_else_gets_the_lease_while_it_is_read_for_long(store: Any) -> None:
    class Slow(MemoryFhirServer):
        def read_pages(self, search: Any) -> Any:
            clock.at += LEASE_S // 4
            assert store.take(KEY, "second", at=clock.at, until=clock.at + LEASE_S).holder == "first"
            return super().read_pages(search)

    server, clock = Slow(now=AT - 60), GivenClock(AT)
    load_bundle(server, WARD)
    sweep(server, store, FIRST, clock=clock)
    assert clock.at > AT + 2 * LEASE_S


def test_long_computing_after_the_reading_keeps_the_lease(store: Any) -> None:
    server, clock = memory_server(WARD), GivenClock(AT)

    def told(_: int) -> None:
        clock.at += 2 * LEASE_S

    setting = WriterSetting(store=store, key=KEY, clock=clock, process="first")
    writing_sweep(server, wired(), IDENTITY, setting, FIRST, at=AT, told=told)
    assert kinds(server) == {"Flag": 4, "Task": 4}


def test_what_is_held_is_not_written_where_its_line_is_decided_anew() -> None:
    plan = planned(memory_server([*WARD, *overdue(30)]))
    changed = frozenset({"Device/flood-0-picc", "Device/loose-picc"})
    assert len(plan.decider.decide({}, changed).writes) == 4
    holds = looked_at(plan, IDENTITY, SweepHistory(completed=True, creates={})).holds
    anew = without_held(plan, holds).decider.decide({}, changed)
    assert {each.resource.get("for", each.resource.get("subject"))["reference"] for each in anew.writes} == {"Patient/loose"}
    assert len(anew.writes) == 2


def test_unknown_history_says_nothing_of_holds() -> None:
    shown = looked_at(planned(memory_server([*WARD, *overdue(30)])), IDENTITY, None)
    assert (shown.is_first, shown.holds) == (None, ())
