"""Bytes of a resource that did not fit → those without the elements unknown to FHIR R4, and their paths. No I/O.

This is the slow way, taken only for a resource whose decoding failed. Which elements a type has stands in the records
themselves; what nobody here reads is left as it is, and an extension may hold anything.
"""

import re
from functools import cache
from typing import Any

import msgspec
from msgspec import Raw, Struct, inspect

# An element of FHIR is named in letters and digits: another name is not quoted, as it may be words about a person.
_NAME = re.compile(r"[a-z][A-Za-z0-9]{0,63}", re.ASCII)
_UNNAMED = "(no name that an element can have)"


def known_only(raw: bytes | Raw, record: type[Struct]) -> tuple[bytes, tuple[str, ...]]:
    """Return a resource without the elements that its type does not have, and the paths of those, in order.

    The extension of a primitive (`_birthDate` beside `birthDate`) is left out too, and is not named: it is known.
    Raises: msgspec.DecodeError, UnicodeDecodeError or RecursionError where the bytes are no JSON.
    """
    unknown: set[str] = set()
    known = _pruned(msgspec.json.decode(raw), record, "", unknown)
    return msgspec.json.encode(known), tuple(sorted(unknown))


def _pruned(value: Any, record: type[Struct] | None, path: str, unknown: set[str]) -> Any:
    if record is None:
        return value
    if isinstance(value, list):
        return [_pruned(each, record, path, unknown) for each in value]
    if not isinstance(value, dict):
        return value
    elements = _elements(record)
    kept: dict[str, Any] = {}
    for name, held in value.items():
        if name in elements:
            kept[name] = _pruned(held, elements[name], f"{path}{name}.", unknown)
        elif name.removeprefix("_") not in elements:
            unknown.add(path + (name if _NAME.fullmatch(name) else _UNNAMED))
    return kept


@cache
def _elements(record: type[Struct]) -> dict[str, type[Struct] | None]:
    """Return the elements of a record by their names in JSON, each with the record that it holds, if it holds one."""
    told = inspect.type_info(record)
    assert isinstance(told, inspect.StructType), "a record is a struct"
    tag = {told.tag_field: None} if told.tag_field is not None else {}
    return {**tag, **{field.encode_name: _held(field.type) for field in told.fields}}


def _held(told: inspect.Type) -> type[Struct] | None:
    match told:
        case inspect.UnionType(types=types):
            return next((held for each in types if (held := _held(each)) is not None), None)
        case inspect.VarTupleType(item_type=item):
            return _held(item)
        case inspect.StructType(cls=record, forbid_unknown_fields=True):
            return record
        case _:
            return None
