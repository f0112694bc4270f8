"""A fact and the lines of its patient → the one line it belongs to, or why it belongs to none. No I/O.

By reference first; without one by patient, kind and site, and then only where exactly one line in place at that time
fits. A fact that fits several clears none of them.
"""

from dataclasses import dataclass

from linedays.core.charting import ChartingRules
from linedays.core.lines import UNKNOWN_KIND, LineDraft, agree, kinds_agree
from linedays.core.model import Fact, Issue, IssueKind, StartBasis
from linedays.core.moment import Moment


@dataclass(frozen=True, slots=True)
class Placing:
    """The lines of one patient, indexed by the references that name them."""

    drafts: tuple[LineDraft, ...]
    by_reference: dict[str, list[LineDraft]]
    rules: ChartingRules


def placing_of(drafts: list[LineDraft], rules: ChartingRules) -> Placing:
    """Index a patient's lines by every resource that speaks of them."""
    by_reference: dict[str, list[LineDraft]] = {}
    for draft in drafts:
        for alias in draft.aliases:
            by_reference.setdefault(alias, []).append(draft)
    return Placing(tuple(drafts), by_reference, rules)


def place(fact: Fact, placing: Placing) -> LineDraft | Issue:
    """Return the line that a fact belongs to, or the issue that says why there is none."""
    for reference in (fact.device, fact.part_of, fact.source):
        named = placing.by_reference.get(reference) if reference else None
        if named:
            return named[0] if len(named) == 1 else _by_time(fact, named)
    if fact.device is not None:
        return _issue(fact, IssueKind.NO_LINE, "it names a device that is not a line we know of; check the link")
    return _by_kind_and_site(fact, placing)


def _by_time(fact: Fact, named: list[LineDraft]) -> LineDraft:
    """Of several lines that used one device in turn, take the last that had begun by then."""
    ordered = sorted(named, key=lambda draft: draft.start.earliest)
    begun = [draft for draft in ordered if draft.start.earliest <= fact.happened.latest]
    return begun[-1] if begun else ordered[0]


def _by_kind_and_site(fact: Fact, placing: Placing) -> LineDraft | Issue:
    if fact.line_kind in (None, UNKNOWN_KIND) and fact.site is None and fact.slot is None:
        return _issue(fact, IssueKind.WHICH_LINE, "it names neither a device nor a kind of line nor a site", placing.drafts)
    alike = [draft for draft in placing.drafts if _alike(fact, draft)]
    fits = [draft for draft in alike if in_place(draft, fact.happened)]
    if not fits:
        fits = [draft for draft in alike if _came_with(fact, draft, alike, placing.rules)]
    match fits:
        case [one]:
            return one
        case []:
            return _no_line(fact, alike)
        case _:
            return _issue(fact, IssueKind.WHICH_LINE, "more than one line fits: which line? Link the device", tuple(fits))


def _alike(fact: Fact, draft: LineDraft) -> bool:
    if fact.slot is not None and draft.slot is not None:
        return fact.slot == draft.slot and agree(fact.site, draft.site) and agree(fact.side, draft.side)
    if UNKNOWN_KIND in (fact.line_kind or UNKNOWN_KIND, draft.kind) and draft.site != fact.site:
        return False
    return kinds_agree(fact.line_kind, draft.kind) and agree(fact.site, draft.site) and agree(fact.side, draft.side)


def in_place(draft: LineDraft, happened: Moment) -> bool:
    """Tell whether a line may have been in place at a charted time."""
    if draft.start_basis is not StartBasis.DEVICE and draft.start.earliest > happened.latest:
        return False
    return draft.end is None or happened.earliest <= draft.end.latest


def _came_with(fact: Fact, draft: LineDraft, alike: list[LineDraft], rules: ChartingRules) -> bool:
    """Tell whether a fact from before an arrival may be about the line that then arrived.

    Only for the first line of its kind in that stay, and not further back than the look-back.
    """
    if draft.start_basis is not StartBasis.ARRIVAL or fact.encounter != draft.encounter:
        return False
    first = all(other is draft or other.start.earliest >= draft.start.earliest for other in alike if _one_stay(other, draft))
    return first and draft.start.earliest - rules.arrival_lookback <= fact.happened.earliest <= draft.start.earliest


def _one_stay(one: LineDraft, other: LineDraft) -> bool:
    return one.encounter == other.encounter


def _no_line(fact: Fact, alike: list[LineDraft]) -> Issue:
    if any(draft.start.earliest > fact.happened.latest for draft in alike):
        text = "it is charted for a time before the line was there: correct its time, or link the device"
        return _issue(fact, IssueKind.BEFORE_INSERTION, text, tuple(alike))
    if alike:
        return _issue(fact, IssueKind.AFTER_REMOVAL, "the line it would fit was out by then; link the device", tuple(alike))
    return _issue(fact, IssueKind.NO_LINE, "no line of that kind and site was in place then")


def _issue(fact: Fact, kind: IssueKind, text: str, drafts: tuple[LineDraft, ...] = ()) -> Issue:
    return Issue(
        kind=kind, source=fact.source, text=text, patient=fact.patient, lines=tuple(sorted(draft.key for draft in drafts))
    )
