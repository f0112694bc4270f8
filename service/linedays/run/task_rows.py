"""Open Tasks of ours → rows of a list, read as any other system could read them: from the Task alone. No I/O.

A Task that somebody took says so; once the shift in which it was taken is over, it says that nothing was charted since,
so that it hides no line from those who came after.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any, TypeAlias

from linedays.core.compared import Severity
from linedays.core.moment import Instant, Moment, Precision, moment_from_text
from linedays.core.states import Priority
from linedays.fhir.elements import code_in, instant_from, reference_name
from linedays.fhir.identity import Identity, line_of
from linedays.fhir.outputs.task.read import INPUTS, STATES, TAKEN_AT
from linedays.mapping.wording import time_words

Resource: TypeAlias = Mapping[str, Any]

URGENCY = {
    Priority.STAT.value: "at once",
    Priority.ASAP.value: "now",
    Priority.URGENT.value: "this shift",
    Priority.ROUTINE.value: "coming",
}
_ORDER = tuple(URGENCY)
_TAKEN = {"accepted": "accepted", "ready": "accepted", "in-progress": "begun", "on-hold": "on hold since"}
# What the clock of a Task counts from, by the code of its input.
_CHARTED = ("last-change", "dressing-started", "label-date", "reported-change")
_PARTS = " · "


@dataclass(frozen=True, slots=True, kw_only=True)
class TaskRow:
    """One open Task in words. `place`, `patient` and `line_key` are the references that the Task holds.

    `due` is empty where the Task names no due time; `rank` sorts by priority, then by due time, then by place.
    """

    urgency: str
    what: str
    line: str
    due: str
    why: str
    last: str
    taken: str
    place: str
    patient: str
    line_key: str
    rank: tuple[int, Instant, str, str]


def task_rows(tasks: Iterable[Resource], identity: Identity, *, zone: tzinfo, shift_began: Instant) -> list[TaskRow]:
    """Return the rows of Tasks, the most urgent first, in a unit's own time. `shift_began`: the shift that runs now."""
    rows = [_row(task, identity, zone, shift_began) for task in tasks]
    return sorted(rows, key=lambda row: row.rank)


def _row(task: Resource, identity: Identity, zone: tzinfo, shift_began: Instant) -> TaskRow:
    inputs = _inputs(task, identity)
    what, line = _what_and_line(task)
    priority = task.get("priority") if task.get("priority") in URGENCY else Priority.ROUTINE.value
    due, place = _due(task, inputs, identity), reference_name(task.get("location")) or ""
    return TaskRow(
        urgency=URGENCY[str(priority)],
        what=what,
        line=line,
        due="now" if priority in (Priority.ASAP, Priority.STAT) else _short(due, zone),
        why=str(task.get("reasonCode", {}).get("text") or task.get("description", "")),
        last=_last(inputs, zone),
        taken=taken_words(task, identity, zone=zone, shift_began=shift_began),
        place=place,
        patient=reference_name(task.get("for")) or "",
        line_key=line_of(task, identity) or "",
        rank=(_ORDER.index(str(priority)), due or 0, place, line_of(task, identity) or ""),
    )


def taken_words(task: Resource, identity: Identity, *, zone: tzinfo, shift_began: Instant) -> str:
    """Return by when somebody took a Task, and that nothing was charted since where that was in an earlier shift."""
    took = _TAKEN.get(str(task.get("status")))
    if took is None:
        return ""
    at = instant_from(_inputs(task, identity).get(TAKEN_AT, {}).get("valueDateTime")) or _taken_at(task)
    if at is None:
        return f"{took}, not charted"
    words = f"{took} {_clock(at, zone, shift_began)}"
    return f"{words}, not charted" if at < shift_began else words


def _taken_at(task: Resource) -> Instant | None:
    """Return the latest that a Task can have been taken; its own begin of work is better than its last change."""
    begun = instant_from(task.get("executionPeriod", {}).get("start"))
    if begun is not None:
        return begun
    modified, authored = instant_from(task.get("lastModified")), instant_from(task.get("authoredOn"))
    stored = instant_from(task.get("meta", {}).get("lastUpdated"))
    # Some systems take a Task without touching lastModified: then it still says when we wrote it.
    return stored if modified is None or modified == authored else modified


def _clock(at: Instant, zone: tzinfo, shift_began: Instant) -> str:
    when = time_words(at, zone)
    today = time_words(shift_began, zone)
    day, clock = when.rsplit(" ", 2)[0], when.rsplit(" ", 1)[1]
    return clock if day == today.rsplit(" ", 2)[0] else f"{day} {clock}"


def _what_and_line(task: Resource) -> tuple[str, str]:
    """Return what is asked and on which line: the last part of `code.text`."""
    what, _, line = str(task.get("code", {}).get("text", "")).rpartition(_PARTS)
    return what or line, line if what else ""


def _due(task: Resource, inputs: Mapping[str, Resource], identity: Identity) -> Instant | None:
    """Return when what is asked is due: the end of the wanted period, else the input; a look at the site has none."""
    end = instant_from(task.get("restriction", {}).get("period", {}).get("end"))
    concern = code_in(task.get("reasonCode"), identity.codes + STATES) == Severity.SITE_CONCERN
    if end is not None or concern:
        return end
    return instant_from(inputs.get("due", {}).get("valueDateTime"))


def _last(inputs: Mapping[str, Resource], zone: tzinfo) -> str:
    for code in _CHARTED:
        if code in inputs:
            text, when = inputs[code].get("type", {}).get("text", code), inputs[code].get("valueDateTime")
            moment = moment_from_text(when, zone) if isinstance(when, str) else None
            return f"{text} {_charted(moment, zone)}" if isinstance(moment, Moment) else str(text)
    return "no dressing date charted"


def _charted(moment: Moment, zone: tzinfo) -> str:
    if moment.precision is Precision.SECOND:
        return _short(moment.earliest, zone)
    return time_words(moment.earliest, zone, moment.precision)


def _short(at: Instant | None, zone: tzinfo) -> str:
    """Return a time without its year, as a list of tonight's work has it."""
    if at is None:
        return ""
    day, clock = time_words(at, zone).rsplit(" ", 1)
    return f"{day.rsplit(' ', 1)[0]} {clock}"


def _inputs(task: Resource, identity: Identity) -> dict[str, Resource]:
    system = identity.codes + INPUTS
    found = ((code_in(one.get("type"), system), one) for one in task.get("input", []))
    return {code: one for code, one in found if code is not None}
