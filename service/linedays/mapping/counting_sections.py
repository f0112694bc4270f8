"""line_days.yaml as plain data → its entries, each with its place, and the problems of their shape. No I/O.

Each entry is read by itself, so that one bad entry hides no other problem.
"""

from dataclasses import dataclass
from typing import Generic, TypeVar

from linedays.mapping.counting_shapes import (
    DayNumberShape,
    DenominatorShape,
    KindsShape,
    LocationClassShape,
    NamedLocationShape,
    SnapshotTimeShape,
    TimeRuleShape,
    TipsShape,
)
from linedays.mapping.documents import Document, Plain, Problem
from linedays.mapping.entries import Entry
from linedays.mapping.quantities import shown
from linedays.mapping.shapes import Shape

FILE = "line_days.yaml"
SECTIONS = ("snapshot", "day_numbers", "denominators", "times", "kinds", "tips", "location_classes", "locations")

S = TypeVar("S", bound=Shape)


@dataclass(frozen=True, slots=True)
class Read(Generic[S]):
    """The value of one entry, and the entry as written."""

    value: S
    entry: Entry


@dataclass(frozen=True, slots=True, kw_only=True)
class CountingSections:
    """Everything that line_days.yaml holds, as far as it could be read."""

    snapshot: tuple[Read[SnapshotTimeShape], ...]
    day_numbers: tuple[Read[DayNumberShape], ...]
    denominators: tuple[Read[DenominatorShape], ...]
    times: tuple[Read[TimeRuleShape], ...]
    kinds: tuple[Read[KindsShape], ...]
    tips: tuple[Read[TipsShape], ...]
    location_classes: tuple[Read[LocationClassShape], ...]
    locations: tuple[Read[NamedLocationShape], ...]


def sections_from_document(document: Document) -> tuple[CountingSections, tuple[Problem, ...]]:
    """Read every section. Shape: the problems in no order."""
    reader = _Reader(document)
    sections = CountingSections(
        snapshot=reader.read(reader.entry("snapshot"), SnapshotTimeShape),
        day_numbers=reader.read(reader.entries("day_numbers"), DayNumberShape),
        denominators=reader.read(reader.entries("denominators"), DenominatorShape),
        times=reader.read(reader.entries("times"), TimeRuleShape),
        kinds=reader.read(reader.entries("kinds"), KindsShape),
        tips=reader.read(reader.entries("tips"), TipsShape),
        location_classes=reader.read(reader.entries("location_classes"), LocationClassShape),
        locations=reader.read(reader.entries("locations", may_be_empty=True), NamedLocationShape),
    )
    return sections, tuple(reader.problems)


class _Reader:
    """Reads the sections of the file and gathers the problems."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.problems: list[Problem] = []
        self.data: dict[str, Plain] = {}
        expected = "sections: " + ", ".join(SECTIONS)
        if not isinstance(document.data, dict):
            self.problems.append(document.problem((), f"the file is {shown(document.data)}", expected))
            return
        self.data = document.data
        self.problems += [
            document.problem((key,), f"unknown section {key!r}", expected) for key in self.data if key not in SECTIONS
        ]

    def entry(self, name: str) -> list[Entry]:
        """Return a section as one entry; none where it is missing."""
        if name not in self.data:
            self.problems.append(self.document.problem((), f"no section {name!r}", f"a section {name}"))
            return []
        return [Entry(self.document, (name,), self.data[name])]

    def entries(self, name: str, *, may_be_empty: bool = False) -> list[Entry]:
        """Return the entries of a section that is a list."""
        found: list[Entry] = []
        for whole in self.entry(name):
            if isinstance(whole.data, list) and (whole.data or may_be_empty):
                found += [Entry(self.document, (name, index), data) for index, data in enumerate(whole.data)]
            else:
                self.problems.append(whole.problem(f"{name!r} is {shown(whole.data)}", "a list of entries"))
        return found

    def read(self, entries: list[Entry], shape: type[S]) -> tuple[Read[S], ...]:
        """Read entries by their shape; what cannot be read is a problem."""
        found: list[Read[S]] = []
        for entry in entries:
            value = entry.read(shape)
            if isinstance(value, list):
                self.problems += value
            else:
                found.append(Read(value, entry))
        return tuple(found)
