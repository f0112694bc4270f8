"""One patient's chart, the places and the counting rules → what the counts of line days start from. No I/O.

For each line: whether it is central, its group, and from when it counts in each admission (its first placement or
access while the patient was in an inpatient location). For the patient: the admissions and the unit at each instant.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import tzinfo

from linedays.core.admissions import Admission, admissions
from linedays.core.central import Centrality, Ruling, centrality
from linedays.core.count_rules import CountingRules, DayNumberRule, kind_counting
from linedays.core.model import PatientChart, Place, StartBasis, Timeline
from linedays.core.moment import Instant, Moment, Precision
from linedays.core.whereabouts import UnitAnswer, UnitSpan, answer_in, unit_spans

UNKNOWN_GROUP = "unknown"

_PLACED_HERE = frozenset({StartBasis.INSERTION, StartBasis.EXCHANGE})


@dataclass(frozen=True, slots=True, kw_only=True)
class CountBasis:
    """By what and as known when everything is counted. `zone` is the facility's; its days are the days counted.

    Units: `stay_gap` in seconds, between two stays of one admission.
    """

    counting: CountingRules
    day_rule: DayNumberRule
    places: Mapping[str, Place]
    rulings: tuple[Ruling, ...]
    zone: tzinfo
    known_by: Instant
    stay_gap: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CountedLine:
    """A line as the counts see it. `counts_from` pairs an admission with the first access in it, where there is one."""

    timeline: Timeline
    group: str
    centrality: Centrality
    counts_from: tuple[tuple[str, Instant], ...]

    def first_access(self, admission: str) -> Instant | None:
        """Return when the line was first placed or accessed in an inpatient location of an admission."""
        return next((at for key, at in self.counts_from if key == admission), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class CountedPatient:
    """A patient as the counts see it; `spans` are the units over all admissions, in order of time."""

    patient: str
    lines: tuple[CountedLine, ...]
    admissions: tuple[Admission, ...]
    spans: tuple[UnitSpan, ...]
    basis: CountBasis

    def answer_at(self, at: Instant) -> UnitAnswer:
        """Return the one unit at an instant, or why there is none."""
        return answer_in(self.spans, at)


def counted_patient(chart: PatientChart, basis: CountBasis) -> CountedPatient:
    """Return what the counts of one patient start from. The chart must have been built with `basis.known_by`.

    Shape: lines in order of their keys.
    """
    stays = admissions(chart.stays, stay_gap=basis.stay_gap)
    spans = tuple(span for admission in stays for span in unit_spans(admission, basis.places))
    timelines = sorted((timeline for site in chart.sites for timeline in site.timelines), key=lambda one: one.line.key)
    return CountedPatient(
        patient=chart.person.id,
        lines=tuple(_counted_line(timeline, basis, spans) for timeline in timelines),
        admissions=stays,
        spans=spans,
        basis=basis,
    )


def _counted_line(timeline: Timeline, basis: CountBasis, spans: tuple[UnitSpan, ...]) -> CountedLine:
    kind = kind_counting(basis.counting, timeline.line.kind)
    first: dict[str, Instant] = {}
    for moment in _accesses(timeline, basis.day_rule):
        for admission, at in _inpatient_instants(moment, spans):
            first[admission] = min(at, first.get(admission, at))
    return CountedLine(
        timeline=timeline,
        group=UNKNOWN_GROUP if kind is None else kind.group,
        centrality=centrality(timeline, basis.counting, basis.rulings, known_by=basis.known_by),
        counts_from=tuple(sorted(first.items())),
    )


def _accesses(timeline: Timeline, rule: DayNumberRule) -> list[Moment]:
    """Return when a line was placed or accessed; a time that is not known by its day starts no count."""
    line = timeline.line
    found = [fact.happened for fact in timeline.facts if fact.kind in rule.access_facts]
    if line.start_basis in _PLACED_HERE:
        found.append(line.start)
    return [
        moment
        for moment in found
        if moment.precision in (Precision.SECOND, Precision.DAY)
        and (line.end is None or moment.earliest <= line.end.latest)
    ]


def _inpatient_instants(moment: Moment, spans: tuple[UnitSpan, ...]) -> list[tuple[str, Instant]]:
    """Return the first inpatient instant that a moment may mean, in each admission it may lie in."""
    found: list[tuple[str, Instant]] = []
    for span in spans:
        at = max(moment.earliest, span.start)
        in_span = at <= moment.latest and (span.end is None or at < span.end)
        if in_span and span.answer.is_inpatient and span.answer.admission is not None:
            found.append((span.answer.admission, at))
    return found
