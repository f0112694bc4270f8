"""One entry of a mapping file as written → its value, or the problems of its shape in plain words. No I/O."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, TypeVar, get_args

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from linedays.mapping.documents import Document, NodePath, Plain, Problem
from linedays.mapping.quantities import shown
from linedays.mapping.shapes import Shape

S = TypeVar("S", bound=Shape)

NOTHING: Mapping[str, Plain] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry as written, with its place."""

    document: Document
    path: NodePath
    data: Plain

    def problem(self, what: str, expected: str, *inside: str | int) -> Problem:
        """Return a problem of this entry, placed at a node inside it."""
        return self.document.problem((*self.path, *inside), what, expected)

    def read(self, shape: type[S], inherited: Mapping[str, Plain] = NOTHING) -> S | list[Problem]:
        """Return the value of the entry, or every problem of its shape.

        A key that the entry does not state is taken from `inherited`; what is wrong there is reported there.
        """
        own = self.data
        data = {**inherited, **own} if isinstance(own, dict) else own
        try:
            return shape.model_validate(data)
        except ValidationError as error:
            taken = inherited.keys() - own.keys() if isinstance(own, dict) else set()
            return [
                self._problem_of(shape, detail)
                for detail in error.errors(include_url=False)
                if not detail["loc"] or detail["loc"][0] not in taken
            ]

    def _problem_of(self, shape: type[Shape], detail: ErrorDetails) -> Problem:
        location = detail["loc"]
        keys = _fields_along(shape, location)
        if not keys or detail["type"] == "model_type":
            holder = _shape_at(shape, keys)
            what = f"the entry is {shown(detail['input'])}"
            return self.problem(what, "the keys " + ", ".join(holder.model_fields), *location)
        holder, key = _shape_at(shape, keys[:-1]), keys[-1]
        match detail["type"]:
            case "extra_forbidden":
                return self.problem(f"unknown key {key!r}", "one of: " + ", ".join(holder.model_fields), *location)
            case "missing":
                what = f"no {key!r}"
            case "value_error":
                what = f"{key!r} {detail['ctx']['error']}"
            case _:
                what = f"{key!r} is {shown(detail['input'])}"
        field = holder.model_fields.get(key)
        return self.problem(what, (field.description if field else None) or "a value", *location)


def _fields_along(shape: type[Shape], location: tuple[str | int, ...]) -> list[str]:
    """Return the keys of a location that are fields: in a table of codes the keys are the site's own."""
    keys: list[str] = []
    for part in location:
        if isinstance(part, str) and (part in _shape_at(shape, keys).model_fields or part == location[-1]):
            keys.append(part)
    return keys


def _shape_at(shape: type[Shape], keys: list[str]) -> type[Shape]:
    for key in keys:
        inner = _shape_in(shape.model_fields[key].annotation) if key in shape.model_fields else None
        shape = inner if inner is not None else shape
    return shape


def _shape_in(annotation: Any) -> type[Shape] | None:
    if isinstance(annotation, type) and issubclass(annotation, Shape):
        return annotation
    return next((found for part in get_args(annotation) if (found := _shape_in(part)) is not None), None)
