"""One patient's facts → lines with their timelines, dressing sites and issues, as known by one moment. No I/O.

Every fact ends in one of three ways: it stands on a line's timeline, it is kept beside it as unused with the reason, or
it belongs to no one line and is an issue. Nothing here depends on the moment asked about, only on what was known.
"""

from collections import defaultdict
from dataclasses import dataclass

from linedays.core.charting import ChartingRules
from linedays.core.lines import LineDraft, draft_lines
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
from linedays.core.moment import Instant
from linedays.core.placing import Placing, place, placing_of
from linedays.core.sites import dressing_sites
from linedays.core.versions import facts_known

ANCHORING = frozenset(
    {
        FactKind.DRESSING_CHANGED,
        FactKind.LABEL_DATE,
        FactKind.CHANGE_REPORTED,
        FactKind.PORT_ACCESSED,
        FactKind.PART_CHANGED,
        FactKind.INSERTED,
    }
)
ENDING = frozenset({FactKind.REMOVED, FactKind.EXCHANGED_OUT})


@dataclass(frozen=True, slots=True)
class _Placed:
    """Facts by the line they belong to, and the issues of those that belong to none."""

    by_line: dict[int, list[Fact]]
    issues: list[Issue]


def build_chart(patient: PatientInput, rules: ChartingRules, *, known_by: Instant) -> PatientChart:
    """Return what is known of one patient's lines by a moment.

    Shape: sites in order of their keys; each timeline's facts in order of time, then of entry, then of source.
    """
    facts, later = facts_known(patient.facts, known_by)
    creating = [fact for fact in facts if fact.kind in CREATING]
    removals = [fact for fact in facts if fact.kind in ENDING]
    drafts, issues = draft_lines(creating, removals, rules)
    placing = placing_of(drafts, rules)
    ended = _place_all(removals, placing)
    for draft in drafts:
        _end(draft, ended.by_line.get(id(draft), []))
    placed = _place_all([fact for fact in facts if fact.kind not in CREATING and fact.kind not in ENDING], placing)
    issues = [*issues, *ended.issues, *placed.issues]
    known = [
        (draft.known, _timeline(draft, ended.by_line.get(id(draft), []) + placed.by_line.get(id(draft), []), rules))
        for draft in drafts
    ]
    stays = tuple(stay for stay in patient.stays if stay.known <= known_by)
    return _chart(PatientInput(person=patient.person, facts=(), stays=stays), known, issues, later, rules)


def _place_all(facts: list[Fact], placing: Placing) -> _Placed:
    by_line: dict[int, list[Fact]] = defaultdict(list)
    issues: list[Issue] = []
    for fact in facts:
        found = place(fact, placing)
        if isinstance(found, Issue):
            issues.append(found)
        else:
            by_line[id(found)].append(fact)
    return _Placed(by_line, issues)


def _end(draft: LineDraft, endings: list[Fact]) -> None:
    """Set how a line ended: by what was charted as done to it, else by the state of its record."""
    for fact in sorted(endings, key=_end_order):
        if draft.start_basis is not StartBasis.DEVICE and fact.happened.latest < draft.start.earliest:
            continue
        draft.end, draft.end_source = fact.happened, fact.source
        if fact.kind is FactKind.EXCHANGED_OUT:
            draft.end_basis = EndBasis.EXCHANGE
        else:
            draft.end_basis = EndBasis.STATUS if fact.value == EndBasis.STATUS else EndBasis.REMOVAL
        return


def _end_order(fact: Fact) -> tuple[bool, int, int, str]:
    return (fact.value == EndBasis.STATUS, fact.happened.earliest, fact.known, fact.source)


def _timeline(draft: LineDraft, facts: list[Fact], rules: ChartingRules) -> Timeline:
    inserted = [fact for fact in draft.creators if fact.source == draft.start_source]
    standing: list[Fact] = []
    unused: list[tuple[Fact, Issue]] = []
    ordered = sorted(inserted + facts, key=lambda fact: (fact.happened.earliest, fact.known, fact.source, fact.kind))
    for fact in ordered:
        issue = _why_unused(fact, draft, rules) if fact.kind in ANCHORING or fact.kind in ENDING else None
        if issue is not None:
            unused.append((fact, issue))
            continue
        standing.append(fact)
    standing, older = _labels_older_than_a_change(standing, draft)
    return Timeline(line=_line(draft), facts=tuple(standing), unused=tuple(unused + older))


def _why_unused(fact: Fact, draft: LineDraft, rules: ChartingRules) -> Issue | None:
    if fact.happened.earliest > fact.known + rules.entry_tolerance:
        text = "charted for a later time than its own entry: correct it; the earlier state stands"
        return _line_issue(IssueKind.AFTER_OWN_ENTRY, fact, draft, text)
    if _is_before_start(fact, draft, rules):
        text = "charted for a time before the line was there: correct it; the earlier state stands"
        return _line_issue(IssueKind.BEFORE_INSERTION, fact, draft, text)
    return None


def _is_before_start(fact: Fact, draft: LineDraft, rules: ChartingRules) -> bool:
    match draft.start_basis:
        case StartBasis.DEVICE:
            return False
        case StartBasis.ARRIVAL:
            return fact.happened.latest < draft.start.earliest - rules.arrival_lookback
        case StartBasis.INSERTION | StartBasis.EXCHANGE:
            return fact.happened.latest < draft.start.earliest


def _labels_older_than_a_change(facts: list[Fact], draft: LineDraft) -> tuple[list[Fact], list[tuple[Fact, Issue]]]:
    """Set aside a label or reported date that is older than a change charted before it was read."""
    told = [fact for fact in facts if fact.kind in (FactKind.LABEL_DATE, FactKind.CHANGE_REPORTED)]
    if not told:
        return facts, []
    changes = [fact for fact in facts if fact.kind is FactKind.DRESSING_CHANGED]
    older = [
        fact
        for fact in told
        if any(fact.happened.latest < change.happened.earliest and change.known <= fact.known for change in changes)
    ]
    text = "a date read or reported that is older than a change in the chart: look at the label and correct one of them"
    return [fact for fact in facts if fact not in older], [
        (fact, _line_issue(IssueKind.OLDER_THAN_A_CHANGE, fact, draft, text)) for fact in older
    ]


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
        parent=draft.parent or draft.replaced,
    )


def _chart(
    patient: PatientInput,
    known: list[tuple[Instant, Timeline]],
    issues: list[Issue],
    later: frozenset[str],
    rules: ChartingRules,
) -> PatientChart:
    standing: set[str] = set()
    unused: list[Issue] = list(issues)
    for _, timeline in known:
        standing.add(timeline.line.key)
        standing.update(timeline.line.aliases)
        standing.update(fact.source for fact in timeline.facts)
        unused.extend(issue for _, issue in timeline.unused)
    return PatientChart(
        person=patient.person,
        sites=dressing_sites(known, rules) if known else (),
        stays=patient.stays,
        issues=tuple(sorted(unused, key=lambda issue: (issue.source, issue.kind))),
        standing=frozenset(standing),
        not_yet_known=later,
    )
