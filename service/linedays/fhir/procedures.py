"""A Procedure record → the facts it states, or why it states none. No I/O."""

from linedays.core.model import Fact, FactKind, Issue, IssueKind
from linedays.core.moment import Moment, TimeProblem
from linedays.fhir.reading import Ignored, Reader, bad_time, issue, retracted, shown, source_of
from linedays.fhir.wire import Procedure
from linedays.mapping.source_map import Entry, TimeFrom

_GONE = frozenset({"entered-in-error"})
_PRESENCE = frozenset({"completed", "in-progress", "on-hold", "stopped", "unknown"})
_NOT_DONE = frozenset({"not-done"})
_PAUSED = frozenset({"not-done", "on-hold"})
_INSERTED = Entry(
    fact=FactKind.INSERTED, ignored=None, time=TimeFrom.PERFORMED, line_kind=None, slot=None, makes_line=False,
    answers=None, item=None, only_with_line=False, gestation=False,
)
_REMOVED = Entry(
    fact=FactKind.REMOVED, ignored=None, time=TimeFrom.PERFORMED, line_kind=None, slot=None, makes_line=False,
    answers=None, item=None, only_with_line=False, gestation=False,
)


def facts_of_procedure(record: Procedure, reader: Reader) -> tuple[Fact, ...] | Ignored | Issue:
    """Return what a Procedure states."""
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
    kind = _kind_by_status(entry, record.status)
    if kind is None:
        return Ignored("not-completed")
    if entry.only_with_line and not record.focal_device and not record.used_reference:
        return Ignored("dressing-change-without-a-line")
    return _facts(record, reader, entry, kind, patient)


def _entry(record: Procedure, reader: Reader) -> Entry | Ignored | Issue:
    entries = reader.source_map.entries["Procedure"]
    for coding in record.code.coding:
        found = entries.get((coding.system, coding.code))
        if found is not None:
            return Ignored(found.ignored) if found.ignored is not None else found
    for device in record.focal_device:
        for coding in device.action.coding if device.action else ():
            if (coding.system, coding.code) in reader.source_map.implanted:
                return _INSERTED
            if (coding.system, coding.code) in reader.source_map.explanted:
                return _REMOVED
    for coding in record.code.coding:
        if coding.system in reader.source_map.systems:
            text = f"the code {shown(coding.code)!r} is not in the source map; map it or list it as ignored"
            return issue(record, IssueKind.UNKNOWN_CODE, text, reader.reference(record.subject))
    return Ignored("code-not-mapped")


def _kind_by_status(entry: Entry, status: str) -> FactKind | None:
    match entry.fact:
        case FactKind.PAUSED:
            return FactKind.PAUSED if status in _PAUSED else None
        case FactKind.PRESENT:
            return FactKind.PRESENT if status in _PRESENCE else None
        case FactKind.DRESSING_CHANGED if status in _NOT_DONE:
            return FactKind.NOT_DONE
        case _:
            return entry.fact if status == "completed" else None


def _facts(
    record: Procedure, reader: Reader, entry: Entry, kind: FactKind, patient: str
) -> tuple[Fact, ...] | Ignored | Issue:
    times = _times(record, reader, patient)
    if isinstance(times, Issue):
        return times
    happened, until = times
    if kind is FactKind.PAUSED and until is None:
        return issue(record, IssueKind.NO_TIME, "a pause without a review date (performedPeriod.end) pauses nothing", patient)
    site, side = reader.site(record.body_site[0]) if record.body_site else (None, None)
    dressing, line_kind = _used(record, reader)
    devices = _devices(record, reader)
    fact = Fact(
        kind=kind,
        patient=patient,
        source=source_of(record),
        happened=happened,
        known=reader.known(record, happened),
        updated=reader.updated(record),
        until=until if kind in (FactKind.PRESENT, FactKind.PAUSED) else None,
        device=devices[0],
        # On an insertion `part_of` would say that it replaced a line; what the Procedure was part of is no line.
        part_of=reader.reference(record.part_of[0]) if record.part_of and kind is not FactKind.INSERTED else None,
        line_kind=entry.line_kind or line_kind,
        site=site,
        side=side,
        slot=entry.slot,
        encounter=reader.reference(record.encounter),
        value=_value(record, reader, entry, kind, dressing),
    )
    return _exchange(fact, devices, dressing) if kind is FactKind.EXCHANGED_OUT else (fact,)


def _times(record: Procedure, reader: Reader, patient: str) -> tuple[Moment, Moment | None] | Issue:
    period = record.performed_period
    start = record.performed_date_time or (period.start if period else None)
    if start is None:
        return issue(record, IssueKind.NO_TIME, "no time at which it was done; fill in performed", patient)
    happened = reader.moment(start)
    if isinstance(happened, TimeProblem):
        return bad_time(record, "performed", happened, patient)
    if period is None or period.end is None:
        return happened, None
    until = reader.moment(period.end)
    if isinstance(until, TimeProblem):
        return bad_time(record, "performedPeriod.end", until, patient)
    if until.latest < happened.earliest:
        return issue(record, IssueKind.BAD_TIME, "performedPeriod ends before it begins; correct it", patient)
    return happened, until


def _used(record: Procedure, reader: Reader) -> tuple[str | None, str | None]:
    dressing: str | None = None
    line_kind: str | None = None
    for concept in record.used_code:
        for coding in concept.coding:
            key = (coding.system, coding.code)
            dressing = dressing or reader.source_map.dressing_kinds.get(key)
            line_kind = line_kind or reader.source_map.line_kinds.get(key)
    return dressing, line_kind


def _devices(record: Procedure, reader: Reader) -> tuple[str | None, str | None]:
    """Return the device a Procedure was about and, in an exchange, the one that came in its place."""
    old: str | None = None
    new: str | None = None
    for device in record.focal_device:
        named = reader.reference(device.manipulated)
        codes = [(coding.system, coding.code) for coding in device.action.coding] if device.action else []
        if any(code in reader.source_map.implanted for code in codes):
            new = new or named
        else:
            old = old or named
    if old is None and record.used_reference:
        old = reader.reference(record.used_reference[0])
    return (old or new, new)


def _value(record: Procedure, reader: Reader, entry: Entry, kind: FactKind, dressing: str | None) -> str | None:
    if kind in (FactKind.NOT_DONE, FactKind.PAUSED):
        coding = record.status_reason.coding if record.status_reason else ()
        reasons = (reader.source_map.reasons.get((each.system, each.code)) for each in coding)
        return next((reason for reason in reasons if reason is not None), None)
    return entry.item if kind is FactKind.PART_CHANGED else dressing


def _exchange(fact: Fact, devices: tuple[str | None, str | None], dressing: str | None) -> tuple[Fact, ...]:
    """Split an exchange over a guidewire: the old line ends and the new one begins at one instant."""
    old, new = devices
    came = Fact(
        kind=FactKind.INSERTED,
        patient=fact.patient,
        source=fact.source,
        happened=fact.happened,
        known=fact.known,
        updated=fact.updated,
        device=new,
        part_of=old,
        line_kind=fact.line_kind,
        site=fact.site,
        side=fact.side,
        encounter=fact.encounter,
        value=dressing,
    )
    return (fact, came)
