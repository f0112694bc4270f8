"""A Procedure record → the facts it states, or why it states none. No I/O."""

import dataclasses

from msgspec import Struct
from msgspec.structs import replace

from linedays.core.model import Fact, FactKind, Issue, IssueKind
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
    source_of,
    unmapped,
)
from linedays.fhir.records import FocalDevice, Procedure
from linedays.mapping.source_map import Code, Entry, TimeFrom

# What a fact of each kind comes to under the statuses in which its Procedure says anything.
_BY_STATUS: dict[FactKind, dict[str, FactKind]] = {
    **{kind: {"completed": kind} for kind in FactKind},
    FactKind.DRESSING_CHANGED: {"completed": FactKind.DRESSING_CHANGED, "not-done": FactKind.NOT_DONE},
    FactKind.PRESENT: dict.fromkeys(("completed", "in-progress", "on-hold", "stopped", "unknown"), FactKind.PRESENT),
    FactKind.PAUSED: dict.fromkeys(("not-done", "on-hold"), FactKind.PAUSED),
}
# Members have a name of their own where they are asked for once per resource (see `moment`).
_INSERTION, _REMOVAL, _EXCHANGED_OUT = FactKind.INSERTED, FactKind.REMOVED, FactKind.EXCHANGED_OUT
_PAUSE, _PART_CHANGED, _PERFORMED = FactKind.PAUSED, FactKind.PART_CHANGED, TimeFrom.PERFORMED
_LASTING = frozenset({FactKind.PRESENT, FactKind.PAUSED})
_WITH_A_REASON = frozenset({FactKind.NOT_DONE, FactKind.PAUSED})
_COMING = frozenset({FactKind.INSERTED, FactKind.PRESENT})
# An action says that a device came or went, not that it is a line: any implant has one.
_INSERTED = Entry(
    fact=FactKind.INSERTED,
    ignored=None,
    time=TimeFrom.PERFORMED,
    line_kind=None,
    slot=None,
    makes_line=False,
    answers=None,
    item=None,
    only_with_line=True,
    gestation=False,
)
_REMOVED = dataclasses.replace(_INSERTED, fact=FactKind.REMOVED)


class _Devices(Struct, frozen=True, gc=False):
    """The Devices that a Procedure names: those that came, those that went, and the others."""

    came: tuple[str, ...] = ()
    went: tuple[str, ...] = ()
    others: tuple[str, ...] = ()


_NONE = _Devices()


def facts_of_procedure(record: Procedure, reader: Reader) -> tuple[Fact, ...] | OnlyIfLine | Ignored | Issue:
    """Return what a Procedure states."""
    if record.identifier and is_ours(record, reader):
        return ignored("own-output")
    entry = _entry(record, reader)
    if entry is None:
        return unmapped(record, record.code.coding, record.subject, reader)
    if entry.ignored is not None:
        return ignored(entry.ignored)
    patient = reader.patient(record.subject)
    if patient is None:
        return issue(record, IssueKind.NO_PATIENT, "no patient it could be about; fill in subject")
    if record.status == "entered-in-error":
        return retracted(record, patient, reader)
    assert entry.fact is not None, "an entry for a Procedure is ignored, or has a fact"
    kind = _BY_STATUS[entry.fact].get(record.status)
    if kind is None:
        return says_nothing("not-completed", record, patient, reader)
    devices = _devices(record, reader)
    if not entry.only_with_line:
        return _facts(record, reader, entry, kind, patient, devices)
    if devices == _NONE:
        return says_nothing("names-no-device", record, patient, reader)
    found = _facts(record, reader, entry, kind, patient, devices)
    return OnlyIfLine(found) if isinstance(found, tuple) else found


def _entry(record: Procedure, reader: Reader) -> Entry | None:
    found = reader.entry("Procedure", record.code)
    if found is not None:
        return found
    actions = [code for device in record.focal_device for code in _action(device)]
    if not reader.source_map.implanted.isdisjoint(actions):
        return _INSERTED
    return None if reader.source_map.explanted.isdisjoint(actions) else _REMOVED


def _action(device: FocalDevice) -> list[Code]:
    return [(coding.system, coding.code) for coding in device.action.coding] if device.action else []


def _devices(record: Procedure, reader: Reader) -> _Devices:
    """Return the Devices that a Procedure was about; where it was about none, those that it used."""
    focal = record.focal_device
    if len(focal) == 1:
        only = _one_device(focal[0], reader)
        if only is not None:
            return only
    elif not focal and not record.used_reference:
        return _NONE
    came: list[str] = []
    went: list[str] = []
    others: list[str] = []
    for device in focal:
        named = reader.reference(device.manipulated)
        if named is None:
            continue
        action = _action(device)
        if action and not reader.source_map.implanted.isdisjoint(action):
            came.append(named)
        elif action and not reader.source_map.explanted.isdisjoint(action):
            went.append(named)
        else:
            others.append(named)
    if not (came or went or others):
        others = reader.all_of(record.used_reference, "Device")
    return _Devices(tuple(came), tuple(went), tuple(others))


def _one_device(device: FocalDevice, reader: Reader) -> _Devices | None:
    """Return the one Device that a Procedure was about, as nearly every one has; None where it names none."""
    named = reader.reference(device.manipulated)
    if named is None:
        return None
    if device.action is None:
        return _Devices(others=(named,))
    for coding in device.action.coding:
        code = (coding.system, coding.code)
        if code in reader.source_map.implanted:
            return _Devices(came=(named,))
        if code in reader.source_map.explanted:
            return _Devices(went=(named,))
    return _Devices(others=(named,))


