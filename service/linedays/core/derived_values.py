"""Derived values: what is said of one line at one instant, and what it rests on. No I/O.

A value is a function of line, kind and instant, as known now; it never depends on when it is worked out. What is not
known is said to be unknown, so that nobody takes a hole for a nought.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import tzinfo
from enum import StrEnum
from typing import TypeAlias

from linedays.core.count_rules import TimeRule
from linedays.core.day_numbers import LineDayNumber
from linedays.core.model import Line
from linedays.core.moment import Instant, Moment
from linedays.core.states import Reason, State


class ValueKind(StrEnum):
    """What a derived value is about; the value is its code."""

    LINE_DAY_NUMBER = "line-day-number"
    DWELL = "dwell"
    DRESSING_AGE = "dressing-age"
    DRESSING_DUE = "dressing-due"
    UPKEEP_STATE = "upkeep-state"


class Bound(StrEnum):
    """How an elapsed time stands to the true one: the charted times may give only a limit."""

    EXACT = ""
    AT_LEAST = ">="
    AT_MOST = "<="


class Absent(StrEnum):
    """Why there is no value; the value is its code."""

    UNKNOWN = "unknown"
    NOT_APPLICABLE = "not-applicable"


@dataclass(frozen=True, slots=True)
class Elapsed:
    """An elapsed time up to the instant of the value. Units: seconds."""

    seconds: int
    bound: Bound = Bound.EXACT


@dataclass(frozen=True, slots=True)
class DayNumber:
    """A number of calendar days."""

    number: int


@dataclass(frozen=True, slots=True)
class DueAt:
    """An instant at which something is due."""

    at: Instant


@dataclass(frozen=True, slots=True)
class InState:
    """A state with its reason."""

    state: State
    reason: Reason


Said: TypeAlias = Elapsed | DayNumber | DueAt | InState | Absent


@dataclass(frozen=True, slots=True, kw_only=True)
class DerivedValue:
    """One value of one line at one instant.

    `rule` names what it was counted by, `counted_from` what it counts from and `basis` what that is. `beside` are other
    reasons that hold. `sources` are the charted entries it stands on.
    """

    kind: ValueKind
    line: Line
    at: Instant
    said: Said
    rule: str = ""
    counted_from: Moment | None = None
    basis: str = ""
    beside: tuple[Reason, ...] = ()
    sources: tuple[str, ...] = ()
    encounter: str | None = None
    zone: tzinfo | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """What the counting says of a patient at an instant.

    `numbers` are the line day numbers by key of the lines that count, `unclear` the lines of which nobody knows whether
    they are central. `zone` is the facility's: its days are the days counted.
    """

    dwell_rule: TimeRule
    known_by: Instant
    zone: tzinfo
    numbers: Mapping[str, LineDayNumber] = field(default_factory=dict)
    unclear: frozenset[str] = frozenset()
