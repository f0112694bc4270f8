"""An Observation record → the facts it states, or why it states none. No I/O."""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from typing import TypeAlias

from msgspec import Struct

from linedays.core.model import Fact, FactKind, Issue, IssueKind
from linedays.core.moment import Instant, Moment, TimeProblem
from linedays.fhir.reading import (
    Ignored,
    Reader,
    bad_time,
    ignored,
    is_ours,
    issue,
    retracted,
    says_nothing,
    source_of,
    unmapped,
)
from linedays.fhir.records import Component, Observation
from linedays.mapping.source_check import answer_text
from linedays.mapping.source_map import NO_FINDING, Answers, Code, Entry, TimeFrom

NOTHING_FOUND = ("none",)
_FINAL = frozenset({"final", "amended", "corrected"})
_GONE = frozenset({"entered-in-error", "cancelled"})
# Members have a name of their own where they are asked for once per resource (see `moment`).
_VALUE_TIME = TimeFrom.VALUE
_LOOKS = frozenset({FactKind.DRESSING_SEEN, FactKind.SITE_SEEN})
_UNIT_DAYS = {"wk": 7, "week": 7, "weeks": 7, "d": 1, "day": 1, "days": 1}
# What a gestational age at birth can be, in days (15 and 50 weeks): anything else is a slip of unit or typing.
# Common practice, no source.
_GESTATION_DAYS = (105, 350)


# The name of the rule by which a record that could be read states nothing.
NothingSaid: TypeAlias = str


class _Said(Struct, frozen=True, gc=False):
    """What an Observation says of a line."""

    kind: FactKind
    findings: tuple[str, ...]
    value: str | None


@dataclass(frozen=True, slots=True)
class GestationNote:
    """What one version of a resource says of a patient's gestational age at birth.

    Units: days; None where it was taken back, by the rule that `taken_back` names.
    """

    patient: str
    source: str
    days: int | None
    known: Instant
    updated: Instant | None
    taken_back: str | None = None


def facts_of_observation(record: Observation, reader: Reader) -> tuple[Fact, ...] | Ignored | Issue | GestationNote:
    """Return what an Observation states."""
    if record.identifier and is_ours(record, reader):
        return ignored("own-output")
    entry = reader.entry("Observation", record.code)
    if entry is None:
        return unmapped(record, record.code.coding, record.subject, reader)
    if entry.ignored is not None:
        return ignored(entry.ignored)
    patient = reader.patient(record.subject)
    if patient is None:
        return issue(record, IssueKind.NO_PATIENT, "no patient it could be about; fill in subject")
    if entry.gestation:
        return _gestation(record, reader, patient)
    if record.status in _GONE:
        return retracted(record, patient, reader)
    if record.status not in _FINAL:
        return says_nothing("not-final", record, patient, reader)
    return _facts(record, reader, entry, patient)


def _facts(record: Observation, reader: Reader, entry: Entry, patient: str) -> tuple[Fact, ...] | Ignored | Issue:
    if entry.time is _VALUE_TIME and record.value_date_time is None:
        if entry.makes_line:
            return (_charted(record, reader, entry, patient),)
        return says_nothing("no-value-charted", record, patient, reader)
    happened = _happened(record, reader, entry, patient)
    if isinstance(happened, Issue):
        return happened
    said = _said(record, reader, entry)
    if said is None:
        text = "a value that is not in the source map: look at the line and its dressing, and map the value"
        return issue(record, IssueKind.UNKNOWN_VALUE, text, patient)
    if isinstance(said, str):
        return says_nothing(said, record, patient, reader)
    site, side = reader.site(record.body_site)
    known, updated = reader.stamps(record, happened)
    fact = Fact(
        kind=said.kind,
        patient=patient,
        source=source_of(record),
        happened=happened,
        known=known,
        updated=updated,
        device=_device(record, reader),
        line_kind=entry.line_kind,
        site=site,
        side=side,
        slot=entry.slot,
        encounter=reader.reference(record.encounter),
        value=said.value,
        findings=said.findings,
    )
    return (_charted(record, reader, entry, patient), fact) if entry.makes_line else (fact,)


def _charted(record: Observation, reader: Reader, entry: Entry, patient: str) -> Fact:
    """State that a slot was charted about: all that says its line was there, at the time of the entry."""
    known, updated = reader.stamps(record, None)
    return Fact(
        kind=FactKind.CHARTED,
        patient=patient,
        source=source_of(record),
        happened=Moment(known, known),
        known=known,
        updated=updated,
        line_kind=entry.line_kind,
        slot=entry.slot,
        encounter=reader.reference(record.encounter),
    )


def _happened(record: Observation, reader: Reader, entry: Entry, patient: str) -> Moment | Issue:
    if entry.time is _VALUE_TIME:
        element, text = "valueDateTime", record.value_date_time
    else:
        period = record.effective_period
        element = "effective"
        text = record.effective_date_time or record.effective_instant or (period.start if period else None)
    if text is None:
        return issue(record, IssueKind.NO_TIME, "no time at which it was seen; fill in effective", patient)
    happened = reader.moment(text, entry.time)
    return bad_time(record, element, happened, patient) if isinstance(happened, TimeProblem) else happened


