"""The types of the fields of policy files, and the words a report uses for what was expected in them. No I/O."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, time
from typing import Annotated, Any

from pydantic import BeforeValidator, StringConstraints

from linedays.core.moment import TimeProblem, moment_from_text
from linedays.mapping.quantities import (
    clock_from_text,
    day_from_text,
    days_from_text,
    seconds_from_text,
    shown,
    weeks_from_text,
)

CODE_PATTERN = r"^[a-z][a-z0-9-]*$"


@dataclass(frozen=True, slots=True)
class Selection:
    """Which codes a rule holds for: those named, or every one but those named."""

    codes: tuple[str, ...]
    all_but: bool


def _selection(written: object) -> Selection:
    match written:
        case "any":
            return Selection((), True)
        case {"all_but": [*codes], **others} if not others:
            return Selection(_codes(codes), True)
        case [*codes]:
            return Selection(_codes(codes), False)
        case _:
            raise ValueError(f"is {shown(written)}")


def _codes(written: list[object]) -> tuple[str, ...]:
    codes = tuple(code for code in written if isinstance(code, str))
    if not codes or len(codes) < len(written):
        raise ValueError(f"is {shown(written)}, not a list of codes")
    if len(set(codes)) < len(codes):
        raise ValueError("names a code twice")
    return codes


def _moment_text(written: object) -> str:
    # The zone gives only the calendar day of a date without a time; whether the text can be read does not hang on it.
    moment = moment_from_text(written, UTC) if isinstance(written, str) else TimeProblem.NOT_A_TIME
    if isinstance(moment, TimeProblem):
        raise ValueError(f"is {shown(written)}: {moment.value}")
    return str(written)


def _read_by(read: Callable[[object], Any]) -> BeforeValidator:
    return BeforeValidator(read)


Text = Annotated[str, StringConstraints(min_length=1)]
Code = Annotated[str, StringConstraints(pattern=CODE_PATTERN)]
# The teams among those whom a Task may be put to. Source: FHIR R4 Task.owner (http://hl7.org/fhir/R4/task.html).
Owner = Annotated[
    str,
    StringConstraints(pattern=r"^(Organization|CareTeam|HealthcareService)/[A-Za-z0-9.-]{1,64}$"),
]
Duration = Annotated[int, _read_by(seconds_from_text)]
Days = Annotated[int, _read_by(days_from_text)]
Weeks = Annotated[int, _read_by(weeks_from_text)]
ClockTime = Annotated[time, _read_by(clock_from_text)]
Day = Annotated[date, _read_by(day_from_text)]
MomentText = Annotated[str, _read_by(_moment_text)]
Selected = Annotated[Selection, _read_by(_selection)]

CODE_EXPECTED = "a code: small letters, digits and hyphens, in quotes where YAML needs them"
OWNER_EXPECTED = "Organization/id, CareTeam/id or HealthcareService/id"
DURATION_EXPECTED = "a duration with its unit, such as 7 d, 48 h or 15 min"
SELECTION_EXPECTED = "any, a list of codes, or all_but with a list of codes"
TRUTH_EXPECTED = "true or false"
MOMENT_EXPECTED = "a date, or a time with its offset such as 2024-03-04T14:30:00Z"
CLOCK_EXPECTED = 'a time of day in quotes, such as "07:00"'


def words_of(words: type[Any]) -> str:
    """Return the words of an enumeration as a report lists them."""
    return "one of: " + ", ".join(str(word) for word in words)
