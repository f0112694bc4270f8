"""Turns mapping documents into the entries of a policy, each with its place, and collects what does not fit. No I/O.

Every file under policy/ may hold any of the sections; the entries of one section are put together over all files.
Each entry is read by itself, so that one bad entry hides no other problem.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Generic, TypeVar

from linedays.mapping.documents import Document, Documents, NodePath, Plain, Problem
from linedays.mapping.entries import NOTHING, Entry
from linedays.mapping.example_shapes import ExampleShape
from linedays.mapping.quantities import shown
from linedays.mapping.shapes import (
    AnyRuleShape,
    DressingKindShape,
    FindingsShape,
    IntervalShape,
    LimitsShape,
    LineKindShape,
    NotRequiredShape,
    SeenShape,
    Shape,
    StaffShape,
    UnitShape,
    WindowShape,
)

S = TypeVar("S", bound=Shape)
S_co = TypeVar("S_co", bound=Shape, covariant=True)

SECTIONS = ("staff", "line_kinds", "dressing_kinds", "findings", "rules", "windows", "units", "limits", "examples")
RULE_SHAPES: dict[str, type[Shape]] = {"interval": IntervalShape, "seen": SeenShape, "not-required": NotRequiredShape}


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed(Generic[S_co]):
    """One entry with its entry."""

    value: S_co
    document: Document
    path: NodePath

    def problem(self, what: str, expected: str, *inside: str | int) -> Problem:
        """Return a problem of this entry, placed at a node inside it."""
        return self.document.problem((*self.path, *inside), what, expected)


@dataclass(frozen=True, slots=True, kw_only=True)
class Section(Generic[S_co]):
    """The entries of one section; `complete` is false where some could not be read."""

    items: tuple[Placed[S_co], ...]
    complete: bool

    @property
    def values(self) -> tuple[S_co, ...]:
        """The entries without their places."""
        return tuple(item.value for item in self.items)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sections:
    """Everything that the policy files hold."""

    staff: Section[StaffShape]
    line_kinds: Section[LineKindShape]
    dressing_kinds: Section[DressingKindShape]
    findings: Section[FindingsShape]
    rules: Section[AnyRuleShape]
    windows: Section[WindowShape]
    units: Section[UnitShape]
    limits: Section[LimitsShape]
    examples: Section[ExampleShape]


def sections_from_documents(documents: Documents) -> tuple[Sections, tuple[Problem, ...]]:
    """Read every section of the policy files.

    Shape: the problems are those of reading the files and those of the entries' shape, in no order.
    """
    reader = _SectionReader(documents)
    for document in documents.documents:
        reader.check_top(document)
    sections = Sections(
        staff=reader.section("staff", StaffShape),
        line_kinds=reader.section("line_kinds", LineKindShape),
        dressing_kinds=reader.section("dressing_kinds", DressingKindShape),
        findings=reader.section("findings", FindingsShape),
        rules=reader.rules(),
        windows=reader.section("windows", WindowShape),
        units=reader.units(),
        limits=reader.limits(),
        examples=reader.section("examples", ExampleShape),
    )
    return sections, (*documents.problems, *reader.problems)


class _SectionReader:
    """Reads the sections of a set of documents and gathers the problems."""

    def __init__(self, documents: Documents) -> None:
        self.documents = documents.documents
        self.all_read = not documents.problems
        self.problems: list[Problem] = []

    def check_top(self, document: Document) -> None:
        """Refuse a file that is not keys and values, and every key that is not a section."""
        expected = "sections: " + ", ".join(SECTIONS)
        if not isinstance(document.data, dict):
            self.problems.append(document.problem((), f"the file is {shown(document.data)}", expected))
            self.all_read = False
            return
        for key in document.data:
            if key not in SECTIONS:
                self.problems.append(document.problem((key,), f"unknown section {key!r}", expected))
                self.all_read = False

    def section(self, name: str, shape: type[S]) -> Section[S]:
        """Read the section of that name from every file."""
        raw = self._raw(name)
        return self._section(name, [(entry, self._read(entry, shape)) for entry in raw])

    def rules(self) -> Section[AnyRuleShape]:
        """Read the rules, each by the shape of its kind."""
        read: list[tuple[Entry, AnyRuleShape | None]] = []
        for entry in self._raw("rules"):
            kind = entry.data.get("kind") if isinstance(entry.data, dict) else None
            shape = RULE_SHAPES.get(kind) if isinstance(kind, str) else None
            if shape is None:
                found = "no 'kind'" if kind is None else f"'kind' is {shown(kind)}"
                self.problems.append(entry.problem(found, "one of: " + ", ".join(RULE_SHAPES), "kind"))
                read.append((entry, None))
            else:
                rule = self._read(entry, shape)
                assert rule is None or isinstance(rule, IntervalShape | SeenShape | NotRequiredShape)
                read.append((entry, rule))
        return self._section("rules", read)

    def units(self) -> Section[UnitShape]:
        """Read the units; what a unit does not state is as in the entry `*`, but for its source and date."""
        raw = self._raw("units")
        every: dict[str, Plain] = {}
        for entry in raw:
            if isinstance(entry.data, dict) and entry.data.get("unit") == "*":
                every = {k: v for k, v in entry.data.items() if k not in ("unit", "source", "since", "from_memory")}
        return self._section("units", [(entry, self._read(entry, UnitShape, every)) for entry in raw])

    def limits(self) -> Section[LimitsShape]:
        """Read the one set of limits."""
        found = [
            Entry(document, ("limits",), document.data["limits"])
            for document in self.documents
            if isinstance(document.data, dict) and "limits" in document.data
        ]
        for again in found[1:]:
            self.problems.append(again.problem("limits a second time", f"limits once, as in {found[0].document.file}"))
        return self._section("limits", [(entry, self._read(entry, LimitsShape)) for entry in found[:1]])

    def _raw(self, name: str) -> list[Entry]:
        found: list[Entry] = []
        for document in self.documents:
            if not isinstance(document.data, dict) or name not in document.data:
                continue
            entries = document.data[name]
            if isinstance(entries, list):
                found += [Entry(document, (name, index), entry) for index, entry in enumerate(entries)]
            else:
                self.problems.append(document.problem((name,), f"{name!r} is {shown(entries)}", "a list of entries"))
                self.all_read = False
        return found

    def _section(self, name: str, read: list[tuple[Entry, S | None]]) -> Section[S]:
        items = tuple(
            Placed(value=value, document=entry.document, path=entry.path) for entry, value in read if value is not None
        )
        if not read and self.all_read:
            what = f"no {name} in any file"
            self.problems.append(Problem(file="policy", line=1, what=what, expected=f"a section {name}"))
        return Section(items=items, complete=self.all_read and 0 < len(items) == len(read))

    def _read(self, entry: Entry, shape: type[S], inherited: Mapping[str, Plain] = NOTHING) -> S | None:
        found = entry.read(shape, inherited)
        if isinstance(found, Shape):
            return found
        self.problems += found
        return None
