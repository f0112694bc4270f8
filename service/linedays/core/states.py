"""The values that the evaluation of timelines under a policy ends in: states, reasons, anchors, findings. No I/O.

Those made for every dressing site are frozen msgspec structs, as in `model`.
"""

from datetime import tzinfo
from enum import StrEnum

import msgspec

from linedays.core.model import DressingSite, Whereabouts
from linedays.core.moment import Instant, Moment


class State(StrEnum):
    """The state of an upkeep item, in order of precedence: the first that holds is the state."""

    NOT_REQUIRED = "not required"
    PAUSED = "paused"
    COMPROMISED = "compromised"
    OVERDUE = "overdue"
    UNKNOWN = "unknown"
    DEFERRED = "deferred"
    DUE = "due"
    WINDOW_OPEN = "window open"
    NOT_DUE = "not due"


class Priority(StrEnum):
    """How soon someone should look, as FHIR Task.priority says it."""

    ROUTINE = "routine"
    URGENT = "urgent"
    ASAP = "asap"
    STAT = "stat"


class AnchorBasis(StrEnum):
    """What an item's clock counts from."""

    CHANGE = "change"
    INSERTION = "insertion"
    LABEL = "label"
    REPORTED = "reported"


class Anchor(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """The fact that last reset an item: `at` is the earliest reading of its time, not before insertion."""

    at: Instant
    happened: Moment
    basis: AnchorBasis
    source: str
    known: Instant
    dressing_kind: str | None = None


class Reason(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """Why something is so, as data: a code with its parameters, rendered to one sentence on demand.

    Instants are ints, everything else is text; the wording of each code stands in mappings/outputs.yaml.
    """

    code: str
    values: tuple[tuple[str, str | int], ...] = ()


class SiteFinding(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """One charted finding that stands (nothing has cleared it): what, seen when, from which resource."""

    finding: str
    seen: Moment
    known: Instant
    source: str
    minutes_after_change: int | None = None


class ItemState(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """What the policy asks of one dressing site for one item at one moment.

    `beside` are other conditions that hold, `findings` what was charted and not cleared, `assumed` what we had to
    assume. `next_change` is when the state next changes by itself; None: not without a new fact.
    """

    item: str
    site: str
    state: State
    priority: Priority | None
    reason: Reason
    rule: str | None = None
    anchor: Anchor | None = None
    window_from: Instant | None = None
    due: Instant | None = None
    overdue_from: Instant | None = None
    next_change: Instant | None = None
    beside: tuple[Reason, ...] = ()
    findings: tuple[SiteFinding, ...] = ()
    assumed: tuple[Reason, ...] = ()
    last_seen_intact: Instant | None = None


class SiteState(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """A dressing site at one moment: where its lines are, what each item needs, and what else is worth a line.

    `place` and `unit` say where the patient is; `watched_since` is when this watch of the patient began, and
    `stay_ended` when the stay ended that may or may not be continued by another, where the stays say so.
    """

    site: DressingSite
    at: Instant
    whereabouts: Whereabouts
    items: tuple[ItemState, ...]
    concern: ItemState | None = None
    notes: tuple[Reason, ...] = ()
    place: str | None = None
    unit: str | None = None
    encounter: str | None = None
    watched_since: Instant | None = None
    stay_ended: Instant | None = None
    zone: tzinfo | None = None
    line_whereabouts: tuple[Whereabouts, ...] = ()
