"""An Observation record → the facts it states, or why it states none. No I/O."""

from dataclasses import dataclass

from linedays.core.model import Fact, FactKind, Issue, IssueKind
from linedays.core.moment import Instant, Moment, TimeProblem
from linedays.fhir.reading import Ignored, Reader, bad_time, issue, retracted, shown, source_of
from linedays.fhir.wire import Component, Observation
from linedays.mapping.source_map import NO_FINDING, Answers, Entry, TimeFrom

_FINAL = frozenset({"final", "amended", "corrected"})
_GONE = frozenset({"entered-in-error", "cancelled"})
_WEEK_UNITS = frozenset({"wk", "week", "weeks"})
_DAY_UNITS = frozenset({"d", "day", "days"})


@dataclass(frozen=True, slots=True)
class GestationNote:
    """A patient's gestational age at birth. Units: days."""

    patient: str
    source: str
    days: int
    known: Instant


def facts_of_observation(record: Observation, reader: Reader) -> tuple[Fact, ...] | Ignored | Issue | GestationNote:
    """Return what an Observation states."""
    if any(identifier.system == reader.own_system for identifier in record.identifier):
        return Ignored("own-output")
    entry = _entry(record, reader)
    if isinstance(entry, Issue | Ignored):
        return entry
    patient = reader.reference(record.subject)
    if patient is None:
        return issue(record, IssueKind.NO_PATIENT, "no patient it could be about; fill in subject")
    if record.status in _GONE:
        return retracted(record, patient, reader)
    if record.status not in _FINAL:
        return Ignored("not-final")
    if entry.gestation:
        return _gestation(record, reader, patient)
    return _facts(record, reader, entry, patient)


def _entry(record: Observation, reader: Reader) -> Entry | Ignored | Issue:
    entries = reader.source_map.entries["Observation"]
    for coding in record.code.coding:
        found = entries.get((coding.system, coding.code))
        if found is not None:
            return Ignored(found.ignored) if found.ignored is not None else found
    for coding in record.code.coding:
        if coding.system in reader.source_map.systems:
            text = f"the code {shown(coding.code)!r} is not in the source map; map it or list it as ignored"
            return issue(record, IssueKind.UNKNOWN_CODE, text, reader.reference(record.subject))
    return Ignored("code-not-mapped")


def _facts(record: Observation, reader: Reader, entry: Entry, patient: str) -> tuple[Fact, ...] | Ignored | Issue:
    assert entry.fact is not None
    if entry.time is TimeFrom.VALUE and record.value_date_time is None:
        return (_charted(record, reader, entry, patient),) if entry.makes_line else Ignored("no-value-charted")
    happened = _happened(record, reader, entry, patient)
    if isinstance(happened, Issue):
        return happened
    said = _said(record, reader, entry, patient)
    if isinstance(said, Issue | Ignored):
        return said
    kind, findings, value = said
    site, side = reader.site(record.body_site)
    fact = Fact(
        kind=kind,
        patient=patient,
        source=source_of(record),
        happened=happened,
        known=reader.known(record, happened),
        updated=reader.updated(record),
        device=_device(record, reader),
        line_kind=entry.line_kind,
        site=site,
        side=side,
        slot=entry.slot,
        encounter=reader.reference(record.encounter),
        value=value,
        findings=findings,
    )
    return (_charted(record, reader, entry, patient), fact) if entry.makes_line else (fact,)


def _charted(record: Observation, reader: Reader, entry: Entry, patient: str) -> Fact:
    """State that a slot was charted about: all that says its line was there, at the time of the entry."""
    known = reader.known(record, None)
    return Fact(
        kind=FactKind.CHARTED,
        patient=patient,
        source=source_of(record),
        happened=Moment(known, known),
        known=known,
        updated=reader.updated(record),
        line_kind=entry.line_kind,
        slot=entry.slot,
        encounter=reader.reference(record.encounter),
    )


