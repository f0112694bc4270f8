"""What reconcile compares: what is wanted, what exists, and what was charted that may close it. No I/O.

Bodies are opaque here: an output module renders them, reads them back and applies changes to them. `own` is that
module's projection of the elements we own, parsed; two equal projections mean that there is nothing to write.
"""

from collections.abc import Hashable
from dataclasses import dataclass
from datetime import tzinfo
from enum import StrEnum
from typing import TypeAlias

from linedays.core.moment import Instant, Moment
from linedays.core.policy import Shifts
from linedays.core.states import Priority, State


class Condition(StrEnum):
    """A condition of a dressing site that a Flag can show; the value is its code."""

    OVERDUE = "dressing-overdue"
    COMPROMISED = "dressing-compromised"
    UNKNOWN = "dressing-unknown"
    SITE_CONCERN = "site-concern"


class Severity(StrEnum):
    """How bad the state was that a Task was written for, as far as offering again goes; the value is its code."""

    DUE = "due"
    OVERDUE = "overdue"
    UNKNOWN = "unknown"
    SITE_CONCERN = "site-concern"
    COMPROMISED = "compromised"
    STAT = "stat"


class EvidenceKind(StrEnum):
    """A charted fact that can close something."""

    CHANGED = "dressing change charted"
    DATED = "dressing date read or reported"
    INTACT = "dressing charted intact"
    SITE_SEEN = "site looked at, no standing finding from it"
    WITHDRAWN = "charted entry withdrawn, or corrected to no finding"
    REMOVED = "removal charted"
    SAID_TO_BE_GONE = "line charted as not present"
    GONE = "stay over or death charted"
    IN_PLACE = "line charted about since"
    PAUSED = "upkeep paused"
    NOT_REQUIRED = "upkeep not required"


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One charted fact that can close a Task or a Flag: what, from which resource, and when it happened.

    `item` is the upkeep item it is about; None: every one.
    """

    kind: EvidenceKind
    item: str | None = None
    source: str | None = None
    happened: Moment | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WantedTask:
    """The one Task that a dressing site should have open for an item: looking and changing are one item.

    `asked` is false where nothing is asked now: then it is never created, but one that is open follows it. `stem`
    names the cycle (line, item, anchor). `since` is when the cycle began, `found` when its newest finding became known.
    `deferred_until` holds back what is not asap or stat. `reminder_own` is the projection of the same Task where it
    only reminds of charting.
    """

    item: str
    patient: str
    stem: str
    state: State
    severity: Severity
    priority: Priority
    own: Hashable
    reminder_own: Hashable
    body: object
    anchor: str | None = None
    since: Instant | None = None
    found: Instant | None = None
    deferred_until: Instant | None = None
    asked: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class WantedFlag:
    """A Flag that a dressing site should have, for one condition that holds since `since`; `stat` calls for someone."""

    patient: str
    stem: str
    condition: Condition
    since: Instant
    own: Hashable
    body: object
    found: Instant | None = None
    stat: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteWanted:
    """Everything wanted for one dressing site, and what was charted that may close what is not wanted any more.

    `lines` are the keys of all lines under the dressing. `kept` is true where the open Task of the dressing is to stay
    as it is (deferred); `joined` names the items whose steps stand in another Task. `former` are other records of the
    same patient. `between_stays` is true where the patient's stay ended and it is not known yet whether another begins.
    `shifts` and `zone` are those of the unit.
    """

    patient: str
    lines: tuple[str, ...]
    tasks: tuple[WantedTask, ...]
    flags: tuple[WantedFlag, ...]
    evidence: tuple[Evidence, ...]
    shifts: Shifts
    zone: tzinfo
    kept: bool = False
    between_stays: bool = False
    joined: frozenset[str] = frozenset()
    former: frozenset[str] = frozenset()


class Phase(StrEnum):
    """Where the life of something written stands."""

    OPEN = "open"
    ENDED_BY_US = "ended by us"
    ENDED_BY_A_PERSON = "ended by a person"
    VOID = "entered in error"


@dataclass(frozen=True, slots=True, kw_only=True)
class ExistingTask:
    """A Task of ours as it stands on the server.

    `ref` is `Task/id`. `waiting` is true while nobody has accepted it; `touched` where a person did anything with it.
    `since` is the start of its wanted period; `anchor` and `counts_from` say what its cycle counts from; `finding` is
    the entry that it stands on. `modified` is when it was last changed, as it says itself, `stored` as the server says.
    `done` is true where a person marked it done, `reminds` where it only reminds of charting that, which was `marked`
    at a time; `said` is the reason that a person gave.
    """

    ref: str
    identifier: str
    line: str
    patient: str
    phase: Phase
    waiting: bool
    touched: bool
    priority: Priority
    severity: Severity | None
    authored: Instant
    modified: Instant
    own: Hashable
    item: str
    stored: Instant | None = None
    since: Instant | None = None
    anchor: str | None = None
    counts_from: Instant | None = None
    finding: str | None = None
    done: bool = False
    reminds: bool = False
    marked: Instant | None = None
    said: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ExistingFlag:
    """A Flag of ours as it stands on the server: `finding` is the entry that it stands on."""

    ref: str
    identifier: str
    line: str
    patient: str
    phase: Phase
    condition: Condition
    since: Instant
    modified: Instant
    own: Hashable
    stored: Instant | None = None
    finding: str | None = None


Existing: TypeAlias = ExistingTask | ExistingFlag
