"""A line and a moment → how long it has been in place: elapsed time, never a surveillance number. No I/O."""

from dataclasses import dataclass

from linedays.core.count_rules import Stamp, TimeRule
from linedays.core.model import Line, StartBasis
from linedays.core.moment import Instant, Moment


@dataclass(frozen=True, slots=True, kw_only=True)
class Dwell:
    """How long one line had been in place.

    Units: `seconds` elapsed since the earliest reading of `since`, up to the end or the moment asked about. `at_least`
    is true where `since` is when the line was first charted here, not when it was put in.
    """

    line: str
    seconds: int
    since: Moment
    at_least: bool
    stamp: Stamp


def dwell(line: Line, rule: TimeRule, *, at: Instant, known_by: Instant) -> Dwell | None:
    """Return how long a line had been in place at a moment, or None before it was."""
    if line.start.earliest > at:
        return None
    until = at if line.end is None else min(at, line.end.earliest)
    return Dwell(
        line=line.key,
        seconds=max(0, until - line.start.earliest),
        since=line.start,
        at_least=line.start_basis not in (StartBasis.INSERTION, StartBasis.EXCHANGE),
        stamp=Stamp(rules=(rule.id,), at=at, known_by=known_by),
    )
