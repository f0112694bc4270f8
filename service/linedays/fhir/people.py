"""Patient and Encounter records → persons and stays, or why they are none. No I/O.

What cannot be read of a person or a stay is left open and named in an issue; the rest still counts, since to lose a
stay whole could end the watch over its patient.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import takewhile
from operator import attrgetter

from msgspec import Struct
from msgspec.structs import replace as with_fields

from linedays.core.model import Issue, IssueKind, Person, PlaceSpan, Stay
from linedays.core.moment import Instant, Moment, TimeProblem, exactly
from linedays.fhir.datatypes import Period
from linedays.fhir.reading import ALWAYS, Ignored, Reader, bad_time, ignored, issue, source_of
from linedays.fhir.records import Encounter, EncounterLocation, Patient

IN_ERROR = "entered-in-error"
_NOT_BEGUN = frozenset({"planned", "cancelled"})
_NOT_THERE_YET = frozenset({"planned", "reserved"})
_EXPIRED = frozenset({"exp"})
DEEPEST = 12
_STORED = attrgetter("stored")


class PersonVersion(Struct, frozen=True, gc=False, kw_only=True):
    """One version of a Patient: when it was stored and known, whether its death has a time, its links (type, other)."""

    person: Person
    stored: Instant
    known: Instant
    timed: bool = False
    links: tuple[tuple[str, str | None], ...] = ()


class StayRead(Struct, frozen=True, gc=False, kw_only=True):
    """One version of a stay: whose it is, when it ended in death if it did, and what of it could not be read."""

    patient: str
    stay: Stay
    died: Moment | None = None
    issues: tuple[Issue, ...] = ()


def person_of(record: Patient, reader: Reader) -> tuple[Person, tuple[Issue, ...]]:
    """Return what the rules need of a Patient, and what of it could not be read.

    A birth date that cannot be read is none. A death whose time is not told is known from when it was stored.
    """
    name = reader.named(record)
    if record.deceased_date_time is None and not record.deceased_boolean:
        # The way of nearly every patient: alive, with a birth date that can be read.
        born = reader.moment(record.birth_date) if record.birth_date is not None else None
        if not isinstance(born, TimeProblem):
            return Person(id=name, birth=born), ()
    issues: list[Issue] = []
    birth = _told(record, "birthDate", record.birth_date, reader, issues)
    died = _told(record, "deceasedDateTime", record.deceased_date_time, reader, issues)
    if died is None and (record.deceased_date_time is not None or record.deceased_boolean):
        died = exactly(reader.updated(record) or ALWAYS)
    return Person(id=name, birth=birth, died=died), tuple(issues)


def version_of(record: Patient, person: Person, reader: Reader) -> PersonVersion:
    """Return a version of a Patient with when it was stored and known, as the source map says."""
    text = record.deceased_date_time
    return PersonVersion(
        person=person,
        stored=reader.updated(record) or ALWAYS,
        known=reader.known(record, person.died),
        timed=text is not None and isinstance(reader.moment(text), Moment),
        links=tuple((link.type or "", reader.patient(link.other)) for link in record.link),
    )


def version_known(versions: Iterable[PersonVersion], known_by: Instant) -> PersonVersion | None:
    """Return what a Patient said last by a moment; None where nothing was known of it then.

    A death without a time of its own is known from the version that said it first, with no version between that took
    it back.
    """
    known = [version for version in sorted(versions, key=_STORED) if version.known <= known_by]
    if not known or known[-1].person.died is None or known[-1].timed:
        return known[-1] if known else None
    since = [*takewhile(lambda version: version.person.died is not None, reversed(known))][-1].known
    return with_fields(known[-1], person=replace(known[-1].person, died=exactly(since)))


def person_known(versions: Sequence[PersonVersion], known_by: Instant) -> Person:
    """Return a person as known by a moment. Before anything was known of it, its first birth date alone counts."""
    known = version_known(versions, known_by)
    return known.person if known is not None else replace(min(versions, key=_STORED).person, died=None)


def _told(record: Patient, element: str, text: str | None, reader: Reader, issues: list[Issue]) -> Moment | None:
    told = reader.moment(text) if text is not None else None
    if isinstance(told, TimeProblem):
        issues.append(replace(bad_time(record, element, told, source_of(record)), used=True))
        return None
    return told


def stay_of(record: Encounter, reader: Reader) -> StayRead | Ignored | Issue:
    """Return the stay that an Encounter is.

    Shape: `top` is the Encounter this one is part of, or itself; `with_tops` makes it the outermost one. One that was
    entered in error is a stay of that status, so that it takes the place of its earlier versions.
    """
    patient = reader.patient(record.subject)
    if record.status == IN_ERROR:
        return _in_error(record, reader, patient)
    if patient is None:
        return issue(record, IssueKind.NO_PATIENT, "no patient it could be about; fill in subject")
    start = _start(record, reader, patient)
    if not isinstance(start, Moment):
        return start
    ended, issues = _end(record, reader, start, patient)
    places, lost = _places(record, reader, start)
    if lost:
        text = "a location.period holds no usable time or ends before it begins; that location was not used"
        issues = (*issues, replace(issue(record, IssueKind.BAD_TIME, text, patient), used=True))
    stay = Stay(
        id=reader.named(record),
        top=reader.reference(record.part_of) or reader.named(record),
        status=record.status,
        encounter_class=record.encounter_class.code or "",
        start=start.earliest,
        end=ended.latest if ended else None,
        known=reader.known(record, start),
        places=places,
    )
    return StayRead(patient=patient, stay=stay, died=ended if _ended_in_death(record) else None, issues=issues)


def _in_error(record: Encounter, reader: Reader, patient: str | None) -> StayRead | Ignored:
    if patient is None:
        return ignored(IN_ERROR)
    known, name = reader.known(record, None), source_of(record)
    stay = Stay(id=name, top=name, status=IN_ERROR, encounter_class="", start=known, end=None, known=known)
    return StayRead(patient=patient, stay=stay)


def _start(record: Encounter, reader: Reader, patient: str) -> Moment | Ignored | Issue:
    text = record.period.start if record.period is not None else None
    if text is None:
        if record.status in _NOT_BEGUN:
            return ignored("not-begun")
        return issue(record, IssueKind.NO_TIME, "no time at which it began; fill in period", patient)
    start = reader.moment(text)
    return bad_time(record, "period.start", start, patient) if isinstance(start, TimeProblem) else start


def _end(record: Encounter, reader: Reader, start: Moment, patient: str) -> tuple[Moment | None, tuple[Issue, ...]]:
    text = record.period.end if record.period is not None else None
    end = reader.moment(text) if text is not None else None
    if isinstance(end, TimeProblem):
        wrong = bad_time(record, "period.end", end, patient)
    elif end is not None and end.latest < start.earliest:
        text = "period ends before it begins; correct it: it counts as not ended"
        wrong = issue(record, IssueKind.BAD_TIME, text, patient)
    else:
        return end, ()
    return None, (replace(wrong, used=True),)


def _places(record: Encounter, reader: Reader, start: Moment) -> tuple[tuple[PlaceSpan, ...], int]:
    """Return the places that can be read, and how many cannot."""
    spans: list[PlaceSpan] = []
    lost = 0
    for each in record.location:
        place = reader.reference(each.location)
        if place is None or each.status in _NOT_THERE_YET:
            continue
        span = _span(place, each, reader, start)
        if span is None:
            lost += 1
        else:
            spans.append(span)
    return tuple(spans), lost


def _span(place: str, each: EncounterLocation, reader: Reader, start: Moment) -> PlaceSpan | None:
    period = each.period or Period()
    begun = reader.moment(period.start) if period.start is not None else start
    ended = reader.moment(period.end) if period.end is not None else None
    if isinstance(begun, TimeProblem) or isinstance(ended, TimeProblem):
        return None
    if ended is not None and ended.latest < begun.earliest:
        return None
    return PlaceSpan(place=place, start=begun.earliest, end=ended.latest if ended is not None else None)


def _ended_in_death(record: Encounter) -> bool:
    disposition = record.hospitalization.discharge_disposition if record.hospitalization else None
    return disposition is not None and any(coding.code in _EXPIRED for coding in disposition.coding)


def stays_known(versions: Iterable[Stay], known_by: Instant) -> tuple[Stay, ...]:
    """Return the stays as known by a moment, each with the outermost Encounter it is part of."""
    return with_tops(latest_known(versions, known_by))


def latest_known(versions: Iterable[Stay], known_by: Instant) -> tuple[Stay, ...]:
    """Return the latest version of each stay that was known by a moment, without those entered in error."""
    latest: dict[str, Stay] = {}
    for version in versions:
        held = latest.get(version.id)
        if version.known <= known_by and (held is None or held.known <= version.known):
            latest[version.id] = version
    return tuple(stay for stay in latest.values() if stay.status != IN_ERROR)


def with_tops(stays: tuple[Stay, ...]) -> tuple[Stay, ...]:
    """Make `top` of every stay the outermost Encounter it is part of."""
    if len(stays) < 2:
        return stays
    parent = {stay.id: stay.top for stay in stays}
    return tuple(_with_top(stay, parent) for stay in stays)


def _with_top(stay: Stay, parent: dict[str, str]) -> Stay:
    top = stay.top
    for _ in range(DEEPEST):
        above = parent.get(top, top)
        if above == top:
            break
        top = above
    return stay if top == stay.top else with_fields(stay, top=top)
