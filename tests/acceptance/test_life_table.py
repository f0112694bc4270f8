"""The life of a Task and its Flags, cell by cell: every state × every status × everything that can happen.

Source: design 2.5, 2.6, 2.7 (hazards H05, H06, H07, H23, H25, H26, H27 of reliability.md); the table, written by hand, is
life_table.yaml. Every cell runs on the server in memory; on the everyday server a sample drawn with a fixed seed, which
holds every rule, state, status and event at least once: creates take 10 ms each there.

Nothing of ours is kept between two steps but what stands on the server: each reads it anew and makes every object again.
So the whole table is also the proof that a store which is lost between any two steps changes nothing (design 2.6).
"""

import os
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from linedays.adapters.fhir_http import new_client
from linedays.adapters.fhir_server import FhirServer
from linedays.adapters.server_starter import load_bundle, started_server
from linedays.core.moment import Instant
from linedays.run.wiring import Wired
from support.life_table import Cell, Expected, Rule, life_table
from support.life_table_check import flag_differences, task_differences
from support.life_table_policy import with_interval
from support.life_table_run import FIRST, IndexedMemoryServer, Life, Resource, Store, World, run
from support.small_ward import wired

SEED, MORE = 20310514, 250
TABLE = life_table()
SAMPLE = TABLE.sample(SEED, MORE)
# All of them take a server of this kind some minutes.
EVERYDAY = TABLE.cells if os.environ.get("LINEDAYS_WHOLE_LIFE_TABLE") else SAMPLE
# The events that are a policy, and the interval in days by which the last sweep goes.
POLICIES = {"policy-shortened": 1, "policy-lengthened": 14}
Differences = Callable[[Cell, Expected, Life], list[str]]


@dataclass(frozen=True)
class Run:
    """What came of some cells: one world for each policy of the last sweep."""

    cells: list[Cell]
    worlds: list[World]

    def life(self, cell: Cell) -> Life:
        return next(world.lives[cell] for world in self.worlds if cell in world.lives)


@contextmanager
def memory() -> Iterator[tuple[FhirServer | IndexedMemoryServer, Store]]:
    server = IndexedMemoryServer(now=FIRST - 120)

    def store(resources: list[Resource], at: Instant) -> None:
        server.tick(at - (server.server_time or 0))
        load_bundle(server, resources)

    yield server, store


@contextmanager
def everyday() -> Iterator[tuple[FhirServer, Store]]:
    with started_server() as base_url, new_client() as client:
        server = FhirServer(base_url, client=client)
        yield server, lambda resources, at: load_bundle(server, resources)


def settled_anew() -> Wired:
    return wired.__wrapped__()


def all_worlds(server: Callable, cells: list[Cell], folder: Path, anew: Callable[[], Wired] | None = None) -> Run:
    worlds = []
    for event in (None, *POLICIES):
        then = wired() if event is None else with_interval(POLICIES[event], folder)
        lived = [cell for cell in cells if (cell.event if cell.event in POLICIES else None) == event]
        with server() as (fhir, store):
            worlds.append(run(fhir, store, lived, then, anew if event is None else None))
    return Run(cells, worlds)


@pytest.fixture(scope="module")
def in_memory(tmp_path_factory: pytest.TempPathFactory) -> Run:
    return all_worlds(memory, TABLE.cells, tmp_path_factory.mktemp("in-memory"))


@pytest.fixture(scope="module")
def everyday_server(tmp_path_factory: pytest.TempPathFactory) -> Run:
    return all_worlds(everyday, EVERYDAY, tmp_path_factory.mktemp("everyday"), settled_anew)


SERVERS = [pytest.param("in_memory", id="memory"), pytest.param("everyday_server", id="everyday", marks=pytest.mark.server)]
TASK_RULES = [pytest.param(rule, id=f"{rule.number}: {rule.told['says'][:40]}") for rule in TABLE.tasks]
FLAG_RULES = [pytest.param(rule, id=f"{rule.number}: {rule.told['says'][:40]}") for rule in TABLE.becomes]


def judge(rule: Rule, cells: list[Cell], lived: Run, differences: Differences) -> None:
    """Hold every cell of a rule against the table."""
    wrong = {cell: told for cell in cells if (told := differences(cell, TABLE.expected(cell), lived.life(cell)))}
    text = "\n".join(f"  {cell}: {'; '.join(told)}" for cell, told in list(wrong.items())[:20])
    assert not wrong, f"{rule.told['says']}: {len(wrong)} of {len(cells)} cells differ\n{text}"


@pytest.mark.parametrize("server", SERVERS)
@pytest.mark.parametrize("rule", TASK_RULES)
def test_the_task_is_written_as_the_table_says(rule: Rule, server: str, request: pytest.FixtureRequest) -> None:
    lived = request.getfixturevalue(server)
    judge(rule, [cell for cell in lived.cells if TABLE.expected(cell).task is rule], lived, task_differences)


@pytest.mark.parametrize("server", SERVERS)
@pytest.mark.parametrize("rule", FLAG_RULES)
def test_the_flags_are_written_as_the_table_says(rule: Rule, server: str, request: pytest.FixtureRequest) -> None:
    lived = request.getfixturevalue(server)
    judge(rule, [cell for cell in lived.cells if TABLE.expected(cell).becomes is rule], lived, flag_differences)


@pytest.mark.parametrize("server", SERVERS)
def test_everything_planned_is_written_and_one_second_later_nothing(server: str, request: pytest.FixtureRequest) -> None:
    for world in request.getfixturevalue(server).worlds:
        assert world.refused == []
        assert world.again == []
        # Wired anew from the files, the last sweep plans the same writes.
        assert world.same_anew


def test_every_rule_has_cells_and_the_sample_has_every_rule() -> None:
    for cells in (TABLE.cells, SAMPLE):
        expected = [TABLE.expected(cell) for cell in cells]
        assert {one.task.number for one in expected} == set(range(len(TABLE.tasks)))
        assert {one.becomes.number for one in expected} == set(range(len(TABLE.becomes)))
        assert {one.flags_end.number for one in expected} == set(range(len(TABLE.flags_end)))
        for axis, values in (("state", TABLE.states), ("status", TABLE.statuses), ("event", TABLE.events)):
            assert {getattr(cell, axis) for cell in cells} == set(values)
    assert {one.number for one in TABLE.excluded.values()} == set(range(len(TABLE.impossible)))


def test_the_statuses_are_those_of_fhir() -> None:
    # FHIR R4 value set task-status (http://hl7.org/fhir/R4/valueset-task-status.html): 12 codes.
    fhir = "draft requested received accepted rejected ready cancelled in-progress on-hold failed completed entered-in-error"
    assert {status.partition("-by-")[0] for status in TABLE.statuses} == {*fhir.split(), "none"}


def test_the_table_is_counted(capsys: pytest.CaptureFixture[str]) -> None:
    whole = len(TABLE.states) * len(TABLE.statuses) * len(TABLE.events)
    assert len(TABLE.cells) + len(TABLE.excluded) == whole
    why = Counter(rule.told["why"] for rule in TABLE.excluded.values())
    with capsys.disabled():
        print(
            f"\nlife table: {len(TABLE.states)} states × {len(TABLE.statuses)} statuses × {len(TABLE.events)} events = {whole}; "
            f"{len(TABLE.excluded)} impossible ({'; '.join(f'{count} {text}' for text, count in why.items())}); "
            f"{len(TABLE.cells)} cells; {len(TABLE.tasks)} rules for Tasks, {len(TABLE.becomes)} for states "
            f"and Flags; everyday server: {len(EVERYDAY)} cells, seed {SEED}"
        )
