"""Short ways to write facts, stays and a patient's input with every time stated. All texts are UTC unless a zone is given.

A time is "2026-03-02 08:00" (or with seconds), exact; "2026-03-02", "2026-03" or "2026" is as wide as it was charted.
A fact is known when it happened (by its latest reading) unless `known` says otherwise; its source is made from its kind
and time unless `source` names it.
"""

from datetime import UTC, tzinfo
from typing import Any

from linedays.core.charting import ChartingRules
from linedays.core.model import (
    EndBasis,
    Fact,
    FactKind,
    IssueKind,
    Line,
    PatientChart,
    PatientInput,
    Person,
    PlaceSpan,
    Stay,
    Timeline,
)
from linedays.core.moment import Instant, Moment, moment_from_text
from linedays.core.timeline import build_chart

PATIENT = "Patient/made-up-1"
RULES = ChartingRules()
FAR = 4_102_444_800  # 2100-01-01, later than everything in these tests
_IN_DEVICES = frozenset({FactKind.DEVICE})
_IN_OBSERVATIONS = frozenset(
    {
        FactKind.CHARTED,
        FactKind.LABEL_DATE,
        FactKind.CHANGE_REPORTED,
        FactKind.DRESSING_SEEN,
        FactKind.SITE_SEEN,
        FactKind.SITE_HEALED,
        FactKind.SITE_NOT_HEALED,
        FactKind.TIP,
        FactKind.LINE_NOT_PRESENT,
        FactKind.MEASURED,
    }
)


def when(text: str | Moment, zone: tzinfo = UTC) -> Moment:
    """Return the moment that a text writes, as wide as its precision."""
    if isinstance(text, Moment):
        return text
    found = moment_from_text(text.replace(" ", "T"), zone, local_if_no_offset=True)
    assert isinstance(found, Moment), f"{text!r}: {found}"
    return found


def at(text: str, zone: tzinfo = UTC) -> Instant:
    """Return the first instant that a text may mean."""
    return when(text, zone).earliest


def fact(
    kind: FactKind,
    happened: str | Moment,
    *,
    known: str | None = None,
    updated: str | None = None,
    until: str | Moment | None = None,
    source: str | None = None,
    **says: Any,
) -> Fact:
    """Return one fact. `says` are its other fields: device, part_of, line_kind, site, side, slot, value, findings …."""
    moment = when(happened)
    return Fact(
        kind=kind,
        patient=says.pop("patient", PATIENT),
        source=source or f"{_type_of(kind)}/{kind}-{moment.earliest}",
        happened=moment,
        known=moment.latest if known is None else at(known),
        updated=None if updated is None else at(updated),
        until=None if until is None else when(until),
        **says,
    )


def _type_of(kind: FactKind) -> str:
    if kind in _IN_DEVICES:
        return "Device"
    return "Observation" if kind in _IN_OBSERVATIONS else "Procedure"


def device(source: str, known: str, *, kind: str = "picc", **says: Any) -> Fact:
    """Return what a Device record states: a line of a kind, there from when it became known."""
    return fact(FactKind.DEVICE, known, known=known, source=source, line_kind=kind, **says)


def inactive(source: str, known: str, **says: Any) -> Fact:
    """Return what an inactive Device record states beside it: out by when that became known."""
    says = {"device": source, "value": EndBasis.STATUS.value} | says
    return fact(FactKind.REMOVED, known, known=known, source=source, **says)


def inserted(happened: str | Moment, *, kind: str | None = "picc", **says: Any) -> Fact:
    """Return a charted insertion."""
    return fact(FactKind.INSERTED, happened, line_kind=kind, **says)


def present(start: str | Moment, until: str | Moment | None = None, *, kind: str = "picc", **says: Any) -> Fact:
    """Return a presence interval, known at its start unless `known` says otherwise."""
    says = {"known": None} | says
    return fact(FactKind.PRESENT, start, until=until, line_kind=kind, **says)


def removed(happened: str | Moment, **says: Any) -> Fact:
    """Return a charted removal."""
    return fact(FactKind.REMOVED, happened, **says)


def changed(happened: str | Moment, **says: Any) -> Fact:
    """Return a charted dressing change."""
    return fact(FactKind.DRESSING_CHANGED, happened, **says)


def seen(happened: str | Moment, *findings: str, **says: Any) -> Fact:
    """Return a dressing looked at: intact unless findings are named."""
    return fact(FactKind.DRESSING_SEEN, happened, findings=findings or ("intact",), **says)


def used(happened: str | Moment, **says: Any) -> Fact:
    """Return a use of a line."""
    return fact(FactKind.USED, happened, **says)


def exchanged(
    happened: str | Moment, old: str, new: str, *, source: str = "Procedure/exchange", **says: Any
) -> tuple[Fact, ...]:
    """Return the two facts of an exchange over a guidewire: the old line ends, the new one begins."""
    return (
        fact(FactKind.EXCHANGED_OUT, happened, source=source, device=old, **says),
        fact(FactKind.INSERTED, happened, source=source, device=new, part_of=old, **says),
    )


def retracted(source: str, known: str, *, updated: str | None = None, **says: Any) -> Fact:
    """Return what a resource entered in error states: nothing any more."""
    return fact(FactKind.RETRACTED, known, known=known, updated=updated or known, source=source, **says)


def stay(
    id: str,
    start: str,
    end: str | None = None,
    *places: tuple[str, str, str | None],
    status: str = "in-progress",
    top: str | None = None,
    known: str | None = None,
    encounter_class: str = "IMP",
) -> Stay:
    """Return one Encounter, known at its start unless `known` says otherwise."""
    return Stay(
        id=id,
        top=top or id,
        status=status,
        encounter_class=encounter_class,
        start=at(start),
        end=None if end is None else at(end),
        known=at(start if known is None else known),
        places=tuple(
            PlaceSpan(place=place, start=at(begun), end=None if ended is None else at(ended))
            for place, begun, ended in places
        ),
    )


def patient_input(*facts: Fact, stays: tuple[Stay, ...] = (), person: Person | None = None) -> PatientInput:
    """Return everything read about one patient."""
    return PatientInput(person=person or Person(id=PATIENT), facts=facts, stays=stays)


def chart_of(
    *facts: Fact, known_by: str | Instant = FAR, rules: ChartingRules = RULES, stays: tuple[Stay, ...] = ()
) -> PatientChart:
    """Return the chart that the facts make, as known by a moment."""
    by = at(known_by) if isinstance(known_by, str) else known_by
    return build_chart(patient_input(*facts, stays=stays), rules, known_by=by)


def timelines_of(chart: PatientChart) -> dict[str, Timeline]:
    """Return the timelines of a chart by line key."""
    return {timeline.line.key: timeline for site in chart.sites for timeline in site.timelines}


def lines_of(chart: PatientChart) -> dict[str, Line]:
    """Return the lines of a chart by key."""
    return {key: timeline.line for key, timeline in timelines_of(chart).items()}


def standing_of(timeline: Timeline) -> list[str]:
    """Return the sources of the facts that stand on a timeline, in its order."""
    return [each.source for each in timeline.facts]


def unused_of(timeline: Timeline) -> dict[str, IssueKind]:
    """Return the sources that a timeline keeps as unused, each with the kind of its issue."""
    return {each.source: issue.kind for each, issue in timeline.unused}


def issues_of(chart: PatientChart) -> dict[str, IssueKind]:
    """Return the issues of a chart by source."""
    return {issue.source: issue.kind for issue in chart.issues}
