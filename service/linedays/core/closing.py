"""Something written that nothing asks for any more, and what was charted → how it ends, or None. No I/O.

Only a charted fact closes: a change, a date that was read, a removal, the end of the stay, a withdrawn entry, a pause.
That something is absent from what was read says nothing.
"""

from collections.abc import Iterable
from typing import assert_never

from linedays.core.anchors import DRESSING_ITEM
from linedays.core.asked import REMOVAL
from linedays.core.changes import Cancel, Complete, EndFlag, EndReason
from linedays.core.compared import Condition, Evidence, EvidenceKind, ExistingFlag, ExistingTask, Severity
from linedays.core.moment import MINUTE, Instant, Moment

_OVER = {
    EvidenceKind.REMOVED: EndReason.LINE_OUT,
    EvidenceKind.SAID_TO_BE_GONE: EndReason.LINE_SAID_GONE,
    EvidenceKind.GONE: EndReason.STAY_OVER,
    EvidenceKind.PAUSED: EndReason.PAUSED,
    EvidenceKind.NOT_REQUIRED: EndReason.NOT_REQUIRED,
}
_DONE = {
    EvidenceKind.CHANGED: EndReason.CHANGED,
    EvidenceKind.DATED: EndReason.DATED,
    EvidenceKind.INTACT: EndReason.SEEN,
    EvidenceKind.SITE_SEEN: EndReason.SEEN,
}
_RESET = frozenset({EvidenceKind.CHANGED, EvidenceKind.DATED})
_INTACT = frozenset({EvidenceKind.INTACT})
_SITE_SEEN = frozenset({EvidenceKind.SITE_SEEN})
# What was asked by a Task that only asks to look, and which look answers it.
_LOOK = {Severity.SITE_CONCERN: _SITE_SEEN, Severity.STAT: _SITE_SEEN, Severity.UNKNOWN: _INTACT}


def done_since(task: ExistingTask, evidence: Iterable[Evidence]) -> Complete | None:
    """Return how a Task is completed that something still asks for: by a change made while it was open."""
    made = [fact for fact in _resets(task, evidence) if fact.happened and fact.happened.earliest >= task.authored]
    return _completed(task, min(made, key=_earliest)) if made else None


def is_answered(task: ExistingTask, evidence: Iterable[Evidence]) -> bool:
    """Tell whether a change was charted that answers what a Task asked."""
    return bool(_resets(task, evidence))


def close_task(task: ExistingTask, evidence: tuple[Evidence, ...], anchor: str | None) -> Complete | Cancel | None:
    """Return how a Task ends that nothing asks for any more; None where nothing charted says why.

    `anchor` is what the item counts from now, where that is known: another one than the Task's own completes it, late
    entry or not.
    """
    if done := done_since(task, evidence):
        return done
    about = [fact for fact in evidence if fact.item in (None, task.item)]
    if task.item == REMOVAL:
        return _close_removal(task, about)
    if late := [fact for fact in _resets(task, evidence) if anchor in (None, fact.source)]:
        return _completed(task, max(late, key=_earliest))
    if known := _made_known(task, about, anchor):
        return _completed(task, known)
    for fact in about:
        if reason := _OVER.get(fact.kind):
            return Cancel(existing=task, reason=reason)
    if is_withdrawn(task.finding, evidence):
        return Cancel(existing=task, reason=EndReason.FINDING_WITHDRAWN)
    look = _LOOK.get(task.severity) if task.severity and task.item == DRESSING_ITEM else None
    seen = [fact for fact in _since(evidence, look or frozenset(), task.since) if fact.source != task.finding]
    return _completed(task, seen[0]) if seen else None


def _made_known(task: ExistingTask, evidence: list[Evidence], anchor: str | None) -> Evidence | None:
    """Return the dated entry that answers a Task which asked to look since nothing was known, a corrected one too."""
    if task.severity is not Severity.UNKNOWN or task.item != DRESSING_ITEM or anchor is None:
        return None
    return next((fact for fact in evidence if fact.kind in _RESET and fact.source == anchor), None)


def _close_removal(task: ExistingTask, evidence: list[Evidence]) -> Complete | Cancel | None:
    """Return how the question whether a line is still there ends: by another entry than the one that raised it."""
    for fact in evidence:
        match fact.kind:
            case EvidenceKind.REMOVED if fact.source and fact.happened and fact.source != task.finding:
                return Complete(
                    existing=task, reason=EndReason.REMOVAL_CHARTED, output=fact.source, happened=fact.happened
                )
            case EvidenceKind.REMOVED:
                return Cancel(existing=task, reason=EndReason.LINE_OUT)
            case EvidenceKind.IN_PLACE:
                return Cancel(existing=task, reason=EndReason.IN_PLACE_AFTER_ALL)
            case EvidenceKind.GONE:
                return Cancel(existing=task, reason=EndReason.STAY_OVER)
            case _:
                continue
    if is_withdrawn(task.finding, evidence):
        return Cancel(existing=task, reason=EndReason.FINDING_WITHDRAWN)
    return None


