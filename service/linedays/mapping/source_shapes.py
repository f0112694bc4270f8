"""The shape of a source map: how one record system says things. No I/O.

Unknown keys are refused and nothing is converted silently; the description of a field is what a report says was
expected there.
"""

from typing import Literal

from pydantic import Field

from linedays.core.charting import PresenceStart
from linedays.mapping.fields import CODE_EXPECTED, DURATION_EXPECTED, TRUTH_EXPECTED, Code, Duration, Text, words_of
from linedays.mapping.shapes import Shape

TypeName = Literal["Procedure", "Observation"]
TimeName = Literal["performed", "effective", "value"]
KnownName = Literal["recorded", "issued", "recorded-on", "updated", "happened"]
StoredKnown = Literal["updated", "happened"]
ProcedureKnown = Literal["recorded", "updated", "happened"]
ObservationKnown = Literal["issued", "updated", "happened"]
UseKnown = Literal["recorded-on", "updated", "happened"]
AllergyKnown = Literal["recorded", "updated"]


def known_expected(*own: str) -> str:
    """Return the words a report uses for where the known time of a resource may stand."""
    return "a list of " + ", ".join((*own, "updated", "happened")) + ": the first that exists counts"


class ChartingShape(Shape):
    """How this system's facts become lines."""

    entry_tolerance: Duration = Field(description=DURATION_EXPECTED)
    presence_start: PresenceStart = Field(strict=False, description=words_of(PresenceStart))
    join_gap: Duration | None = Field(description=DURATION_EXPECTED + ", or null: never joined")
    arrival_lookback: Duration = Field(description=DURATION_EXPECTED)
    shared_dressing: list[list[Code]] = Field(description="pairs of line kinds")


class TimesShape(Shape):
    """How this system writes times."""

    midnight_is_day: list[TimeName] = Field(
        description="the elements in which 00:00:00 means that day: a list of performed, effective, value"
    )
    without_offset: Literal["issue", "local"] = Field(description="issue or local")


class KnownShape(Shape):
    """Where the time at which a fact became known stands, by resource."""

    procedure: list[ProcedureKnown] = Field(min_length=1, description=known_expected("recorded"))
    observation: list[ObservationKnown] = Field(min_length=1, description=known_expected("issued"))
    device: list[StoredKnown] = Field(min_length=1, description=known_expected())
    device_use_statement: list[UseKnown] = Field(min_length=1, description=known_expected("recorded-on"))
    encounter: list[StoredKnown] = Field(min_length=1, description=known_expected())
    patient: list[StoredKnown] = Field(min_length=1, description=known_expected())
    allergy_intolerance: list[AllergyKnown] = Field(
        min_length=1, description="a list of recorded, updated: the first that exists counts"
    )


class CodesShape(Shape):
    """Codes of one system and what each means to us; under `same` the code is our own word."""

    system: Text = Field(description="the URL of the code system, or a short name from `systems`")
    same: list[Text] = Field(default=[], description="a list of codes that are our own words")
    codes: dict[str, Text] = Field(default={}, description="code: word")


class AnswersShape(Shape):
    """A named set of answers: what the values of an Observation mean: by code, by text, by number.

    `-` means: charted, and no finding. A value that is not listed is an issue, never passed over.
    """

    name: Code = Field(description=CODE_EXPECTED)
    coded: list[CodesShape] = Field(default=[], description="a list of code systems with their codes")
    text: dict[Text, Text] = Field(default={}, description="text: word")
    number: dict[Text, Text] = Field(default={}, description='number in quotes: word, such as "0": loose')


class EntryShape(Shape):
    """One or more codes of one system, and which fact a resource with that code is."""

    resource: TypeName = Field(description="Procedure or Observation; the codes of a Device stand in line_kinds")
    system: Text = Field(description="the URL of the code system, or a short name from `systems`")
    codes: list[Text] = Field(min_length=1, description="a list of codes, in quotes where they are numbers")
    fact: Text = Field(description="a kind of fact, gestation or ignore")
    why: Text | None = Field(default=None, description="for ignore: a short name of the rule")
    line_kind: Code | None = Field(default=None, description=CODE_EXPECTED)
    slot: Text | None = Field(default=None, description="the column or numbered slot that such rows speak of")
    makes_line: bool = Field(default=False, description="true where charting is all that says a line is there")
    time: TimeName | None = Field(default=None, description="performed, effective or value")
    answers: Code | None = Field(default=None, description="the name of one of `answers`")
    item: Code | None = Field(default=None, description="the upkeep item that the fact resets")
    only_with_line: bool = Field(default=False, description=TRUTH_EXPECTED)


class SiteShape(Shape):
    """A body site as charted, and what it means."""

    charted: Text = Field(description="the code or text as charted")
    site: Code | None = Field(default=None, description=CODE_EXPECTED + ", or left out where it says the side only")
    side: Literal["left", "right"] | None = Field(default=None, description="left or right")


class ActionShape(Shape):
    """Codes of Procedure.focalDevice.action."""

    system: Text = Field(description="the URL of the code system, or a short name from `systems`")
    implanted: list[Text] = Field(description="a list of codes")
    explanted: list[Text] = Field(description="a list of codes")


class SourceShape(Shape):
    """One source map."""

    name: Code = Field(description=CODE_EXPECTED)
    title: Text = Field(description="what record system it is for, in words")
    systems: dict[str, Text] = Field(description="short name: URL of a code system")
    charting: ChartingShape = Field(description="how facts become lines")
    times: TimesShape = Field(description="how times are written")
    known: KnownShape = Field(description="where the known time stands, by resource")
    permanent_identifiers: list[Text] = Field(description="identifier systems whose value stays with a device for ever")
    line_kinds: list[CodesShape] = Field(description="codes of Device.type and of usedCode on an insertion")
    dressing_kinds: list[CodesShape] = Field(description="codes of a dressing")
    infusion_kinds: list[CodesShape] = Field(default=[], description="codes of an infusion")
    tip_locations: list[CodesShape] = Field(default=[], description="codes of where the tip of a line lies")
    reasons: list[CodesShape] = Field(description="codes of statusReason")
    allergies: list[CodesShape] = Field(default=[], description="codes of what an allergy concerns: code: group")
    allergy_groups: list[Code] = Field(default=[], description="groups of allergies beside those of the program")
    device_actions: list[ActionShape] = Field(description="codes of focalDevice.action")
    sites: list[SiteShape] = Field(description="body sites")
    answers: list[AnswersShape] = Field(description="a list of named sets of answers")
    entries: list[EntryShape] = Field(description="which code is which fact")
