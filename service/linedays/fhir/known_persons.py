"""What was read, by a moment → persons as known then: merges, allergies, deaths, ages, what disagrees. No I/O."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from msgspec import Struct
from msgspec.structs import replace as with_fields

from linedays.core.model import Allergy, Fact, Issue, IssueKind, Person, Stay
from linedays.core.moment import Instant, Moment
from linedays.fhir.allergies import allergies_known
from linedays.fhir.collected import Collected
from linedays.fhir.merges import joined, merges_known
from linedays.fhir.observations import gestation_known
from linedays.fhir.people import person_known


class KnownPersons(Struct, frozen=True, gc=False, kw_only=True):
    """What is known of persons by a moment beside their own records.

    `read` is what was read with merged records joined, `merged` which record was replaced by which, `surviving` those
    that replaced one, `ignored` how many allergy entries are not used, and why. Of who is not in `told_of` nothing is
    known but one version of a record, as of most.
    """

    read: Collected
    known_by: Instant
    merged: dict[str, str]
    surviving: dict[str, Person]
    told_of: frozenset[str]
    allergies: dict[str, tuple[Allergy, ...]]
    ignored: Counter[tuple[str, str]]
    issues: tuple[Issue, ...]


def known_persons(collected: Collected, known_by: Instant) -> KnownPersons:
    """Return what is known of persons by a moment."""
    merges = merges_known(collected.versions, collected.persons, known_by)
    surviving = list(_surviving(collected, merges.into, known_by))
    allergies = allergies_known(collected.allergies, known_by, merges.into)
    return KnownPersons(
        read=joined(collected, merges.into),
        known_by=known_by,
        merged=merges.into,
        surviving={person.id: person for person, _ in surviving},
        told_of=frozenset([*collected.versions, *merges.into.values(), *allergies.of, *collected.gestation]),
        allergies=allergies.of,
        ignored=allergies.ignored,
        issues=(*merges.issues, *allergies.issues, *(issue for _, issues in surviving for issue in issues)),
    )


def known_person(patient: str, people: KnownPersons, stays: Iterable[Stay]) -> Person:
    """Return one person, with what was charted elsewhere than in its own record: its stays are those known by then."""
    collected = people.read
    if not collected.deaths and patient not in people.told_of:
        return collected.persons.get(patient) or Person(id=patient)
    person = people.surviving.get(patient) or _read_person(collected, patient, people.known_by)
    deaths = [collected.deaths[stay] for stay in stays if stay in collected.deaths] if collected.deaths else []
    return replace(
        person,
        gestation_days=_gestation(person, people),
        died=person.died or min(deaths, key=lambda died: died.earliest, default=None),
        allergies=people.allergies.get(patient, ()),
    )


def _gestation(person: Person, people: KnownPersons) -> int | None:
    """Return the gestational age in days: a person's own, else the youngest reading of the records it replaces."""
    notes = people.read.gestation
    own, *others = (gestation_known(notes.get(name, ()), people.known_by) for name in (person.id, *person.former_ids))
    return own if own is not None else min((days for days in others if days is not None), default=None)


def facts_told(collected: Collected, person: Person) -> list[Fact]:
    """Return everything that was read of a patient's lines, also under the records that this one replaces."""
    own = collected.facts.get(person.id, [])
    former = (collected.facts.get(name, ()) for name in person.former_ids)
    return [*own, *(with_fields(fact, patient=person.id) for facts in former for fact in facts)]


def _surviving(
    collected: Collected, into: Mapping[str, str], known_by: Instant
) -> Iterator[tuple[Person, tuple[Issue, ...]]]:
    """Yield each surviving person with the ids of the records it replaces, and where those disagree with it.

    Its own birth date and death count. Where it has no birth date, of the others that one counts which makes the
    patient youngest (design 2.2.2); a death in a record that was replaced closes nothing and is named.
    """
    former: defaultdict[str, list[str]] = defaultdict(list)
    for old, new in sorted(into.items()):
        former[new].append(old)
    for name, ids in former.items():
        own = _read_person(collected, name, known_by)
        others = [_read_person(collected, old, known_by) for old in ids]
        births = [other.birth for other in others if other.birth is not None]
        birth = own.birth or max(births, key=lambda moment: moment.latest, default=None)
        yield replace(own, birth=birth, former_ids=tuple(ids)), tuple(_disagreements(own, others))


def _read_person(collected: Collected, name: str, known_by: Instant) -> Person:
    """Return a person as read, by a moment where its versions differ."""
    versions = collected.versions.get(name)
    if versions is not None:
        return person_known(versions, known_by)
    return collected.persons.get(name) or Person(id=name)


def _disagreements(own: Person, others: Iterable[Person]) -> Iterator[Issue]:
    for other in others:
        what = []
        if own.birth is not None and other.birth is not None and _apart(own.birth, other.birth):
            what.append("their birth dates differ")
        if other.died is not None and own.died is None:
            what.append("a death is charted in the record that was replaced alone")
        if what:
            text = f"it replaces {other.id}, and {' and '.join(what)}: the surviving record counts; look at both"
            yield Issue(kind=IssueKind.RECORDS_DISAGREE, source=own.id, text=text, patient=own.id, used=True)


def _apart(one: Moment, other: Moment) -> bool:
    return one.latest < other.earliest or other.latest < one.earliest
