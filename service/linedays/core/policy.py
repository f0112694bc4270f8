"""The policy as values: line kinds, upkeep rules with their sources, findings, units, shifts. No I/O.

`linedays.mapping` builds these from the files in mappings/ and refuses what does not fit together; here they are only
looked up. Durations are whole seconds, times of day are local to the unit.
"""

from dataclasses import dataclass
from datetime import date, time
from enum import StrEnum
from typing import TypeAlias


class Basis(StrEnum):
    """How an interval is counted."""

    ELAPSED = "elapsed"
    CALENDAR = "calendar"


class AgeGroup(StrEnum):
    """For whom a rule holds."""

    ANY = "any"
    NEONATE = "neonate"
    OLDER = "older"


class FindingClass(StrEnum):
    """What a charted finding means for the dressing."""

    COMPROMISED = "compromised"
    CONCERN = "site concern"
    BOTH = "compromised and site concern"
    BLOOD = "by blood rule"
    ROW_ONLY = "row only"
    NONE = "none"


class BloodRule(StrEnum):
    """When oozing or old blood makes a dressing compromised."""

    ANY = "any"
    NEAR_BORDER = "near the border"
    OUTSIDE_PAD = "not inside a chlorhexidine pad"


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Where a value comes from: a document with year and section, or "common practice, no source".

    `seen` is false where the page itself was not seen ("from memory").
    """

    text: str
    seen: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class LineKind:
    """One kind of line. `who` may do its upkeep; `dressing` is false where no dressing is expected."""

    code: str
    name: str
    central: bool | None
    may_go_home: bool
    dressing: bool
    who: str
    source: Source


@dataclass(frozen=True, slots=True, kw_only=True)
class IntervalRule:
    """An item comes due a fixed interval after the fact that last reset it.

    Units: `interval_days` in days of 24 h (elapsed) or calendar days; `grace` in seconds. Empty tuples mean any.
    """

    id: str
    item: str
    line_kinds: tuple[str, ...]
    dressing_kinds: tuple[str, ...]
    age: AgeGroup
    units: tuple[str, ...]
    interval_days: int
    basis: Basis
    grace: int
    since: date
    until: date | None
    who: str
    text: str
    source: Source


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenRule:
    """An item has no interval: it is known only while it was seen intact within `seen_within` seconds."""

    id: str
    item: str
    line_kinds: tuple[str, ...]
    dressing_kinds: tuple[str, ...]
    age: AgeGroup
    units: tuple[str, ...]
    seen_within: int
    since: date
    until: date | None
    who: str
    text: str
    source: Source


class NotRequiredWhen(StrEnum):
    """When an item is not asked for at all."""

    ALWAYS = "always"
    SITE_HEALED = "exit site charted as healed"
    PORT_NOT_ACCESSED = "port not accessed"


@dataclass(frozen=True, slots=True, kw_only=True)
class NotRequiredRule:
    """An item is not asked for under a condition. `incision` seconds after implantation say so in other words."""

    id: str
    item: str
    line_kinds: tuple[str, ...]
    when: NotRequiredWhen
    incision: int
    since: date
    until: date | None
    text: str
    source: Source


UpkeepRule: TypeAlias = IntervalRule | SeenRule | NotRequiredRule


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingMeaning:
    """What one charted finding means, and whether it calls for someone at once."""

    code: str
    finding_class: FindingClass
    stat: bool
    source: Source


@dataclass(frozen=True, slots=True, kw_only=True)
class Shifts:
    """The unit's day. `change_margin` seconds around a shift start only asap and stat work is put up."""

    starts: tuple[time, ...]
    quiet_from: time
    quiet_until: time
    change_margin: int


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowRule:
    """How long before the due time an item appears: at the latest shift start at least `lead` seconds before it.

    It holds for intervals of at most `up_to_days` days (None: all longer ones).
    """

    up_to_days: int | None
    lead: int
    source: Source


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitSettings:
    """What one unit (or `*`, every other one) has settled.

    `first_dressing` is a dressing kind or None for "ask": next change due after `ask_days`. `usual_dressing` is None
    where the unit states none. `owner` is the team that its Tasks are put to, as `Type/id`. `cutoff` is the time of
    the due day from which a calendar item is overdue (None: its end).
    """

    unit: str
    usual_dressing: str | None
    first_dressing: str | None
    shifts: Shifts
    blood_rule: BloodRule
    cutoff: time | None
    neonatal: bool
    source: Source
    owner: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Durations that are practice rather than guideline, in seconds unless the name says otherwise.

    Shape: `sources` names the source of each of the others, by field.
    """

    ask_days: int
    after_change_hint: int
    off_unit_back: int
    off_unit_longest: int
    used_after_removal: int
    stay_gap: int
    port_incision: int
    neonate_corrected_weeks: int
    sources: tuple[tuple[str, Source], ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Policy:
    """Everything the rules need, checked as a whole. `content_hash` names exactly these values.

    Two policies are equal only where they are one object: look-ups are kept by it, and `content_hash` is what compares.
    """

    content_hash: str
    line_kinds: tuple[LineKind, ...]
    dressing_kinds: tuple[str, ...]
    rules: tuple[UpkeepRule, ...]
    findings: tuple[FindingMeaning, ...]
    windows: tuple[WindowRule, ...]
    units: tuple[UnitSettings, ...]
    limits: Limits
    staff: tuple[tuple[str, str], ...] = ()  # codes and names


def in_force(rule: UpkeepRule, on: date) -> bool:
    """Tell whether a rule holds on a local day."""
    return rule.since <= on and (rule.until is None or on < rule.until)


def unit_settings(policy: Policy, unit: str | None) -> UnitSettings:
    """Return the settings of a unit, or those of `*`, which every policy has."""
    fallback = policy.units[0]
    for settings in policy.units:
        if settings.unit == unit:
            return settings
        if settings.unit == "*":
            fallback = settings
    return fallback

