"""What every kind of resource needs on its way to facts: references, times, known times, codes, sites. No I/O."""

from dataclasses import dataclass, field
from datetime import tzinfo

from linedays.core.model import Fact, FactKind, Issue, IssueKind
from linedays.core.moment import Instant, Moment, TimeProblem, moment_from_text
from linedays.fhir.wire import Concept, Device, Encounter, Observation, Procedure, Reference, Resource
from linedays.mapping.source_map import SourceMap, site_text
from linedays.mapping.source_shapes import KnownName

RECORDED = "http://hl7.org/fhir/5.0/StructureDefinition/extension-Procedure.recorded"
ALWAYS: Instant = 0
SHOWN_LENGTH = 60


@dataclass(frozen=True, slots=True)
class Ignored:
    """A resource that is passed over by a named rule. A retraction still goes with it, for its earlier versions."""

    rule: str
    retracted: tuple[Fact, ...] = ()


@dataclass(frozen=True, slots=True)
class Reader:
    """How one record system is read: its source map, the zone of dates without a time, and our own identifiers."""

    source_map: SourceMap
    zone: tzinfo
    own_system: str
    names: dict[str, str] = field(default_factory=dict)

    def reference(self, reference: Reference | None) -> str | None:
        """Return `Type/id` of a literal reference, or None where it names nothing we can follow."""
        text = reference.reference if reference is not None else None
        if text is None:
            return None
        known = self.names.get(text)
        if known is None:
            known = self.names[text] = _type_and_id(text)
        return known or None

    def moment(self, text: str) -> Moment | TimeProblem:
        """Read a time as this system writes times."""
        rules = self.source_map
        return moment_from_text(
            text, self.zone, midnight_is_day=rules.midnight_is_day, local_if_no_offset=rules.local_if_no_offset
        )

    def updated(self, record: Resource) -> Instant | None:
        """Return when the server stored this version."""
        if record.meta is None or record.meta.last_updated is None:
            return None
        stored = moment_from_text(record.meta.last_updated, self.zone)
        return stored.earliest if isinstance(stored, Moment) else None

    def known(self, record: Resource, happened: Moment | None) -> Instant:
        """Return when a resource became known: the first that exists of what the source map names."""
        for name in self.source_map.known[type(record).__name__]:
            found = self._known_from(name, record, happened)
            if found is not None:
                return found
        return ALWAYS

    def _known_from(self, name: KnownName, record: Resource, happened: Moment | None) -> Instant | None:
        match name:
            case "updated":
                return self.updated(record)
            case "happened":
                return happened.earliest if happened is not None else None
            case "recorded":
                stated = _recorded(record)
            case "issued":
                stated = record.issued if isinstance(record, Observation) else None
            case "recorded-on":
                stated = getattr(record, "recorded_on", None)
        if stated is None:
            return None
        told = self.moment(stated)
        return told.earliest if isinstance(told, Moment) else None

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
        return self.names.setdefault(site, site) if site else None, side


def _type_and_id(text: str) -> str:
    if text.startswith("urn:"):
        return text
    parts = text.split("/_history/")[0].split("/")
    return "/".join(parts[-2:]) if len(parts) >= 2 and parts[-1] else ""


def _recorded(record: Resource) -> str | None:
    if not isinstance(record, Procedure):
        return None
    return next((extension.value_date_time for extension in record.extension if extension.url == RECORDED), None)


def source_of(record: Resource) -> str:
    """Return `Type/id` of a record."""
    return f"{type(record).__name__}/{record.id}"


def issue(record: Resource, kind: IssueKind, text: str, patient: str | None = None) -> Issue:
    """Return an issue about a record."""
    return Issue(kind=kind, source=source_of(record), text=text, patient=patient)


def bad_time(record: Resource, element: str, problem: TimeProblem, patient: str | None) -> Issue:
    """Return the issue of an element that holds no usable time."""
    return issue(record, IssueKind.BAD_TIME, f"{element} holds {problem.value}; correct it in the chart", patient)


def retracted(record: Procedure | Observation | Device | Encounter, patient: str | None, reader: Reader) -> Ignored:
    """Return a resource that was entered in error: it clears nothing, and what it said before was never so."""
    if patient is None:
        return Ignored("entered-in-error")
    updated = reader.updated(record)
    known = updated if updated is not None else reader.known(record, None)
    fact = Fact(
        kind=FactKind.RETRACTED,
        patient=patient,
        source=source_of(record),
        happened=Moment(known, known),
        known=known,
        updated=updated,
    )
    return Ignored("entered-in-error", (fact,))


def shown(text: str | None) -> str:
    """Return a code or text as an issue may quote it: short, on one line."""
    return " ".join((text or "").split())[:SHOWN_LENGTH]
