"""Turns the plain data of a made-up hospital (fixtures/demo-hospital/hospital.yaml) into checked values. No I/O.

The field names are the words of the file; what they mean stands at its top. Times stay texts relative to "now" until
`after` gives them an instant, so one file tells the same stories at any moment.
"""

import re
from collections.abc import Mapping
from datetime import date, datetime, tzinfo
from typing import Any

import msgspec

from linedays.core.moment import DAY, HOUR, MINUTE, Instant, local_date

_SPAN = re.compile(r"(?P<sign>[+-])(?:(?P<d>\d+)d)?(?:(?P<h>\d+)h)?(?:(?P<min>\d+)min)?", re.ASCII)
_AGE = re.compile(r"-(?:(?P<y>\d+)y)?(?:(?P<d>\d+)d)?", re.ASCII)


class StoryProblem(ValueError):
    """The file of a made-up hospital does not say what it must; the text names the place in the file."""


class _Told(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What all parts of the file have in common: an unknown word is refused."""


class Event(_Told, frozen=True, kw_only=True):
    """One entry in the chart. `line` is used only where the entry stands outside a line."""

    chart: str
    at: str
    entered: str = "+5min"
    status: str | None = None
    date_only: bool = False
    dressing: str | None = None
    infusion: str | None = None
    findings: tuple[str, ...] = ()
    says: str | None = None
    healed: bool | None = None
    reason: str | None = None
    line: str | None = None
    line_kind: str | None = None
    site: str | None = None
    side: str | None = None


class LineStory(_Told, frozen=True, kw_only=True):
    """One line. `known`: when its record was made, for a line that came with the patient."""

    id: str
    kind: str
    site: str
    side: str
    parent: str | None = None
    known: str | None = None
    events: tuple[Event, ...] = ()


class BedSpan(_Told, frozen=True, kw_only=True, rename={"start": "from", "end": "to"}):
    """A bed from a time on, until the next bed of the stay, or `to`."""

    bed: str
    start: str
    end: str | None = None


class PatientStory(_Told, frozen=True, kw_only=True):
    """One patient with the beds of the stay that lasts, those of an earlier stay, lines, and entries on no line."""

    id: str
    name: str
    gender: str
    born: str
    stay: tuple[BedSpan, ...]
    earlier: tuple[BedSpan, ...] = ()
    lines: tuple[LineStory, ...] = ()
    unlinked: tuple[Event, ...] = ()


class Move(_Told, frozen=True, kw_only=True):
    """A patient comes into another bed; the stay goes on."""

    patient: str
    bed: str
    at: str


class UnitStory(_Told, frozen=True, kw_only=True):
    """One unit; its beds are numbered `bed_prefix`-01 and so on, `team` are its nurses.

    The rest is what it has settled in the policy.
    """

    id: str
    name: str
    type: str
    beds: int
    bed_prefix: str
    team: str | None = None
    usual_dressing: str | None = None
    neonatal: bool = False


class HospitalStory(_Told, frozen=True, kw_only=True):
    """The whole file."""

    name: str
    zone: str
    told_at: str
    units: tuple[UnitStory, ...]
    patients: tuple[PatientStory, ...]
    later: tuple[Event, ...] = ()
    moves: tuple[Move, ...] = ()


def hospital_story(document: Mapping[str, Any]) -> HospitalStory:
    """Check the document and return it as values.

    Raises: StoryProblem with the place in the document.
    """
    try:
        # Not strict: the loader of mapping files leaves numbers as text.
        story = msgspec.convert(document, HospitalStory, strict=False)
    except msgspec.ValidationError as problem:
        raise StoryProblem(f"the hospital's file: {problem}") from problem
    known = {line.id for patient in story.patients for line in patient.lines}
    named = [event.line for event in story.later] + [line.parent for p in story.patients for line in p.lines]
    for name in named:
        if name is not None and name not in known:
            raise StoryProblem(f"the hospital's file: no line has the id {name!r}; use one of the ids under `lines`")
    people = {patient.id for patient in story.patients}
    for move in story.moves:
        if move.patient not in people:
            raise StoryProblem(f"the hospital's file: {move.patient!r} moves, but is none of its patients")
        if not any(move.bed.startswith(f"{unit.bed_prefix}-") for unit in story.units):
            raise StoryProblem(f"the hospital's file: {move.bed!r} is a bed of no unit")
    return story


def told_at(story: HospitalStory) -> Instant:
    """Return the moment that the file itself counts from."""
    return int(datetime.fromisoformat(story.told_at).timestamp())


def after(start: Instant, span: str) -> Instant:
    """Return the instant a span such as `-6d23h` or `+20min` away from another.

    Units: a day is 24 hours.
    Raises: StoryProblem.
    """
    match = _SPAN.fullmatch(span)
    if match is None or not any(match[unit] for unit in ("d", "h", "min")):
        raise StoryProblem(f"{span!r} is not a span of time; write it like -47h, -6d23h or +20min")
    seconds = int(match["d"] or 0) * DAY + int(match["h"] or 0) * HOUR + int(match["min"] or 0) * MINUTE
    return start - seconds if match["sign"] == "-" else start + seconds


def birth_date(at: Instant, age: str, zone: tzinfo) -> date:
    """Return the date of birth of someone of this age (`-67y`, `-12d`) on the local day of `at`.

    Raises: StoryProblem.
    """
    match = _AGE.fullmatch(age)
    if match is None or not (match["y"] or match["d"]):
        raise StoryProblem(f"{age!r} is not an age; write it like -67y or -12d")
    day = local_date(at - int(match["d"] or 0) * DAY, zone)
    # 29 February has no birthday in most years.
    return day.replace(year=day.year - int(match["y"] or 0), day=min(day.day, 28) if match["y"] else day.day)