def _resets(task: ExistingTask, evidence: Iterable[Evidence]) -> list[Evidence]:
    # A new dressing does not answer a site concern.
    if task.severity is Severity.SITE_CONCERN:
        return []
    about = [fact for fact in evidence if fact.kind in _RESET and fact.item == task.item]
    return [fact for fact in about if fact.happened and _answers(task, fact, fact.happened)]


def _answers(task: ExistingTask, fact: Evidence, happened: Moment) -> bool:
    """Tell whether a change is another one than the Task counts from and, where it stands on a finding, not before it.

    A corrected time of the change that it counts from is no new change, unless it now lies after the finding.
    """
    made = happened.latest // MINUTE
    clears = task.since is not None and task.finding is not None and made >= task.since // MINUTE
    if task.severity in (Severity.COMPROMISED, Severity.STAT):
        return clears or (task.since is None and fact.source != task.anchor)
    later = task.counts_from is None or happened.earliest > task.counts_from
    return fact.source != task.anchor and later


def _completed(task: ExistingTask, fact: Evidence) -> Complete:
    assert fact.source is not None
    assert fact.happened is not None
    return Complete(existing=task, reason=_DONE[fact.kind], output=fact.source, happened=fact.happened)


def close_flag(flag: ExistingFlag, evidence: tuple[Evidence, ...]) -> EndFlag | None:
    """Return how a Flag ends whose condition no longer holds; None where nothing charted says why."""
    evidence = tuple(fact for fact in evidence if fact.item in (None, DRESSING_ITEM))
    for fact in evidence:
        reason = _OVER.get(fact.kind)
        if reason and not (reason is EndReason.PAUSED and flag.condition is Condition.SITE_CONCERN):
            return EndFlag(existing=flag, reason=reason, ended=_not_before(flag, fact))
    if is_withdrawn(flag.finding, evidence):
        return EndFlag(existing=flag, reason=EndReason.FINDING_WITHDRAWN)
    closing = _closing_facts(flag, evidence)
    if not closing:
        return None
    return EndFlag(existing=flag, reason=_DONE[closing[0].kind], ended=_not_before(flag, closing[0]))


def _closing_facts(flag: ExistingFlag, evidence: tuple[Evidence, ...]) -> list[Evidence]:
    match flag.condition:
        case Condition.OVERDUE:
            # A dated anchor that stands is positive evidence, whenever it was: its time may have been corrected.
            return _since(evidence, _RESET, flag.since) or _since(evidence, _RESET, None)
        case Condition.UNKNOWN:
            known = _since(evidence, _RESET, flag.since) or _since(evidence, _RESET, None)
            return known or _since(evidence, _INTACT, flag.since)
        case Condition.COMPROMISED:
            return _since(evidence, _RESET, flag.since)
        case Condition.SITE_CONCERN:
            seen = _since(evidence, _SITE_SEEN, flag.since)
            return [fact for fact in seen if fact.source != flag.finding]
        case _:
            assert_never(flag.condition)


def _since(evidence: Iterable[Evidence], kinds: frozenset[EvidenceKind], since: Instant | None) -> list[Evidence]:
    # By the minute, since that is what people chart: a change in the minute of a finding clears it.
    found = [
        fact
        for fact in evidence
        if fact.kind in kinds
        and fact.happened
        and (since is None or fact.happened.earliest // MINUTE >= since // MINUTE)
    ]
    return sorted(found, key=_earliest)


def is_withdrawn(finding: str | None, evidence: Iterable[Evidence]) -> bool:
    """Tell whether the entry that something stands on was withdrawn, or corrected to no finding."""
    withdrawn = {fact.source for fact in evidence if fact.kind is EvidenceKind.WITHDRAWN}
    return finding is not None and finding in withdrawn


def _not_before(flag: ExistingFlag, fact: Evidence) -> Instant | None:
    if fact.happened is None or fact.happened.earliest // MINUTE < flag.since // MINUTE:
        return None
    return max(fact.happened.earliest, flag.since)


def _earliest(fact: Evidence) -> Instant:
    assert fact.happened is not None
    return fact.happened.earliest
