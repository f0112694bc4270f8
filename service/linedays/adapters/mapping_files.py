"""Finds the mappings and the demo hospital, and reads YAML files to plain data with positions. Reads the disk.

YAML's own conversions damage policy text silently (12:30 becomes 750, `no` becomes false, 0123 becomes 83, the last
of two equal keys wins), so the parser's events are read here one by one: everything stays text but true, false, null
and decimal numbers, and whatever a reader could misunderstand is refused.
"""

import re
from collections.abc import Iterator
from importlib import resources
from pathlib import Path
from typing import Any

import yaml

from linedays.mapping.documents import Document, Documents, NodePath, Plain, Problem

LARGEST_FILE = 1_000_000
DEEPEST = 12

_NUMBER = re.compile(r"-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?")
_WORDS: dict[str, bool | None] = {"true": True, "false": False, "null": None}
_CHECKOUT = Path(__file__).resolve().parents[3]


class DataNotFound(Exception):
    """A data folder is in none of the places it may be in."""


def find_mappings(setting: Path | None) -> Path:
    """Return the mappings folder: the one set, else the packaged copy, else that of the checkout.

    Raises: DataNotFound, naming every place that was looked at.
    """
    return _find("mappings", setting, "mappings")


def find_demo_hospital(setting: Path | None) -> Path:
    """Return the folder of the demo hospital, by the same lookup.

    Raises: DataNotFound, naming every place that was looked at.
    """
    return _find("demo-hospital", setting, "fixtures/demo-hospital")


def _find(name: str, setting: Path | None, in_checkout: str) -> Path:
    if setting is not None:
        # A folder that was asked for is never replaced by another one.
        places = [setting]
    else:
        places = [Path(str(resources.files("linedays") / "_data" / name)), _CHECKOUT / in_checkout]
    for place in places:
        if place.is_dir():
            return place
    looked_at = ", ".join(str(place) for place in places)
    raise DataNotFound(f"no folder {name}: looked at {looked_at}; set the folder, or install the package again")


def read_documents(folder: Path) -> Documents:
    """Read every *.yaml file under a folder; what cannot be read is a problem, and the other files are still read.

    Shape: in order of file name; names are relative to the folder, with forward slashes.
    """
    documents: list[Document] = []
    problems: list[Problem] = []
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.name.startswith(".") or not path.is_file():
            continue
        if path.suffix == ".yml":
            problems.append(_problem(name, 1, "a file ending in .yml is not read", "the ending .yaml"))
        if path.suffix == ".yaml":
            found = _read_document(path, name, problems)
            documents.extend([found] if found is not None else [])
    return Documents(documents=tuple(documents), problems=tuple(problems))


def _read_document(path: Path, name: str, problems: list[Problem]) -> Document | None:
    try:
        raw = path.read_bytes()
    except OSError as error:
        reason = error.strerror or "unknown reason"
        problems.append(_problem(name, 1, f"the file cannot be read ({reason})", "a readable file"))
        return None
    if len(raw) > LARGEST_FILE:
        problems.append(_problem(name, 1, f"the file has {len(raw)} bytes", f"at most {LARGEST_FILE} bytes"))
        return None
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        problems.append(_problem(name, line, "bytes that are not UTF-8", "text saved as UTF-8"))
        return None
    return document_from_text(text, name, problems)


def document_from_text(text: str, name: str, problems: list[Problem]) -> Document | None:
    """Turn the text of one file into plain data; problems are added to the list, None where nothing can be used."""
    found: list[Problem] = [
        _problem(name, number, "a tab", "spaces") for number, line in enumerate(text.split("\n"), 1) if "\t" in line
    ]
    if not found:
        reader = _Reader(name, found)
        try:
            reader.read(yaml.parse(text, Loader=yaml.SafeLoader))
        except yaml.MarkedYAMLError as error:
            mark = error.problem_mark or error.context_mark
            found.append(_problem(name, _line(mark), f"broken YAML: {error.problem}", "valid YAML"))
        except yaml.reader.ReaderError as error:
            line = text.count("\n", 0, error.position) + 1
            found.append(_problem(name, line, "a character that text must not hold", "printable text"))
    problems.extend(found)
    return None if found else Document(file=name, data=reader.data, lines=reader.lines)


