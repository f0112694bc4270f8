"""A counted patient and a moment → each line's time in place, with the units that own the time. No I/O.

Partial times are read by their earliest reading; a line that is still in place ends at the moment asked about. Which
unit owns an instant is the choice of the counting rule: followed (one inpatient unit, kept until another takes over) or
charted (the locations of the outermost Encounters as they stand, unknown between them).
"""

from dataclasses import dataclass

from linedays.core.count_rules import Count, CountingRules, Stamp, UnitBasis, time_rule
from linedays.core.counted import CountedLine, CountedPatient
from linedays.core.moment import Instant

UNIT_UNKNOWN = "unknown"

_COUNTS = (Count.ELAPSED, Count.LINE_CALENDAR, Count.PATIENT_CALENDAR)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitTime:
    """A unit that owns the time from `start` until before `end` (None: still)."""

    start: Instant
    end: Instant | None
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LineTime:
    """One line's time in place up to a moment, with the units of its patient in order of precedence."""

    line: str
    patient: str
    kind: str
    group: str
    start: Instant
    end: Instant
    units: tuple[UnitTime, ...]

    def unit_at(self, at: Instant) -> str:
        """Return the unit that owns an instant: the first that claims it, else "unknown"."""
        for time in self.units:
            if time.start <= at and (time.end is None or at < time.end):
                return time.unit
        return UNIT_UNKNOWN


def line_times(patient: CountedPatient, units: UnitBasis, *, at: Instant) -> tuple[LineTime, ...]:
    """Return the time in place of every line that had begun by a moment.

    Shape: in order of line key.
    """
    owners = charted_units(patient) if units is UnitBasis.CHARTED else followed_units(patient)
    begun = [line for line in patient.lines if line.timeline.line.start.earliest <= at]
    return tuple(_line_time(line, owners, at) for line in begun)


def _line_time(counted: CountedLine, units: tuple[UnitTime, ...], at: Instant) -> LineTime:
    line = counted.timeline.line
    start = line.start.earliest
    end = at if line.end is None else min(at, line.end.earliest)
    return LineTime(
        line=line.key,
        patient=line.patient,
        kind=line.kind,
        group=counted.group,
        start=start,
        end=max(start, end),
        units=units,
    )


def followed_units(patient: CountedPatient) -> tuple[UnitTime, ...]:
    """Return who owns each instant of a patient's admissions; where no unit does, in words why."""
    return tuple(
        UnitTime(start=span.start, end=span.end, unit=span.answer.unit or span.answer.housing.value)
        for span in patient.spans
    )


def charted_units(patient: CountedPatient) -> tuple[UnitTime, ...]:
    """Return the locations of a patient's outermost Encounters as charted, the one that began first leading."""
    charted = [
        UnitTime(start=span.start, end=span.end, unit=patient.basis.places[span.place].unit)
        for admission in patient.admissions
        for stay in admission.stays
        for span in stay.places
        if stay.id == stay.top and span.place in patient.basis.places
    ]
    return tuple(sorted(charted, key=lambda time: (time.start, time.end is None, time.end or 0, time.unit)))


def line_days_stamp(counting: CountingRules, *, year: int, at: Instant, known_by: Instant) -> Stamp:
    """Return what the three counts of line days carry: their rules in force in a year.

    Raises: NoCountingRule.
    """
    rules = tuple(time_rule(counting, count, year).id for count in _COUNTS)
    return Stamp(rules=rules, at=at, known_by=known_by)
