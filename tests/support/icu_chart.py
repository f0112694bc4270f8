"""The open ICU data set through the shipped map, in a stated reading → charts and states at any moment. Reads files.

The answers were made by reading rules of their own; a reading sets the map to those rules. Everything else (the map's
codes, the policy, the counting rules) is as shipped.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from zoneinfo import ZoneInfo

from linedays.adapters.mapping_files import find_mappings, read_documents
from linedays.adapters.resource_files import resources_in
from linedays.core.charting import PresenceStart
from linedays.core.evaluate import evaluate_chart
from linedays.core.local_days import in_unit_zones
from linedays.core.model import DressingSite, Fact, IssueKind, PatientChart, PatientInput, Timeline
from linedays.core.policy import NotRequiredRule
from linedays.core.states import ItemState, SiteState
from linedays.core.timeline import build_chart
from linedays.fhir.collected import Collected
from linedays.fhir.people import with_tops
from linedays.mapping.counting import counting_from_documents
from linedays.mapping.parse import policy_from_documents
from linedays.mapping.source_map import SourceMap, source_map_from_documents
from linedays.run.derive import Derivation, Instance, collect_all, derive
from support.icu_answers import Record, Row, encounter_patients, in_place, instant, records
from support.icu_data import icu_folder
from support.values import replace

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
        return replace(shipped, charting=charting, midnight_is_day=frozenset())


INSERTION = Reading("start is the insertion", PresenceStart.INSERTION)
ARRIVAL = Reading("start is the arrival", PresenceStart.ARRIVAL)
SHIPPED = Reading("as shipped", None)


@cache
def instance(reading: Reading, dressing: str = TRANSPARENT) -> Instance:
    documents = read_documents(find_mappings(None))
    policy = policy_from_documents(documents.under("policy"))
    units = tuple(replace(unit, usual_dressing=dressing, first_dressing=dressing) for unit in policy.units)
    # The start of a record is no implantation: the answers know no incision that heals under a port's dressing.
    rules = tuple(replace(rule, incision=0) if isinstance(rule, NotRequiredRule) else rule for rule in policy.rules)
    return Instance(
        policy=replace(policy, units=units, rules=rules),
        counting=counting_from_documents(documents),
        source_map=reading.of(source_map_from_documents(documents, "icu-presence")),
        zone=NEW_YORK,
        own_system="https://linedays.example/fhir/identifier",
        zone_of=ZoneInfo,
    )


@cache
def collected(reading: Reading) -> Collected:
    return collect_all(resources_in(icu_folder()), instance(reading))


@cache
def whole(reading: Reading) -> Derivation:
    """Return everything as known after the last entry."""
    return derive(collected(reading), instance(reading), at=AFTER_ALL, known_by=AFTER_ALL)


@cache
def patient_input(reading: Reading, patient: str) -> PatientInput:
    everything, stays = collected(reading), with_tops(tuple(collected(reading).stays[patient]))
    facts = in_unit_zones(everything.facts[patient], stays, whole(reading).places, NEW_YORK)
    return PatientInput(person=everything.persons[patient], facts=facts, stays=stays)


@cache
def chart_at(reading: Reading, patient: str, at: int) -> PatientChart:
    """Return one patient's chart from what was known by a moment."""
    return build_chart(patient_input(reading, patient), instance(reading).source_map.charting, known_by=at)


@cache
def state_at(reading: Reading, record: str, at: int, dressing: str = TRANSPARENT) -> SiteState:
    """Return the state, at a moment and as known by then, of the dressing site that a line record belongs to."""
    chart = chart_at(reading, records()[record].patient, at)
    (site,) = [site for site in chart.sites if any(record in names(one) for one in site.timelines)]
    return _evaluated(reading, chart, site, at, dressing)


@cache
def slot_state_at(reading: Reading, encounter: str, slot: str, at: int) -> SiteState:
    """Return the state of a numbered slot of a stay at a moment, as known by then."""
    chart = chart_at(reading, encounter_patients()[encounter], at)
    (site,) = [
        site
        for site in chart.sites
        if (site.timelines[0].line.encounter, site.timelines[0].line.slot) == (encounter, slot)
    ]
    return _evaluated(reading, chart, site, at, TRANSPARENT)


def _evaluated(reading: Reading, chart: PatientChart, site: DressingSite, at: int, dressing: str) -> SiteState:
    one = replace(chart, sites=(site,))
    (state,) = evaluate_chart(one, instance(reading, dressing).policy, whole(reading).places, at=at, zone=NEW_YORK)
    return state


def is_asked_about(reading: Reading, record: Record, at: int, row: Row) -> bool:
    """Tell whether a row that fits two lines in place was shown by then as "which line?" of this one and another."""
    shown = [issue for issue in chart_at(reading, record.patient, at).issues if issue.source == row.source]
    return (
        record.ambiguous
        and row.value is not None
        and len(in_place(row.patient, row.kind, row.value)) == 2
        and [issue.kind for issue in shown] == [IssueKind.WHICH_LINE]
        and len(shown[0].lines) == 2
        and record.key in shown[0].lines
    )


def names(timeline: Timeline) -> tuple[str, ...]:
    return (timeline.line.key, *timeline.line.aliases)


def dressing_of(state: SiteState) -> ItemState:
    (item,) = [item for item in state.items if item.item == DRESSING]
    return item


def facts_on_lines(reading: Reading) -> Iterator[tuple[Timeline, Fact]]:
    """Return every fact that stands on a line after the last entry."""
    for result in whole(reading).results:
        for site in result.chart.sites:
            for timeline in site.timelines:
                for fact in timeline.facts:
                    yield timeline, fact
