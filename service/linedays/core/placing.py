"""A fact and the lines of its patient → the one line it belongs to, or why it belongs to none. No I/O.

By reference first; without one by patient, kind and site, and then only where exactly one line in place at that time
fits. A fact that fits several clears none of them.
"""


import msgspec

from linedays.core.charting import ChartingRules
from linedays.core.lines import ENDING, LineDraft, alike, says_which
from linedays.core.model import Fact, FactKind, Issue, IssueKind, StartBasis
from linedays.core.moment import Moment

_RECORD_ONLY = StartBasis.DEVICE


class Placing(msgspec.Struct, frozen=True, gc=False):
    """The lines of one patient, indexed by the references that name them; `by_device` has those that name only one."""

    drafts: tuple[LineDraft, ...]
    by_reference: dict[str, list[LineDraft]]
    by_device: dict[str, LineDraft]
    rules: ChartingRules


def placing_of(drafts: list[LineDraft], rules: ChartingRules) -> Placing:
    """Index a patient's lines by every resource that speaks of them."""
    by_reference: dict[str, list[LineDraft]] = {}
    for draft in drafts:
        for alias in draft.aliases:
            by_reference.setdefault(alias, []).append(draft)
    only = {reference: named[0] for reference, named in by_reference.items() if len(named) == 1}
    return Placing(tuple(drafts), by_reference, only, rules)


def place(fact: Fact, placing: Placing) -> LineDraft | Issue:
    """Return the line that a fact belongs to, or the issue that says why there is none."""
    # A slot that is charted about is named by the row itself; the row of an exchange names the line that came.
    references = (fact.device, fact.part_of, None if fact.kind in ENDING else fact.source)
    for reference in references:
        named = placing.by_reference.get(reference) if reference else None
        if named:
            named = [draft for draft in named if not _began_with(fact, draft)]
        if named:
            return named[0] if len(named) == 1 else _by_time(fact, named)
    if fact.device is not None and fact.device not in placing.by_reference:
        return _issue(fact, IssueKind.NO_LINE, "it names a device that is not a line we know of; check the link")
    return _by_kind_and_site(fact, placing)


def _began_with(fact: Fact, draft: LineDraft) -> bool:
    return fact.kind is FactKind.EXCHANGED_OUT and fact.source == draft.start_source


def _by_time(fact: Fact, named: list[LineDraft]) -> LineDraft:
    """Of several lines that used one device in turn, take the last that had begun by then.

    A removal in the minute in which the next one begins is that of the one before.
    """
    ordered = sorted(named, key=lambda draft: draft.start.earliest)
    if fact.kind in ENDING:
        begun = [draft for draft in ordered if draft.start.earliest < fact.happened.earliest]
    else:
        begun = [draft for draft in ordered if draft.start.earliest <= fact.happened.latest]
    return begun[-1] if begun else ordered[0]


def _by_kind_and_site(fact: Fact, placing: Placing) -> LineDraft | Issue:
    if not says_which(fact):
        text = "it names neither a device nor a kind of line nor a site"
        return _issue(fact, IssueKind.WHICH_LINE, text, placing.drafts)
    like = [draft for draft in placing.drafts if alike(fact, draft) and not _began_with(fact, draft)]
    fits = [draft for draft in like if in_place(draft, fact.happened)]
    if not fits:
        fits = [draft for draft in like if _came_with(fact, draft, like, placing.rules)]
    match fits:
        case [one]:
            return one
        case []:
            return _no_line(fact, like)
        case _:
            text = "more than one line fits: which line? Link the device"
            return _issue(fact, IssueKind.WHICH_LINE, text, tuple(fits))


def in_place(draft: LineDraft, happened: Moment) -> bool:
    """Tell whether a line may have been in place at a charted time."""
    if draft.start_basis is not _RECORD_ONLY and draft.start.earliest > happened.latest:
        return False
    return draft.end is None or happened.earliest <= draft.end.latest


def _came_with(fact: Fact, draft: LineDraft, like: list[LineDraft], rules: ChartingRules) -> bool:
    """Tell whether a fact from before an arrival may be about the line that then arrived.

    Only for the first line of its kind in that stay, and not further back than the look-back. What was charted out
    before did not arrive.
    """
    if draft.start_basis is not StartBasis.ARRIVAL or fact.encounter != draft.encounter or fact.kind in ENDING:
        return False
    begins = draft.start.earliest
    first = all(other.start.earliest >= begins for other in like if other.encounter == draft.encounter)
    return first and begins - rules.arrival_lookback <= fact.happened.latest <= begins


def _no_line(fact: Fact, like: list[LineDraft]) -> Issue:
    if any(draft.start.earliest > fact.happened.latest for draft in like):
        text = "it is charted for a time before the line was there: correct its time, or link the device"
        return _issue(fact, IssueKind.BEFORE_INSERTION, text, tuple(like))
    if like:
        text = "the line it would fit was out by then; link the device"
        return _issue(fact, IssueKind.AFTER_REMOVAL, text, tuple(like))
    return _issue(fact, IssueKind.NO_LINE, "no line of that kind and site was in place then")


def _issue(fact: Fact, kind: IssueKind, text: str, drafts: tuple[LineDraft, ...] = ()) -> Issue:
    lines = tuple(sorted(draft.key for draft in drafts))
    return Issue(kind=kind, source=fact.source, text=text, patient=fact.patient, lines=lines)
