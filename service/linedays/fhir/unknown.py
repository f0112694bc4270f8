"""Bytes of a resource that did not fit → what we read of it, and what had to be left out of it. No I/O.

This is the slow way, taken only for a resource whose decoding failed. Which elements a type has stands in the records
themselves. What nobody here reads is left out, so that nothing in it can spoil the rest.
"""

import json
import re
from functools import cache
from typing import Any, TypeAlias

from msgspec import Raw, Struct, inspect

MODIFIERS = frozenset({"modifierExtension", "implicitRules"})
# An element of FHIR is named in letters, a few with digits. Other names are not quoted: they may tell of a person.
_NAME = re.compile(r"(?=.{1,40}\Z)[a-z][A-Za-z]*(?:\d{1,2}[A-Za-z]*)?", re.ASCII)
_UNNAMED = "(no name that an element can have)"

_Held: TypeAlias = type[Struct] | None


class GivenTwice(ValueError):
    """One element stands twice in one object, so that nobody can say which of them holds. The text is its path."""


class Known(Struct, frozen=True):
    """What is read of a resource as JSON, the paths of its unknown elements, and those of its modifiers, in order."""

    body: bytes
    unknown: tuple[str, ...]
    modifiers: tuple[str, ...]


class _Object(list[tuple[str, Any]]):
    """An object of JSON with its members as they stand."""


class _Left(Struct):
    """The paths of what was left out so far."""

    unknown: set[str]
    modifiers: set[str]


def known_only(raw: bytes | Raw, record: type[Struct]) -> Known:
    """Return what a record holds of a resource, and what was left out because the standard does not know it.

    The extension of a primitive (`_birthDate` beside `birthDate`) is known, and so not named.
    Raises: GivenTwice; ValueError or RecursionError where the bytes are no JSON.
    """
    # Numbers stay near enough for what is read of them; bytes that are no UTF-8 come out as what no decoder takes.
    text = bytes(raw).decode("utf-8", "surrogateescape")
    told = json.loads(text, object_pairs_hook=_Object, parse_int=float)
    left = _Left(set(), set())
    body = json.dumps(_known(told, record, "", left)).encode("ascii")
    return Known(body, tuple(sorted(left.unknown)), tuple(sorted(left.modifiers)))


def _known(value: Any, record: _Held, path: str, left: _Left) -> Any:
    match value:
        case _Object():
            return dict(value) if record is None else _of_object(value, record, path, left)
        case list():
            return [_known(each, record, path, left) for each in value]
        case _:
            return value


def _of_object(members: _Object, record: type[Struct], path: str, left: _Left) -> dict[str, Any]:
    elements, read = _elements(record), _read(record)
    seen: set[str] = set()
    kept: dict[str, Any] = {}
    for name, held in members:
        if name in seen and name in elements:
            raise GivenTwice(path + name)
        seen.add(name)
        if name.removeprefix("_") in MODIFIERS:
            # An empty one, or none, turns nothing round.
            left.modifiers.update([path + name.removeprefix("_")] if held else [])
        elif name in read:
            kept[name] = _known(held, read[name], f"{path}{name}.", left)
        elif name.removeprefix("_") not in elements and not _may_hold_anything(record):
            left.unknown.add(path + (name if _NAME.fullmatch(name) else _UNNAMED))
    return kept


@cache
def _elements(record: type[Struct]) -> frozenset[str]:
    """Return the names that the elements of a record have in JSON."""
    told = _told(record)
    return frozenset(field.encode_name for field in told.fields) | frozenset([told.tag_field or "id"])


@cache
def _read(record: type[Struct]) -> dict[str, _Held]:
    """Return the elements of a record that are read, each with the record that it holds, if it holds one."""
    told = _told(record)
    fields = [field for field in told.fields if not isinstance(field.type, inspect.RawType)]
    read = {field.encode_name: _held(field.type) for field in fields}
    return read if told.tag_field is None else {told.tag_field: None, **read}


@cache
def _may_hold_anything(record: type[Struct]) -> bool:
    return not _told(record).forbid_unknown_fields


def _told(record: type[Struct]) -> inspect.StructType:
    told = inspect.type_info(record)
    assert isinstance(told, inspect.StructType), "a record is a struct"
    return told


def _held(told: inspect.Type) -> _Held:
    match told:
        case inspect.UnionType(types=types):
            return next((held for each in types if (held := _held(each)) is not None), None)
        case inspect.VarTupleType(item_type=item):
            return _held(item)
        case inspect.StructType(cls=record):
            return record
        case _:
            return None
