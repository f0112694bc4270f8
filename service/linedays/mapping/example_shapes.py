"""The shape of a worked example in a policy file: what was charted, and what must come out. No I/O."""

from pydantic import Field

from linedays.core.model import FactKind
from linedays.core.states import State
from linedays.mapping.fields import CODE_EXPECTED, MOMENT_EXPECTED, Code, Duration, MomentText, Text, words_of
from linedays.mapping.shapes import Shape


class PersonShape(Shape):
    """What a worked example says of its patient."""

    born: MomentText = Field(description=MOMENT_EXPECTED)
    gestation: Duration | None = Field(default=None, description="a duration with its unit, such as 30 wk or 214 d")


class FactShape(Shape):
    """One charted fact of a worked example."""

    what: FactKind = Field(strict=False, description=words_of(FactKind))
    when: MomentText = Field(description=MOMENT_EXPECTED)
    known: MomentText | None = Field(default=None, description=MOMENT_EXPECTED)
    dressing: Code | None = Field(default=None, description="the code of a dressing kind")
    part: Code | None = Field(default=None, description="the code of an upkeep item")
    findings: list[Code] = Field(default=[], description="a list of codes of findings")


class ExpectShape(Shape):
    """What must come out of a worked example at one moment."""

    at: MomentText = Field(description=MOMENT_EXPECTED)
    state: State = Field(strict=False, description=words_of(State))


class ExampleShape(Shape):
    """A worked example: what was charted, and what must come out on either side of a threshold."""

    id: Code = Field(description=CODE_EXPECTED)
    rule: Code = Field(description="the id of the rule that the example shows")
    line_kind: Code = Field(description="the code of a line kind")
    unit: Text = Field(default="*", description='the name of a units entry, or "*" in quotes')
    patient: PersonShape | None = Field(default=None, description="born, and gestation where it matters")
    facts: list[FactShape] = Field(min_length=1, description="a list of facts, the insertion first")
    due: MomentText | None = Field(description=MOMENT_EXPECTED + ", or null where nothing comes due")
    expect: list[ExpectShape] = Field(min_length=1, description="a list of moments with the state at each")
