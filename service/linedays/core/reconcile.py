"""What is wanted for each dressing site, what exists, what was charted → the changes to make. No I/O.

Adoption comes first: what is open for a line is brought up to date and keeps its identifier. At most one Task is open
per dressing site. Nothing is closed without a charted fact, nothing that a person ended is touched, and a person's no
holds until things get worse or its time is over. Applying the changes and asking again gives no further write.
"""

from collections.abc import Callable, Iterable
from functools import partial
from itertools import count
from typing import TypeAlias, TypeVar

from linedays.core.changes import (
    Cancel,
    Change,
    Condition,
    Create,
    EndReason,
    Existing,
    ExistingFlag,
    ExistingTask,
    Held,
    Leave,
    LeaveReason,
    Name,
    Phase,
    Revise,
    Severity,
    SiteWanted,
    Void,
    WantedFlag,
    WantedTask,
)
from linedays.core.closing import close_flag, close_task, done_since
from linedays.core.moment import Instant
from linedays.core.offers import AT_ANY_HOUR, is_raised, is_worse, may_offer, offered_again
from linedays.core.states import Priority, State

# From a stem to its identifier with the first n that is not found on the server.
_Naming: TypeAlias = Callable[[str], str]
_E = TypeVar("_E", ExistingTask, ExistingFlag)

_FLAG_SEVERITY = {
    Condition.OVERDUE: Severity.OVERDUE,
    Condition.COMPROMISED: Severity.COMPROMISED,
    Condition.UNKNOWN: Severity.UNKNOWN,
    Condition.SITE_CONCERN: Severity.SITE_CONCERN,
}


def reconcile(
    sites: Iterable[SiteWanted], existing: Iterable[Existing], *, at: Instant, name: Name
) -> tuple[Change, ...]:
    """Return the changes that bring what exists to what is wanted, as far as that may be done now.

    Shape: in order of line, Tasks before Flags; then what is open for lines that no site speaks of, left as it is.
    """
    by_line: dict[str, list[Existing]] = {}
    for one in existing:
        by_line.setdefault(one.line, []).append(one)
    changes: list[Change] = []
    for site in sorted(sites, key=lambda site: site.lines):
        found = [one for line in site.lines for one in by_line.pop(line, [])]
        strangers = [one for one in found if one.patient != site.patient]
        changes += _left(strangers, LeaveReason.OTHER_PATIENT)
        ours = [one for one in found if one.patient == site.patient]
        naming = partial(_first_free, name, {one.identifier for one in found})
        changes += _task_changes(site, [one for one in ours if isinstance(one, ExistingTask)], at, naming)
        flags = [one for one in ours if isinstance(one, ExistingFlag)]
        for condition in Condition:
            changes += _flag_changes(site, condition, [one for one in flags if one.condition is condition], at, naming)
    for line in sorted(by_line):
        changes += _left(by_line[line], LeaveReason.NOT_EVALUATED)
    return tuple(changes)


def _first_free(name: Name, taken: set[str], stem: str) -> str:
    return next(value for n in count() if (value := name(stem, n)) not in taken)


def _left(found: Iterable[Existing], reason: LeaveReason) -> list[Change]:
    ordered = sorted((one for one in found if one.phase is Phase.OPEN), key=lambda one: one.ref)
    return [Leave(existing=one, reason=reason) for one in ordered]


def _task_changes(site: SiteWanted, tasks: list[ExistingTask], at: Instant, naming: _Naming) -> list[Change]:
    opened = sorted((task for task in tasks if task.phase is Phase.OPEN), key=_survival)
    if not opened:
        return _offer_task(site, tasks, at, naming)
    task, *duplicates = opened
    return [*map(_duplicate, duplicates), *_follow(site, task, tasks, at, naming)]


def _survival(task: ExistingTask) -> tuple[bool, Instant, str]:
    return (not task.touched, task.authored, task.ref)


def _duplicate(task: ExistingTask) -> Change:
    return Cancel(existing=task, reason=EndReason.DUPLICATE) if task.touched else Void(existing=task)


