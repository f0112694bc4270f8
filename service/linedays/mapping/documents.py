"""The mapping files as plain data with positions, and the problems found in them. No I/O.

`linedays.adapters.mapping_files` reads the files into `Documents`; everything in this package turns `Documents` into
values of the core, or into problems that name the file and the line.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TypeAlias

Plain: TypeAlias = "str | int | float | bool | list[Plain] | dict[str, Plain] | None"
NodePath: TypeAlias = tuple[str | int, ...]


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Problem:
    """One thing that is wrong in a mapping file: where, what, and what was expected there."""

    file: str
    line: int
    what: str
    expected: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.what} — expected {self.expected}"


class PolicyInvalid(Exception):
    """The mapping files do not make a policy; holds every problem that was found."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(sorted(set(problems)))
        super().__init__("\n".join(str(problem) for problem in self.problems))


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """One mapping file: its name relative to the mappings folder, its data, and the line of every node.

    Shape: `lines` maps the path of a node (keys and list positions from the top) to its line, counted from 1; the
    empty path is the file itself.
    """

    file: str
    data: Plain
    lines: Mapping[NodePath, int]

    def line(self, path: NodePath) -> int:
        """Return the line of a node, or of the nearest node above it that was written."""
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path, 1)

    def problem(self, path: NodePath, what: str, expected: str) -> Problem:
        """Return a problem placed at a node."""
        return Problem(file=self.file, line=self.line(path), what=what, expected=expected)


@dataclass(frozen=True, slots=True, kw_only=True)
class Documents:
    """Every mapping file that could be read, in order of name, and the problems of reading."""

    documents: tuple[Document, ...]
    problems: tuple[Problem, ...] = ()

    def under(self, folder: str) -> "Documents":
        """Return the files of one folder ("policy") and the problems of reading them."""
        prefix = folder.rstrip("/") + "/"
        return Documents(
            documents=tuple(document for document in self.documents if document.file.startswith(prefix)),
            problems=tuple(problem for problem in self.problems if problem.file.startswith(prefix)),
        )

    def named(self, file: str) -> Document | None:
        """Return one file by its name relative to the mappings folder, or None where it was not read."""
        return next((document for document in self.documents if document.file == file), None)
