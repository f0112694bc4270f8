"""What is wanted for each dressing site, what exists, what was charted → the changes to make. No I/O.

Adoption comes first: what is open for a line is brought up to date and keeps its identifier. Nothing is closed without
a charted fact, or a look for a line by itself that found it gone. Nothing that a person ended is touched, and a no
holds until things get worse or its time is over. Applying the changes and asking again gives no further write.
"""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import partial
from types import MappingProxyType

from linedays.core.changes import (
    Cancel,
    Change,
    Create,
    EndFlag,
    EndReason,
    Leave,
    LeaveReason,
    Name,
    Revise,
    Void,
    first_free,
)
from linedays.core.closing import close_flag
from linedays.core.compared import (
    Condition,
    Existing,
    ExistingFlag,
    ExistingTask,
    Phase,
    Severity,
    SiteWanted,
    WantedFlag,
)
from linedays.core.moment import HOUR, Instant
from linedays.core.offers import next_offer, standing_no
from linedays.core.task_life import Naming, task_changes

_FLAG_SEVERITY = {
    Condition.OVERDUE: Severity.OVERDUE,
    Condition.COMPROMISED: Severity.COMPROMISED,
    Condition.UNKNOWN: Severity.UNKNOWN,
    Condition.SITE_CONCERN: Severity.SITE_CONCERN,
}
_NONE_GONE: Mapping[str, EndReason] = MappingProxyType({})


def reconcile(
    sites: Iterable[SiteWanted],
    existing: Iterable[Existing],
    *,
    at: Instant,
    name: Name,
    gone: Mapping[str, EndReason] = _NONE_GONE,
    taken: frozenset[str] = frozenset(),
) -> tuple[Change, ...]:
    """Return the changes that bring what exists to what is wanted, as far as that may be done now.

    `gone` are lines that no site speaks of, with the charted reason: their entry was withdrawn, or it was looked for
    and is not there. `taken` are identifiers of what stands and cannot be read.
    Shape: in order of line, Tasks before Flags; then what is open for lines that no site speaks of.
    """
    by_line: dict[str, list[Existing]] = {}
    for one in existing:
        by_line.setdefault(one.line, []).append(_by_now(one, at))
    changes: list[Change] = []
    for site in sorted(sites, key=lambda site: site.lines):
        found = [one for line in site.lines for one in by_line.pop(line, [])]
        # One that names nobody is not somebody else's.
        mine = {site.patient, *site.former, ""}
        changes += _ended([one for one in found if one.patient not in mine], EndReason.OTHER_PATIENT)
        naming = partial(first_free, name, taken.union(one.identifier for one in found))
        changes += _of_site(site, [one for one in found if one.patient in mine], at, naming)
    for line in sorted(by_line):
        reason = gone.get(line)
        changes += _ended(by_line[line], reason) if reason else _left(by_line[line])
    return tuple(changes)


def _by_now(one: Existing, at: Instant) -> Existing:
    """Return one whose last change is not ahead of us: a clock that ran years ahead must silence nobody till then."""
    if one.modified <= at + HOUR:
        return one
    first = one.authored if isinstance(one, ExistingTask) else one.since
    return replace(one, modified=min(max(one.stored or first, first), at))


def _open(found: Iterable[Existing]) -> list[Existing]:
    return sorted((one for one in found if one.phase is Phase.OPEN), key=lambda one: one.ref)


def _left(found: Iterable[Existing]) -> list[Change]:
    return [Leave(existing=one, reason=LeaveReason.NOT_EVALUATED) for one in _open(found)]


def _ended(found: Iterable[Existing], reason: EndReason) -> list[Change]:
    return [
        Cancel(existing=one, reason=reason) if isinstance(one, ExistingTask) else EndFlag(existing=one, reason=reason)
        for one in _open(found)
    ]


def _of_site(site: SiteWanted, found: list[Existing], at: Instant, naming: Naming) -> list[Change]:
    changes: list[Change] = []
    tasks = [one for one in found if isinstance(one, ExistingTask)]
    wanted = {task.item: task for task in site.tasks}
    for item in sorted(wanted.keys() | {task.item for task in tasks}):
        changes += task_changes(site, wanted.get(item), [task for task in tasks if task.item == item], at, naming)
    flags = [one for one in found if isinstance(one, ExistingFlag)]
    for condition in Condition:
        changes += _flag_changes(site, condition, [one for one in flags if one.condition is condition], at, naming)
    return changes


def _flag_changes(
    site: SiteWanted, condition: Condition, flags: list[ExistingFlag], at: Instant, naming: Naming
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
    elif wanted.own != flag.own and not site.between_stays:
        changes.append(Revise(existing=flag, wanted=wanted))
    return changes


def _raise_flag(
    site: SiteWanted, wanted: WantedFlag, flags: list[ExistingFlag], at: Instant, naming: Naming
) -> list[Change]:
    no = standing_no(flags, wanted.since)
    if no is not None and (wanted.found is None or wanted.found <= no.modified):
        again = next_offer(_FLAG_SEVERITY[wanted.condition], no.modified, site.shifts, site.zone)
        if again > at:
            return [Leave(existing=no, reason=LeaveReason.DECLINED, until=again)]
    return [Create(wanted=wanted, identifier=naming(wanted.stem))]