def _happened(record: Observation, reader: Reader, entry: Entry, patient: str) -> Moment | Issue:
    if entry.time is TimeFrom.VALUE:
        element, text = "valueDateTime", record.value_date_time
    else:
        period = record.effective_period
        element = "effective"
        text = record.effective_date_time or record.effective_instant or (period.start if period else None)
    if text is None:
        return issue(record, IssueKind.NO_TIME, "no time at which it was seen; fill in effective", patient)
    happened = reader.moment(text)
    return bad_time(record, element, happened, patient) if isinstance(happened, TimeProblem) else happened


def _said(
    record: Observation, reader: Reader, entry: Entry, patient: str
) -> tuple[FactKind, tuple[str, ...], str | None] | Ignored | Issue:
    assert entry.fact is not None
    match entry.fact:
        case FactKind.DRESSING_SEEN | FactKind.SITE_SEEN:
            assert entry.answers is not None
            return _findings(record, entry.fact, entry.answers, patient)
        case FactKind.SITE_HEALED:
            if record.value_boolean is None:
                return Ignored("no-value-charted")
            return (FactKind.SITE_HEALED if record.value_boolean else FactKind.SITE_NOT_HEALED), (), None
        case FactKind.LINE_NOT_PRESENT:
            return (entry.fact, (), None) if record.value_boolean else Ignored("line-said-to-be-present")
        case FactKind.LABEL_DATE | FactKind.CHANGE_REPORTED | FactKind.DRESSING_CHANGED:
            return entry.fact, (), _dressing_kind(record, reader)
        case _:
            coding = record.value_codeable_concept.coding if record.value_codeable_concept else ()
            return entry.fact, (), coding[0].code if coding else entry.item


def _dressing_kind(record: Observation, reader: Reader) -> str | None:
    kinds = reader.source_map.dressing_kinds
    for component in record.component:
        for coding in component.value_codeable_concept.coding if component.value_codeable_concept else ():
            found = kinds.get((coding.system, coding.code))
            if found is not None:
                return found
    return None


def _findings(
    record: Observation, kind: FactKind, answers: Answers, patient: str
) -> tuple[FactKind, tuple[str, ...], None] | Ignored | Issue:
    found: list[str] = []
    values: list[Observation | Component] = [record, *record.component]
    charted = [value for value in values if _has_value(value)]
    if not charted:
        return Ignored("no-value-charted")
    for value in charted:
        word = _word(value, answers)
        if word is None:
            text = "a value that is not in the source map: look at the dressing, and map the value"
            return issue(record, IssueKind.UNKNOWN_VALUE, text, patient)
        found.append(word)
    words = tuple(dict.fromkeys(word for word in found if word != NO_FINDING))
    return kind, words or ("none",), None


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
        return answers.text.get((concept.text or "").strip().casefold())
    if value.value_string is not None:
        return answers.text.get(value.value_string.strip().casefold())
    if value.value_quantity is not None and value.value_quantity.value is not None:
        return answers.number.get(value.value_quantity.value)
    return None


def _device(record: Observation, reader: Reader) -> str | None:
    named = reader.reference(record.device)
    if named is not None:
        return named
    for focus in record.focus:
        named = reader.reference(focus)
        if named is not None and named.startswith("Device/"):
            return named
    return None


def _gestation(record: Observation, reader: Reader, patient: str) -> GestationNote | Issue:
    quantity = record.value_quantity
    if quantity is not None and quantity.value is not None:
        unit = quantity.code or quantity.unit
        if unit in _WEEK_UNITS:
            return GestationNote(patient, source_of(record), int(quantity.value * 7), reader.known(record, None))
        if unit in _DAY_UNITS:
            return GestationNote(patient, source_of(record), int(quantity.value), reader.known(record, None))
    text = "a gestational age without a number in weeks or days is not used; the youngest reading counts"
    return issue(record, IssueKind.UNKNOWN_VALUE, text, patient)


