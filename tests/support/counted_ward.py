"""Short ways to write lines, stays and places for the tests of line-day counting. Times are local to the made-up ward."""

from dataclasses import replace
from datetime import datetime, time
from pathlib import Path
from zoneinfo import ZoneInfo

from linedays.adapters.mapping_files import read_documents
from linedays.core.admissions import STAY_GAP
from linedays.core.count_rules import CountingRules
from linedays.core.counted import CountBasis, CountedPatient, counted_patient
from linedays.core.model import (
    DressingSite,
    EndBasis,
    Fact,
    FactKind,
    Line,
    PatientChart,
    Person,
    Place,
    PlaceClass,
    PlaceSpan,
    StartBasis,
    Stay,
    Timeline,
    Whereabouts,
)
from linedays.core.moment import Instant, Moment, Precision, exactly
from linedays.mapping.counting import counting_from_documents

BERLIN = ZoneInfo("Europe/Berlin")
FAR = 4_102_444_800  # 2100-01-01, later than everything in these tests
MAPPINGS = Path(__file__).resolve().parents[2] / "mappings"
COUNTING: CountingRules = counting_from_documents(read_documents(MAPPINGS))

PLACES = {
    place.id: place
    for place in (
        Place(id="heron", unit="Heron", name="Ward Heron", place_class=PlaceClass.INPATIENT),
        Place(id="heron-bed-2", unit="Heron", name="Ward Heron, bed 2", place_class=PlaceClass.INPATIENT),
        Place(id="otter", unit="Otter", name="Intensive care Otter", place_class=PlaceClass.INPATIENT),
        Place(id="theatre", unit="Theatre", name="Operating room", place_class=PlaceClass.PROCEDURAL),
        Place(id="emergency", unit="Emergency", name="Emergency department", place_class=PlaceClass.OUTPATIENT),
        Place(id="infusion", unit="Infusion", name="Infusion clinic", place_class=PlaceClass.OUTPATIENT),
    )
}


def local(text: str, zone: ZoneInfo = BERLIN) -> Instant:
    """Return the instant of a local wall-clock time such as 2026-03-02 08:00."""
    return int(datetime.fromisoformat(text).replace(tzinfo=zone).timestamp())


def moment(written: str | Moment, zone: ZoneInfo = BERLIN) -> Moment:
    """Return a moment: exact for a time of day, a whole local day for a date."""
    if isinstance(written, Moment):
        return written
    if len(written) == 10:
        return Moment(local(written, zone), local(f"{written} 23:59:59", zone), Precision.DAY)
    return exactly(local(written, zone))


def fact(kind: FactKind, when: str | Moment, *, value: str | None = None, source: str | None = None) -> Fact:
    happened = moment(when)
    return Fact(
        kind=kind,
        patient="P",
        source=source or f"Procedure/{kind}-{happened.earliest}",
        happened=happened,
        known=happened.earliest,
        value=value,
    )


def line(
    key: str,
    start: str | Moment,
    end: str | Moment | None = None,
    *,
    kind: str = "nontunnelled-cvc",
    basis: StartBasis = StartBasis.INSERTION,
    facts: tuple[Fact, ...] = (),
    patient: str = "P",
) -> Timeline:
    return Timeline(
        line=Line(
            key=key,
            patient=patient,
            kind=kind,
            site=None,
            side=None,
            start=moment(start),
            start_basis=basis,
            start_source=key,
            end=None if end is None else moment(end),
            end_basis=None if end is None else EndBasis.REMOVAL,
        ),
        facts=facts,
    )


def spans(*places: tuple[str, str, str | None]) -> tuple[PlaceSpan, ...]:
    return tuple(
        PlaceSpan(place=place, start=local(start), end=None if end is None else local(end))
        for place, start, end in places
    )


def stay(
    id: str,
    start: str,
    end: str | None,
    *places: tuple[str, str, str | None],
    top: str | None = None,
    status: str = "in-progress",
    encounter_class: str = "IMP",
) -> Stay:
    return Stay(
        id=id,
        top=top or id,
        status=status,
        encounter_class=encounter_class,
        start=local(start),
        end=None if end is None else local(end),
        known=local(start),
        places=spans(*places),
    )


def basis(
    counting: CountingRules = COUNTING,
    *,
    known_by: Instant = FAR,
    snapshot: time | None = None,
    zone: ZoneInfo = BERLIN,
    include_not_accessed: bool = True,
    rulings: tuple = (),
) -> CountBasis:
    changed = replace(
        counting,
        snapshot_time=snapshot or counting.snapshot_time,
        denominators=tuple(replace(one, include_not_accessed=include_not_accessed) for one in counting.denominators),
    )
    return CountBasis(
        counting=changed,
        day_rule=changed.day_numbers[0],
        places=PLACES,
        rulings=rulings,
        zone=zone,
        known_by=known_by,
        stay_gap=STAY_GAP,
    )


def patient(
    timelines: tuple[Timeline, ...], stays: tuple[Stay, ...], by: CountBasis | None = None, *, id: str = "P"
) -> CountedPatient:
    sites = tuple(DressingSite(key=one.line.key, timelines=(one,)) for one in timelines)
    chart = PatientChart(person=Person(id=id), sites=sites, stays=stays, issues=(), standing=frozenset())
    return counted_patient(chart, by or basis())


def by_times(timeline: Timeline, at: Instant) -> Whereabouts:
    """Tell where a line is by its charted start and end alone, each by its earliest reading."""
    if at < timeline.line.start.earliest:
        return Whereabouts.NOT_YET
    ended = timeline.line.end is not None and timeline.line.end.earliest <= at
    return Whereabouts.ENDED if ended else Whereabouts.IN_PLACE
