"""Resources of any number of patients → every patient's chart and states, with every resource accounted for.

The pipeline up to the states: read ─► normalise ─► timeline ─► evaluate. It holds no rule; reading comes in as an
iterable, so it does no I/O of its own.
"""

import gc
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import tzinfo

from msgspec.structs import replace as with_fields

from linedays.core.count_rules import CountingRules
from linedays.core.evaluate import evaluate_chart
from linedays.core.local_days import in_unit_zones
from linedays.core.model import Fact, Issue, PatientChart, PatientInput, Place
from linedays.core.moment import Instant
from linedays.core.policy import Policy
from linedays.core.states import SiteState
from linedays.core.tally import shortfall
from linedays.core.timeline import build_chart
from linedays.fhir.collected import Collected, Tally, all_read
from linedays.fhir.known_persons import KnownPersons, known_person, known_persons
from linedays.fhir.normalise import collect, places
from linedays.fhir.people import stays_known
from linedays.fhir.reading import Reader
from linedays.fhir.set_aside import set_aside, stay_shortfall, told_last
from linedays.mapping.source_map import SourceMap

_NOT_KEPT: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Instance:
    """What one hospital has settled: its policy, counting rules, source map, zone, and our identifier system."""

    policy: Policy
    counting: CountingRules
    source_map: SourceMap
    zone: tzinfo
    own_system: str
    zone_of: Callable[[str], tzinfo | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class PatientResult:
    """One patient's chart and the states of its dressing sites."""

    chart: PatientChart
    states: tuple[SiteState, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TypeTally:
    """What became of the resources of one type: read = used + ignored + issues."""

    name: str
    read: int
    used: int
    ignored: tuple[tuple[str, int], ...]
    issues: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Derivation:
    """Every patient with a line, in order of patient; the places; what became of every resource; every issue.

    `merged` says which Patient record was replaced by which surviving one, all of whose charting is that one's.
    """

    at: Instant
    known_by: Instant
    results: tuple[PatientResult, ...]
    places: dict[str, Place]
    tally: tuple[TypeTally, ...]
    issues: tuple[Issue, ...]
    merged: dict[str, str] = field(default_factory=dict)


def new_collection(instance: Instance) -> Collected:
    """Return an empty collection for an instance."""
    return Collected(Reader(instance.source_map, instance.zone, instance.own_system))


def collect_all(resources: Iterable[tuple[str, bytes]], instance: Instance) -> Collected:
    """Read every resource; nothing can be added afterwards. Shape: pairs of where it stood and its bytes."""
    collected = new_collection(instance)
    with _no_search_for_cycles():
        for where, raw in resources:
            collect(collected, raw, where)
    all_read(collected)
    return collected


@contextmanager
def _no_search_for_cycles() -> Iterator[None]:
    """Keep the interpreter from looking for reference cycles meanwhile: facts and states are values and hold none.

    It would look through all of them again and again, a sixth of the whole time.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def derive(collected: Collected, instance: Instance, *, at: Instant, known_by: Instant) -> Derivation:
    """Return the states of every line at a moment, as known by another."""
    people = known_persons(collected, known_by)
    collected = people.read
    found, place_issues = places(collected, instance.counting, instance.zone_of)
    visited = {span.place for stays in collected.stays.values() for stay in stays for span in stay.places}
    issues = [*collected.issues, *people.issues, *(issue for issue in place_issues if issue.source in visited)]
    fitting = set_aside(collected)
    issues.extend(fitting.issues)
    short = Tally(issues=fitting.counted_issues, ignored=fitting.counted_ignored)
    short.ignored.update(stay_shortfall(collected, known_by))
    short.ignored.update(people.ignored)
    with _no_search_for_cycles():
        results = tuple(
            _patient(patient, facts, people, instance, found, short, issues, at)
            for patient, facts in sorted(fitting.facts.items())
        )
    return Derivation(
        at=at,
        known_by=known_by,
        results=tuple(result for result in results if result.chart.sites),
        places=found,
        tally=_tally(collected.tally, short),
        issues=tuple(sorted(issues, key=lambda issue: (issue.source, issue.kind, issue.text))),
        merged=people.merged,
    )


def derive_all(
    resources: Iterable[tuple[str, bytes]], instance: Instance, *, at: Instant, known_by: Instant
) -> Derivation:
    """Read everything, then derive."""
    with _no_search_for_cycles():
        return derive(collect_all(resources, instance), instance, at=at, known_by=known_by)


def derive_by_patient(
    groups: Iterable[Iterable[tuple[str, bytes]]], instance: Instance, *, at: Instant, known_by: Instant
) -> Iterator[Derivation]:
    """Derive one group of resources after another, so that memory does not grow with the number of patients.

    Shape: each group holds everything about its patients, and both records of a merge; Locations may stand in any
    earlier group.
    """
    locations = new_collection(instance).locations
    for group in groups:
        collected = collect_all(group, instance)
        locations.update(collected.locations)
        collected.locations.update(locations)
        yield derive(collected, instance, at=at, known_by=known_by)


def charts_of(collected: Collected, derivation: Derivation) -> Iterator[PatientChart]:
    """Return the chart of every patient with a stay or a line: patients without a line have patient days too."""
    with_lines = {result.chart.person.id: result.chart for result in derivation.results}
    people = known_persons(collected, derivation.known_by)
    for patient in sorted({*with_lines, *people.read.stays}):
        known = with_lines.get(patient)
        stays = stays_known(people.read.stays.get(patient, ()), derivation.known_by)
        yield (
            known
            if known is not None
            else PatientChart(
                person=known_person(patient, people, stays),
                sites=(),
                stays=stays,
                issues=(),
                standing=frozenset(),
            )
        )


def _patient(
    patient: str,
    given: Sequence[Fact],
    people: KnownPersons,
    instance: Instance,
    found: dict[str, Place],
    short: Tally,
    issues: list[Issue],
    at: Instant,
) -> PatientResult:
    known_by = people.known_by
    stays = stays_known(people.read.stays.get(patient, ()), known_by)
    facts = in_unit_zones(given, stays, found, instance.zone)
    whole = PatientInput(person=known_person(patient, people, stays), facts=facts, stays=stays)
    chart = build_chart(whole, instance.source_map.charting, known_by=known_by)
    issues.extend(chart.issues)
    if len(facts) != len(chart.standing):
        missing = shortfall(told_last(facts, known_by), chart)
        short.issues.update(missing.issues)
        short.ignored.update(missing.ignored)
    # Which resources stand was needed for the count only; a name for each of millions of facts is not kept.
    chart = with_fields(chart, standing=_NOT_KEPT, not_yet_known=_NOT_KEPT)
    states = evaluate_chart(chart, instance.policy, found, at=at, zone=instance.zone) if chart.sites else ()
    return PatientResult(chart=chart, states=states)


def _tally(read: Tally, short: Tally) -> tuple[TypeTally, ...]:
    rows: list[TypeTally] = []
    for name in sorted(read.read):
        ignored = Counter({rule: n for (of, rule), n in read.ignored.items() if of == name})
        later = Counter({rule: n for (of, rule), n in short.ignored.items() if of == name})
        missing = short.issues[name]
        rows.append(
            TypeTally(
                name=name,
                read=read.read[name],
                used=read.context[name] + read.with_facts[name] - missing - sum(later.values()),
                ignored=tuple(sorted((ignored + later).items())),
                issues=read.issues[name] + missing,
            )
        )
    return tuple(rows)
