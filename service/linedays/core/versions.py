"""Facts as read, in any order and any number of copies → the facts that stand as known at one moment. No I/O.

A resource may come in several versions. The one that counts is the latest that was known by the moment asked for; a
later version that leaves a fact as it was keeps its first known time, and one that changes it without a new entry time
of its own became known when the server stored it.
"""

from collections.abc import Iterable
from operator import attrgetter

import msgspec
from msgspec.structs import replace

from linedays.core.model import CREATING, EndBasis, Fact, FactKind
from linedays.core.moment import Instant, Moment

_SOURCE = attrgetter("source")
_NO_TIME = Moment(0, 0)


class KnownFacts(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """What stands as known by a moment.

    `later` are the resources of which nothing was known by then. `first` says when a resource that creates a line first
    became known, where a later version of it is the one that stands.
    """

    standing: list[Fact]
    later: frozenset[str]
    first: dict[str, Instant]


def facts_known(facts: Iterable[Fact], known_by: Instant) -> KnownFacts:
    """Return the facts that stand as known by a moment.

    Shape: facts in no particular order, each once; a resource whose latest known version was retracted has none.
    """
    facts = tuple(facts)
    if len(set(map(_SOURCE, facts))) == len(facts):
        return _each_by_itself(facts, known_by)
    by_source: dict[str, list[Fact]] = {}
    for fact in facts:
        seen = by_source.get(fact.source)
        if seen is None:
            by_source[fact.source] = [fact]
        else:
            seen.append(fact)
    standing: list[Fact] = []
    later: set[str] = set()
    first: dict[str, Instant] = {}
    for source, told in by_source.items():
        if len(told) == 1:
            kept = told if told[0].known <= known_by else None
        else:
            kept = _version_known(told, known_by, first)
        if kept is None:
            later.add(source)
        elif not any(fact.kind is FactKind.RETRACTED for fact in kept):
            standing.extend(kept)
    return KnownFacts(standing=standing, later=frozenset(later), first=first)


def _each_by_itself(facts: tuple[Fact, ...], known_by: Instant) -> KnownFacts:
    """Return the facts known by a moment where each resource came once with one fact, as most do."""
    retracted = FactKind.RETRACTED
    standing = [fact for fact in facts if fact.known <= known_by and fact.kind is not retracted]
    if len(standing) == len(facts):
        return KnownFacts(standing=standing, later=frozenset(), first={})
    later = frozenset(fact.source for fact in facts if fact.known > known_by)
    return KnownFacts(standing=standing, later=later, first={})


def _version_known(told: list[Fact], known_by: Instant, first: dict[str, Instant]) -> list[Fact] | None:
    versions: dict[int, list[Fact]] = {}
    for fact in dict.fromkeys(told):
        versions.setdefault(fact.updated if fact.updated is not None else -1, []).append(fact)
    best: list[Fact] | None = None
    before: dict[Fact, Fact] = {}
    told_times: set[Instant] = set()
    for stored in sorted(versions):
        group = [_with_known_time(fact, before, told_times, stored) for fact in versions[stored]]
        visible = [fact for fact in group if fact.known <= known_by]
        if visible:
            best = visible
            _note_first(visible, first)
        if len(versions) > 1:
            before = {_content(fact): fact for fact in group}
            told_times.update(fact.known for fact in versions[stored])
    return best


def _note_first(visible: list[Fact], first: dict[str, Instant]) -> None:
    for fact in visible:
        if fact.kind in CREATING:
            first[fact.source] = min(fact.known, first.get(fact.source, fact.known))


def _with_known_time(fact: Fact, before: dict[Fact, Fact], told_times: set[Instant], stored: int) -> Fact:
    """Date a fact of a later version by when it became known. An entry time told before says nothing of it."""
    if not before:
        return fact
    same = before.get(_content(fact))
    if same is not None:
        return same
    if fact.known in told_times and stored >= 0:
        return replace(fact, known=max(stored, fact.known))
    return fact


def _content(fact: Fact) -> Fact:
    # A record without a time of its own is dated by when it became known: another date says nothing new.
    undated = fact.kind in (FactKind.DEVICE, FactKind.CHARTED) or fact.value == EndBasis.STATUS
    return replace(fact, known=0, updated=None, happened=_NO_TIME if undated else fact.happened)