def _follow(
    site: SiteWanted, task: ExistingTask, tasks: list[ExistingTask], at: Instant, naming: _Naming
) -> list[Change]:
    wanted = site.task
    if wanted is not None and wanted.asked:
        if done := done_since(task, site.evidence):
            return [done, *_offer_task(site, tasks, at, naming)]
        return _revise_task(site, task, wanted, at)
    if ended := close_task(task, site.evidence, wanted.anchor if wanted else None):
        return [ended]
    if wanted is not None:
        return _revise_task(site, task, wanted, at)
    return [Leave(existing=task, reason=LeaveReason.DEFERRED if site.kept else LeaveReason.NOTHING_CHARTED)]


def _revise_task(site: SiteWanted, task: ExistingTask, wanted: WantedTask, at: Instant) -> list[Change]:
    changes: list[Change] = []
    priority = _priority_after(task, wanted)
    until = _writable_from(site, wanted, priority, at)
    if priority is not task.priority and until > at:
        changes.append(Held(wanted=wanted, until=until, existing=task))
        priority = task.priority
    if priority is not task.priority or wanted.own != task.own:
        changes.append(Revise(existing=task, wanted=wanted, priority=priority))
    return changes


def _priority_after(task: ExistingTask, wanted: WantedTask) -> Priority:
    """Raise as asked; lower only from asap to routine, on "since seen intact", while nobody has accepted the Task."""
    if is_raised(wanted.priority, task.priority):
        return wanted.priority
    seen_intact = wanted.state is State.COMPROMISED and wanted.priority is Priority.ROUTINE
    if seen_intact and task.priority is Priority.ASAP and task.waiting:
        return Priority.ROUTINE
    return task.priority


def _writable_from(site: SiteWanted, wanted: WantedTask, priority: Priority, at: Instant) -> Instant:
    if priority in AT_ANY_HOUR:
        return at
    return may_offer(priority, max(at, wanted.deferred_until or at), site.shifts, site.zone)


def _offer_task(site: SiteWanted, tasks: list[ExistingTask], at: Instant, naming: _Naming) -> list[Change]:
    wanted = site.task
    if wanted is None or not wanted.asked:
        return []
    no = _standing_no(tasks, wanted.since)
    if no is not None and not is_worse(wanted.severity, no.severity):
        again = _again(site, wanted.severity, wanted.found, no)
        if again > at:
            return [Leave(existing=no, reason=LeaveReason.DECLINED, until=again)]
    until = _writable_from(site, wanted, wanted.priority, at)
    if until > at:
        return [Held(wanted=wanted, until=until)]
    return [Create(wanted=wanted, identifier=naming(wanted.stem), declined=no.ref if no else None)]


def _standing_no(found: list[_E], since: Instant | None) -> _E | None:
    """Return the last one that a person ended, unless the cycle began after that."""
    nos = [one for one in found if one.phase is Phase.ENDED_BY_A_PERSON and one.modified >= (since or one.modified)]
    return max(nos, key=lambda one: (one.modified, one.ref), default=None)


def _again(site: SiteWanted, severity: Severity, found: Instant | None, no: Existing) -> Instant:
    if found is not None and found > no.modified:
        return no.modified
    return offered_again(severity, no.modified, site.shifts, site.zone)


def _flag_changes(
    site: SiteWanted, condition: Condition, flags: list[ExistingFlag], at: Instant, naming: _Naming
) -> list[Change]:
    wanted = next((flag for flag in site.flags if flag.condition is condition), None)
    opened = sorted(
        (flag for flag in flags if flag.phase is Phase.OPEN), key=lambda flag: (flag.since, flag.ref)
    )
    if not opened:
        return _raise_flag(site, wanted, flags, at, naming) if wanted else []
    flag, *duplicates = opened
    changes: list[Change] = [Void(existing=one) for one in duplicates]
    if wanted is None:
        ended = close_flag(flag, site.evidence)
        changes.append(ended or Leave(existing=flag, reason=LeaveReason.NOTHING_CHARTED))
    elif wanted.own != flag.own:
        changes.append(Revise(existing=flag, wanted=wanted))
    return changes


def _raise_flag(
    site: SiteWanted, wanted: WantedFlag, flags: list[ExistingFlag], at: Instant, naming: _Naming
) -> list[Change]:
    no = _standing_no(flags, wanted.since)
    if no is not None:
        again = _again(site, _FLAG_SEVERITY[wanted.condition], wanted.found, no)
        if again > at:
            return [Leave(existing=no, reason=LeaveReason.DECLINED, until=again)]
    return [Create(wanted=wanted, identifier=naming(wanted.stem))]
