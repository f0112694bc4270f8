"""The values that the core turns into one another: facts, lines, dressing sites, timelines, states, issues. No I/O.

What is made once or more for every fact or line is a frozen msgspec struct, since a hospital has millions of them and a
frozen dataclass takes several times as long to make; everything else is a frozen dataclass.
"""

from dataclasses import dataclass
from datetime import tzinfo
from enum import StrEnum

import msgspec

from linedays.core.moment import Instant, Moment


class FactKind(StrEnum):
    """What one dated statement says about a line."""

    DEVICE = "device"
    INSERTED = "inserted"
    PRESENT = "present"
    CHARTED = "charted"
    REMOVED = "removed"
    EXCHANGED_OUT = "exchanged-out"
    DRESSING_CHANGED = "dressing-changed"
    DRESSING_REINFORCED = "dressing-reinforced"
    LABEL_DATE = "dressing-label-date"
    CHANGE_REPORTED = "dressing-change-reported"
    DRESSING_SEEN = "dressing-seen"
    SITE_SEEN = "site-seen"
    SITE_HEALED = "site-healed"
    SITE_NOT_HEALED = "site-not-healed"
    PART_CHANGED = "part-changed"
    NOT_DONE = "not-done"
    PAUSED = "paused"
    USED = "used"
    PORT_ACCESSED = "port-accessed"
    PORT_DEACCESSED = "port-deaccessed"
    TIP = "tip"
    LINE_NOT_PRESENT = "line-not-present"
    REPOSITIONED = "repositioned"
    INFUSION_STARTED = "infusion-started"
    MEASURED = "measured"
    RETRACTED = "retracted"


CREATING = frozenset({FactKind.DEVICE, FactKind.INSERTED, FactKind.PRESENT, FactKind.CHARTED})


