"""What was read so far, and how one record that could be read is added to it. No I/O.

Each resource read ends as used, as ignored by one named rule, or as an issue. Whether its facts stand is known only
when the lines are built, so here it counts as having facts.
"""

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from typing import assert_never

from linedays.core.model import Fact, Issue, Person, Stay
from linedays.core.moment import Instant, Moment
from linedays.core.tally import DUPLICATE, SUPERSEDED
from linedays.fhir.allergies import AllergyNote, allergy_of
from linedays.fhir.devices import NOT_A_LINE, facts_of_device, facts_of_use
from linedays.fhir.observations import GestationNote, facts_of_observation
from linedays.fhir.people import IN_ERROR, PersonVersion, StayRead, person_of, stay_of, version_of
from linedays.fhir.places import LocationRead, location_of
from linedays.fhir.procedures import facts_of_procedure
from linedays.fhir.reading import ALWAYS, Ignored, OnlyIfLine, Reader
from linedays.fhir.records import (
    AllergyIntolerance,
    Device,
    DeviceUseStatement,
    Encounter,
    Location,
    Observation,
    Patient,
    Procedure,
    Record,
)
from linedays.fhir.unread import Resource

Outcome = tuple[Fact, ...] | OnlyIfLine | Ignored | Issue | GestationNote


@dataclass(slots=True)
class Tally:
    """What became of the resources of each type: read = with facts + ignored + issues + context."""

    read: defaultdict[str, int] = field(default_factory=lambda: defaultdict(int))
    with_facts: defaultdict[str, int] = field(default_factory=lambda: defaultdict(int))
    context: defaultdict[str, int] = field(default_factory=lambda: defaultdict(int))
    ignored: Counter[tuple[str, str]] = field(default_factory=Counter)
    issues: Counter[str] = field(default_factory=Counter)


@dataclass(slots=True)
class Collected:
    """What was read so far, by patient where it belongs to one.

    Shape: `stays` and `gestation` hold every version; `persons`, `locations` and the owners the one stored last, by
    `stored`. `versions` has every version of a person with a death, a link or more than one version, and `allergies`
    every version of an entry, by resource. `deaths` are the ends of stays that ended in death. What is in
    `only_if_line` counts only where its device is none of `other_devices`, which were read and are no lines.
    """

    reader: Reader
    tally: Tally = field(default_factory=Tally)
    facts: defaultdict[str, list[Fact]] = field(default_factory=lambda: defaultdict(list))
    stays: defaultdict[str, list[Stay]] = field(default_factory=lambda: defaultdict(list))
    persons: dict[str, Person] = field(default_factory=dict)
    versions: dict[str, list[PersonVersion]] = field(default_factory=dict)
    allergies: defaultdict[str, list[AllergyNote]] = field(default_factory=lambda: defaultdict(list))
    deaths: dict[Stay, Moment] = field(default_factory=dict)
    gestation: defaultdict[str, list[GestationNote]] = field(default_factory=lambda: defaultdict(list))
    locations: dict[str, LocationRead] = field(default_factory=dict)
    issues: list[Issue] = field(default_factory=list)
    device_owner: dict[str, str] = field(default_factory=dict)
    encounter_owner: dict[str, str] = field(default_factory=dict)
    only_if_line: set[str] = field(default_factory=set)
    other_devices: set[str] = field(default_factory=set)
    stored: dict[str, str | None] = field(default_factory=dict)


def add_record(collected: Collected, record: Record) -> None:
    """Add one record that could be read."""
    match record:
        case Procedure() | Observation() | DeviceUseStatement():
            add_outcome(collected, type(record).__name__, outcome_of(record, collected.reader))
        case Device():
            _add_device(collected, record)
        case Encounter():
            _add_stay(collected, record)
        case Patient():
            _add_person(collected, record)
        case AllergyIntolerance():
            add_allergy(collected, record)
        case Location():
            _add_location(collected, record)
        case _:
            assert_never(record)


def outcome_of(record: Procedure | Observation | Device | DeviceUseStatement, reader: Reader) -> Outcome:
    """Return what a record states, or why it states nothing."""
    match record:
        case Procedure():
            return facts_of_procedure(record, reader)
        case Observation():
            return facts_of_observation(record, reader)
        case Device():
            return facts_of_device(record, reader)
        case DeviceUseStatement():
            return facts_of_use(record, reader)
        case _:
            assert_never(record)