def _said(record: Observation, reader: Reader, entry: Entry) -> _Said | NothingSaid | None:
    """Return what the value says; None where there is one that the source map does not know."""
    fact = entry.fact
    assert fact is not None, "an entry without a fact is ignored, or a gestational age"
    if fact in _LOOKS:
        assert entry.answers is not None, "the source map refuses a finding without answers"
        return _findings(record, fact, entry.answers)
    match fact:
        case FactKind.SITE_HEALED | FactKind.LINE_NOT_PRESENT:
            return _truth(record, fact)
        case FactKind.LABEL_DATE | FactKind.CHANGE_REPORTED | FactKind.DRESSING_CHANGED:
            return _Said(fact, (), _dressing_kind(record, reader))
        case FactKind.TIP:
            return _coded(record, fact, reader.source_map.tip_locations)
        case FactKind.INFUSION_STARTED:
            return _coded(record, fact, reader.source_map.infusion_kinds)
        case _:
            return _Said(fact, (), entry.item)


def _truth(record: Observation, fact: FactKind) -> _Said | NothingSaid | None:
    if record.value_boolean is None:
        return None if _has_value(record) else "no-value-charted"
    if fact is FactKind.SITE_HEALED:
        return _Said(FactKind.SITE_HEALED if record.value_boolean else FactKind.SITE_NOT_HEALED, (), None)
    return _Said(fact, (), None) if record.value_boolean else "line-said-to-be-present"


def _coded(record: Observation, fact: FactKind, words: dict[Code, str]) -> _Said | None:
    """Return a fact with its coded value; a value in words alone says nothing that is counted by."""
    coding = record.value_codeable_concept.coding if record.value_codeable_concept else ()
    known = [words[each.system, each.code] for each in coding if (each.system, each.code) in words]
    if coding and not known:
        return None
    return _Said(fact, (), known[0] if known else None)


def _dressing_kind(record: Observation, reader: Reader) -> str | None:
    kinds = reader.source_map.dressing_kinds
    for component in record.component:
        for coding in component.value_codeable_concept.coding if component.value_codeable_concept else ():
            found = kinds.get((coding.system, coding.code))
            if found is not None:
                return found
    return None


def _findings(record: Observation, fact: FactKind, answers: Answers) -> _Said | NothingSaid | None:
    if not record.component and record.value_codeable_concept is not None:
        only = _word(record, answers)
        return None if only is None else _Said(fact, _alone(only) if only != NO_FINDING else NOTHING_FOUND, None)
    values: tuple[Observation | Component, ...] = (record, *record.component)
    charted = [value for value in values if _has_value(value)]
    if not charted:
        return "no-value-charted"
    found: list[str] = []
    for value in charted:
        word = _word(value, answers)
        if word is None:
            if _asks_otherwise(value, record):
                continue
            return None
        found.append(word)
    findings = tuple(dict.fromkeys(word for word in found if word != NO_FINDING))
    return _Said(fact, findings or NOTHING_FOUND, None) if found else "no-value-charted"


@cache
def _alone(finding: str) -> tuple[str, ...]:
    """Return a finding by itself: one and the same value for each of the words of a source map."""
    return (finding,)


def _asks_otherwise(value: Observation | Component, record: Observation) -> bool:
    """Tell whether a component answers another question than its Observation: a pain score beside the site, say."""
    return value is not record and bool(asked := _codes(value)) and asked.isdisjoint(_codes(record))


def _codes(value: Observation | Component) -> set[Code]:
    return {(coding.system, coding.code) for coding in value.code.coding}


def _has_value(value: Observation | Component) -> bool:
    return (
        value.value_codeable_concept is not None
        or value.value_string is not None
        or value.value_quantity is not None
        or value.value_boolean is not None
    )


def _word(value: Observation | Component, answers: Answers) -> str | None:
    concept = value.value_codeable_concept
    if concept is not None:
        for coding in concept.coding:
            found = answers.coded.get((coding.system, coding.code))
            if found is not None:
                return found
        return answers.text.get(answer_text(concept.text or ""))
    if value.value_string is not None:
        return answers.text.get(answer_text(value.value_string))
    if value.value_quantity is not None and value.value_quantity.value is not None:
        return answers.number.get(value.value_quantity.value)
    return None


def _device(record: Observation, reader: Reader) -> str | None:
    """Return the line's Device: what the Observation is about (focus), else what is named as its device.

    R4 reads `device` as the instrument a value was taken with, so that a focus on a Device goes before it.
    Source: FHIR R4, Observation.focus and Observation.device (http://hl7.org/fhir/R4/observation.html).
    """
    if record.focus:
        named = reader.all_of(record.focus, "Device")
        if named:
            return named[0]
    return reader.reference(record.device)


def _gestation(record: Observation, reader: Reader, patient: str) -> GestationNote | Issue:
    source, (known, updated) = source_of(record), reader.stamps(record, None)
    if record.status not in _FINAL:
        rule = "entered-in-error" if record.status in _GONE else "not-final"
        return GestationNote(patient, source, None, known if updated is None else updated, updated, rule)
    quantity = record.value_quantity
    unit = (quantity.code or quantity.unit or "") if quantity is not None else ""
    if quantity is not None and quantity.value is not None and unit in _UNIT_DAYS:
        days = quantity.value * _UNIT_DAYS[unit]
        if _GESTATION_DAYS[0] <= days <= _GESTATION_DAYS[1]:
            return GestationNote(patient, source, int(days), known, updated)
    text = "a gestational age without a possible number in weeks or days is not used; the youngest reading counts"
    return issue(record, IssueKind.UNKNOWN_VALUE, text, patient)


def gestation_known(notes: Iterable[GestationNote], known_by: Instant) -> int | None:
    """Return the gestational age that was known last by a moment. Units: days."""
    latest: dict[str, GestationNote] = {}
    for note in notes:
        held = latest.get(note.source)
        if note.known <= known_by and (held is None or (held.updated or 0) <= (note.updated or 0)):
            latest[note.source] = note
    standing = [note for note in latest.values() if note.days is not None]
    return max(standing, key=lambda note: (note.known, note.source)).days if standing else None
