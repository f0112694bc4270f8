"""The shape of each entry of a policy file: which keys it has and what each may hold. No I/O.

Unknown keys are refused, nothing is converted silently, and no key with a clinical meaning has a default. The
description of a field is what a report says was expected there.
"""

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from linedays.core.policy import AgeGroup, Basis, BloodRule, FindingClass, NotRequiredWhen
from linedays.mapping.fields import (
    CLOCK_EXPECTED,
    CODE_EXPECTED,
    DURATION_EXPECTED,
    OWNER_EXPECTED,
    SELECTION_EXPECTED,
    TRUTH_EXPECTED,
    ClockTime,
    Code,
    Day,
    Days,
    Duration,
    Owner,
    Selected,
    Text,
    Weeks,
    words_of,
)


class Shape(BaseModel):
    """One entry of a policy file."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, arbitrary_types_allowed=True)


class Sourced(Shape):
    """An entry with a value: where the value comes from and since when it holds."""

    source: Text = Field(description='the published source (document, year, section) or "common practice, no source"')
    from_memory: bool = Field(default=False, description="true where nobody has seen the page of the source")
    since: Day = Field(description="the first day it holds, such as 2024-01-31")


class StaffShape(Shape):
    """A group of people who may do the upkeep of a line; the first one written is the usual one."""

    code: Code = Field(description=CODE_EXPECTED)
    name: Text = Field(description="the words shown for them")


class LineKindShape(Sourced):
    """One kind of line."""

    code: Code = Field(description=CODE_EXPECTED)
    name: Text = Field(description="the words shown for it")
    central: bool | None = Field(description="true, false, or null where the kind alone does not say")
    may_go_home: bool = Field(description=TRUTH_EXPECTED)
    dressing: bool = Field(description=TRUTH_EXPECTED)
    who: Code = Field(description="the code of one of the staff entries")


class DressingKindShape(Shape):
    """One kind of dressing."""

    code: Code = Field(description=CODE_EXPECTED)


class FindingsShape(Sourced):
    """Findings that mean the same for the dressing."""

    findings: list[Code] = Field(min_length=1, description="a list of codes")
    means: FindingClass = Field(strict=False, description=words_of(FindingClass))
    stat: bool = Field(description=TRUTH_EXPECTED)


class RuleValue(Sourced):
    """One dated value of a rule."""

    until: Day | None = Field(default=None, description="the first day it no longer holds, such as 2025-01-31")


class IntervalValue(RuleValue):
    """How long after its reset an item comes due."""

    interval: Days = Field(description="whole days with the unit, such as 7 d (48 h is 2 d)")
    basis: Basis = Field(strict=False, description=words_of(Basis))
    grace: Duration = Field(description=DURATION_EXPECTED)


class SeenValue(RuleValue):
    """How long an item stays known after it was last seen intact."""

    seen_within: Duration = Field(description=DURATION_EXPECTED)


class NotRequiredValue(RuleValue):
    """How long after implantation an item that is not asked for is an incision instead."""

    incision: Duration = Field(description=DURATION_EXPECTED)


class RuleShape(Shape):
    """What every kind of rule states."""

    id: Code = Field(description=CODE_EXPECTED)
    item: Code = Field(description=CODE_EXPECTED)
    line_kinds: Selected = Field(description=SELECTION_EXPECTED)
    text: Text = Field(description="the rule in words, with its quantity as a placeholder such as {interval}")


class IntervalShape(RuleShape):
    """An item that comes due a fixed interval after it was last reset."""

    kind: Literal["interval"]
    dressing_kinds: Selected = Field(description=SELECTION_EXPECTED)
    age: AgeGroup = Field(strict=False, description=words_of(AgeGroup))
    units: Selected = Field(description=SELECTION_EXPECTED)
    values: list[IntervalValue] = Field(min_length=1, description="a list of dated values, the oldest first")


class SeenShape(RuleShape):
    """An item that has no interval and is known only while it was seen intact."""

    kind: Literal["seen"]
    dressing_kinds: Selected = Field(description=SELECTION_EXPECTED)
    age: AgeGroup = Field(strict=False, description=words_of(AgeGroup))
    units: Selected = Field(description=SELECTION_EXPECTED)
    values: list[SeenValue] = Field(min_length=1, description="a list of dated values, the oldest first")


class NotRequiredShape(RuleShape):
    """An item that is not asked for under a condition."""

    kind: Literal["not-required"]
    when: NotRequiredWhen = Field(strict=False, description=words_of(NotRequiredWhen))
    values: list[NotRequiredValue] = Field(min_length=1, description="a list of dated values, the oldest first")


AnyRuleShape = IntervalShape | SeenShape | NotRequiredShape


class WindowShape(Sourced):
    """How long before its due time an item appears, for intervals up to a length."""

    up_to: Days | None = Field(description="whole days with the unit, such as 2 d, or null for every longer interval")
    lead: Duration = Field(description=DURATION_EXPECTED)


class ShiftsShape(Shape):
    """The day of a unit."""

    starts: list[ClockTime] = Field(min_length=1, description='a list of times of day, such as ["07:00", "19:00"]')
    quiet_from: ClockTime = Field(description=CLOCK_EXPECTED)
    quiet_until: ClockTime = Field(description=CLOCK_EXPECTED)
    change_margin: Duration = Field(description=DURATION_EXPECTED)


class UnitShape(Sourced):
    """What one unit has settled; `*` stands for every unit that is not named."""

    unit: Text = Field(description='the unit as its Location names it, or "*" in quotes')
    usual_dressing: Code | None = Field(description="the code of a dressing kind, or null where none is stated")
    first_dressing: Code | None = Field(description="the code of a dressing kind, or null to ask")
    shifts: ShiftsShape = Field(description="starts, quiet_from, quiet_until and change_margin")
    blood_rule: BloodRule = Field(strict=False, description=words_of(BloodRule))
    cutoff: ClockTime | None = Field(description=CLOCK_EXPECTED + ", or null for the end of the due day")
    neonatal: bool = Field(description=TRUTH_EXPECTED)
    owner: Owner | None = Field(default=None, description=OWNER_EXPECTED + ", or null")


class LimitShape(Sourced):
    """One limit that is a duration."""

    value: Duration = Field(description=DURATION_EXPECTED)


class LimitDaysShape(Sourced):
    """One limit in whole days."""

    value: Days = Field(description="whole days with the unit, such as 48 h or 2 d")


class LimitWeeksShape(Sourced):
    """One limit in whole weeks."""

    value: Weeks = Field(description="whole weeks with the unit, such as 44 wk")


class LimitsShape(Shape):
    """The durations that are practice rather than guideline."""

    ask: LimitDaysShape = Field(description="value, source and since")
    after_change_hint: LimitShape = Field(description="value, source and since")
    off_unit_back: LimitShape = Field(description="value, source and since")
    off_unit_longest: LimitShape = Field(description="value, source and since")
    used_after_removal: LimitShape = Field(description="value, source and since")
    stay_gap: LimitShape = Field(description="value, source and since")
    neonate_corrected: LimitWeeksShape = Field(description="value, source and since")
