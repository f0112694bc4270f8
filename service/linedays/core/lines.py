"""Creating facts of one patient → lines with their aliases, starts and first ends, and issues. No I/O.

A line is created by a Device, an insertion or a presence interval. What is linked by reference is one line; an unlinked
Device and insertion are joined only where each is the other's single candidate. The key of a line is the creating
resource known first, so it never changes while the line lives.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

from linedays.core.charting import ChartingRules, PresenceStart
from linedays.core.model import EndBasis, Fact, FactKind, Issue, IssueKind, StartBasis
from linedays.core.moment import Instant, Moment

UNKNOWN_KIND = "unknown"


@dataclass(slots=True, kw_only=True)
class LineDraft:
    """A line under construction: the facts that create it, and what of it is settled so far."""

    creators: list[Fact]
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
    replaced: str | None = None
    aliases: set[str] = field(default_factory=set)

    @property
    def key(self) -> str:
        """`Type/id` of the creating resource known first."""
        return min(self.creators, key=lambda fact: (fact.known, fact.source)).source

    @property
    def known(self) -> Instant:
        """When the line first became known."""
        return min(fact.known for fact in self.creators)


def agree(one: str | None, other: str | None) -> bool:
    """Tell whether two charted values do not contradict each other (a missing one never does)."""
    return one is None or other is None or one == other


def kinds_agree(one: str | None, other: str | None) -> bool:
    """Tell whether two line kinds do not contradict each other (an unknown one never does)."""
    return agree(one, other) or UNKNOWN_KIND in (one, other)


def draft_lines(
    creating: list[Fact], removals: list[Fact], rules: ChartingRules
) -> tuple[list[LineDraft], list[Issue]]:
    """Return the lines that a patient's creating facts make, and how unlinked ones were joined.

    `removals` matter where a device or a presence interval comes twice: what was charted out between is another line.
    """
    devices = [fact for fact in creating if fact.kind is FactKind.DEVICE]
    inserted = [fact for fact in creating if fact.kind is FactKind.INSERTED]
    drafts = _from_devices(devices)
    by_device = {alias: draft for draft in drafts for alias in draft.aliases}
    loose: list[LineDraft] = []
    issues: list[Issue] = []
    for fact in sorted(inserted, key=lambda fact: (fact.happened.earliest, fact.known, fact.source)):
        if fact.device is None:
            loose.append(_from_insertion(fact))
            continue
        draft = by_device.get(fact.device)
        if draft is not None and draft.start_basis is StartBasis.DEVICE:
            _give_insertion(draft, fact)
        elif draft is not None and not _removed_between(draft, fact, removals):
            draft.aliases.add(fact.source)
            issues.append(_second_insertion(draft, fact))
        else:
            draft = _from_insertion(fact)
            drafts.append(draft)
            by_device[fact.device] = draft
    apart, joined = _join_unlinked(drafts, loose)
    drafts.extend(apart)
    issues.extend(joined)
    drafts.extend(_from_presence([fact for fact in creating if fact.kind is FactKind.PRESENT], removals, rules))
    drafts.extend(_from_slots([fact for fact in creating if fact.kind is FactKind.CHARTED]))
    return drafts, issues


def _from_devices(devices: list[Fact]) -> list[LineDraft]:
    drafts: list[LineDraft] = []
    by_identity: dict[str, LineDraft] = {}
    for fact in sorted(devices, key=lambda fact: (fact.known, fact.source)):
        draft = by_identity.get(fact.value) if fact.value else None
        if draft is None:
            draft = LineDraft(
                creators=[fact],
                kind=fact.line_kind or UNKNOWN_KIND,
                site=fact.site,
                side=fact.side,
                slot=fact.slot,
                encounter=fact.encounter,
                start=fact.happened,
                start_basis=StartBasis.DEVICE,
                start_source=fact.source,
                parent=fact.part_of,
            )
            drafts.append(draft)
            if fact.value:
                by_identity[fact.value] = draft
        else:
            draft.creators.append(fact)
        draft.aliases.add(fact.source)
    return drafts


def _from_insertion(fact: Fact) -> LineDraft:
    aliases = {fact.source} if fact.device is None else {fact.source, fact.device}
    return LineDraft(
        creators=[fact],
        kind=fact.line_kind or UNKNOWN_KIND,
        site=fact.site,
        side=fact.side,
        slot=fact.slot,
        encounter=fact.encounter,
        start=fact.happened,
        start_basis=StartBasis.EXCHANGE if fact.part_of else StartBasis.INSERTION,
        start_source=fact.source,
        replaced=fact.part_of,
        aliases=aliases,
    )


def _give_insertion(draft: LineDraft, fact: Fact) -> None:
    draft.creators.append(fact)
    draft.aliases.add(fact.source)
    draft.start, draft.start_source = fact.happened, fact.source
    draft.start_basis = StartBasis.EXCHANGE if fact.part_of else StartBasis.INSERTION
    draft.replaced = fact.part_of
    draft.site, draft.side = fact.site or draft.site, fact.side or draft.side
    draft.encounter = fact.encounter or draft.encounter
    if draft.kind == UNKNOWN_KIND and fact.line_kind:
        draft.kind = fact.line_kind


def _removed_between(draft: LineDraft, fact: Fact, removals: list[Fact]) -> bool:
    return any(
        removal.device in draft.aliases
        and draft.start.earliest <= removal.happened.latest
        and removal.happened.earliest <= fact.happened.latest
        for removal in removals
    )


def _second_insertion(draft: LineDraft, fact: Fact) -> Issue:
    return Issue(
        kind=IssueKind.LINES_JOINED,
        source=fact.source,
        text="a second insertion on a device that was not charted out between: the first one counts; chart the removal, "
        "or correct the insertion that is wrong",
        patient=fact.patient,
        lines=(draft.key,),
    )


def _join_unlinked(drafts: list[LineDraft], loose: list[LineDraft]) -> tuple[list[LineDraft], list[Issue]]:
    """Join an unlinked insertion to a Device without one, where each is the other's only candidate."""
    bare = [draft for draft in drafts if draft.start_basis is StartBasis.DEVICE]
    apart: list[LineDraft] = []
    issues: list[Issue] = []
    for draft in loose:
        fact = draft.creators[0]
        fits = [device for device in bare if _may_be_one(device, draft)]
        rivals = [other for other in loose if fits and _may_be_one(fits[0], other)]
        if len(fits) == 1 and len(rivals) == 1:
            _give_insertion(fits[0], fact)
            issues.append(_joined(fits[0], fact))
        else:
            apart.append(draft)
    return apart, issues


