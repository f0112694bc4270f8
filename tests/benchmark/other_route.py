"""The same derivation with every resource read by the classes of fhir.resources instead of our records. No I/O.

A hospital could read that way: validate a resource, take what is needed from the object, derive. All that follows the
reading is ours, so that the two routes give one result and differ by their reading only.
"""

from collections.abc import Callable, Sequence
from datetime import date, datetime
from decimal import Decimal
from functools import cache
from typing import Any

import msgspec
from fhir.resources.R4B import get_fhir_model_class
from msgspec import Struct, inspect

from linedays.core.moment import Instant
from linedays.fhir.collected import add_record
from linedays.fhir.records import READ_TYPES
from linedays.run.derive import Derivation, Instance, derive, new_collection


class _Type(Struct, rename="camel"):
    resource_type: str


def derive_by_fhir_resources(rows: Sequence[tuple[str, bytes]], settled: Instance, *, at: Instant) -> Derivation:
    """Read by fhir.resources what it can read, then derive."""
    collected = new_collection(settled)
    type_of = msgspec.json.Decoder(_Type).decode
    for _, raw in rows:
        try:
            name = type_of(raw).resource_type
            model = get_fhir_model_class(name).model_validate_json(raw)
        except (msgspec.DecodeError, ValueError):
            continue
        add_record(collected, _taken(model, READ_TYPES[name]))
    return derive(collected, settled, at=at, known_by=at)


def _taken(model: Any, record: type[Struct]) -> Any:
    """Return one of our records with what an object holds."""
    held = {}
    for attribute, field, convert in _plan(type(model), record):
        value = getattr(model, attribute)
        if value is not None:
            held[field] = convert(value)
    return record(**held)


@cache
def _plan(model: type[Any], record: type[Struct]) -> tuple[tuple[str, str, Callable[[Any], Any]], ...]:
    """Return which attribute goes into which field and how, for the elements that are read."""
    attributes = {field.alias or name: name for name, field in model.model_fields.items()}
    told = inspect.type_info(record)
    assert isinstance(told, inspect.StructType)
    return tuple(
        (attributes[field.encode_name], field.name, convert)
        for field in told.fields
        if (convert := _conversion(field.type)) is not None and field.encode_name in attributes
    )


def _conversion(told: inspect.Type) -> Callable[[Any], Any] | None:
    match told:
        case inspect.RawType():
            return None
        case inspect.UnionType(types=types):
            return next((found for each in types if (found := _conversion(each)) is not None), None)
        case inspect.VarTupleType(item_type=inspect.RawType()):
            return None
        case inspect.VarTupleType(item_type=item):
            one = _conversion(item)
            assert one is not None
            return lambda values: tuple(one(value) for value in values)
        case inspect.StructType(cls=record):
            return lambda value: _taken(value, record)
        case inspect.NoneType():
            return None
        case _:
            return _plain


def _plain(value: Any) -> Any:
    match value:
        case datetime() | date():
            return value.isoformat()
        case Decimal():
            return float(value)
        case _:
            return value