def _line(mark: Any) -> int:
    return mark.line + 1 if mark is not None else 1


def _problem(file: str, line: int, what: str, expected: str) -> Problem:
    return Problem(file=file, line=line, what=what, expected=expected)


class _Reader:
    """Builds plain data from the events of one file and notes the line of every node."""

    def __init__(self, name: str, problems: list[Problem]) -> None:
        self.name = name
        self.problems = problems
        self.data: Plain = None
        self.lines: dict[NodePath, int] = {(): 1}
        self.events: Iterator[yaml.Event] = iter(())

    def read(self, events: Iterator[yaml.Event]) -> None:
        """Read the one document of the file."""
        self.events = events
        documents = 0
        for event in events:
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    self._refuse(event, "a second document in the file", "one document per file")
                    return
                if event.version or event.tags:
                    self._refuse(event, "a YAML directive", "plain YAML")
                self.data = self._node(next(events), ())
        if documents == 0:
            self.problems.append(_problem(self.name, 1, "an empty file", "keys and values"))

    def _refuse(self, event: yaml.Event, what: str, expected: str) -> None:
        self.problems.append(_problem(self.name, _line(event.start_mark), what, expected))

    def _node(self, event: yaml.Event, path: NodePath) -> Plain:
        self.lines.setdefault(path, _line(event.start_mark))
        if isinstance(event, yaml.AliasEvent):
            self._refuse(event, f"an alias (*{event.anchor})", "the value itself; a text that begins with * in quotes")
            return None
        assert isinstance(event, yaml.ScalarEvent | yaml.CollectionStartEvent)
        if event.anchor is not None:
            self._refuse(event, f"an anchor (&{event.anchor})", "the value itself; a text that begins with & in quotes")
        if event.tag is not None:
            self._refuse(event, f"a tag ({event.tag})", "plain YAML; a text that begins with ! in quotes")
        if isinstance(event, yaml.ScalarEvent):
            return self._scalar(event)
        if len(path) >= DEEPEST:
            self._refuse(event, "data nested too deeply", f"at most {DEEPEST} levels")
            return self._skip()
        return self._sequence(path) if isinstance(event, yaml.SequenceStartEvent) else self._mapping(path)

    def _scalar(self, event: yaml.ScalarEvent) -> Plain:
        if event.style is not None:
            return str(event.value)
        if event.value == "":
            self._refuse(event, "a key without a value", "a value, or null")
        if event.value in _WORDS:
            return _WORDS[event.value]
        if _NUMBER.fullmatch(event.value):
            return float(event.value) if "." in event.value else int(event.value)
        return str(event.value)

    def _skip(self) -> Plain:
        depth = 1
        while depth:
            event = next(self.events)
            depth += isinstance(event, yaml.CollectionStartEvent) - isinstance(event, yaml.CollectionEndEvent)
        return None

    def _sequence(self, path: NodePath) -> list[Plain]:
        items: list[Plain] = []
        while not isinstance(event := next(self.events), yaml.SequenceEndEvent):
            items.append(self._node(event, (*path, len(items))))
        return items

    def _mapping(self, path: NodePath) -> dict[str, Plain]:
        items: dict[str, Plain] = {}
        while not isinstance(event := next(self.events), yaml.MappingEndEvent):
            key = self._key(event, path)
            first = self.lines.get((*path, key)) if key in items else None
            if first is not None:
                self._refuse(event, f"the key {key!r} a second time (first in line {first})", "each key once")
                self._node(next(self.events), (*path, key, "again"))
                continue
            self.lines[(*path, key)] = _line(event.start_mark)
            items[key] = self._node(next(self.events), (*path, key))
        return items

    def _key(self, event: yaml.Event, path: NodePath) -> str:
        key = self._node(event, (*path, "key"))
        self.lines.pop((*path, "key"), None)
        if not isinstance(key, str):
            self._refuse(event, "a key that is not text", "a text key, in quotes where it looks like a number")
        return str(key)
