"""Raw resources → facts, persons, stays and places by patient, with every resource accounted for. No I/O.

Each resource read ends as used, as ignored by one named rule, or as an issue. Whether its facts stand is known only
when the lines are built, so here it counts as having facts.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import assert_never

import msgspec

from linedays.core.count_rules import CountingRules
from linedays.core.model import Fact, Issue, IssueKind, Person, Place, Stay
from linedays.core.moment import Moment
from linedays.fhir.devices import facts_of_device, facts_of_use
from linedays.fhir.observations import GestationNote, facts_of_observation
from linedays.fhir.people import person_of, places_of, stay_of
from linedays.fhir.procedures import facts_of_procedure
from linedays.fhir.reading import Ignored, Reader, source_of
from linedays.fhir.wire import (
    Device,
    DeviceUseStatement,
    Encounter,
    Location,
    Observation,
    Patient,
    Procedure,
    Record,
    Refusal,
    record_from_bytes,
)

LARGEST_RESOURCE = 8_000_000
Outcome = tuple[Fact, ...] | Ignored | Issue | GestationNote


@dataclass(slots=True)
class Tally:
    """What became of the resources of each type: read = with facts + ignored + issues + context."""

    read: Counter[str] = field(default_factory=Counter)
    with_facts: Counter[str] = field(default_factory=Counter)
    context: Counter[str] = field(default_factory=Counter)
    ignored: Counter[tuple[str, str]] = field(default_factory=Counter)
    issues: Counter[str] = field(default_factory=Counter)


@dataclass(slots=True)
class Collected:
    """What was read so far, by patient where it belongs to one."""

    reader: Reader
    tally: Tally = field(default_factory=Tally)
    facts: defaultdict[str, list[Fact]] = field(default_factory=lambda: defaultdict(list))
    stays: defaultdict[str, list[Stay]] = field(default_factory=lambda: defaultdict(list))
    persons: dict[str, Person] = field(default_factory=dict)
    deaths: dict[str, Moment] = field(default_factory=dict)
    gestation: dict[str, GestationNote] = field(default_factory=dict)
    locations: dict[str, Location] = field(default_factory=dict)
    issues: list[Issue] = field(default_factory=list)
    device_owner: dict[str, str] = field(default_factory=dict)
    encounter_owner: dict[str, str] = field(default_factory=dict)


def collect(collected: Collected, raw: bytes | msgspec.Raw, where: str) -> None:
    """Add one resource. `where` names the file and line, or the page, for bytes that do not say what they are."""
    if len(bytes(raw)) > LARGEST_RESOURCE:
        _refused(collected, Refusal(source=None, why="larger than a resource may be"), where, IssueKind.TOO_LARGE)
        return
    record = record_from_bytes(raw)
    if isinstance(record, Refusal):
        kind = IssueKind.BAD_JSON if record.not_json else IssueKind.BAD_SHAPE
        _refused(collected, record, where, kind)
    else:
        add_record(collected, record)


def _refused(collected: Collected, refusal: Refusal, where: str, kind: IssueKind) -> None:
    name = (refusal.source or "unreadable").split("/")[0]
    collected.tally.read[name] += 1
    if refusal.of_other_type:
        collected.tally.ignored[name, "type-not-read"] += 1
        return
    collected.tally.issues[name] += 1
    source = refusal.source if refusal.source and "/" in refusal.source else f"{refusal.source or 'a resource'} in {where}"
    collected.issues.append(Issue(kind=kind, source=source, text=f"{refusal.why}; it was not used"))


def add_record(collected: Collected, record: Record) -> None:
    """Add one record that could be read."""
    reader = collected.reader
    match record:
        case Procedure():
            _add(collected, "Procedure", facts_of_procedure(record, reader))
        case Observation():
            _add(collected, "Observation", facts_of_observation(record, reader))
        case Device():
            outcome = facts_of_device(record, reader)
            if isinstance(outcome, tuple):
                collected.device_owner[outcome[0].source] = outcome[0].patient
            _add(collected, "Device", outcome)
        case DeviceUseStatement():
            _add(collected, "DeviceUseStatement", facts_of_use(record, reader))
        case Encounter():
            _add_stay(collected, record)
        case Patient():
            _add_person(collected, record)
        case Location():
            collected.tally.read["Location"] += 1
            collected.tally.context["Location"] += 1
            collected.locations[source_of(record)] = record
        case _:
            assert_never(record)


def _add(collected: Collected, name: str, outcome: Outcome) -> None:
    tally = collected.tally
    tally.read[name] += 1
    if isinstance(outcome, tuple):
        tally.with_facts[name] += 1
        collected.facts[outcome[0].patient].extend(outcome)
    elif isinstance(outcome, Ignored):
        tally.ignored[name, outcome.rule] += 1
        for fact in outcome.retracted:
            collected.facts[fact.patient].append(fact)
    elif isinstance(outcome, GestationNote):
        tally.context[name] += 1
        before = collected.gestation.get(outcome.patient)
        if before is None or (before.known, before.source) < (outcome.known, outcome.source):
            collected.gestation[outcome.patient] = outcome
    else:
        tally.issues[name] += 1
        collected.issues.append(outcome)


def _add_stay(collected: Collected, record: Encounter) -> None:
    tally = collected.tally
    tally.read["Encounter"] += 1
    found = stay_of(record, collected.reader)
    if isinstance(found, Ignored):
        tally.ignored["Encounter", found.rule] += 1
    elif isinstance(found, Issue):
        tally.issues["Encounter"] += 1
        collected.issues.append(found)
    else:
        patient, stay, died = found
        tally.context["Encounter"] += 1
        collected.encounter_owner[stay.id] = patient
        collected.stays[patient].append(stay)
        if died is not None:
            collected.deaths[patient] = died


def _add_person(collected: Collected, record: Patient) -> None:
    collected.tally.read["Patient"] += 1
    found = person_of(record, collected.reader)
    if isinstance(found, Issue):
        collected.tally.issues["Patient"] += 1
        collected.issues.append(found)
    else:
        collected.tally.context["Patient"] += 1
        collected.persons[found.id] = found


def places(
    collected: Collected, counting: CountingRules, zone_of: Callable[[str], tzinfo | None]
) -> tuple[dict[str, Place], Iterable[Issue]]:
    """Return the places that were read, and the Locations that nobody classed."""
    return places_of(collected.locations, counting, zone_of)
