"""The shape of each entry of line_days.yaml: which keys it has and what each may hold. No I/O."""

from typing import Annotated

from pydantic import Field

from linedays.core.count_rules import Count, UnitBasis
from linedays.core.model import FactKind, PlaceClass
from linedays.mapping.fields import CLOCK_EXPECTED, CODE_EXPECTED, TRUTH_EXPECTED, ClockTime, Code, Text, words_of
from linedays.mapping.shapes import Shape, Sourced

# Facts that can mean that a line was placed or entered; a finding or a dressing never does.
ACCESS_FACTS = (FactKind.INSERTED, FactKind.USED, FactKind.PORT_ACCESSED, FactKind.INFUSION_STARTED)

_CODES_EXPECTED = "a list of codes, each once"
_Word = Annotated[Text, Field(pattern=r"^\S+$")]


class SnapshotTimeShape(Sourced):
    """When the daily snapshot is taken."""

    time: ClockTime = Field(description=CLOCK_EXPECTED)


class RuleOfYear(Shape):
    """What every counting rule states. Its first year stands for a date."""

    name: Code = Field(description=CODE_EXPECTED)
    version: _Word = Field(description='a version in quotes, such as "1"')
    year: int = Field(ge=1900, le=2999, description="the first year in which the rule holds, such as 2024")
    source: Text = Field(description='the published source (document, year, section) or "common practice, no source"')
    from_memory: bool = Field(default=False, description="true where nobody has seen the page of the source")


class DayNumberShape(RuleOfYear):
    """A rule of the patient's line day number."""

    eligible_from_day: int = Field(ge=1, le=30, description="a line day number, such as 3")
    eligible_days_after: int = Field(ge=0, le=30, description="calendar days after the last line, such as 1")
    access_facts: list[Annotated[FactKind, Field(strict=False)]] = Field(
        min_length=1, description="a list of: " + ", ".join(ACCESS_FACTS)
    )


class DenominatorShape(RuleOfYear):
    """A rule of the daily snapshot."""

    include_not_accessed: bool = Field(description=TRUTH_EXPECTED)


class TimeRuleShape(RuleOfYear):
    """A rule of one plain count of time."""

    count: Count = Field(strict=False, description=words_of(Count))
    units: UnitBasis | None = Field(strict=False, description=words_of(UnitBasis) + ", or null where not cut by unit")


class KindsShape(Sourced):
    """Line kinds that are the same to the counting."""

    group: Code = Field(description=CODE_EXPECTED)
    central: bool | None = Field(description="true, false, or null where the kind alone does not say")
    codes: list[Code] = Field(min_length=1, description=_CODES_EXPECTED)


class TipsShape(Sourced):
    """Tip locations that say the same of a line."""

    central: bool = Field(description=TRUTH_EXPECTED)
    codes: list[Code] = Field(min_length=1, description=_CODES_EXPECTED)


class LocationClassShape(Sourced):
    """Types of Location that are the same to the counting."""

    counts_as: PlaceClass = Field(strict=False, description=words_of(PlaceClass))
    system: _Word = Field(description="the canonical address of a code system")
    codes: list[_Word] = Field(min_length=1, description=_CODES_EXPECTED)


class NamedLocationShape(Sourced):
    """Locations that are the same to the counting, by their logical ids."""

    counts_as: PlaceClass = Field(strict=False, description=words_of(PlaceClass))
    ids: list[_Word] = Field(min_length=1, description="a list of logical ids, each once")
