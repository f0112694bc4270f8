"""Device and DeviceUseStatement records → the facts they state about lines, or why they state none. No I/O."""

from linedays.core.model import EndBasis, Fact, FactKind, Issue, IssueKind
from linedays.core.moment import Moment, TimeProblem
from linedays.fhir.reading import Ignored, Reader, bad_time, issue, retracted, shown, source_of
from linedays.fhir.wire import Device, DeviceUseStatement

_USE_ENDED = frozenset({"completed", "stopped"})


def facts_of_device(record: Device, reader: Reader) -> tuple[Fact, ...] | Ignored | Issue:
    """Return what a Device states: a line, and its end where the record is no longer active.

    A Device has no time of its own; it is there from when it became known, and an inactive one was out by then.
    """
    if any(identifier.system == reader.own_system for identifier in record.identifier):
        return Ignored("own-output")
    kind = _line_kind(record, reader)
    if isinstance(kind, Ignored | Issue):
        return kind
    patient = reader.reference(record.patient)
    if record.status == "entered-in-error":
        return retracted(record, patient, reader)
    if patient is None:
        return Ignored("device-in-stock")
    known = reader.known(record, None)
    line = Fact(
        kind=FactKind.DEVICE,
        patient=patient,
        source=source_of(record),
        happened=Moment(known, known),
        known=known,
        updated=reader.updated(record),
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
    own = {system for system, _ in reader.source_map.line_kinds if system and "snomed" not in system}
    for each in coding:
        if each.system in own:
            text = f"the kind of line {shown(each.code)!r} is not in the source map; map it"
            return issue(record, IssueKind.UNKNOWN_CODE, text, reader.reference(record.patient))
    return Ignored("not-a-line")


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


def facts_of_use(record: DeviceUseStatement, reader: Reader) -> tuple[Fact, ...] | Ignored | Issue:
    """Return what a DeviceUseStatement states: the end of a line's use, where one is charted."""
    patient = reader.reference(record.subject)
    if record.status not in _USE_ENDED:
        return Ignored("use-not-ended")
    end = record.timing_period.end if record.timing_period else None
    if patient is None:
        return issue(record, IssueKind.NO_PATIENT, "no patient it could be about; fill in subject")
    if end is None:
        return issue(record, IssueKind.NO_TIME, "a use that is over without its end (timingPeriod.end); fill it in", patient)
    happened = reader.moment(end)
    if isinstance(happened, TimeProblem):
        return bad_time(record, "timingPeriod.end", happened, patient)
    return (
        Fact(
            kind=FactKind.REMOVED,
            patient=patient,
            source=source_of(record),
            happened=happened,
            known=reader.known(record, happened),
            updated=reader.updated(record),
            device=reader.reference(record.device),
        ),
    )
