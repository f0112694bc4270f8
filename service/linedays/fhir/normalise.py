"""Raw resources → facts, persons, stays and places by patient, with every resource accounted for. No I/O.

Most resources fit their record and go straight on. What fits none is an issue; what has elements that the standard does
not know is read without them and named; what a modifier may reverse is not believed (`_add_modified`).
"""

from collections.abc import Callable, Iterable
from datetime import tzinfo
from typing import assert_never

import msgspec

from linedays.core.count_rules import CountingRules
from linedays.core.model import Issue, IssueKind, Place
from linedays.fhir.collected import Collected, add_allergy, add_outcome, add_record, outcome_of
from linedays.fhir.devices import NOT_A_LINE
from linedays.fhir.observations import facts_of_observation
from linedays.fhir.places import places_of
from linedays.fhir.procedures import facts_of_procedure
from linedays.fhir.reading import Ignored, says_nothing, source_of
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
from linedays.fhir.wire import Odd, Refusal, record_from_bytes

LARGEST_RESOURCE = 8_000_000
_MOST_NAMED = 5


def collect(collected: Collected, raw: bytes | msgspec.Raw, where: str) -> None:
    """Add one resource. `where` names the file and line, or the page, for bytes that do not say what they are."""
    if len(raw) > LARGEST_RESOURCE:
        _refused(collected, Refusal(source=None, why="larger than a resource may be"), where, IssueKind.TOO_LARGE)
        return
    match record_from_bytes(raw):
        # The two types that come by the million go first.
        case Procedure() as record:
            add_outcome(collected, "Procedure", facts_of_procedure(record, collected.reader))
        case Observation() as record:
            add_outcome(collected, "Observation", facts_of_observation(record, collected.reader))
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
    """Add a record with elements that FHIR R4 does not know, or that a modifier may reverse, and name those.

    What is passed over by its own code, and our own output, is nobody's concern here.
    """
    if _is_somebody_elses(odd.record, collected):
        add_record(collected, odd.record)
        return
    issues, name = collected.tally.issues, type(odd.record).__name__
    before = issues[name]
    if odd.modifiers:
        _add_modified(collected, odd)
    else:
        add_record(collected, odd.record)
    if odd.unknown:
        text = f"passed over, as FHIR R4 does not know it here: {_some(odd.unknown)}; correct the interface"
        _issue(collected, odd.record, IssueKind.UNKNOWN_ELEMENT, text, used=issues[name] == before)


def _is_somebody_elses(record: Record, collected: Collected) -> bool:
    match record:
        case Procedure() | Observation():
            coding, rules = record.code.coding, _ELSEWHERE
        case Device():
            coding, rules = record.type.coding if record.type is not None else (), _ELSEWHERE
        case _:
            return False
    outcome = outcome_of(record, collected.reader)
    return isinstance(outcome, Ignored) and outcome.rule in rules and bool(coding or outcome.rule == "own-output")


_ELSEWHERE = frozenset({"code-not-mapped", NOT_A_LINE, "own-output"})


def _add_modified(collected: Collected, odd: Odd) -> None:
    """Add a record that a modifier may reverse: what could end something or clear it is not believed.

    A Procedure, an Observation and a use say nothing then, in this version or before. A Device, a stay, a person and a
    place are read as they stand, since to lose one whole could end the watch over a line; but a Device ends no line,
    and a person is joined with no other. An allergy is never lost: it counts whatever its status.
    """
    record, what = odd.record, f"it may be reversed by what is not understood here ({_some(odd.modifiers)})"
    match record:
        case Device() | Encounter() | Patient() | Location():
            add_record(collected, _ending_nothing(record))
            _issue(collected, record, IssueKind.MODIFIED, f"{what} and was read as it stands: look at it", used=True)
        case AllergyIntolerance():
            add_allergy(collected, record, doubted=True)
            _issue(collected, record, IssueKind.MODIFIED, f"{what} and counts as an allergy: look at it", used=True)
        case Procedure() | Observation() | DeviceUseStatement():
            outcome = outcome_of(record, collected.reader)
            if isinstance(outcome, Ignored | Issue):
                add_outcome(collected, type(record).__name__, outcome)
                return
            patient = collected.reader.patient(record.subject)
            text = f"{what}, so that nothing of it was used, in this version or before: look at it"
            said = Issue(kind=IssueKind.MODIFIED, source=source_of(record), text=text, patient=patient)
            add_outcome(collected, type(record).__name__, said)
            for fact in says_nothing("modified", record, patient, collected.reader).retracted:
                collected.facts[fact.patient].append(fact)
        case _:
            assert_never(record)


def _ending_nothing(record: Record) -> Record:
    if isinstance(record, Device) and record.status == "inactive":
        return msgspec.structs.replace(record, status="active")
    if isinstance(record, Patient) and record.link:
        return msgspec.structs.replace(record, link=())
    return record


def _issue(collected: Collected, record: Record, kind: IssueKind, text: str, *, used: bool) -> None:
    collected.issues.append(
        Issue(kind=kind, source=source_of(record), text=text, patient=_patient_of(record, collected), used=used)
    )


def _patient_of(record: Record, collected: Collected) -> str | None:
    match record:
        case Procedure() | Observation() | DeviceUseStatement() | Encounter():
            return collected.reader.patient(record.subject)
        case Device() | AllergyIntolerance():
            return collected.reader.patient(record.patient)
        case Patient():
            return source_of(record)
        case Location():
            return None
        case _:
            assert_never(record)


def _some(paths: tuple[str, ...]) -> str:
    more = len(paths) - _MOST_NAMED
    return ", ".join(paths[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def places(
    collected: Collected, counting: CountingRules, zone_of: Callable[[str], tzinfo | None]
) -> tuple[dict[str, Place], Iterable[Issue]]:
    """Return the places that were read, and the Locations that nobody classed."""
    return places_of(collected.locations, counting, zone_of)
