"""Facts as read, in any order and any number of copies → the facts that stand as known at one moment. No I/O.

A resource may come in several versions. The one that counts is the latest that was known by the moment asked for; a
later version that leaves its facts as they were keeps the first known time, and one that changes them without a new
entry time of its own became known when the server stored it.
"""

from collections.abc import Iterable

from msgspec.structs import replace

from linedays.core.model import Fact, FactKind
from linedays.core.moment import Instant


def facts_known(facts: Iterable[Fact], known_by: Instant) -> tuple[list[Fact], frozenset[str]]:
    """Return the facts that stand as known by a moment, and the resources that became known only later.

    Shape: facts in no particular order, each once; a resource whose latest known version was retracted has none.
    """
    by_source: dict[str, list[Fact]] = {}
    for fact in facts:
        seen = by_source.get(fact.source)
        if seen is None:
            by_source[fact.source] = [fact]
        else:
            seen.append(fact)
    standing: list[Fact] = []
    later: set[str] = set()
    for source, told in by_source.items():
        kept = told if len(told) == 1 and told[0].known <= known_by else _version_known(told, known_by)
        if kept is None:
            later.add(source)
        else:
            standing.extend(fact for fact in kept if fact.kind is not FactKind.RETRACTED)
    return standing, frozenset(later)


def _version_known(told: list[Fact], known_by: Instant) -> list[Fact] | None:
    versions: dict[int, list[Fact]] = {}
    for fact in told:
        group = versions.setdefault(fact.updated if fact.updated is not None else -1, [])
        if fact not in group:
            group.append(fact)
    best: list[Fact] | None = None
    before: list[Fact] = []
    for stored in sorted(versions):
        group = _with_known_time(versions[stored], before, stored)
        if group[0].known <= known_by:
            best = group
        before = group
    return best


def _with_known_time(group: list[Fact], before: list[Fact], stored: int) -> list[Fact]:
    """Give a version the time at which what it says became known."""
    if not before:
        return group
    if _content(group) == _content(before):
        return before
    if {fact.known for fact in group} == {fact.known for fact in before} and stored >= 0:
        return [replace(fact, known=stored) for fact in group]
    return group


def _content(group: list[Fact]) -> set[Fact]:
    return {replace(fact, known=0, updated=None) for fact in group}
