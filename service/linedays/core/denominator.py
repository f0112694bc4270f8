"""Counted patients at one time each day → patient days, line days and their ratio per unit and month. No I/O.

A patient with one or more central lines in place at the snapshot counts once, however long they have been in. Lines
"removal not charted", "charted out but still charted" and "said to be gone" are not counted; their number stands beside
the figure. The snapshots are taken at the facility's stated local time, never inside the hour of a clock change.
Source: NHSN Patient Safety Component Manual, denominators for intensive care units and other locations (2023).
"""

from calendar import monthrange
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, tzinfo
from typing import TypeAlias

from linedays.core.central import Central
from linedays.core.count_rules import SnapshotRule, rule_in_year
from linedays.core.counted import CountBasis, CountedLine, CountedPatient
from linedays.core.model import Timeline, Whereabouts
from linedays.core.moment import Instant, instant_of
from linedays.core.whereabouts import Housing, UnitAnswer

WhereIs: TypeAlias = Callable[[Timeline, Instant], Whereabouts]

NOT_COUNTED = (Whereabouts.REMOVAL_NOT_CHARTED, Whereabouts.USED_AFTER_REMOVAL, Whereabouts.SAID_TO_BE_GONE)


class SnapshotTimeUnclear(ValueError):
    """The snapshot time falls into the hour of a clock change on a day that is to be counted."""

    def __init__(self, clock: time, days: tuple[date, ...]) -> None:
        self.days = days
        named = ", ".join(day.isoformat() for day in days)
        super().__init__(
            f"at the snapshot time {clock:%H:%M} the clocks change on {named}: state a snapshot time outside that hour"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshots:
    """The snapshots of one month: `taken` are those not later than the moment of knowledge."""

    month: str
    days_in_month: int
    taken: tuple[tuple[date, Instant], ...]
    rule: SnapshotRule
    known_by: Instant


@dataclass(frozen=True, slots=True, kw_only=True)
class PatientDay:
    """What one snapshot says of one patient.

    `answer` is the unit, or the last one where the patient has left and a line is to be listed. `counted` are the
    central lines in place that make the line day, `unknown` those in place of unknown kind, `not_counted` those listed
    beside the figure. `inexact`: a line whose charted time does not say whether it was in place; its earliest reading
    was used.
    """

    patient: str
    day: date
    at: Instant
    answer: UnitAnswer
    is_patient_day: bool
    counted: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    not_counted: tuple[tuple[str, Whereabouts], ...] = ()
    inexact: bool = False


def clock_change_days(days: Sequence[date], clock: time, zone: tzinfo) -> tuple[date, ...]:
    """Return the days on which a local time happens twice or not at all."""
    return tuple(day for day in days if _is_unclear(datetime.combine(day, clock, zone)))


def _is_unclear(wall: datetime) -> bool:
    # The two readings of a wall-clock time differ exactly where it is repeated or left out (PEP 495).
    return wall.replace(fold=0).utcoffset() != wall.replace(fold=1).utcoffset()


def month_snapshots(month: date, basis: CountBasis) -> Snapshots:
    """Return the snapshots of the calendar month that holds a day.

    Raises: SnapshotTimeUnclear; NoCountingRule.
    """
    length = monthrange(month.year, month.month)[1]
    days = [month.replace(day=number) for number in range(1, length + 1)]
    clock = basis.counting.snapshot_time
    unclear = clock_change_days(days, clock, basis.zone)
    if unclear:
        raise SnapshotTimeUnclear(clock, unclear)
    instants = [(day, instant_of(day, clock, basis.zone)) for day in days]
    return Snapshots(
        month=f"{month:%Y-%m}",
        days_in_month=length,
        taken=tuple((day, at) for day, at in instants if at <= basis.known_by),
        rule=rule_in_year(basis.counting.denominators, month.year),
        known_by=basis.known_by,
    )


def patient_days(patient: CountedPatient, snapshots: Snapshots, where: WhereIs) -> tuple[PatientDay, ...]:
    """Return what each snapshot says of a patient; `where` tells where a line of this patient is at an instant.

    Shape: in order of days; a day on which the patient is in no inpatient unit stands only where a line is listed.
    """
    found = (_patient_day(patient, snapshots, where, day, at) for day, at in snapshots.taken)
    return tuple(row for row in found if row.is_patient_day or row.not_counted)


def _patient_day(patient: CountedPatient, snapshots: Snapshots, where: WhereIs, day: date, at: Instant) -> PatientDay:
    answer = patient.answer_at(at)
    here = [(line, where(line.timeline, at)) for line in patient.lines if line.centrality.central is not Central.NO]
    in_place = [line for line, place in here if place is Whereabouts.IN_PLACE]
    return PatientDay(
        patient=patient.patient,
        day=day,
        at=at,
        answer=answer if answer.owns_patient_day else _last_unit(patient, at),
        is_patient_day=answer.owns_patient_day,
        counted=tuple(
            _key(line)
            for line in in_place
            if line.centrality.central is Central.YES and _is_included(line, snapshots.rule, answer, at)
        ),
        unknown=tuple(_key(line) for line in in_place if line.centrality.central is Central.UNKNOWN),
        not_counted=tuple((_key(line), place) for line, place in here if place in NOT_COUNTED),
        inexact=any(_is_inexact(line.timeline, at) for line, _ in here),
    )


def _is_included(line: CountedLine, rule: SnapshotRule, answer: UnitAnswer, at: Instant) -> bool:
    if rule.include_not_accessed or answer.admission is None:
        return rule.include_not_accessed
    first = line.first_access(answer.admission)
    return first is not None and first <= at


def _last_unit(patient: CountedPatient, at: Instant) -> UnitAnswer:
    owned = [span for span in patient.spans if span.start <= at and span.answer.owns_patient_day]
    return owned[-1].answer if owned else UnitAnswer(housing=Housing.UNCLEAR)


def _is_inexact(timeline: Timeline, at: Instant) -> bool:
    return any(
        moment is not None and not moment.is_exact and moment.earliest <= at <= moment.latest
        for moment in (timeline.line.start, timeline.line.end)
    )


def _key(line: CountedLine) -> str:
    return line.timeline.line.key