class Fact(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """One dated statement about a line, taken from one version of one resource.

    `known` is when the statement became known; `updated` is when this version of its resource was stored (None where
    the server does not say, or where it is the first version). `device` and `part_of` are the references that tie it
    to a line; without them `line_kind`, `site` and `side` do, and `slot`: the name of the column or slot where a system
    charts lines in columns. `value` is a dressing kind, an item, a reason or a tip code, as the kind of fact wants.
    """

    kind: FactKind
    patient: str
    source: str
    happened: Moment
    known: Instant
    updated: Instant | None = None
    until: Moment | None = None
    device: str | None = None
    part_of: str | None = None
    line_kind: str | None = None
    site: str | None = None
    side: str | None = None
    slot: str | None = None
    encounter: str | None = None
    value: str | None = None
    findings: tuple[str, ...] = ()


class IssueKind(StrEnum):
    """Why input was not used; the value is the stable code shown in every listing."""

    BAD_JSON = "bad-json"
    BAD_SHAPE = "bad-shape"
    BAD_TIME = "bad-time"
    NO_TIME = "no-time"
    NO_PATIENT = "no-patient"
    SUBJECT_MISMATCH = "subject-mismatch"
    UNKNOWN_CODE = "unknown-code"
    UNKNOWN_VALUE = "unknown-value"
    UNKNOWN_ELEMENT = "unknown-element"
    MODIFIED = "modified"
    NOT_MERGED = "not-merged"
    RECORDS_DISAGREE = "records-disagree"
    AFTER_OWN_ENTRY = "after-own-entry"
    BEFORE_INSERTION = "before-insertion"
    WHICH_LINE = "which-line"
    NO_LINE = "no-line"
    OLDER_THAN_A_CHANGE = "older-than-a-change"
    LINES_JOINED = "lines-joined"
    AFTER_REMOVAL = "after-removal"
    TOO_LARGE = "too-large"


@dataclass(frozen=True, slots=True, kw_only=True)
class Issue:
    """One input that was not used, or not as charted: which resource, what is wrong, what to do.

    `text` never holds a name, a date of birth or a record number. `used` is true where the input still counts and
    the issue only says how it was read. `lines` names the lines it might belong to.
    """

    kind: IssueKind
    source: str
    text: str
    patient: str | None = None
    lines: tuple[str, ...] = ()
    used: bool = False


class StartBasis(StrEnum):
    """How we know that a line is there."""

    INSERTION = "insertion"
    ARRIVAL = "arrival"
    EXCHANGE = "guidewire-exchange"
    DEVICE = "device-record"


class EndBasis(StrEnum):
    """How we know, or think, that a line is gone."""

    REMOVAL = "removal"
    EXCHANGE = "guidewire-exchange"
    STATUS = "device-status"
    PRESENCE = "presence-ended"
    DEATH = "death"


class Whereabouts(StrEnum):
    """Where a line is at the moment asked about."""

    NOT_YET = "not yet in place"
    IN_PLACE = "in place"
    AWAY = "in place, away"
    REMOVAL_NOT_CHARTED = "removal not charted"
    USED_AFTER_REMOVAL = "charted out but still charted"
    SAID_TO_BE_GONE = "said to be gone"
    ENDED = "ended"


class Line(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """One indwelling vascular access device in one patient, from insertion to removal.

    `key` is `Type/id` of the creating resource known first; `aliases` are the other resources that speak of it.
    """

    key: str
    patient: str
    kind: str
    site: str | None
    side: str | None
    slot: str | None = None
    start: Moment
    start_basis: StartBasis
    start_source: str
    end: Moment | None = None
    end_basis: EndBasis | None = None
    end_source: str | None = None
    aliases: tuple[str, ...] = ()
    encounter: str | None = None
    parent: str | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """The key, and the other resources that speak of the line."""
        return (self.key, *self.aliases)


class Timeline(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """A line with its facts in order of time, and those that could not be used, each with its issue."""

    line: Line
    facts: tuple[Fact, ...]
    unused: tuple[tuple[Fact, Issue], ...] = ()


class DressingSite(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """The one or more lines under one dressing. Its key is the key of the line known first."""

    key: str
    timelines: tuple[Timeline, ...]


class PlaceClass(StrEnum):
    """What a Location is to the counting of days."""

    INPATIENT = "inpatient"
    OUTPATIENT = "outpatient"
    PROCEDURAL = "procedural"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A Location: the unit that owns it, what it is to the counting, and its zone where it states one."""

    id: str
    unit: str
    name: str
    place_class: PlaceClass
    zone: tzinfo | None = None

    @property
    def unit_id(self) -> str:
        """The logical id of the unit's Location: what policy files call a unit."""
        return self.unit.rpartition("/")[2]


class PlaceSpan(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """A patient in a place from `start` until before `end` (None: still there)."""

    place: str
    start: Instant
    end: Instant | None = None


class Stay(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """One Encounter: `top` is the outermost Encounter that it is part of, itself where it stands alone."""

    id: str
    top: str
    status: str
    encounter_class: str
    start: Instant
    end: Instant | None
    known: Instant
    places: tuple[PlaceSpan, ...] = ()


# Groups of allergies that mean the same to every hospital; a source map may name more.
OTHER_ALLERGY = "other"
NONE_KNOWN = "none-known"
ALLERGY_GROUPS = ("chlorhexidine", "adhesive", "iodine", "alcohol", "latex", OTHER_ALLERGY, NONE_KNOWN)


class Allergy(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """One charted allergy or intolerance that stands: what it concerns, which resource says so, since when it is known.

    `group` is `other` where nobody here can tell what it concerns, and `none-known` where an entry says there is none.
    """

    group: str
    source: str
    known: Instant


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """What the rules need to know of a patient; no name, no record number.

    `allergies` is empty where nothing is charted, which is no answer: somebody has to ask. `former_ids` are the records
    that this one replaces. Units: `gestation_days` at birth, None where not charted.
    """

    id: str
    birth: Moment | None = None
    gestation_days: int | None = None
    died: Moment | None = None
    allergies: tuple[Allergy, ...] = ()
    former_ids: tuple[str, ...] = ()


class PatientInput(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """Everything read about one patient, in any order."""

    person: Person
    facts: tuple[Fact, ...]
    stays: tuple[Stay, ...] = ()


class PatientChart(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """What was made of one patient's input: dressing sites, and what fitted no line or more than one."""

    person: Person
    sites: tuple[DressingSite, ...]
    stays: tuple[Stay, ...]
    issues: tuple[Issue, ...]
    standing: frozenset[str]
    not_yet_known: frozenset[str] = frozenset()
