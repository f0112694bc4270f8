"""One patient's central lines → the line day number of each calendar day in hospital, and eligibility. No I/O.

Calendar days of the facility, any part of a day counts. Day 1 is the first day in an inpatient location of this
admission on which a central line was placed or accessed; a line that was not accessed does not count until it is, and
then counts until it is out, de-accessed or not. A full calendar day without one restarts the count; discharge ends it.
Source: NHSN Patient Safety Component Manual, ch. 4; the rules to continue and to restart are from memory.
"""

from dataclasses import dataclass
from datetime import date, timedelta

from linedays.core.admissions import Admission
from linedays.core.central import Central
from linedays.core.count_rules import Stamp
from linedays.core.counted import CountedLine, CountedPatient
from linedays.core.moment import Instant, local_date

_ONE_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class LineDayNumber:
    """One patient on one calendar day of one admission.

    `number` is None on a day without a central line that counts; `lines` are the keys of those that count. `eligible`
    is also true the day after the last line of an eligible patient came out.
    """

    patient: str
    admission: str
    day: date
    number: int | None
    eligible: bool
    lines: tuple[str, ...]
    stamp: Stamp


def line_day_numbers(patient: CountedPatient, *, at: Instant) -> tuple[LineDayNumber, ...]:
    """Return the line day numbers of a patient's days in hospital up to a moment.

    Shape: one per calendar day of each admission, in order; nothing before admission or after discharge.
    """
    found: list[LineDayNumber] = []
    for admission in patient.admissions:
        if admission.start <= at:
            found.extend(_in_admission(patient, admission, at))
    return tuple(found)


def _in_admission(patient: CountedPatient, admission: Admission, at: Instant) -> list[LineDayNumber]:
    basis = patient.basis
    rule = basis.day_rule
    stamp = Stamp(rules=(rule.id,), at=at, known_by=basis.known_by)
    until = at if admission.end is None else min(at, admission.end)
    counting = [
        (line.timeline.line.key, days)
        for line in patient.lines
        if line.centrality.central is Central.YES and (days := _days(line, admission, until, patient)) is not None
    ]
    found: list[LineDayNumber] = []
    number, days_without, was_eligible = 0, 0, False
    day, last = local_date(admission.start, basis.zone), local_date(until, basis.zone)
    while day <= last:
        lines = tuple(key for key, (first, final) in counting if first <= day <= final)
        if lines:
            number, days_without = number + 1, 0
            was_eligible = number >= rule.eligible_from_day
        else:
            number, days_without = 0, days_without + 1
        found.append(
            LineDayNumber(
                patient=patient.patient,
                admission=admission.key,
                day=day,
                number=number or None,
                eligible=was_eligible and days_without <= rule.eligible_days_after,
                lines=lines,
                stamp=stamp,
            )
        )
        day += _ONE_DAY
    return found


def _days(line: CountedLine, admission: Admission, until: Instant, patient: CountedPatient) -> tuple[date, date] | None:
    """Return the first and last calendar day on which a line counts in an admission up to an instant."""
    first = line.first_access(admission.key)
    if first is None or first > until:
        return None
    end = line.timeline.line.end
    final = until if end is None else min(until, end.earliest)
    zone = patient.basis.zone
    return local_date(first, zone), max(local_date(first, zone), local_date(final, zone))
