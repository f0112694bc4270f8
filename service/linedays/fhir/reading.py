"""What every kind of resource needs on its way to facts: references, times, known times, codes, sites. No I/O."""

import re
import sys
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import tzinfo
from functools import cache
from operator import attrgetter
from typing import Any

from linedays.core.model import Fact, FactKind, Issue, IssueKind
from linedays.core.moment import Instant, Moment, TimeProblem, instant_from_text, moment_from_text
from linedays.fhir.datatypes import Coding, Concept, Reference
from linedays.fhir.records import AllergyIntolerance, Device, DeviceUseStatement, Observation, Procedure
from linedays.fhir.unread import Resource
from linedays.mapping.source_check import site_text
from linedays.mapping.source_map import Entry, SourceMap, TimeFrom

RECORDED = "http://hl7.org/fhir/5.0/StructureDefinition/extension-Procedure.recorded"
ALWAYS: Instant = 0
FIRST_VERSION = "1"
_LONGEST_REFERENCE = 2000
# A literal reference, relative or absolute, to any or to one version; or the name a Bundle gives to one of its entries.
# Source: FHIR R4, references, literal references (http://hl7.org/fhir/R4/references.html#literal).
_LITERAL = re.compile(r"(?:.*/)?([A-Z][A-Za-z]+/[A-Za-z0-9._-]{1,64})(?:/_history/[A-Za-z0-9._-]{1,64})?", re.ASCII)
_CODE = re.compile(r"[A-Za-z0-9._-]{1,60}", re.ASCII)
_ENTRY_NAME = re.compile(r"urn:(?:uuid|oid):[A-Za-z0-9.-]{1,64}", re.ASCII)


@dataclass(frozen=True, slots=True)
class Ignored:
    """A resource that is passed over by a named rule. A retraction still goes with it, for its earlier versions."""

    rule: str
    retracted: tuple[Fact, ...] = ()


@dataclass(frozen=True, slots=True)
class OnlyIfLine:
    """Facts that count only where their device is a line: what was charted could be about any other device."""

    facts: tuple[Fact, ...]


@cache
def ignored(rule: str) -> Ignored:
    """Return what is passed over by a rule and retracts nothing."""
    return Ignored(rule)


@dataclass(frozen=True, slots=True)
class Reader:
    """How one record system is read: its source map, the zone of dates without a time, and our own identifiers.

    `names` and `patients` keep what texts were read as, since a chart says the same again and again.
    """

    source_map: SourceMap
    zone: tzinfo
    own_system: str
    names: dict[str, str | None] = field(default_factory=dict)
    patients: dict[str, str | None] = field(default_factory=dict)

    def forget(self) -> None:
        """Let go of what texts were read as."""
        self.names.clear()
        self.patients.clear()

    def reference(self, reference: Reference | None) -> str | None:
        """Return `Type/id` of a literal reference, or None where it names nothing we can follow."""
        text = reference.reference if reference is not None else None
        if text is None:
            return None
        try:
            return self.names[text]
        except KeyError:
            known = self.names[text] = type_and_id(text)
            return known

    def named(self, record: Resource) -> str:
        """Return `Type/id` of a record that others refer to, as the one text they share."""
        name = source_of(record)
        return self.names.setdefault(name, name) or name

    def patient(self, reference: Reference | None) -> str | None:
        """Return the patient that a reference names, or None where it names none: a group, say, or a contained one."""
        text = reference.reference if reference is not None else None
        if text is None:
            return None
        try:
            return self.patients[text]
        except KeyError:
            named = type_and_id(text)
            is_patient = named is not None and named.startswith(("Patient/", "urn:"))
            self.patients[text] = named if is_patient else None
            return self.patients[text]

    def all_of(self, references: Iterable[Reference | None], name: str) -> list[str]:
        """Return those of several references that name a resource of a type."""
        named = (self.reference(reference) for reference in references)
        return [found for found in named if found is not None and found.startswith((f"{name}/", "urn:"))]

    def entry(self, resource: str, code: Concept) -> Entry | None:
        """Return what the source map says of the first code that it lists, for a Procedure or an Observation."""
        entries = self.source_map.entries[resource]
        for coding in code.coding:
            found = entries.get((coding.system, coding.code))
            if found is not None:
                return found
        return None

    def moment(self, text: str, element: TimeFrom | None = None) -> Moment | TimeProblem:
        """Read a time as this system writes times in an element."""
        rules = self.source_map
        midnight_is_day = element in rules.midnight_is_day
        if not midnight_is_day and not rules.local_if_no_offset:
            return moment_from_text(text, self.zone)
        return moment_from_text(
            text, self.zone, midnight_is_day=midnight_is_day, local_if_no_offset=rules.local_if_no_offset
        )

    def updated(self, record: Resource) -> Instant | None:
        """Return when the server stored this version."""
        meta = record.meta
        return None if meta is None or meta.last_updated is None else self.instant(meta.last_updated)

    def instant(self, text: str) -> Instant | None:
        """Read an entry time as this system writes times: the earliest instant it may mean."""
        if not self.source_map.local_if_no_offset:
            return instant_from_text(text, self.zone)
        told = self.moment(text)
        return told.earliest if isinstance(told, Moment) else None

    def known(self, record: Resource, happened: Moment | None) -> Instant:
        """Return when a resource became known: the first that exists of what the source map names."""
        return self.stamps(record, happened)[0]

    def stamps(self, record: Resource, happened: Moment | None) -> tuple[Instant, Instant | None]:
        """Return when a resource became known, and when the server stored this version.

        The first version of a resource comes before all others whenever it was stored, so that this is not said of it.
        """
        first = record.meta is None or record.meta.version_id == FIRST_VERSION
        updated = None if first else self.updated(record)
        for name in self.source_map.known[type(record).__name__]:
            if name == "updated":
                known = self.updated(record) if first else updated
            elif name == "happened":
                known = happened.earliest if happened is not None else None
            else:
                text = _STATED[type(record)](record)
                known = None if text is None else self.instant(text)
            if known is not None:
                return known, updated
        return ALWAYS, updated

    def site(self, concept: Concept | None) -> tuple[str | None, str | None]:
        """Return the body site and side of a concept: by code, by a second code for the side, or by its text."""
        if concept is None:
            return None, None
        site: str | None = None
        side: str | None = None
        for charted in [*(coding.code for coding in concept.coding), concept.text]:
            if charted is None:
                continue
            text = site_text(charted)
            named = self.source_map.sites.get(text)
            found_site, found_side = named if named is not None else (text, None)
            site, side = site or found_site, side or found_side
        return (sys.intern(site) if site else None), side


