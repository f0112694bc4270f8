"""The entries of line_days.yaml → what does not fit together among them. No I/O."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from linedays.core.count_rules import Count
from linedays.mapping.counting_sections import CountingSections, Read
from linedays.mapping.counting_shapes import ACCESS_FACTS
from linedays.mapping.documents import Problem
from linedays.mapping.entries import Entry


@dataclass(frozen=True, slots=True)
class _Named:
    """Something that may stand only once: in words, and where it is written."""

    words: str
    entry: Entry
    inside: tuple[str | int, ...]


def counting_problems(sections: CountingSections) -> tuple[Problem, ...]:
    """Return what does not fit together among the entries that could be read. Shape: in no order."""
    return (
        *_twice(_Named(f"the year {one.value.year}", one.entry, ("year",)) for one in sections.day_numbers),
        *_twice(_Named(f"the year {one.value.year}", one.entry, ("year",)) for one in sections.denominators),
        *_twice(_Named(f"{one.value.count} in {one.value.year}", one.entry, ("year",)) for one in sections.times),
        *_twice(_all_named(sections.kinds, "codes")),
        *_twice(_all_named(sections.tips, "codes")),
        *_twice(
            _Named(f"{one.value.system}|{code}", one.entry, ("codes", index))
            for one in sections.location_classes
            for index, code in enumerate(one.value.codes)
        ),
        *_twice(_all_named(sections.locations, "ids")),
        *_strange_access(sections),
        *_times(sections),
    )


def _all_named(read: Sequence[Read[Any]], key: str) -> Iterator[_Named]:
    for one in read:
        for index, code in enumerate(getattr(one.value, key)):
            yield _Named(code, one.entry, (key, index))


def _twice(names: Iterable[_Named]) -> Iterator[Problem]:
    first: dict[str, int] = {}
    for name in names:
        if name.words in first:
            expected = f"each once (first in line {first[name.words]})"
            yield name.entry.problem(f"{name.words} a second time", expected, *name.inside)
        first.setdefault(name.words, name.entry.document.line((*name.entry.path, *name.inside)))


def _strange_access(sections: CountingSections) -> Iterator[Problem]:
    for one in sections.day_numbers:
        for index, fact in enumerate(one.value.access_facts):
            if fact not in ACCESS_FACTS:
                expected = "one of: " + ", ".join(ACCESS_FACTS)
                yield one.entry.problem(f"{fact} is no access to a line", expected, "access_facts", index)


def _times(sections: CountingSections) -> Iterator[Problem]:
    stated = {one.value.count for one in sections.times}
    for count in Count:
        if sections.times and count not in stated:
            yield sections.times[0].entry.document.problem(("times",), f"no rule of {count}", "a rule of each count")
    for one in sections.times:
        if (one.value.units is None) is not (one.value.count is Count.DWELL):
            what = f"'units' of {one.value.count} is {one.value.units or 'null'}"
            yield one.entry.problem(what, "null for dwell, and only for dwell", "units")
