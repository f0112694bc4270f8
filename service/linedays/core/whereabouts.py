"""One patient's stays and Locations → the one inpatient unit at each instant. No I/O.

It is the class of the Location that decides, not that of the Encounter: an observation patient housed in an inpatient
unit is in that unit, an inpatient boarding in the emergency department is in none. Procedural locations own no patient
days: the patient stays with the last inpatient unit until another place takes over. Two different inpatient units at
one instant, and a Location that nobody classed, are "unit unclear".
"""

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from linedays.core.admissions import STAY_GAP, Admission, in_admission
from linedays.core.model import Place, PlaceClass, PlaceSpan, Stay
from linedays.core.moment import Instant

_INPATIENT = frozenset({"IMP", "ACUTE", "NONAC"})


class Housing(StrEnum):
    """How sure it is which inpatient unit a patient is in."""

    UNIT = "in a unit"
    UNCLEAR = "unit unclear"
    PROCEDURE = "in a procedural location, in no unit yet"
    OUTPATIENT = "in an outpatient location"
    NOT_ADMITTED = "not admitted"


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitAnswer:
    """Where a patient is at one instant.

    `unit` owns the patient day; `units` are those that compete where it is unclear; `place` is where the patient was
    last charted to have come, of the places that hold; `admission` is the key of the admission.
    """

    housing: Housing
    unit: str | None = None
    units: tuple[str, ...] = ()
    place: str | None = None
    admission: str | None = None

    @property
    def owns_patient_day(self) -> bool:
        """True where the instant counts as a patient day: in a unit, or in no one knows which."""
        return self.housing in (Housing.UNIT, Housing.UNCLEAR)

    @property
    def is_inpatient(self) -> bool:
        """True where placing or accessing a line counts; operating and procedure rooms are inpatient locations."""
        return self.housing in (Housing.UNIT, Housing.UNCLEAR, Housing.PROCEDURE)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitSpan:
    """One answer from `start` until before `end` (None: still)."""

    start: Instant
    end: Instant | None
    answer: UnitAnswer


def unit_at(stays: Sequence[Stay], places: Mapping[str, Place], at: Instant, *, stay_gap: int = STAY_GAP) -> UnitAnswer:
    """Return the one inpatient unit of a patient at an instant, or why there is none."""
    admission = in_admission(stays, at, stay_gap=stay_gap)
    return UnitAnswer(housing=Housing.NOT_ADMITTED) if admission is None else _answer(admission, places, at)


def unit_spans(admission: Admission, places: Mapping[str, Place]) -> tuple[UnitSpan, ...]:
    """Return the answers over a whole admission, in order of time, without gaps."""
    bounds = {admission.start}
    for stay in admission.stays:
        for span in stay.places:
            bounds.update(at for at in (span.start, span.end) if at is not None and admission.holds(at))
    cuts = sorted(bounds)
    found: list[UnitSpan] = []
    for start, end in zip(cuts, [*cuts[1:], admission.end], strict=True):
        answer = _answer(admission, places, start)
        if found and found[-1].answer == answer:
            start = found.pop().start
        found.append(UnitSpan(start=start, end=end, answer=answer))
    return tuple(found)


def answer_in(spans: Sequence[UnitSpan], at: Instant) -> UnitAnswer:
    """Return the answer that holds at an instant, from spans in order of time."""
    index = bisect_right(spans, at, key=lambda span: span.start) - 1
    if index >= 0:
        span = spans[index]
        if span.end is None or at < span.end:
            return span.answer
    return UnitAnswer(housing=Housing.NOT_ADMITTED)


def _answer(admission: Admission, places: Mapping[str, Place], at: Instant) -> UnitAnswer:
    begun = [span for stay in admission.stays for span in stay.places if span.start <= at]
    active = [span for span in begun if span.end is None or at < span.end]
    place = max(active, key=lambda span: (span.start, span.place)).place if active else None
    housing, units = _housing(active, begun, places, admission)
    return UnitAnswer(
        housing=housing,
        unit=units[0] if housing is Housing.UNIT else None,
        units=units if housing is Housing.UNCLEAR else (),
        place=place,
        admission=admission.key,
    )


def _housing(
    active: list[PlaceSpan], begun: list[PlaceSpan], places: Mapping[str, Place], admission: Admission
) -> tuple[Housing, tuple[str, ...]]:
    now = _owner(active, places)
    if now is not None and not (now[0] is Housing.OUTPATIENT and _any_procedural(active, places)):
        return now
    before = _owner(_last_left(begun, active, places), places)
    if before is not None and before[0] is not Housing.OUTPATIENT:
        return before
    if active:
        return Housing.PROCEDURE, ()
    if before is None and any(stay.encounter_class in _INPATIENT for stay in admission.stays):
        # An inpatient whom nobody has charted in any place: a patient day of some unit, of which is not known.
        return Housing.UNCLEAR, ()
    return Housing.OUTPATIENT, ()


def _owner(spans: list[PlaceSpan], places: Mapping[str, Place]) -> tuple[Housing, tuple[str, ...]] | None:
    """Return who owns the patient by these places alone; None where only procedural ones or none are charted."""
    classes = {_class_of(span, places) for span in spans}
    if PlaceClass.INPATIENT in classes:
        units = {places[span.place].unit for span in spans if _class_of(span, places) is PlaceClass.INPATIENT}
        return Housing.UNIT if len(units) == 1 else Housing.UNCLEAR, tuple(sorted(units))
    if None in classes:
        return Housing.UNCLEAR, ()
    return (Housing.OUTPATIENT, ()) if PlaceClass.OUTPATIENT in classes else None


def _class_of(span: PlaceSpan, places: Mapping[str, Place]) -> PlaceClass | None:
    place = places.get(span.place)
    return None if place is None else place.place_class


def _any_procedural(spans: list[PlaceSpan], places: Mapping[str, Place]) -> bool:
    return any(_class_of(span, places) is PlaceClass.PROCEDURAL for span in spans)


def _last_left(begun: list[PlaceSpan], active: list[PlaceSpan], places: Mapping[str, Place]) -> list[PlaceSpan]:
    """Return the places, other than procedural ones, that the patient left last before now."""
    left = [
        (span.end, span)
        for span in begun
        if span.end is not None and span not in active and _class_of(span, places) is not PlaceClass.PROCEDURAL
    ]
    latest = max((end for end, _ in left), default=None)
    return [span for end, span in left if end == latest]