def add_outcome(collected: Collected, name: str, outcome: Outcome) -> None:
    """Add what a record states, or why it states nothing."""
    tally = collected.tally
    tally.read[name] += 1
    if isinstance(outcome, tuple):
        tally.with_facts[name] += 1
        collected.facts[outcome[0].patient] += outcome
    elif isinstance(outcome, OnlyIfLine):
        tally.with_facts[name] += 1
        collected.only_if_line.add(outcome.facts[0].source)
        collected.facts[outcome.facts[0].patient] += outcome.facts
    elif isinstance(outcome, Ignored):
        tally.ignored[name, outcome.rule] += 1
        for fact in outcome.retracted:
            collected.facts[fact.patient].append(fact)
    elif isinstance(outcome, GestationNote):
        collected.gestation[outcome.patient].append(outcome)
        if outcome.taken_back is None:
            tally.context[name] += 1
        else:
            tally.ignored[name, outcome.taken_back] += 1
    else:
        tally.issues[name] += 1
        collected.issues.append(outcome)


def _is_stored_last(collected: Collected, record: Resource) -> bool:
    """Tell whether no later version of a resource was read so far, and note it."""
    source = collected.reader.named(record)
    told = record.meta.last_updated if record.meta is not None else None
    if source not in collected.stored:
        # Nearly every resource comes once: when it was stored is read only where another version has to be compared.
        collected.stored[source] = told
        return True
    before = collected.stored[source]
    reader = collected.reader
    last = _instant(told, reader) >= _instant(before, reader)
    if last:
        collected.stored[source] = told
    return last


def _instant(text: str | None, reader: Reader) -> Instant:
    return ALWAYS if text is None else reader.instant(text) or ALWAYS


def _add_device(collected: Collected, record: Device) -> None:
    outcome = facts_of_device(record, collected.reader)
    add_outcome(collected, "Device", outcome)
    if not _is_stored_last(collected, record):
        return
    source = collected.reader.named(record)
    collected.device_owner.pop(source, None)
    collected.other_devices.discard(source)
    if isinstance(outcome, tuple):
        collected.device_owner[source] = outcome[0].patient
    elif isinstance(outcome, Ignored) and outcome.rule == NOT_A_LINE:
        collected.other_devices.add(source)


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
        _keep_stay(collected, record, found)


def _keep_stay(collected: Collected, record: Encounter, found: StayRead) -> None:
    collected.stays[found.patient].append(found.stay)
    collected.issues.extend(found.issues)
    if found.stay.status == IN_ERROR:
        collected.tally.ignored["Encounter", IN_ERROR] += 1
    else:
        collected.tally.context["Encounter"] += 1
        if found.died is not None:
            collected.deaths[found.stay] = found.died
    if _is_stored_last(collected, record):
        collected.encounter_owner[found.stay.id] = found.patient


def _add_person(collected: Collected, record: Patient) -> None:
    person, issues = person_of(record, collected.reader)
    held = collected.persons.get(person.id)
    _count_context(collected.tally, "Patient", held, person)
    if held is not None or person.died is not None or record.link:
        _keep_version(collected, record, person, held)
    if _is_stored_last(collected, record):
        collected.persons[person.id] = person
        collected.issues.extend(issues)


def _keep_version(collected: Collected, record: Patient, person: Person, held: Person | None) -> None:
    """Keep a version beside those before it. One that was read alone until now said nothing of a death or a link."""
    versions, reader = collected.versions.setdefault(person.id, []), collected.reader
    if held is not None and not versions:
        stored = _instant(collected.stored[person.id], reader)
        by_storing = "updated" in reader.source_map.known["Patient"]
        versions.append(PersonVersion(person=held, stored=stored, known=stored if by_storing else ALWAYS))
    versions.append(version_of(record, person, reader))


def add_allergy(collected: Collected, record: AllergyIntolerance, *, doubted: bool = False) -> None:
    """Add an allergy entry. `doubted`: a modifier may reverse it."""
    tally, found = collected.tally, allergy_of(record, collected.reader, doubted=doubted)
    tally.read["AllergyIntolerance"] += 1
    if isinstance(found, Issue):
        tally.issues["AllergyIntolerance"] += 1
        collected.issues.append(found)
        return
    rule = found.rule if isinstance(found, Ignored) else found.ignored
    if rule is None:
        tally.context["AllergyIntolerance"] += 1
    else:
        tally.ignored["AllergyIntolerance", rule] += 1
    if isinstance(found, AllergyNote):
        collected.allergies[found.source].append(found)


def _add_location(collected: Collected, record: Location) -> None:
    source, found = collected.reader.named(record), location_of(record)
    _count_context(collected.tally, "Location", collected.locations.get(source), found)
    if _is_stored_last(collected, record):
        collected.locations[source] = found


def _count_context(tally: Tally, name: str, held: object, read: object) -> None:
    """Count a person or a place: of several versions of one, all but one are not used."""
    tally.read[name] += 1
    if held is None:
        tally.context[name] += 1
    else:
        tally.ignored[name, DUPLICATE if held == read else SUPERSEDED] += 1


def all_read(collected: Collected) -> None:
    """Let go of what only reading needs, a sixth of all: how texts were read, and when each version was stored."""
    collected.stored.clear()
    collected.reader.forget()
