"""One patient's facts → lines with their timelines, dressing sites and issues, as known by one moment. No I/O.

Every fact ends in one of three ways: it stands on a line's timeline, it is kept beside it as unused with the reason, or
it belongs to no one line and is an issue. Nothing here depends on the moment asked about, only on what was known.
"""

from bisect import bisect_right
from collections import defaultdict
from itertools import accumulate
from operator import attrgetter

import msgspec
from msgspec.structs import replace

from linedays.core.charting import ChartingRules
from linedays.core.intervals import add_intervals, slot_lines
from linedays.core.lines import ENDING, Context, LineDraft, draft_lines, later_than_entry, second_insertion
from linedays.core.model import (
    CREATING,
    EndBasis,
    Fact,
    FactKind,
    Issue,
    IssueKind,
    Line,
    PatientChart,
    PatientInput,
    StartBasis,
    Timeline,
)
from linedays.core.moment import Instant, Moment
from linedays.core.placing import Placing, place, placing_of
from linedays.core.sites import dressing_sites
from linedays.core.versions import facts_known

_TOLD = frozenset({FactKind.LABEL_DATE, FactKind.CHANGE_REPORTED})
# Members have a name of their own where they are asked for once per fact (see `moment`).
_PRESENT, _CHARTED, _EXCHANGED_OUT = FactKind.PRESENT, FactKind.CHARTED, FactKind.EXCHANGED_OUT
_CHANGED, _RECORD_ONLY, _ARRIVAL = FactKind.DRESSING_CHANGED, StartBasis.DEVICE, StartBasis.ARRIVAL
_STARTING = frozenset({FactKind.INSERTED, FactKind.PRESENT})
_CHECKED = ENDING | _STARTING | frozenset(
    {
        FactKind.DRESSING_CHANGED,
        FactKind.LABEL_DATE,
        FactKind.CHANGE_REPORTED,
        FactKind.PORT_ACCESSED,
        FactKind.PART_CHANGED,
    }
)


# Facts of a timeline stand in order of time, then of entry, then of source and kind.
_SOURCE = attrgetter("source")
_KIND = attrgetter("kind")
_BY_SOURCE = attrgetter("source", "kind", "lines")
_IN_ORDER = attrgetter("happened.earliest", "known", "source", "kind")


class _Placed(msgspec.Struct, frozen=True, gc=False):
    """Facts by the line they belong to, and the issues of those that belong to none."""

    by_line: dict[int, list[Fact]]
    issues: list[Issue]


def build_chart(patient: PatientInput, rules: ChartingRules, *, known_by: Instant) -> PatientChart:
    """Return what is known of one patient's lines by a moment.

    Shape: sites in order of their keys; each timeline's facts in order of time, then of entry, then of source.
    """
    known = facts_known(patient.facts, known_by)
    stays = tuple(stay for stay in patient.stays if stay.known <= known_by)
    creating, removals, others = _by_purpose(known.standing)
    context = Context(
        rules=rules, removals=removals, first=known.first, whole_stay={stay.id: stay.top for stay in stays}
    )
    drafts, issues = _drafts(creating, context)
    placing = placing_of(drafts, rules)
    ended = _place_all(context.removals, placing)
    for draft in drafts:
        _end(draft, ended.by_line.get(id(draft), []), rules)
    placed = _place_all(others, placing)
    lines = [
        (draft, _timeline(draft, ended.by_line.get(id(draft), []) + placed.by_line.get(id(draft), []), rules))
        for draft in drafts
    ]
    died = patient.person.died
    if died is not None:
        lines = [(draft, _until_death(timeline, died)) for draft, timeline in lines]
    issues = [*issues, *ended.issues, *placed.issues]
    return _chart(PatientInput(person=patient.person, facts=(), stays=stays), lines, issues, known.later, rules)


def _until_death(timeline: Timeline, died: Moment) -> Timeline:
    """Return a timeline whose line ends with its patient's death where nothing charted ended it before.

    A line known by a record alone was there before that was stored, so that its start says nothing here.
    """
    line = timeline.line
    placed_later = line.start_basis is not _RECORD_ONLY and line.start.earliest > died.latest
    if placed_later or (line.end is not None and line.end.earliest <= died.earliest):
        return timeline
    return replace(timeline, line=replace(line, end=died, end_basis=EndBasis.DEATH, end_source=None))


def _by_purpose(facts: list[Fact]) -> tuple[list[Fact], list[Fact], list[Fact]]:
    """Part the facts that create lines, those that end them, and all others."""
    creating: list[Fact] = []
    ending: list[Fact] = []
    others: list[Fact] = []
    for fact in facts:
        if fact.kind in CREATING:
            creating.append(fact)
        elif fact.kind in ENDING:
            ending.append(fact)
        else:
            others.append(fact)
    return creating, ending, others


def _drafts(creating: list[Fact], context: Context) -> tuple[list[LineDraft], list[Issue]]:
    drafts, issues = draft_lines(creating, context)
    if present := [fact for fact in creating if fact.kind is _PRESENT]:
        drafts = add_intervals(drafts, present, context)
    if charted := [fact for fact in creating if fact.kind is _CHARTED]:
        drafts = drafts + slot_lines(charted, context)
    return drafts, issues


def _place_all(facts: list[Fact], placing: Placing) -> _Placed:
    by_line: dict[int, list[Fact]] = defaultdict(list)
    issues: list[Issue] = []
    by_device = placing.by_device
    for fact in facts:
        only = by_device.get(fact.device) if fact.device is not None else None
        found = place(fact, placing) if only is None or fact.kind is _EXCHANGED_OUT else only
        if isinstance(found, Issue):
            issues.append(found)
        else:
            by_line[id(found)].append(fact)
    return _Placed(by_line, issues)


