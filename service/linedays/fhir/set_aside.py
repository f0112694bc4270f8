"""Facts as collected, and whose the Devices and Encounters are → the facts that can count, and what became of others.

A version of a resource that is set aside leaves a retraction in its place, so that no earlier version of it counts
either. Whose a Device is can be known only when everything was read. No I/O.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from operator import attrgetter

from linedays.core.model import Fact, FactKind, Issue, IssueKind
from linedays.core.moment import Instant, exactly
from linedays.core.tally import DUPLICATE, NOT_KNOWN_YET, SUPERSEDED
from linedays.fhir.collected import Collected
from linedays.fhir.people import IN_ERROR, latest_known

_DEVICE, _ENCOUNTER = attrgetter("device"), attrgetter("encounter")
Version = tuple[str, Instant | None]
NO_LINE_DEVICE = "device-not-a-line"


@dataclass(frozen=True, slots=True)
class SetAside:
    """The facts that can count, by patient; of the others, how many resources are issues or ignored, and the issues."""

    facts: dict[str, Sequence[Fact]] = field(default_factory=dict)
    issues: list[Issue] = field(default_factory=list)
    counted_issues: Counter[str] = field(default_factory=Counter)
    counted_ignored: Counter[tuple[str, str]] = field(default_factory=Counter)


def set_aside(collected: Collected) -> SetAside:
    """Set aside what belongs to another patient, and what would count only if its device were a line."""
    result = SetAside()
    device_owner, encounter_owner = collected.device_owner, collected.encounter_owner
    weak, others = collected.only_if_line, collected.other_devices
    for patient, facts in collected.facts.items():
        devices = {device for device in set(map(_DEVICE, facts)) if device_owner.get(device, patient) != patient}
        stays = {stay for stay in set(map(_ENCOUNTER, facts)) if encounter_owner.get(stay, patient) != patient}
        foreign: set[Version] = set()
        if devices or stays:
            foreign = _versions(fact for fact in facts if fact.device in devices or fact.encounter in stays)
        about = [fact for fact in facts if not (fact.device in others and fact.source in weak)] if weak else facts
        no_line = set() if len(about) == len(facts) else _versions(facts) - _versions(about) - foreign
        if foreign or no_line:
            _count(result, facts, foreign, no_line)
            result.facts[patient] = [*_without(about, foreign), *_retractions(facts, foreign | no_line)]
        else:
            result.facts[patient] = about
    return result


def _versions(facts: Iterable[Fact]) -> set[Version]:
    return {(fact.source, fact.updated) for fact in facts}


def _without(facts: Iterable[Fact], versions: set[Version]) -> list[Fact]:
    return [fact for fact in facts if (fact.source, fact.updated) not in versions]


def _retractions(facts: Iterable[Fact], versions: set[Version]) -> list[Fact]:
    told = {(fact.source, fact.updated): fact for fact in facts}
    return [
        Fact(
            kind=FactKind.RETRACTED,
            patient=told[version].patient,
            source=told[version].source,
            happened=exactly(told[version].known),
            known=told[version].known,
            updated=told[version].updated,
        )
        for version in sorted(versions, key=_order)
    ]


def _order(version: Version) -> tuple[str, Instant]:
    source, updated = version
    return source, -1 if updated is None else updated


def _count(result: SetAside, facts: Sequence[Fact], foreign: set[Version], no_line: set[Version]) -> None:
    """Count each version once: a foreign one is an issue where it is the last of its resource, else superseded."""
    last = {source: (source, updated) for source, updated in sorted(_versions(facts), key=_order)}
    patient = facts[0].patient
    for version, copies in _copies(facts, foreign | no_line).items():
        source = version[0]
        name = source.partition("/")[0]
        if copies > 1:
            result.counted_ignored[name, DUPLICATE] += copies - 1
        if last[source] != version:
            result.counted_ignored[name, SUPERSEDED] += 1
        elif version in no_line:
            result.counted_ignored[name, NO_LINE_DEVICE] += 1
        else:
            result.counted_issues[name] += 1
            result.issues.append(_mismatch(source, patient))


def _copies(facts: Iterable[Fact], versions: set[Version]) -> dict[Version, int]:
    """Return how often each of some versions was read: a page may hand out a resource twice."""
    told: dict[Version, list[Fact]] = {version: [] for version in sorted(versions, key=_order)}
    for fact in facts:
        if (fact.source, fact.updated) in told:
            told[fact.source, fact.updated].append(fact)
    return {version: len(same) // len(set(same)) for version, same in told.items()}


def _mismatch(source: str, patient: str) -> Issue:
    text = "its device or encounter belongs to another patient; nothing of it was used: correct the link"
    return Issue(kind=IssueKind.SUBJECT_MISMATCH, source=source, text=text, patient=patient)


def told_last(facts: Sequence[Fact], known_by: Instant) -> Sequence[Fact]:
    """Leave out each retraction that a later version, known by a moment, answers: its resource speaks again."""
    taken_back = {fact.source for fact in facts if fact.kind is FactKind.RETRACTED}
    if not taken_back:
        return facts
    spoke: dict[str, Instant] = {}
    for fact in facts:
        if fact.source in taken_back and fact.kind is not FactKind.RETRACTED and fact.known <= known_by:
            spoke[fact.source] = max(spoke.get(fact.source, -1), _order((fact.source, fact.updated))[1])
    return [
        fact
        for fact in facts
        if fact.kind is not FactKind.RETRACTED or _order((fact.source, fact.updated))[1] >= spoke.get(fact.source, -1)
    ]


def stay_shortfall(collected: Collected, known_by: Instant) -> Counter[tuple[str, str]]:
    """Count the versions of stays that are not used: copies, superseded ones, and those not known by a moment."""
    ignored: Counter[tuple[str, str]] = Counter()
    for stays in collected.stays.values():
        if len({stay.id for stay in stays}) == len(stays) and all(stay.known <= known_by for stay in stays):
            continue
        used = set(latest_known(stays, known_by))
        said = [stay for stay in stays if stay.status != IN_ERROR]
        ignored["Encounter", DUPLICATE] += len(said) - len(set(said))
        for stay in set(said) - used:
            ignored["Encounter", NOT_KNOWN_YET if stay.known > known_by else SUPERSEDED] += 1
    return +ignored
