"""Device and DeviceUseStatement records → the facts they state about lines, or why they state none. No I/O."""

from linedays.core.model import EndBasis, Fact, FactKind, Issue, IssueKind
from linedays.core.moment import Moment, TimeProblem
from linedays.fhir.reading import (
    Ignored,
    OnlyIfLine,
    Reader,
    bad_time,
    ignored,
    is_ours,
    issue,
    retracted,
    says_nothing,
    shown,
    source_of,
)
from linedays.fhir.records import Device, DeviceUseStatement

NOT_A_LINE = "not-a-line"
_DEVICE = FactKind.DEVICE
_USE_ENDED = frozenset({"completed", "stopped"})


def facts_of_device(record: Device, reader: Reader) -> tuple[Fact, ...] | Ignored | Issue:
    """Return what a Device states: a line, and its end where the record is no longer active.

    A Device has no time of its own; it is there from when it became known, and an inactive one was out by then.
    """
    if record.identifier and is_ours(record, reader):
        return ignored("own-output")
    kind = _line_kind(record, reader)
    if isinstance(kind, Ignored | Issue):
        return kind
    patient = reader.patient(record.patient)
    if record.status == "entered-in-error":
        return retracted(record, patient, reader)
    if patient is None:
        return ignored("device-in-stock")
    known, updated = reader.stamps(record, None)
    line = Fact(
        kind=_DEVICE,
        patient=patient,
        source=reader.named(record),
        happened=Moment(known, known),
        known=known,
        updated=updated,
        part_of=reader.reference(record.parent),
        line_kind=kind,
        value=_permanent_identifier(record, reader),
    )
    return (line, _ended(line)) if record.status == "inactive" else (line,)


def _line_kind(record: Device, reader: Reader) -> str | Ignored | Issue:
    coding = record.type.coding if record.type else ()
    for each in coding:
        found = reader.source_map.line_kinds.get((each.system, each.code))
        if found is not None:
            return found
    for each in coding:
        if each.system in reader.source_map.kind_systems:
            text = f"{shown(each.code)} for a kind of line is not in the source map; map it"
            return issue(record, IssueKind.UNKNOWN_CODE, text, reader.patient(record.patient))
    return ignored(NOT_A_LINE)


def _permanent_identifier(record: Device, reader: Reader) -> str | None:
    for identifier in record.identifier:
        if identifier.system in reader.source_map.permanent_identifiers and identifier.value:
            return f"{identifier.system}|{identifier.value}"
    return None


def _ended(line: Fact) -> Fact:
    return Fact(
        kind=FactKind.REMOVED,
        patient=line.patient,
        source=line.source,
        happened=line.happened,
        known=line.known,
        updated=line.updated,
        device=line.source,
        value=EndBasis.STATUS,
    )


def facts_of_use(record: DeviceUseStatement, reader: Reader) -> OnlyIfLine | Ignored | Issue:
    """Return what a DeviceUseStatement states: the end of a line's use, where one is charted."""
    patient = reader.patient(record.subject)
    if record.status == "entered-in-error":
        return retracted(record, patient, reader)
    if record.status not in _USE_ENDED:
        return says_nothing("use-not-ended", record, patient, reader)
    if patient is None:
        return issue(record, IssueKind.NO_PATIENT, "no patient it could be about; fill in subject")
    happened = _end_of_use(record, reader, patient)
    if isinstance(happened, Issue):
        return happened
    known, updated = reader.stamps(record, happened)
    fact = Fact(
        kind=FactKind.REMOVED,
        patient=patient,
        source=source_of(record),
        happened=happened,
        known=known,
        updated=updated,
        device=reader.reference(record.device),
    )
    return OnlyIfLine((fact,))


def _end_of_use(record: DeviceUseStatement, reader: Reader, patient: str) -> Moment | Issue:
    period = record.timing_period
    if period is None or period.end is None:
        text = "a use that is over without its end (timingPeriod.end); fill it in"
        return issue(record, IssueKind.NO_TIME, text, patient)
    ended = reader.moment(period.end)
    if isinstance(ended, TimeProblem):
        return bad_time(record, "timingPeriod.end", ended, patient)
    begun = reader.moment(period.start) if period.start is not None else None
    if isinstance(begun, Moment) and ended.latest < begun.earliest:
        return issue(record, IssueKind.BAD_TIME, "timingPeriod ends before it begins; correct it", patient)
    return ended
