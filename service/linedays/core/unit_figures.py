"""Patient days of one month → line days, patient days and utilisation per unit, unclear and in total. No I/O.

Every patient day is in exactly one unit or in "unit unclear", so units + unclear = facility total, for line days and
for patient days alike.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from linedays.core.count_rules import Stamp
from linedays.core.denominator import NOT_COUNTED, PatientDay, Snapshots
from linedays.core.model import Whereabouts


class Scope(StrEnum):
    """For what a figure stands."""

    UNIT = "unit"
    UNCLEAR = "unit unclear"
    FACILITY = "facility total"


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitFigure:
    """The denominator of one unit, of "unit unclear" or of the facility, for one month.

    Units: `line_days` and `patient_days` in snapshots; `utilisation` is their ratio, not rounded, None without patient
    days. `unknown_kind` are patient days with lines in place of unknown kind only: not in `line_days`. `not_counted`
    are lines listed beside the figure, each once. `inexact` are patient days that rest on the earliest reading of a
    time. `days_taken` of `days_in_month` snapshots lie before the moment of knowledge.
    """

    scope: Scope
    unit: str | None
    month: str
    line_days: int
    patient_days: int
    utilisation: float | None
    unknown_kind: int
    not_counted: tuple[tuple[Whereabouts, int], ...]
    inexact: int
    days_taken: int
    days_in_month: int
    stamp: Stamp


def unit_figures(rows: Iterable[PatientDay], snapshots: Snapshots) -> tuple[UnitFigure, ...]:
    """Return the figures of one month.

    Shape: units in order of name, then "unit unclear", then the facility total; the last two are always there.
    """
    every = sorted(rows, key=lambda row: (row.at, row.patient))
    by_unit: dict[str | None, list[PatientDay]] = {None: []}
    for row in every:
        by_unit.setdefault(row.answer.unit, []).append(row)
    units = sorted(unit for unit in by_unit if unit is not None)
    listed = _listed_in(every)
    return (
        *(_figure(Scope.UNIT, unit, by_unit[unit], listed, snapshots) for unit in units),
        _figure(Scope.UNCLEAR, None, by_unit[None], listed, snapshots),
        _figure(Scope.FACILITY, None, every, listed, snapshots),
    )


def _listed_in(rows: list[PatientDay]) -> dict[tuple[str, str, Whereabouts], str | None]:
    """Name the unit that lists a line in the month: the one of the first snapshot that found it so."""
    found: dict[tuple[str, str, Whereabouts], str | None] = {}
    for row in rows:
        for key, place in row.not_counted:
            found.setdefault((row.patient, key, place), row.answer.unit)
    return found


def _figure(
    scope: Scope,
    unit: str | None,
    rows: list[PatientDay],
    listed: dict[tuple[str, str, Whereabouts], str | None],
    snapshots: Snapshots,
) -> UnitFigure:
    days = [row for row in rows if row.is_patient_day]
    line_days = sum(bool(row.counted) for row in days)
    return UnitFigure(
        scope=scope,
        unit=unit,
        month=snapshots.month,
        line_days=line_days,
        patient_days=len(days),
        utilisation=line_days / len(days) if days else None,
        unknown_kind=sum(bool(row.unknown) and not row.counted for row in days),
        not_counted=tuple(
            (place, sum(1 for (_, _, how), where in listed.items() if how is place and _is_of(scope, unit, where)))
            for place in NOT_COUNTED
        ),
        inexact=sum(row.inexact for row in days),
        days_taken=len(snapshots.taken),
        days_in_month=snapshots.days_in_month,
        stamp=_stamp(snapshots),
    )


def _is_of(scope: Scope, unit: str | None, where: str | None) -> bool:
    return scope is Scope.FACILITY or where == unit


def _stamp(snapshots: Snapshots) -> Stamp:
    at = snapshots.taken[-1][1] if snapshots.taken else snapshots.known_by
    return Stamp(rules=(snapshots.rule.id,), at=at, known_by=snapshots.known_by)
