"""Derived values wanted × those of ours that exist → what to write. No I/O.

A value is recorded once under a key made of line, kind and instant; later knowledge corrects it under the same key. One
of which nothing would be said by present knowledge is withdrawn; that its line is not found at all is no reason for it.
What a person did to one is never undone.
"""

from collections.abc import Hashable, Iterable, Sequence, Set
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeAlias

from linedays.core.changes import Name, first_free
from linedays.core.derived_values import ValueKind
from linedays.core.moment import Instant

Place: TypeAlias = tuple[str, ValueKind, Instant]


class WithdrawReason(StrEnum):
    """Why we withdrew a value; the value is its code."""

    NOTHING_TO_SAY = "line-not-in-place-then"
    ENTRY_WITHDRAWN = "entry-withdrawn"
    OTHER_PATIENT = "line-of-another-patient"
    DUPLICATE = "duplicate"


# One withdrawn for these has no say in what is written under its key: another resource has it, or will have it.
WITHOUT_KEY = frozenset({WithdrawReason.OTHER_PATIENT, WithdrawReason.DUPLICATE})


class Hand(StrEnum):
    """In whose hand a written value is."""

    OURS = "stands as we wrote it"
    WITHDRAWN = "withdrawn by us"
    A_PERSONS = "changed by a person"
    GIVEN_UP = "withdrawn by us, and its key given up: it counts no more"


@dataclass(frozen=True, slots=True, kw_only=True)
class WantedValue:
    """A value that should be written: under which names of its line, and the projection that it is compared by.

    `stem` is what its identifier is made from.
    """

    stem: str
    names: tuple[str, ...]
    kind: ValueKind
    at: Instant
    patient: str
    own: Hashable
    content: object

    @property
    def place(self) -> Place:
        """Line, kind and instant."""
        return self.names[0], self.kind, self.at


@dataclass(frozen=True, slots=True, kw_only=True)
class ExistingValue:
    """A value of ours as it stands on the server. `ref` is `Observation/id`."""

    ref: str
    identifier: str
    line: str
    kind: ValueKind
    at: Instant
    patient: str
    hand: Hand
    own: Hashable


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """Write a new resource under this key; without `wanted` it is our software's own Device."""

    key: str
    wanted: WantedValue | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Correct:
    """Bring a resource up to date; it keeps its key."""

    ref: str
    wanted: WantedValue | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Withdraw:
    """Mark a value as entered in error, saying why."""

    ref: str
    reason: WithdrawReason


ValueChange: TypeAlias = Record | Correct | Withdraw


def value_changes(
    wanted: Iterable[WantedValue],
    existing: Sequence[ExistingValue],
    *,
    name: Name,
    unwanted: WithdrawReason,
    unreadable: Set[str] = frozenset(),
) -> tuple[ValueChange, ...]:
    """Return what to write, given all of one patient that is wanted and all that exists of its lines and counts.

    `unwanted` says why those that exist and are not wanted are withdrawn; `unreadable` are identifiers of what stands
    and cannot be read: nothing is written under them, and none of it is told a second time.
    Shape: withdrawals first. A key that one of them frees is not used again: in a transaction it is not free yet.
    """
    by_key: dict[str, list[ExistingValue]] = {}
    by_place: dict[Place, list[ExistingValue]] = {}
    for one in existing:
        by_key.setdefault(one.identifier, []).append(one)
        by_place.setdefault((one.line, one.kind, one.at), []).append(one)
    taken: set[str] = set()
    withdrawn: list[ValueChange] = []
    written: list[ValueChange] = []
    for each in sorted(wanted, key=lambda one: one.place):
        found = [one for line in each.names for one in by_place.get((line, each.kind, each.at), ())]
        if not found:
            # Making the name costs more than all the rest; who finds it by its place needs none.
            key = name(each.stem, 0)
            if key in unreadable:
                continue
            found = by_key.get(key, [])
        taken.update(one.ref for one in found)
        theirs = [one for one in found if one.patient != each.patient]
        if any(one.hand is Hand.A_PERSONS for one in theirs):
            continue
        withdrawn += [_withdraw(one, WithdrawReason.OTHER_PATIENT) for one in theirs]
        own = sorted((one for one in found if one.patient == each.patient), key=_first)
        withdrawn += [_withdraw(one, WithdrawReason.DUPLICATE) for one in own[1:] if one.hand is not Hand.A_PERSONS]
        if own:
            written += _changed(each, own[0])
        else:
            key = first_free(name, {one.identifier for one in found}, each.stem)
            written.append(Record(key=key, wanted=each))
    left = [one for one in existing if one.ref not in taken and one.hand is Hand.OURS]
    withdrawn += [_withdraw(one, unwanted) for one in left]
    return (*withdrawn, *written)


def _first(found: ExistingValue) -> tuple[bool, str]:
    return found.hand is not Hand.A_PERSONS, found.ref


def _withdraw(found: ExistingValue, reason: WithdrawReason) -> Withdraw:
    return Withdraw(ref=found.ref, reason=reason)


def _changed(wanted: WantedValue, found: ExistingValue) -> list[ValueChange]:
    if found.hand is Hand.A_PERSONS or (found.hand is Hand.OURS and found.own == wanted.own):
        return []
    return [Correct(ref=found.ref, wanted=wanted)]
