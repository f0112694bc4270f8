"""The life table of a Task as data (tests/acceptance/life_table.yaml) → its cells and what each is to come to. Reads that file.

A cell is a state of the dressing × a status of our Task × an event. Rules stand in order and the first that fits counts.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from itertools import product
from pathlib import Path
from random import Random
from typing import Any

import yaml

FILE = Path(__file__).resolve().parents[1] / "acceptance" / "life_table.yaml"
OPEN = frozenset({"draft", "requested", "received", "accepted", "ready", "in-progress", "on-hold"})
BY_US = frozenset({"completed-by-us", "cancelled-by-us"})
_AXES = ("states", "statuses", "events")
_KEYS = {
    "impossible": {*_AXES, "why"},
    "becomes": {*_AXES, "now", "says"},
    "flags_end": {*_AXES, "because", "says"},
    "tasks": {*_AXES, "asks", "task", "because", "priority", "new", "says"},
}


@dataclass(frozen=True, slots=True, order=True)
class Cell:
    """One made-up patient: the state, the status, the event, and a number that names the patient."""

    state: str
    status: str
    event: str
    number: int

    @property
    def patient(self) -> str:
        return f"c{self.number:05d}"

    def __str__(self) -> str:
        return f"{self.state} × {self.status} × {self.event}"


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule of a list: its place there, and everything that the file says of it."""

    number: int
    told: dict[str, Any]

    def fits(self, cell: Cell, situation: str | None = None, asks: bool = True) -> bool:
        where = zip(_AXES, (cell.state, cell.status, cell.event), strict=True)
        if any(axis in self.told and value not in self.told[axis] for axis, value in where):
            return False
        named = self.told.get("asks")
        return named is None or situation in named or ("nothing" in named and not asks)


@dataclass(frozen=True, slots=True)
class Expected:
    """What a cell is to come to, and by which rules."""

    situation: str
    asked: dict[str, Any]
    becomes: Rule
    flags_end: Rule
    task: Rule


class LifeTable:
    """The table: its axes, its rules, the cells that can be, and why the others cannot."""

    def __init__(self, told: dict[str, Any]) -> None:
        self.states, self.statuses, self.events = ([*told[axis]] for axis in _AXES)
        self.turned_later = frozenset(told["turned_later"])
        self.situations: dict[str, dict[str, Any]] = told["situations"]
        lists = {name: [Rule(number, rule) for number, rule in enumerate(told[name])] for name in _KEYS}
        self.impossible, self.becomes = lists["impossible"], lists["becomes"]
        self.flags_end, self.tasks = lists["flags_end"], lists["tasks"]
        self._check(lists)
        every = product(self.states, self.statuses, self.events)
        all_cells = [Cell(*axes, number) for number, axes in enumerate(every)]
        self.excluded = {cell: rule for cell in all_cells if (rule := _first(self.impossible, cell)) is not None}
        self.cells = [cell for cell in all_cells if cell not in self.excluded]
        self._expected = {cell: self._by_rules(cell) for cell in self.cells}

    def _check(self, lists: dict[str, list[Rule]]) -> None:
        known = {axis: set(values) for axis, values in zip(_AXES, (self.states, self.statuses, self.events), strict=True)}
        known["asks"] = {*self.situations, "nothing"}
        for name, rules in lists.items():
            for rule in rules:
                assert set(rule.told) <= _KEYS[name], f"{name}: {rule.told}: a key that no rule there has"
                for axis, values in known.items():
                    unknown = set(rule.told.get(axis, ())) - values
                    assert not unknown, f"{name}: {rule.told['says']}: no such {axis}: {unknown}"

    def expected(self, cell: Cell) -> Expected:
        return self._expected[cell]

    def _by_rules(self, cell: Cell) -> Expected:
        becomes = _first(self.becomes, cell)
        assert becomes is not None, f"{cell}: no rule says what holds then"
        situation = becomes.told["now"] if becomes.told["now"] != "same" else cell.state
        asked = self.situations[situation]
        task = _first(self.tasks, cell, situation, "code" in asked)
        flags_end = _first(self.flags_end, cell)
        assert task is not None, f"{cell}: no rule says what becomes of the Task"
        assert flags_end is not None
        return Expected(situation, asked, becomes, flags_end, task)

    def sample(self, seed: int, more: int) -> list[Cell]:
        """Return cells that cover every rule, state, status and event, and as many others as told, the same for one seed."""
        random, found, covered = Random(seed), [], set()
        for cell in random.sample(self.cells, len(self.cells)):
            expected = self.expected(cell)
            about = {
                ("task", expected.task.number), ("becomes", expected.becomes.number), ("flags", expected.flags_end.number),
                ("state", cell.state), ("status", cell.status), ("event", cell.event),
            }  # fmt: skip
            if not about <= covered or more > 0:
                more -= about <= covered
                covered |= about
                found.append(cell)
        return sorted(found, key=lambda cell: cell.number)


def _first(rules: Iterable[Rule], cell: Cell, situation: str | None = None, asks: bool = True) -> Rule | None:
    return next(_fitting(rules, cell, situation, asks), None)


def _fitting(rules: Iterable[Rule], cell: Cell, situation: str | None, asks: bool) -> Iterator[Rule]:
    return (rule for rule in rules if rule.fits(cell, situation, asks))


@cache
def life_table() -> LifeTable:
    return LifeTable(yaml.safe_load(FILE.read_text(encoding="utf-8")))
