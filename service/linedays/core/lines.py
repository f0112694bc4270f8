"""Device and insertion facts of one patient → lines with their aliases and starts, and issues. No I/O.

A line is created by a Device, an insertion or a presence interval (`intervals`). What is linked by reference is one
line; an unlinked Device and insertion are joined only where each is the other's single candidate. The key of a line is
the creating resource known first, so it never changes while the line lives.
"""

from collections import defaultdict
from collections.abc import Mapping
from operator import attrgetter

import msgspec

from linedays.core.charting import ChartingRules
from linedays.core.model import EndBasis, Fact, FactKind, Issue, IssueKind, StartBasis
from linedays.core.moment import Instant, Moment, exactly

UNKNOWN_KIND = "unknown"
_IN_ORDER = attrgetter("happened.earliest", "known", "source")
# Members have a name of their own where they are asked for once per line or fact (see `moment`).
_DEVICE, _INSERTED, _CHARTED, _RECORD_ONLY = FactKind.DEVICE, FactKind.INSERTED, FactKind.CHARTED, StartBasis.DEVICE
ENDING = frozenset({FactKind.REMOVED, FactKind.EXCHANGED_OUT})


class Context(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """What decides, beside the creating facts, which lines they make.

    `first` is when a creating resource first became known, where an older version of it did; `whole_stay` names the
    outermost Encounter of each Encounter.
    """

    rules: ChartingRules
    removals: list[Fact]
    first: Mapping[str, Instant]
    whole_stay: Mapping[str, str]

    def named(self, fact: Fact) -> tuple[Instant, str]:
        """Return when the resource of a creating fact first became known, and which it is."""
        return self.first.get(fact.source, fact.known), fact.source


class LineDraft(msgspec.Struct, gc=False, kw_only=True):
    """A line under construction: the facts that create it, and what of it is settled so far.

    `named` is when the creating resource known first became known, and its `Type/id`; `refused` are facts that would
    start it too, or at a time that is not believed.
    """

    creators: list[Fact]
    named: tuple[Instant, str]
    kind: str
    site: str | None
    side: str | None
    slot: str | None
    encounter: str | None
    start: Moment
    start_basis: StartBasis
    start_source: str
    end: Moment | None = None
    end_basis: EndBasis | None = None
    end_source: str | None = None
    parent: str | None = None
    aliases: set[str]
    refused: list[Fact] = msgspec.field(default_factory=list)

    @property
    def key(self) -> str:
        """`Type/id` of the creating resource known first."""
        return self.named[1]

    def add(self, fact: Fact, context: Context) -> None:
        """Add a fact that creates this line too."""
        self.creators.append(fact)
        self.aliases.add(fact.source)
        self.named = min(self.named, context.named(fact))


def agree(one: str | None, other: str | None) -> bool:
    """Tell whether two charted values do not contradict each other (a missing one never does)."""
    return one is None or other is None or one == other


def kinds_agree(one: str | None, other: str | None) -> bool:
    """Tell whether two line kinds do not contradict each other (an unknown one never does)."""
    return agree(one, other) or UNKNOWN_KIND in (one, other)


def says_which(fact: Fact) -> bool:
    """Tell whether a fact without a reference says anything of the line that it is about."""
    return fact.line_kind not in (None, UNKNOWN_KIND) or fact.site is not None or fact.slot is not None


def alike(fact: Fact, draft: LineDraft) -> bool:
    """Tell whether the slot, kind, site and side of a fact are those of a line, as far as they are charted."""
    if fact.slot is not None and draft.slot is not None:
        # A slot that was only charted about is the same line in one stay only: nothing says when it ended.
        one_stay = draft.creators[0].kind is not _CHARTED or agree(fact.encounter, draft.encounter)
        return one_stay and fact.slot == draft.slot and agree(fact.site, draft.site) and agree(fact.side, draft.side)
    if UNKNOWN_KIND in (fact.line_kind or UNKNOWN_KIND, draft.kind) and draft.site != fact.site:
        return False
    return kinds_agree(fact.line_kind, draft.kind) and agree(fact.site, draft.site) and agree(fact.side, draft.side)


def later_than_entry(fact: Fact, rules: ChartingRules) -> bool:
    """Tell whether a fact is charted for a time later than its own entry, beyond the tolerance."""
    return fact.happened.earliest > fact.known + rules.entry_tolerance


def removed_between(draft: LineDraft, after: Fact, removals: list[Fact]) -> bool:
    """Tell whether a line was charted out, by reference, between its start and a fact that starts one on its device.

    Where the order of the removal and that fact is open, it was: a line that may be there must not be closed. A line of
    which only the record is known has no start that anything could lie after.
    """
    return (
        draft.start_basis is not _RECORD_ONLY
        and after.happened.earliest > draft.start.earliest
        and any(
            (removal.device in draft.aliases or removal.part_of in draft.aliases)
            and draft.start.earliest <= removal.happened.latest
            and removal.happened.earliest <= after.happened.latest
            for removal in removals
        )
    )


def draft_lines(creating: list[Fact], context: Context) -> tuple[list[LineDraft], list[Issue]]:
    """Return the lines that a patient's Devices and insertions make, and how unlinked ones were read."""
    drafts = _from_devices([fact for fact in creating if fact.kind is _DEVICE], context)
    by_device = {alias: draft for draft in drafts for alias in draft.aliases}
    loose: list[LineDraft] = []
    inserted = [fact for fact in creating if fact.kind is _INSERTED]
    for fact in sorted(inserted, key=_IN_ORDER) if len(inserted) > 1 else inserted:
        if fact.device is None:
            loose.append(_from_insertion(fact, context))
            continue
        draft = by_device.get(fact.device)
        if draft is None or removed_between(draft, fact, context.removals):
            # The same Device once more: a line of its own, and still of the kind that its record says.
            kind = draft.kind if draft is not None else UNKNOWN_KIND
            draft = by_device[fact.device] = _from_insertion(fact, context)
            draft.kind = kind if draft.kind == UNKNOWN_KIND else draft.kind
            drafts.append(draft)
        elif draft.start_basis is _RECORD_ONLY:
            _give_insertion(draft, fact, context)
        else:
            draft.add(fact, context)
            draft.refused.append(fact)
    apart, issues = _join_unlinked(drafts, loose, context)
    return drafts + apart, issues


def _from_devices(devices: list[Fact], context: Context) -> list[LineDraft]:
    drafts: list[LineDraft] = []
    by_identity: dict[str, LineDraft] = {}
    for fact in sorted(devices, key=context.named) if len(devices) > 1 else devices:
        draft = by_identity.get(fact.value) if fact.value else None
        if draft is None:
            draft = draft_of(fact, context)
            draft.start, draft.parent = fact.happened, fact.part_of
            drafts.append(draft)
            if fact.value:
                by_identity[fact.value] = draft
        else:
            draft.add(fact, context)
            draft.kind = _better(draft.kind, fact)
            draft.parent = draft.parent or fact.part_of
    return drafts


def _from_insertion(fact: Fact, context: Context) -> LineDraft:
    draft = draft_of(fact, context)
    draft.parent = fact.part_of
    give_start(draft, fact, _basis(fact), context)
    return draft


def give_start(draft: LineDraft, fact: Fact, basis: StartBasis, context: Context) -> None:
    """Let a fact say since when a line is there.

    One charted for later than its own entry is not believed: the line is there, and since when is not known.
    """
    if later_than_entry(fact, context.rules):
        draft.refused.append(fact)
    else:
        draft.start, draft.start_basis, draft.start_source = fact.happened, basis, fact.source


def draft_of(fact: Fact, context: Context) -> LineDraft:
    """Return a line that one fact creates: there by when the fact became known, since when is not said yet."""
    return LineDraft(
        creators=[fact],
        named=context.named(fact),
        kind=fact.line_kind or UNKNOWN_KIND,
        site=fact.site,
        side=fact.side,
        slot=fact.slot,
        encounter=fact.encounter,
        start=exactly(fact.known),
        start_basis=_RECORD_ONLY,
        start_source=fact.source,
        aliases={fact.source} if fact.device is None else {fact.source, fact.device},
    )


def _give_insertion(draft: LineDraft, fact: Fact, context: Context) -> None:
    draft.add(fact, context)
    give_start(draft, fact, _basis(fact), context)
    draft.parent = draft.parent or fact.part_of
    fill_in(draft, fact)


def fill_in(draft: LineDraft, fact: Fact) -> None:
    """Take from a linked fact what the record of a line does not say."""
    draft.site, draft.side = fact.site or draft.site, fact.side or draft.side
    draft.encounter = fact.encounter or draft.encounter
    draft.kind = _better(draft.kind, fact)


def _better(kind: str, fact: Fact) -> str:
    return fact.line_kind if kind == UNKNOWN_KIND and fact.line_kind else kind


def _basis(fact: Fact) -> StartBasis:
    # `part_of` on an insertion is the line that it replaced over a guidewire.
    return StartBasis.EXCHANGE if fact.part_of else StartBasis.INSERTION


def _join_unlinked(
    drafts: list[LineDraft], loose: list[LineDraft], context: Context
) -> tuple[list[LineDraft], list[Issue]]:
    """Join an unlinked insertion to a Device without one, where each is the other's only candidate."""
    if not loose:
        return [], []
    bare: dict[str, list[LineDraft]] = defaultdict(list)
    for draft in drafts:
        if draft.creators[-1].kind is _DEVICE:
            bare[draft.kind].append(draft)
    found = [[device for device in bare.get(draft.kind, ()) if _may_be_one(device, draft)] for draft in loose]
    claims: dict[str, int] = defaultdict(int)
    for fits in found:
        for device in fits:
            claims[device.key] += 1
    apart: list[LineDraft] = []
    issues: list[Issue] = []
    for draft, fits in zip(loose, found, strict=True):
        if len(fits) == 1 and claims[fits[0].key] == 1:
            _give_insertion(fits[0], draft.creators[0], context)
            issues.append(_joined(fits[0], draft.creators[0]))
            continue
        apart.append(draft)
        if fits:
            issues.append(_not_joined(draft, fits))
    return apart, issues


def _may_be_one(device: LineDraft, insertion: LineDraft) -> bool:
    known = device.kind != UNKNOWN_KIND
    return known and agree(device.site, insertion.site) and agree(device.side, insertion.side)


def _joined(draft: LineDraft, fact: Fact) -> Issue:
    return Issue(
        kind=IssueKind.LINES_JOINED,
        source=fact.source,
        text="an insertion and a device record without a link between them were read as one line, since each fits no "
        "other; link them in the chart (focalDevice) to be sure",
        patient=fact.patient,
        lines=(draft.key,),
        used=True,
    )


def _not_joined(draft: LineDraft, fits: list[LineDraft]) -> Issue:
    return Issue(
        kind=IssueKind.WHICH_LINE,
        source=draft.key,
        text="an insertion without a link may be that of more than one device record, or of one that another insertion "
        "fits too: each is kept as a line of its own; link them in the chart (focalDevice)",
        patient=draft.creators[0].patient,
        lines=tuple(sorted({draft.key, *(device.key for device in fits)})),
        used=True,
    )


def second_insertion(draft: LineDraft, fact: Fact) -> Issue:
    """Return the issue of an insertion on a device that was there already."""
    return Issue(
        kind=IssueKind.LINES_JOINED,
        source=fact.source,
        text="a second insertion on a device that was not charted out between: the first one counts; chart the "
        "removal, or correct the insertion that is wrong",
        patient=fact.patient,
        lines=(draft.key,),
    )
