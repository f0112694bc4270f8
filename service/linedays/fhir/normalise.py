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
from linedays.core.moment import Instant, Moment
from linedays.core.tally import DUPLICATE, SUPERSEDED
from linedays.fhir.devices import NOT_A_LINE, facts_of_device, facts_of_use
from linedays.fhir.observations import GestationNote, facts_of_observation
from linedays.fhir.people import IN_ERROR, StayRead, person_of, places_of, stay_of
from linedays.fhir.procedures import facts_of_procedure
from linedays.fhir.reading import ALWAYS, Ignored, OnlyIfLine, Reader, source_of
from linedays.fhir.unread import Resource
from linedays.fhir.wire import (
    Device,
    DeviceUseStatement,
    Encounter,
    Location,
    Observation,
    Odd,
    Patient,
    Procedure,
    Record,
    Refusal,
    record_from_bytes,
)

LARGEST_RESOURCE = 8_000_000
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
    `stored`. `deaths` are the ends of stays that ended in death. What is in `only_if_line` counts only where its device
    is none of `other_devices`, which were read and are no lines.
    """

    reader: Reader
    tally: Tally = field(default_factory=Tally)
    facts: defaultdict[str, list[Fact]] = field(default_factory=lambda: defaultdict(list))
    stays: defaultdict[str, list[Stay]] = field(default_factory=lambda: defaultdict(list))
    persons: dict[str, Person] = field(default_factory=dict)
    deaths: dict[Stay, Moment] = field(default_factory=dict)
    gestation: defaultdict[str, list[GestationNote]] = field(default_factory=lambda: defaultdict(list))
    locations: dict[str, Location] = field(default_factory=dict)
    issues: list[Issue] = field(default_factory=list)
    device_owner: dict[str, str] = field(default_factory=dict)
    encounter_owner: dict[str, str] = field(default_factory=dict)
    only_if_line: set[str] = field(default_factory=set)
    other_devices: set[str] = field(default_factory=set)
    stored: dict[str, str | None] = field(default_factory=dict)


def collect(collected: Collected, raw: bytes | msgspec.Raw, where: str) -> None:
    """Add one resource. `where` names the file and line, or the page, for bytes that do not say what they are."""
    if len(raw) > LARGEST_RESOURCE:
        _refused(collected, Refusal(source=None, why="larger than a resource may be"), where, IssueKind.TOO_LARGE)
        return
    match record_from_bytes(raw):
        # The two types that come by the million go first.
        case Procedure() as record:
            _add(collected, "Procedure", facts_of_procedure(record, collected.reader))
        case Observation() as record:
            _add(collected, "Observation", facts_of_observation(record, collected.reader))
        case Refusal() as refusal:
            kind = IssueKind.BAD_JSON if refusal.not_json else IssueKind.BAD_SHAPE
            _refused(collected, refusal, where, kind)
        case Odd() as odd:
            _add_odd(collected, odd)
        case record:
            add_record(collected, record)


def _refused(collected: Collected, refusal: Refusal, where: str, kind: IssueKind) -> None:
    name = (refusal.source or "unreadable").split("/")[0]
    collected.tally.read[name] += 1
    if refusal.of_other_type:
        collected.tally.ignored[name, "type-not-read"] += 1
        return
    collected.tally.issues[name] += 1
    named = refusal.source or "a resource"
    source = named if "/" in named else f"{named} in {where}"
    collected.issues.append(Issue(kind=kind, source=source, text=f"{refusal.why}; it was not used"))


def _add_odd(collected: Collected, odd: Odd) -> None:
    """Add a record that has elements which FHIR R4 does not know, and name them unless it is passed over anyway."""
    ignored = collected.tally.ignored.total()
    add_record(collected, odd.record)
    if collected.tally.ignored.total() == ignored:
        names = ", ".join(odd.unknown)
        text = f"passed over, as FHIR R4 does not know it here: {names}; the rest counts; correct the interface"
        source = source_of(odd.record)
        collected.issues.append(Issue(kind=IssueKind.UNKNOWN_ELEMENT, source=source, text=text, used=True))


def add_record(collected: Collected, record: Record) -> None:
    """Add one record that could be read."""
    reader = collected.reader
    match record:
        case Procedure():
            _add(collected, "Procedure", facts_of_procedure(record, reader))
        case Observation():
            _add(collected, "Observation", facts_of_observation(record, reader))
        case Device():
            _add_device(collected, record)
        case DeviceUseStatement():
            _add(collected, "DeviceUseStatement", facts_of_use(record, reader))
        case Encounter():
            _add_stay(collected, record)
        case Patient():
            _add_person(collected, record)
        case Location():
            _add_location(collected, record)
        case _:
            assert_never(record)


def _add(collected: Collected, name: str, outcome: Outcome) -> None:
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
    _add(collected, "Device", outcome)
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
    if _is_stored_last(collected, record):
        collected.persons[person.id] = person
        collected.issues.extend(issues)


def _add_location(collected: Collected, record: Location) -> None:
    source = collected.reader.named(record)
    _count_context(collected.tally, "Location", collected.locations.get(source), record)
    if _is_stored_last(collected, record):
        collected.locations[source] = record


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


def places(
    collected: Collected, counting: CountingRules, zone_of: Callable[[str], tzinfo | None]
) -> tuple[dict[str, Place], Iterable[Issue]]:
    """Return the places that were read, and the Locations that nobody classed."""
    return places_of(collected.locations, counting, zone_of)