def type_and_id(text: str) -> str | None:
    """Return `Type/id` of a literal reference as written, the name of a Bundle entry as it is, or None."""
    if len(text) > _LONGEST_REFERENCE:
        return None
    literal = _LITERAL.fullmatch(text)
    if literal is not None:
        return text if literal[1] == text else literal[1]
    return text if _ENTRY_NAME.fullmatch(text) else None


def _recorded(record: Procedure) -> str | None:
    for extension in record.extension:
        if extension.url == RECORDED:
            return extension.value_date_time
    return None


def _none_stated(record: Resource) -> None:
    """Return no entry time: a resource of this type states none."""


# The entry time that a resource itself states: its recorded, issued or recordedOn.
_STATED: dict[type[Resource], Callable[[Any], str | None]] = defaultdict(
    lambda: _none_stated,
    {
        Procedure: _recorded,
        Observation: attrgetter("issued"),
        DeviceUseStatement: attrgetter("recorded_on"),
        AllergyIntolerance: attrgetter("recorded_date"),
    },
)


def source_of(record: Resource) -> str:
    """Return `Type/id` of a record."""
    return f"{type(record).__name__}/{record.id}"


def issue(record: Resource, kind: IssueKind, text: str, patient: str | None = None) -> Issue:
    """Return an issue about a record."""
    return Issue(kind=kind, source=source_of(record), text=text, patient=patient)


def bad_time(record: Resource, element: str, problem: TimeProblem, patient: str | None) -> Issue:
    """Return the issue of an element that holds no usable time."""
    return issue(record, IssueKind.BAD_TIME, f"{element} holds {problem.value}; correct it in the chart", patient)


def is_ours(record: Resource, reader: Reader) -> bool:
    """Tell whether a resource carries our identifier: our own output is never input."""
    # A loop: a generator would cost as much as the comparison, once per resource.
    for identifier in record.identifier:  # noqa: SIM110
        if identifier.system == reader.own_system:
            return True
    return False


def unmapped(
    record: Procedure | Observation, codings: tuple[Coding, ...], subject: Reference | None, reader: Reader
) -> Ignored | Issue:
    """Return what to make of codes without an entry: an issue in a system the map lists, else somebody else's."""
    for coding in codings:
        if coding.system in reader.source_map.systems:
            text = f"{shown(coding.code)} is not in the source map; map it or list it as ignored"
            return issue(record, IssueKind.UNKNOWN_CODE, text, reader.patient(subject))
    return ignored("code-not-mapped")


def retracted(
    record: Procedure | Observation | Device | DeviceUseStatement, patient: str | None, reader: Reader
) -> Ignored:
    """Return a resource that was entered in error: it clears nothing, and what it said before was never so."""
    return _retracting("entered-in-error", record, patient, reader)


def says_nothing(
    rule: str, record: Procedure | Observation | Device | DeviceUseStatement, patient: str | None, reader: Reader
) -> Ignored:
    """Return a resource that states nothing by a named rule; a later version takes back what earlier ones said."""
    if record.meta is None or record.meta.last_updated is None or record.meta.version_id == FIRST_VERSION:
        return ignored(rule)
    return _retracting(rule, record, patient, reader)


def _retracting(
    rule: str, record: Procedure | Observation | Device | DeviceUseStatement, patient: str | None, reader: Reader
) -> Ignored:
    if patient is None:
        return ignored(rule)
    known, updated = reader.stamps(record, None)
    known = updated if updated is not None else known
    fact = Fact(
        kind=FactKind.RETRACTED,
        patient=patient,
        source=source_of(record),
        happened=Moment(known, known),
        known=known,
        updated=updated,
    )
    return Ignored(rule, (fact,))


def shown(code: str | None) -> str:
    """Return a code as an issue may quote it: only what is written as a code, never words about a person."""
    return f"the code {code!r}" if code is not None and _CODE.fullmatch(code) else "a code"
