"""A derived value → what its Observation says, with its words. No I/O.

The arithmetic is told in instants alone: from when, counted at when, by which rule.
"""

from datetime import UTC, tzinfo
from typing import assert_never

from linedays.core.derived_values import Absent, Bound, DayNumber, DerivedValue, DueAt, Elapsed, InState, ValueKind
from linedays.core.moment import HOUR
from linedays.core.policy import Policy
from linedays.fhir.outputs.observation import ValueContent
from linedays.mapping.value_wording import ObservationsShape
from linedays.mapping.wording import Wording, plain, sentence, time_words

_LIMITS = {Bound.AT_LEAST: "at-least", Bound.AT_MOST: "at-most"}


def content_of(value: DerivedValue, policy: Policy, wording: Wording) -> ValueContent:
    """Return what the Observation of a value says."""
    return ValueContent(
        value=value,
        title=wording.shape.observations.titles[value.kind],
        words=_words(value, wording, value.zone or UTC),
        method=value.rule,
        notes=(*_notes(value, wording, value.zone or UTC), *wording.cautions),
        policy_hash=policy.content_hash,
    )


def words_compared(value: DerivedValue, wording: Wording) -> str:
    """Return the words that are part of what a value says: those of a state; none of any other."""
    return _words(value, wording, value.zone or UTC) if isinstance(value.said, InState) else ""


def _words(value: DerivedValue, wording: Wording, zone: tzinfo) -> str:
    match value.said:
        case Elapsed(seconds, bound):
            return f"{bound.value} {seconds / HOUR:.2f} h".strip()
        case DayNumber(number):
            return str(number)
        case DueAt(at):
            return time_words(at, zone)
        case InState(_, reason):
            return sentence(reason, wording, zone)
        case Absent() as why:
            return wording.shape.observations.absent[why]
        case said:
            assert_never(said)


def _notes(value: DerivedValue, wording: Wording, zone: tzinfo) -> list[str]:
    settled = wording.shape.observations
    told = [sentence(reason, wording, zone) for reason in value.beside]
    if isinstance(value.said, Absent | InState):
        unclear = value.kind is ValueKind.LINE_DAY_NUMBER
        return [settled.unclear_kind] if unclear else told
    told.append(_arithmetic(value, settled, wording, zone))
    if isinstance(value.said, Elapsed) and value.said.bound in _LIMITS:
        told.append(settled.bounds[_LIMITS[value.said.bound]])
    return told


def _arithmetic(value: DerivedValue, settled: ObservationsShape, wording: Wording, zone: tzinfo) -> str:
    counted_from = value.counted_from
    assert counted_from is not None
    text = settled.notes[value.kind]
    if value.kind is ValueKind.DWELL:
        text = text.replace("{basis}", settled.placed[value.basis])
    said: dict[str, str | int] = {
        "from": counted_from.earliest,
        "precision": str(counted_from.precision),
        "counted": value.at,
        "rule": value.rule,
        "basis": value.basis,
    }
    return plain(text, wording, zone, **said)