def _end(draft: LineDraft, endings: list[Fact], rules: ChartingRules) -> None:
    """Set how a line ended: by what was charted as done to it, else by the state of its record."""
    for fact in sorted(endings, key=_end_order) if len(endings) > 1 else endings:
        if _why_unused(fact, draft, rules) is not None:
            continue
        draft.end, draft.end_source = fact.happened, fact.source
        if fact.kind is _EXCHANGED_OUT:
            draft.end_basis = EndBasis.EXCHANGE
        else:
            draft.end_basis = EndBasis.STATUS if fact.value == EndBasis.STATUS else EndBasis.REMOVAL
        return


def _end_order(fact: Fact) -> tuple[bool, int, int, str]:
    return (fact.value == EndBasis.STATUS, fact.happened.earliest, fact.known, fact.source)


def _timeline(draft: LineDraft, facts: list[Fact], rules: ChartingRules) -> Timeline:
    starting = [fact for fact in draft.creators if fact.source == draft.start_source and fact not in draft.refused]
    standing: list[Fact] = []
    unused: list[tuple[Fact, Issue]] = []
    ordered = sorted([*starting, *draft.refused, *facts], key=_IN_ORDER)
    begun = draft.start.earliest
    for fact in ordered:
        happened = fact.happened
        # Nearly every fact was entered after it happened to a line that was there, and needs no second look.
        in_turn = begun <= happened.latest and happened.earliest <= fact.known and fact.kind not in _STARTING
        issue = None if in_turn or fact.kind not in _CHECKED else _why_unused(fact, draft, rules)
        if issue is None:
            standing.append(fact)
        else:
            unused.append((fact, issue))
    standing, older = _labels_older_than_a_change(standing, draft)
    return Timeline(line=_line(draft), facts=tuple(standing), unused=tuple(unused + older))


def _why_unused(fact: Fact, draft: LineDraft, rules: ChartingRules) -> Issue | None:
    if later_than_entry(fact, rules):
        text = "charted for a later time than its own entry: correct it; the earlier state stands"
        return _line_issue(IssueKind.AFTER_OWN_ENTRY, fact, draft, text)
    if fact.kind in _STARTING:
        return second_insertion(draft, fact) if fact.source != draft.start_source else None
    if _is_before_start(fact, draft, rules):
        text = "charted for a time before the line was there: correct it; the earlier state stands"
        return _line_issue(IssueKind.BEFORE_INSERTION, fact, draft, text)
    return None


def _is_before_start(fact: Fact, draft: LineDraft, rules: ChartingRules) -> bool:
    if draft.start_basis is _RECORD_ONLY:
        return False
    came_with_it = draft.start_basis is _ARRIVAL and fact.kind not in ENDING
    return fact.happened.latest < draft.start.earliest - (rules.arrival_lookback if came_with_it else 0)


def _labels_older_than_a_change(facts: list[Fact], draft: LineDraft) -> tuple[list[Fact], list[tuple[Fact, Issue]]]:
    """Set aside a label or reported date that is older than a change charted before it was read."""
    if _TOLD.isdisjoint(map(_KIND, facts)):
        return facts, []
    text = "a date read or reported that is older than a change in the chart: look at the label and correct one of them"
    changes = sorted((fact.known, fact.happened.earliest) for fact in facts if fact.kind is _CHANGED)
    entered = [known for known, _ in changes]
    latest = list(accumulate((happened for _, happened in changes), max))
    kept: list[Fact] = []
    older: list[tuple[Fact, Issue]] = []
    for fact in facts:
        by_then = bisect_right(entered, fact.known) if fact.kind in _TOLD else 0
        if by_then and fact.happened.latest < latest[by_then - 1]:
            older.append((fact, _line_issue(IssueKind.OLDER_THAN_A_CHANGE, fact, draft, text)))
        else:
            kept.append(fact)
    return kept, older


def _line_issue(kind: IssueKind, fact: Fact, draft: LineDraft, text: str) -> Issue:
    return Issue(kind=kind, source=fact.source, text=text, patient=fact.patient, lines=(draft.key,))


def _line(draft: LineDraft) -> Line:
    key = draft.key
    return Line(
        key=key,
        patient=draft.creators[0].patient,
        kind=draft.kind,
        site=draft.site,
        side=draft.side,
        slot=draft.slot,
        start=draft.start,
        start_basis=draft.start_basis,
        start_source=draft.start_source,
        end=draft.end,
        end_basis=draft.end_basis,
        end_source=draft.end_source,
        aliases=tuple(sorted(draft.aliases - {key})),
        encounter=draft.encounter,
        parent=draft.parent,
    )


def _chart(
    patient: PatientInput,
    lines: list[tuple[LineDraft, Timeline]],
    issues: list[Issue],
    later: frozenset[str],
    rules: ChartingRules,
) -> PatientChart:
    standing: set[str] = set()
    unused: list[Issue] = list(issues)
    for draft, timeline in lines:
        standing.update(map(_SOURCE, draft.creators))
        standing.difference_update(map(_SOURCE, draft.refused))
        unused.extend(issue for _, issue in timeline.unused)
    for _, timeline in lines:
        standing.update(map(_SOURCE, timeline.facts))
    known = [(draft.named[0], timeline) for draft, timeline in lines]
    return PatientChart(
        person=patient.person,
        sites=dressing_sites(known, rules),
        stays=patient.stays,
        issues=tuple(sorted(unused, key=_BY_SOURCE)),
        standing=frozenset(standing),
        not_yet_known=later,
    )
