"""What one Task of a dressing site should say, those that exist, what was charted → the changes to them. No I/O.

At most one is open for an item. What is open is brought up to date and keeps its identifier; a person's no holds until
things get worse or its time is over; a Task marked as done with nothing charted is followed by one that reminds of it.
"""

from collections.abc import Callable
from typing import TypeAlias

from linedays.core.asked import REMOVAL
from linedays.core.changes import Act, Cancel, Change, Create, EndReason, Held, Leave, LeaveReason, Revise, Void
from linedays.core.closing import close_task, done_since, is_answered, is_withdrawn
from linedays.core.compared import ExistingTask, Phase, Severity, SiteWanted, WantedTask
from linedays.core.moment import DAY, Instant
from linedays.core.offers import AT_ANY_HOUR, CHARTED_WITHIN, is_raised, is_worse, may_offer, next_offer, standing_no
from linedays.core.states import Priority, State

# What a Task was written for that asked for a change, not only for a look.
_CHANGES = frozenset({Severity.DUE, Severity.OVERDUE, Severity.COMPROMISED})
# From a stem to its identifier with the first n that is not found on the server.
Naming: TypeAlias = Callable[[str], str]


def task_changes(
    site: SiteWanted, wanted: WantedTask | None, tasks: list[ExistingTask], at: Instant, naming: Naming
) -> list[Change]:
    """Return the changes to the Tasks of one item of a site; `wanted` is None where nothing is known to ask for."""
    opened = sorted((task for task in tasks if task.phase is Phase.OPEN), key=_survival)
    if not opened:
        return _offer(site, wanted, tasks, at, naming) if wanted is not None else []
    task, *duplicates = opened
    return [*map(_duplicate, duplicates), *_follow(site, task, wanted, tasks, at, naming)]


def _survival(task: ExistingTask) -> tuple[bool, bool, Instant, str]:
    return (not task.touched, task.waiting, task.authored, task.ref)


def _duplicate(task: ExistingTask) -> Change:
    return Cancel(existing=task, reason=EndReason.DUPLICATE) if task.touched else Void(existing=task)


def _follow(
    site: SiteWanted,
    task: ExistingTask,
    wanted: WantedTask | None,
    tasks: list[ExistingTask],
    at: Instant,
    naming: Naming,
) -> list[Change]:
    if wanted is not None and wanted.asked:
        if done := done_since(task, site.evidence):
            return [done, *_offer(site, wanted, tasks, at, naming)]
        if site.between_stays and not is_raised(wanted.priority, task.priority):
            return [Leave(existing=task, reason=LeaveReason.BETWEEN_STAYS)]
        return _bring_up_to_date(site, task, wanted, tasks, at, naming)
    if ended := close_task(task, site.evidence, wanted.anchor if wanted else None):
        return [ended]
    if task.item in site.joined and task.waiting:
        return [Cancel(existing=task, reason=EndReason.JOINED)]
    if wanted is not None and not task.reminds and not site.between_stays:
        return _revise(site, task, wanted, at)
    return [Leave(existing=task, reason=_left_because(site))]


def _left_because(site: SiteWanted) -> LeaveReason:
    if site.between_stays:
        return LeaveReason.BETWEEN_STAYS
    return LeaveReason.DEFERRED if site.kept else LeaveReason.NOTHING_CHARTED


def _bring_up_to_date(
    site: SiteWanted, task: ExistingTask, wanted: WantedTask, tasks: list[ExistingTask], at: Instant, naming: Naming
) -> list[Change]:
    if task.reminds and not _found_since(wanted, task.authored if task.marked is None else task.marked):
        return _remind_on(site, task, wanted, at)
    if task.waiting and is_raised(task.priority, wanted.priority) and is_withdrawn(task.finding, site.evidence):
        # What made it urgent was never there: the Task goes, and what is asked for besides gets one of its own.
        cancelled = Cancel(existing=task, reason=EndReason.FINDING_WITHDRAWN)
        return [cancelled, *_offer(site, wanted, tasks, at, naming)]
    return _revise(site, task, wanted, at)


def _found_since(wanted: WantedTask, when: Instant) -> bool:
    return wanted.found is not None and wanted.found > when


def _remind_on(site: SiteWanted, task: ExistingTask, wanted: WantedTask, at: Instant) -> list[Change]:
    """Keep a Task that reminds for a day; then it counts as a person's no. Source: common practice, no source."""
    if at >= task.authored + DAY:
        return [Cancel(existing=task, reason=EndReason.NOT_CONFIRMED)]
    priority = wanted.priority if is_raised(wanted.priority, task.priority) else task.priority
    if _writable_from(site, wanted, priority, at) > at:
        priority = task.priority
    if priority is not task.priority or wanted.reminder_own != task.own:
        return [Revise(existing=task, wanted=wanted, priority=priority, reminds=True)]
    return []


def _revise(site: SiteWanted, task: ExistingTask, wanted: WantedTask, at: Instant) -> list[Change]:
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


def _offer(
    site: SiteWanted, wanted: WantedTask, tasks: list[ExistingTask], at: Instant, naming: Naming
) -> list[Change]:
    if not wanted.asked or (site.between_stays and wanted.priority not in AT_ANY_HOUR):
        return []
    no = standing_no(tasks, wanted.since)
    reminds = no is not None and _is_unconfirmed(no, site, wanted, tasks)
    if no is not None and (quiet := _still_quiet(site, wanted, no, at, reminds=reminds)):
        return [quiet]
    until = _writable_from(site, wanted, wanted.priority, at)
    if until > at:
        return [Held(wanted=wanted, until=until)]
    identifier = naming(wanted.stem)
    if no is None or (no.done and is_answered(no, site.evidence)):
        # What was marked as done and is charted is no no: there is nothing to say of it.
        return [Create(wanted=wanted, identifier=identifier)]
    act = Act(ref=no.ref, at=no.modified, said=no.said, done=no.done)
    if reminds:
        return [Create(wanted=wanted, identifier=identifier, marked=act)]
    return [Create(wanted=wanted, identifier=identifier, declined=act)]


def _still_quiet(
    site: SiteWanted, wanted: WantedTask, no: ExistingTask, at: Instant, *, reminds: bool
) -> Leave | None:
    """Return why nothing is offered yet after what a person did; None where it may be."""
    if reminds:
        reason, again = LeaveReason.MARKED_DONE, no.modified + CHARTED_WITHIN
    elif _found_since(wanted, no.modified) or is_worse(wanted.severity, no.severity):
        return None
    else:
        reason, again = LeaveReason.DECLINED, next_offer(wanted.severity, no.modified, site.shifts, site.zone)
    return Leave(existing=no, reason=reason, until=again) if again > at else None


def _is_unconfirmed(
    task: ExistingTask, site: SiteWanted, wanted: WantedTask, tasks: list[ExistingTask]
) -> bool:
    """Tell whether a person marked a change as done that nothing in the chart confirms, and was not reminded of it.

    What was found since is asked for anew; who was reminded once in this cycle is not reminded again.
    """
    if not task.done or task.severity not in _CHANGES or task.item == REMOVAL or _found_since(wanted, task.modified):
        return False
    reminded = any(one.reminds and not is_answered(one, site.evidence) for one in tasks)
    return not reminded and not is_answered(task, site.evidence)
