"""Patient, Encounter and Location records → persons, stays and places, or why they are none. No I/O."""

from collections.abc import Callable, Mapping
from datetime import tzinfo

from linedays.core.count_rules import CountingRules, place_class_of
from linedays.core.model import Issue, IssueKind, Person, Place, PlaceSpan, Stay
from linedays.core.moment import Moment, TimeProblem
from linedays.fhir.reading import Ignored, Reader, bad_time, issue, source_of
from linedays.fhir.wire import Encounter, Location, Patient

TIMEZONE = "http://hl7.org/fhir/StructureDefinition/timezone"
_INSIDE_A_UNIT = frozenset({"bd", "ro"})
_EXPIRED = frozenset({"exp"})
DEEPEST = 12


def person_of(record: Patient, reader: Reader) -> Person | Issue:
    """Return what the rules need of a Patient."""
    birth: Moment | None = None
    died: Moment | None = None
    if record.birth_date is not None:
        told = reader.moment(record.birth_date)
        if isinstance(told, TimeProblem):
            return bad_time(record, "birthDate", told, source_of(record))
        birth = told
    if record.deceased_date_time is not None:
        told = reader.moment(record.deceased_date_time)
        if isinstance(told, TimeProblem):
            return bad_time(record, "deceasedDateTime", told, source_of(record))
        died = told
    elif record.deceased_boolean:
        stored = reader.updated(record)
        died = Moment(stored or 0, stored or 0)
    return Person(id=source_of(record), birth=birth, died=died)


def stay_of(record: Encounter, reader: Reader) -> tuple[str, Stay, Moment | None] | Ignored | Issue:
    """Return the patient, the stay and, where it ended in death, when.

    Shape: `top` is the Encounter this one is part of, or itself; `with_tops` makes it the outermost one.
    """
    if record.status == "entered-in-error":
        return Ignored("entered-in-error")
    patient = reader.reference(record.subject)
    if patient is None:
        return issue(record, IssueKind.NO_PATIENT, "no patient it could be about; fill in subject")
    if record.period is None or record.period.start is None:
        return issue(record, IssueKind.NO_TIME, "no time at which it began; fill in period", patient)
    start = reader.moment(record.period.start)
    end = reader.moment(record.period.end) if record.period.end is not None else None
    for told in (start, end):
        if isinstance(told, TimeProblem):
            return bad_time(record, "period", told, patient)
    assert isinstance(start, Moment)
    ended = end if isinstance(end, Moment) else None
    places = _places(record, reader, start)
    if isinstance(places, Issue):
        return places
    stay = Stay(
        id=source_of(record),
        top=reader.reference(record.part_of) or source_of(record),
        status=record.status,
        encounter_class=record.encounter_class.code or "",
        start=start.earliest,
        end=ended.latest if ended else None,
        known=reader.known(record, start),
        places=places,
    )
    return patient, stay, ended if _ended_in_death(record) else None


def _places(record: Encounter, reader: Reader, start: Moment) -> tuple[PlaceSpan, ...] | Issue:
    spans: list[PlaceSpan] = []
    for each in record.location:
        place = reader.reference(each.location)
        if place is None or each.status in ("planned", "reserved"):
            continue
        told = [reader.moment(text) if text else None for text in _period(each.period)]
        if any(isinstance(moment, TimeProblem) for moment in told):
            return issue(record, IssueKind.BAD_TIME, "location.period holds no usable time", reader.reference(record.subject))
        begun, ended = told
        spans.append(
            PlaceSpan(
                place=place,
                start=begun.earliest if isinstance(begun, Moment) else start.earliest,
                end=ended.latest if isinstance(ended, Moment) else None,
            )
        )
    return tuple(spans)


def _period(period: object) -> tuple[str | None, str | None]:
    return (getattr(period, "start", None), getattr(period, "end", None))


def _ended_in_death(record: Encounter) -> bool:
    disposition = record.hospitalization.discharge_disposition if record.hospitalization else None
    return disposition is not None and any(coding.code in _EXPIRED for coding in disposition.coding)


def with_tops(stays: tuple[Stay, ...]) -> tuple[Stay, ...]:
    """Make `top` of every stay the outermost Encounter it is part of."""
    parent = {stay.id: stay.top for stay in stays}
    return tuple(_with_top(stay, parent) for stay in stays)


def _with_top(stay: Stay, parent: dict[str, str]) -> Stay:
    top = stay.top
    for _ in range(DEEPEST):
        above = parent.get(top, top)
        if above == top:
            break
        top = above
    if top == stay.top:
        return stay
    return Stay(
        id=stay.id,
        top=top,
        status=stay.status,
        encounter_class=stay.encounter_class,
        start=stay.start,
        end=stay.end,
        known=stay.known,
        places=stay.places,
    )


def places_of(
    records: Mapping[str, Location], counting: CountingRules, zone_of: Callable[[str], tzinfo | None]
) -> tuple[dict[str, Place], tuple[Issue, ...]]:
    """Return every Location as a place: its unit is the nearest one from it upwards that is no bed or room.

    What it is to the counting, and its zone, are its own or those of the nearest Location above it that says so. A
    Location that nobody classed is left out, with an issue: who is there is counted as "unit unclear".
    """
    places: dict[str, Place] = {}
    issues: list[Issue] = []
    for source, record in records.items():
        line = _upwards(source, records)
        classes = [place_class_of(counting, each.id, _types(each)) for each in line]
        place_class = next((found for found in classes if found is not None), None)
        if place_class is None:
            text = "a Location of no class that is mapped (inpatient, outpatient, procedural): add it to line_days.yaml"
            issues.append(Issue(kind=IssueKind.UNKNOWN_CODE, source=source, text=text, used=True))
            continue
        unit = next((each for each in line if not _is_inside_a_unit(each)), record)
        zones = (zone_of(name) for name in (_zone_name(each) for each in line) if name is not None)
        places[source] = Place(
            id=source,
            unit=source_of(unit),
            name=unit.name or unit.id,
            place_class=place_class,
            zone=next((zone for zone in zones if zone is not None), None),
        )
    return places, tuple(issues)


def _upwards(source: str, records: Mapping[str, Location]) -> list[Location]:
    line: list[Location] = []
    record = records.get(source)
    while record is not None and record not in line and len(line) < DEEPEST:
        line.append(record)
        above = record.part_of.reference if record.part_of else None
        record = records.get("/".join(above.split("/")[-2:])) if above else None
    return line


def _types(record: Location) -> list[tuple[str, str]]:
    return [
        (coding.system, coding.code)
        for concept in record.type
        for coding in concept.coding
        if coding.system is not None and coding.code is not None
    ]


def _is_inside_a_unit(record: Location) -> bool:
    coding = record.physical_type.coding if record.physical_type else ()
    return any(each.code in _INSIDE_A_UNIT for each in coding)


def _zone_name(record: Location) -> str | None:
    return next((extension.value_code for extension in record.extension if extension.url == TIMEZONE), None)
