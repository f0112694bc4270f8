"""The rules of counting line days as values: named, with version and year, each with its source. No I/O.

`linedays.mapping.counting` builds these from mappings/line_days.yaml; here they are only looked up. Every figure
carries a `Stamp`: the rules it was counted by, the moment asked about and the moment of knowledge.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import time
from enum import StrEnum
from typing import Protocol, TypeVar

from linedays.core.model import FactKind, PlaceClass
from linedays.core.moment import Instant
from linedays.core.policy import Source


class Count(StrEnum):
    """The counts of time that need nothing but the line's start and end; never mixed with one another."""

    ELAPSED = "elapsed"
    LINE_CALENDAR = "line-calendar"
    PATIENT_CALENDAR = "patient-calendar"
    DWELL = "dwell"


class UnitBasis(StrEnum):
    """Which unit owns an instant where time is cut by unit.

    `FOLLOWED`: exactly one inpatient unit, kept until another takes over. `CHARTED`: the locations of the outermost
    Encounter as they stand; between them the unit is unknown.
    """

    FOLLOWED = "followed"
    CHARTED = "charted"


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleName:
    """What a figure says it was counted by. `year` is the first year in which the rule holds."""

    name: str
    version: str
    year: int

    def __str__(self) -> str:
        return f"{self.name} {self.version} ({self.year})"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamp:
    """What every figure carries: its counting rules, the moment asked about, and when the facts were known."""

    rules: tuple[RuleName, ...]
    at: Instant
    known_by: Instant


@dataclass(frozen=True, slots=True, kw_only=True)
class DayNumberRule:
    """A patient's central line day number and when it makes the patient eligible.

    Units: calendar days. `access_facts` are the kinds of fact that count as placing or accessing a line.
    """

    id: RuleName
    eligible_from_day: int
    eligible_days_after: int
    access_facts: tuple[FactKind, ...]
    source: Source


@dataclass(frozen=True, slots=True, kw_only=True)
class SnapshotRule:
    """The denominator: patients with a central line in place at one time each day."""

    id: RuleName
    include_not_accessed: bool
    source: Source


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeRule:
    """One of the plain counts of time. `units` says which unit owns it (None: not cut by unit)."""

    id: RuleName
    count: Count
    units: UnitBasis | None
    source: Source


@dataclass(frozen=True, slots=True, kw_only=True)
class KindCounting:
    """What a line kind is to the counting: its group, and whether it is central (None: unknown)."""

    code: str
    group: str
    central: bool | None
    source: Source


@dataclass(frozen=True, slots=True, kw_only=True)
class TipCounting:
    """What a charted tip location says of a line."""

    code: str
    central: bool
    source: Source


@dataclass(frozen=True, slots=True, kw_only=True)
class LocationClass:
    """What a coded type of Location is to the counting."""

    system: str
    code: str
    place_class: PlaceClass
    source: Source


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedLocation:
    """What one Location is to the counting, whatever its type says: its logical id."""

    id: str
    place_class: PlaceClass
    source: Source


@dataclass(frozen=True, slots=True, kw_only=True)
class CountingRules:
    """Everything that counting needs, checked as a whole. `snapshot_time` is local to the facility."""

    snapshot_time: time
    day_numbers: tuple[DayNumberRule, ...]
    denominators: tuple[SnapshotRule, ...]
    times: tuple[TimeRule, ...]
    kinds: tuple[KindCounting, ...]
    tips: tuple[TipCounting, ...]
    location_classes: tuple[LocationClass, ...]
    locations: tuple[NamedLocation, ...]


class NoCountingRule(LookupError):
    """No counting rule holds in the year asked about."""


class _Dated(Protocol):
    @property
    def id(self) -> RuleName: ...


DatedT = TypeVar("DatedT", bound=_Dated)


def rule_in_year(rules: Sequence[DatedT], year: int) -> DatedT:
    """Return the rule in force in a year: the one with the latest first year that is not after it.

    Raises: NoCountingRule, where the year lies before every rule.
    """
    begun = [rule for rule in rules if rule.id.year <= year]
    if not begun:
        raise NoCountingRule(
            f"no counting rule for {year}: state one in line_days.yaml with that year or an earlier one"
        )
    return max(begun, key=lambda rule: rule.id.year)


def time_rule(counting: CountingRules, count: Count, year: int) -> TimeRule:
    """Return the rule of one of the plain counts of time in a year.

    Raises: NoCountingRule.
    """
    return rule_in_year([rule for rule in counting.times if rule.count is count], year)


def kind_counting(counting: CountingRules, kind: str) -> KindCounting | None:
    """Return what a line kind is to the counting, or None where the rules do not name it."""
    return next((found for found in counting.kinds if found.code == kind), None)


def place_class_of(counting: CountingRules, location: str, types: Sequence[tuple[str, str]]) -> PlaceClass | None:
    """Return what a Location is: by its id where named, else by the first of its types that is mapped, else None.

    Shape: `types` are pairs of code system and code, as Location.type states them.
    """
    for named in counting.locations:
        if named.id == location:
            return named.place_class
    mapped = {(known.system, known.code): known.place_class for known in counting.location_classes}
    return next((mapped[pair] for pair in types if pair in mapped), None)
