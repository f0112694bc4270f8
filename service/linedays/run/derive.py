"""Resources of any number of patients → every patient's chart and states, with every resource accounted for.

The pipeline up to the states: read ─► normalise ─► timeline ─► evaluate. It holds no rule; reading comes in as an
iterable, so it does no I/O of its own.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import tzinfo

from linedays.core.count_rules import CountingRules
from linedays.core.evaluate import evaluate_chart
from linedays.core.local_days import in_unit_zones
from linedays.core.model import Issue, IssueKind, PatientChart, PatientInput, Person, Place, SiteState
from linedays.core.moment import Instant
from linedays.core.policy import Policy
from linedays.core.tally import shortfall
from linedays.core.timeline import build_chart
from linedays.fhir.normalise import Collected, Tally, collect, places
from linedays.fhir.people import with_tops
from linedays.fhir.reading import Reader
from linedays.mapping.source_map import SourceMap


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
    """Every patient with a line, in order of patient; the places; what became of every resource; every issue."""

    at: Instant
    known_by: Instant
    results: tuple[PatientResult, ...]
    places: dict[str, Place]
    tally: tuple[TypeTally, ...]
    issues: tuple[Issue, ...]


def new_collection(instance: Instance) -> Collected:
    """Return an empty collection for an instance."""
    return Collected(Reader(instance.source_map, instance.zone, instance.own_system))


def collect_all(resources: Iterable[tuple[str, bytes]], instance: Instance) -> Collected:
    """Read every resource. Shape: pairs of where it stood and its bytes."""
    collected = new_collection(instance)
    for where, raw in resources:
        collect(collected, raw, where)
    return collected


def derive(collected: Collected, instance: Instance, *, at: Instant, known_by: Instant) -> Derivation:
    """Return the states of every line at a moment, as known by another."""
    found, place_issues = places(collected, instance.counting, instance.zone_of)
    visited = {span.place for stays in collected.stays.values() for stay in stays for span in stay.places}
    issues = [*collected.issues, *(issue for issue in place_issues if issue.source in visited)]
    dropped = _drop_foreign(collected, issues)
    short = Tally()
    results = tuple(
        _patient(patient, collected, instance, found, short, issues, at, known_by) for patient in sorted(collected.facts)
    )
    return Derivation(
        at=at,
        known_by=known_by,
        results=tuple(result for result in results if result.chart.sites),
        places=found,
        tally=_tally(collected.tally, short, dropped),
        issues=tuple(sorted(issues, key=lambda issue: (issue.source, issue.kind, issue.text))),
    )


def derive_all(
    resources: Iterable[tuple[str, bytes]], instance: Instance, *, at: Instant, known_by: Instant
) -> Derivation:
    """Read everything, then derive."""
    return derive(collect_all(resources, instance), instance, at=at, known_by=known_by)


def derive_by_patient(
    groups: Iterable[Iterable[tuple[str, bytes]]], instance: Instance, *, at: Instant, known_by: Instant
) -> Iterator[Derivation]:
    """Derive one group of resources after another, so that memory does not grow with the number of patients.

    Shape: each group holds everything about its patients; Locations may stand in any earlier group.
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
    for patient in sorted({*with_lines, *collected.stays}):
        known = with_lines.get(patient)
        yield known if known is not None else PatientChart(
            person=_person(patient, collected, derivation.known_by),
            sites=(),
            stays=with_tops(
                tuple(stay for stay in collected.stays[patient] if stay.known <= derivation.known_by)
            ),
            issues=(),
            standing=frozenset(),
        )


def _patient(
    patient: str,
    collected: Collected,
    instance: Instance,
    found: dict[str, Place],
    short: Tally,
    issues: list[Issue],
    at: Instant,
    known_by: Instant,
) -> PatientResult:
    stays = with_tops(tuple(collected.stays.get(patient, ())))
    facts = in_unit_zones(collected.facts[patient], stays, found, instance.zone)
    whole = PatientInput(person=_person(patient, collected, known_by), facts=facts, stays=stays)
    chart = build_chart(whole, instance.source_map.charting, known_by=known_by)
    issues.extend(chart.issues)
    missing = shortfall(facts, chart)
    short.issues.update(missing.issues)
    short.ignored.update(missing.ignored)
    states = evaluate_chart(chart, instance.policy, found, at=at, zone=instance.zone) if chart.sites else ()
    return PatientResult(chart=chart, states=states)


def _person(patient: str, collected: Collected, known_by: Instant) -> Person:
    person = collected.persons.get(patient, Person(id=patient))
    note = collected.gestation.get(patient)
    if note is not None and note.known <= known_by:
        person = replace(person, gestation_days=note.days)
    died = collected.deaths.get(patient)
    return replace(person, died=person.died or died) if died is not None else person


def _drop_foreign(collected: Collected, issues: list[Issue]) -> Counter[str]:
    """Take out every fact whose device or encounter belongs to another patient: it touches no line."""
    dropped: Counter[str] = Counter()
    device_owner, encounter_owner = collected.device_owner, collected.encounter_owner
    for patient, facts in collected.facts.items():
        foreign = [
            fact
            for fact in facts
            if device_owner.get(fact.device, patient) != patient  # type: ignore[arg-type]
            or encounter_owner.get(fact.encounter, patient) != patient  # type: ignore[arg-type]
        ]
        if foreign:
            collected.facts[patient] = [fact for fact in facts if fact not in foreign]
            for source in sorted({fact.source for fact in foreign}):
                dropped[source.partition("/")[0]] += 1
                issues.append(_mismatch(source, patient))
    return dropped


def _mismatch(source: str, patient: str) -> Issue:
    text = "its device or encounter belongs to another patient; nothing of it was used: correct the link"
    return Issue(kind=IssueKind.SUBJECT_MISMATCH, source=source, text=text, patient=patient)


def _tally(read: Tally, short: Tally, dropped: Counter[str]) -> tuple[TypeTally, ...]:
    rows: list[TypeTally] = []
    for name in sorted(read.read):
        ignored = Counter({rule: n for (of, rule), n in read.ignored.items() if of == name})
        later = Counter({rule: n for (of, rule), n in short.ignored.items() if of == name})
        missing = short.issues[name] + dropped[name]
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