def _facts(
    record: Procedure, reader: Reader, entry: Entry, kind: FactKind, patient: str, devices: _Devices
) -> tuple[Fact, ...] | Issue:
    if record.performed_date_time and record.performed_period is None:
        told, until = reader.moment(record.performed_date_time, _PERFORMED), None
        if isinstance(told, TimeProblem):
            return bad_time(record, "performed", told, patient)
        happened = told
    else:
        times = _times(record, reader, patient)
        if isinstance(times, Issue):
            return times
        happened, until = times
    if kind is _PAUSE and until is None:
        text = "a pause without a review date (performedPeriod.end) pauses nothing"
        return issue(record, IssueKind.NO_TIME, text, patient)
    site, side = reader.site(record.body_site[0]) if record.body_site else (None, None)
    value, line_kind = _used(record, reader) if record.used_code else (None, None)
    about = _about(kind, devices)
    known, updated = reader.stamps(record, happened)
    fact = Fact(
        kind=kind,
        patient=patient,
        source=source_of(record),
        happened=happened,
        known=known,
        updated=updated,
        until=until if kind in _LASTING else None,
        device=about[0],
        # On an insertion `part_of` would say that it replaced a line; what the Procedure was part of is no line.
        part_of=_part_of(record, reader) if record.part_of and kind is not _INSERTION else None,
        line_kind=entry.line_kind or line_kind,
        site=site,
        side=side,
        slot=entry.slot,
        encounter=reader.reference(record.encounter),
        value=_value(record, reader, entry, kind, value),
    )
    facts = (fact,) if len(about) == 1 else tuple(replace(fact, device=device) for device in dict.fromkeys(about))
    if devices.came or devices.went or kind is _EXCHANGED_OUT:
        facts += _moved_too(fact, devices, value)
    return facts


def _times(record: Procedure, reader: Reader, patient: str) -> tuple[Moment, Moment | None] | Issue:
    period = record.performed_period
    start = record.performed_date_time or (period.start if period else None)
    if start is None:
        return issue(record, IssueKind.NO_TIME, "no time at which it was done; fill in performed", patient)
    happened = reader.moment(start, _PERFORMED)
    if isinstance(happened, TimeProblem):
        return bad_time(record, "performed", happened, patient)
    if period is None or period.end is None:
        return happened, None
    until = reader.moment(period.end, _PERFORMED)
    if isinstance(until, TimeProblem):
        return bad_time(record, "performedPeriod.end", until, patient)
    if until.latest < happened.earliest:
        return issue(record, IssueKind.BAD_TIME, "performedPeriod ends before it begins; correct it", patient)
    return happened, until


def _part_of(record: Procedure, reader: Reader) -> str | None:
    return next(iter(reader.all_of(record.part_of, "Procedure")), None)


def _about(kind: FactKind, devices: _Devices) -> tuple[str | None, ...]:
    """Return the Devices that a fact is about: one of those that came in, each of those it was done to.

    Of several that came in at once only the first takes the insertion: two lines would have one key.
    """
    came, went, others = devices.came, devices.went, devices.others
    if len(others) <= 1 and not came and not went:
        return others or (None,)
    if kind in _COMING:
        return (came or others or went or (None,))[:1]
    if kind is _EXCHANGED_OUT:
        return (went or others or came or (None,))[:1]
    if kind is _REMOVAL:
        return went or others or came or (None,)
    return (*others, *went, *came) or (None,)


def _used(record: Procedure, reader: Reader) -> tuple[str | None, str | None]:
    """Return the kind of dressing or infusion, and the kind of line, that `usedCode` names."""
    value: str | None = None
    line_kind: str | None = None
    used = reader.source_map.used
    for concept in record.used_code:
        for coding in concept.coding:
            found = used.get((coding.system, coding.code))
            if found is not None:
                value, line_kind = value or found[0], line_kind or found[1]
    return value, line_kind


def _value(record: Procedure, reader: Reader, entry: Entry, kind: FactKind, used: str | None) -> str | None:
    if kind in _WITH_A_REASON:
        coding = record.status_reason.coding if record.status_reason else ()
        reasons = (reader.source_map.reasons.get((each.system, each.code)) for each in coding)
        return next((reason for reason in reasons if reason is not None), None)
    return entry.item if kind is _PART_CHANGED else used


def _moved_too(fact: Fact, devices: _Devices, dressing: str | None) -> tuple[Fact, ...]:
    """Return what else moved: the line that came for one that went, and the one that went for one that came."""
    came, went, others = devices.came, devices.went, devices.others
    match fact.kind:
        case FactKind.EXCHANGED_OUT:
            # Over a guidewire the old line ends and the new one begins at one instant, in its place.
            old, new = (*went, *others, None)[0], (*came, None)[0]
            return (replace(fact, kind=FactKind.INSERTED, device=new, part_of=old, slot=None, value=dressing),)
        case FactKind.INSERTED if came or others:
            return tuple(replace(fact, kind=FactKind.REMOVED, device=device, value=None) for device in went)
        case FactKind.REMOVED if came and (went or others):
            return (replace(fact, kind=FactKind.INSERTED, device=came[0], part_of=None, value=dressing),)
        case _:
            return ()
