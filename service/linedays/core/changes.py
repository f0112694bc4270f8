"""What follows when what is wanted was compared with what exists: the changes that reconcile returns. No I/O."""

from collections.abc import Callable, Set
from dataclasses import dataclass
from enum import StrEnum
from itertools import count
from typing import TypeAlias

from linedays.core.compared import Existing, ExistingFlag, ExistingTask, WantedFlag, WantedTask
from linedays.core.moment import Instant, Moment
from linedays.core.states import Priority

# From the stem of a wanted thing and a number to the value of its identifier.
Name: TypeAlias = Callable[[str, int], str]


def first_free(name: Name, taken: Set[str], stem: str) -> str:
    """Return the identifier of a stem with the first number whose identifier is not taken."""
    return next(value for n in count() if (value := name(stem, n)) not in taken)


class EndReason(StrEnum):
    """Why we ended something; the value is its code."""

    CHANGED = "change-charted"
    DATED = "date-charted"
    SEEN = "seen-since"
    LINE_OUT = "line-out"
    LINE_SAID_GONE = "line-charted-not-present"
    STAY_OVER = "stay-over"
    FINDING_WITHDRAWN = "finding-withdrawn"
    PAUSED = "paused"
    NOT_REQUIRED = "not-required"
    DUPLICATE = "duplicate"
    REMOVAL_CHARTED = "removal-charted"
    IN_PLACE_AFTER_ALL = "line-charted-since"
    JOINED = "joined-with-dressing"
    NOT_CONFIRMED = "not-confirmed"
    LINE_WITHDRAWN = "line-entry-withdrawn"
    GONE_FROM_CHART = "gone-from-chart"
    OTHER_PATIENT = "charted-for-another-patient"


class LeaveReason(StrEnum):
    """Why something is left as it is; the value is the words shown to people."""

    DECLINED = "a person ended it; offered again later, or at once when things get worse"
    MARKED_DONE = "a person marked it as done; its entry in the chart is waited for"
    NOTHING_CHARTED = "nothing is asked any more, but nothing charted says why"
    DEFERRED = "charted as not done for now; left as it is until its time"
    BETWEEN_STAYS = "the stay has ended and it is not known yet whether another begins; left as it is until then"
    NOT_EVALUATED = "its line was not looked at in this sweep"


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """What a person did to a Task before: which one, when, the reason given, and whether it was marked as done."""

    ref: str
    at: Instant
    said: str | None = None
    done: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Create:
    """Write a new one under this identifier.

    `declined` is the one that a person ended before, if any; `marked` the one that a person marked as done with
    nothing charted: then this one reminds of charting it.
    """

    wanted: WantedTask | WantedFlag
    identifier: str
    declined: Act | None = None
    marked: Act | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Revise:
    """Bring an open one up to date; it keeps its identifier. `priority` is the one it has afterwards (None: a Flag).

    `reminds` is true where it goes on to remind only.
    """

    existing: Existing
    wanted: WantedTask | WantedFlag
    priority: Priority | None = None
    reminds: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Complete:
    """Complete a Task: what it asked for was charted in `output`."""

    existing: ExistingTask
    reason: EndReason
    output: str
    happened: Moment


@dataclass(frozen=True, slots=True, kw_only=True)
class Cancel:
    """Cancel a Task, saying why."""

    existing: ExistingTask
    reason: EndReason


@dataclass(frozen=True, slots=True, kw_only=True)
class EndFlag:
    """End a Flag. `ended` is when the condition ceased; None: only the time of this change is known."""

    existing: ExistingFlag
    reason: EndReason
    ended: Instant | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Void:
    """Mark a duplicate that nobody touched as entered in error and free its identifier."""

    existing: Existing


@dataclass(frozen=True, slots=True, kw_only=True)
class Leave:
    """Write nothing, and say why. `until` is when to look again, where time alone brings it."""

    existing: Existing
    reason: LeaveReason
    until: Instant | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """Write nothing before `until`: quiet hours, a shift change or a charted deferral. `existing`: a raise is held."""

    wanted: WantedTask
    until: Instant
    existing: ExistingTask | None = None


Write: TypeAlias = Create | Revise | Complete | Cancel | EndFlag | Void
Change: TypeAlias = Write | Leave | Held


def is_write(change: Change) -> bool:
    """Tell whether a change alters anything on the server."""
    return not isinstance(change, Leave | Held)