def _may_be_one(device: LineDraft, insertion: LineDraft) -> bool:
    return (
        device.kind == insertion.kind
        and device.kind != UNKNOWN_KIND
        and agree(device.site, insertion.site)
        and agree(device.side, insertion.side)
    )


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


def _from_presence(present: list[Fact], removals: list[Fact], rules: ChartingRules) -> list[LineDraft]:
    basis = StartBasis.INSERTION if rules.presence_start is PresenceStart.INSERTION else StartBasis.ARRIVAL
    drafts: list[LineDraft] = []
    for fact in sorted(present, key=lambda fact: (fact.happened.earliest, fact.known, fact.source)):
        earlier = _continued(fact, drafts, removals, rules)
        if earlier is None:
            drafts.append(
                LineDraft(
                    creators=[fact],
                    kind=fact.line_kind or UNKNOWN_KIND,
                    site=fact.site,
                    side=fact.side,
                    slot=fact.slot,
                    encounter=fact.encounter,
                    start=fact.happened,
                    start_basis=basis,
                    start_source=fact.source,
                    end=fact.until,
                    end_basis=EndBasis.PRESENCE if fact.until else None,
                    end_source=fact.source if fact.until else None,
                    aliases={fact.source},
                )
            )
        else:
            earlier.creators.append(fact)
            earlier.aliases.add(fact.source)
            earlier.end, earlier.end_source = fact.until, fact.source
            earlier.end_basis = EndBasis.PRESENCE if fact.until else None
    return drafts


def _continued(
    fact: Fact, drafts: list[LineDraft], removals: list[Fact], rules: ChartingRules
) -> LineDraft | None:
    """Return the line that a presence interval continues. A site that is not charted is not known to be the same."""
    if rules.join_gap is None or fact.site is None:
        return None
    fits = [
        draft
        for draft in drafts
        if draft.end is not None
        and (draft.kind, draft.site, draft.side, draft.slot) == (fact.line_kind, fact.site, fact.side, fact.slot)
        and draft.encounter == fact.encounter
        and 0 <= fact.happened.earliest - draft.end.latest <= rules.join_gap
        and not any(_speaks_of(removal, draft) and removal.happened.latest <= fact.happened.latest for removal in removals)
    ]
    return fits[0] if len(fits) == 1 else None


def _speaks_of(removal: Fact, draft: LineDraft) -> bool:
    if removal.device is not None or removal.part_of is not None:
        return removal.device in draft.aliases or removal.part_of in draft.aliases
    return (
        (removal.line_kind, removal.site, removal.side) == (draft.kind, draft.site, draft.side)
        and draft.start.earliest <= removal.happened.latest
    )


def _from_slots(charted: Iterable[Fact]) -> list[LineDraft]:
    """Make one line of each numbered slot that a stay keeps charting about; it is there from its first entry."""
    slots: dict[tuple[str | None, str | None], LineDraft] = {}
    for fact in sorted(charted, key=lambda fact: (fact.known, fact.source)):
        name = (fact.encounter, fact.slot)
        if name in slots:
            slots[name].aliases.add(fact.source)
            continue
        slots[name] = LineDraft(
            creators=[fact],
            kind=fact.line_kind or UNKNOWN_KIND,
            site=fact.site,
            side=fact.side,
            slot=fact.slot,
            encounter=fact.encounter,
            start=fact.happened,
            start_basis=StartBasis.ARRIVAL,
            start_source=fact.source,
            aliases={fact.source},
        )
    return list(slots.values())
