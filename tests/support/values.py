"""Copies of frozen values with some fields changed, whichever kind of value they are."""

import dataclasses
from typing import Any

import msgspec


def replace(value: Any, **changes: Any) -> Any:
    """Return a copy of a dataclass or a msgspec struct with some fields changed."""
    if isinstance(value, msgspec.Struct):
        return msgspec.structs.replace(value, **changes)
    return dataclasses.replace(value, **changes)
