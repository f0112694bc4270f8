"""The open ICU data set through the shipped map, in a stated reading → charts and states at any moment. Reads files.

The answers were made by reading rules of their own; a reading sets the map to those rules. Everything else (the map's
codes, the policy, the counting rules) is as shipped.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from zoneinfo import ZoneInfo

from linedays.adapters.mapping_files import find_mappings, read_documents
from linedays.adapters.resource_files import resources_in
from linedays.core.charting import PresenceStart
from linedays.core.model import Fact, ItemState, SiteState, Timeline
from linedays.fhir.normalise import Collected
from linedays.mapping.counting import counting_from_documents
from linedays.mapping.parse import policy_from_documents
from linedays.mapping.source_map import SourceMap, source_map_from_documents
from linedays.run.derive import Derivation, Instance, PatientResult, collect_all, derive
from support.icu_answers import instant
from support.icu_data import icu_folder

NEW_YORK = ZoneInfo("America/New_York")
AFTER_ALL = instant("2300-01-01T00:00:00-05:00")
DRESSING = "dressing-change"
# The dressing kind that every unit is said to use, for an interval of 7 days or of 2.
TRANSPARENT, GAUZE = "transparent", "gauze"


@dataclass(frozen=True, slots=True)
class Reading:
    """How the map reads presence starts, midnight, times later than their entry, and records that follow each other.

    `start` is None for the map as shipped; else the reading rules 1, 3, 4 and 5 of the data set's README, with the
    start read that way.
    """

    name: str
    start: PresenceStart | None

    def of(self, shipped: SourceMap) -> SourceMap:
        if self.start is None:
            return shipped
        charting = replace(shipped.charting, entry_tolerance=0, join_gap=None, presence_start=self.start)
        return replace(shipped, charting=charting, midnight_is_day=False)


INSERTION = Reading("start is the insertion", PresenceStart.INSERTION)
ARRIVAL = Reading("start is the arrival", PresenceStart.ARRIVAL)
SHIPPED = Reading("as shipped", None)


@cache
def instance(reading: Reading, dressing: str) -> Instance:
    documents = read_documents(find_mappings(None))
    policy = policy_from_documents(documents.under("policy"))
    units = tuple(replace(unit, usual_dressing=dressing, first_dressing=dressing) for unit in policy.units)
    return Instance(
        policy=replace(policy, units=units),
        counting=counting_from_documents(documents),
        source_map=reading.of(source_map_from_documents(documents, "icu-presence")),
        zone=NEW_YORK,
        own_system="https://linedays.example/fhir/identifier",
        zone_of=ZoneInfo,
    )


@cache
def collected(reading: Reading) -> Collected:
    return collect_all(resources_in(icu_folder()), instance(reading, TRANSPARENT))


@cache
def whole(reading: Reading) -> Derivation:
    """Return everything as known after the last entry."""
    return derive(collected(reading), instance(reading, TRANSPARENT), at=AFTER_ALL, known_by=AFTER_ALL)


@cache
def _of_patient(reading: Reading, patient: str) -> Collected:
    everything = collected(reading)
    return replace(everything, facts={patient: everything.facts[patient]})


@cache
def _derived(reading: Reading, dressing: str, patient: str, at: int) -> Derivation:
    return derive(_of_patient(reading, patient), instance(reading, dressing), at=at, known_by=at)


def patient_at(reading: Reading, dressing: str, patient: str, at: int) -> PatientResult:
    """Return one patient's chart and states at a moment, from what was known by then."""
    (result,) = _derived(reading, dressing, patient, at).results
    return result


def issues_at(reading: Reading, patient: str, at: int, source: str) -> list:
    """Return the issues of one resource as known by a moment."""
    return [issue for issue in _derived(reading, TRANSPARENT, patient, at).issues if issue.source == source]


def site_of(result: PatientResult, record: str) -> SiteState:
    """Return the one dressing site that a line record belongs to."""
    (found,) = [state for state in result.states if any(record in names(one) for one in state.site.timelines)]
    return found


def names(timeline: Timeline) -> tuple[str, ...]:
    return (timeline.line.key, *timeline.line.aliases)


def dressing_of(state: SiteState) -> ItemState:
    (item,) = [item for item in state.items if item.item == DRESSING]
    return item


def facts_on_lines(derivation: Derivation) -> Iterator[tuple[Timeline, Fact]]:
    for result in derivation.results:
        for site in result.chart.sites:
            for timeline in site.timelines:
                for fact in timeline.facts:
                    yield timeline, fact
