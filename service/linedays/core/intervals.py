"""Presence intervals and slots of one patient → the lines that they make or go on with. No I/O.

An interval linked to a line goes on with it. Of the others, those of one patient, kind, site and side with a short gap
in one stay are one line, never across a charted removal. A numbered slot is a line from the first entry about it in a
stay.
"""

from collections import defaultdict
from collections.abc import Iterable

from linedays.core.charting import PresenceStart
from linedays.core.lines import (
    UNKNOWN_KIND,
    Context,
    LineDraft,
    agree,
    alike,
    draft_of,
    fill_in,
    give_start,
    removed_between,
    says_which,
)
from linedays.core.model import EndBasis, Fact, StartBasis


def add_intervals(drafts: list[LineDraft], present: Iterable[Fact], context: Context) -> list[LineDraft]:
    """Return the lines with those that a patient's presence intervals make; those that go on get their new end."""
    of_start = context.rules.presence_start
    basis = StartBasis.INSERTION if of_start is PresenceStart.INSERTION else StartBasis.ARRIVAL
    by_reference = {alias: draft for draft in drafts for alias in draft.aliases}
    ended: dict[tuple[str | None, ...], list[LineDraft]] = defaultdict(list)
    found = list(drafts)
    for fact in sorted(present, key=lambda fact: (fact.happened.earliest, fact.known, fact.source)):
        line = _linked(fact, by_reference, context)
        if line is None:
            line = _continued(fact, ended, context)
        if line is not None:
            _go_on(line, fact, basis, context)
        else:
            line = _new(fact, basis, context)
            found.append(line)
            by_reference.update(dict.fromkeys(line.aliases, line))
            ended[_place(fact, context)].append(line)
    return found


def _linked(fact: Fact, by_reference: dict[str, LineDraft], context: Context) -> LineDraft | None:
    for reference in (fact.device, fact.part_of):
        line = by_reference.get(reference) if reference else None
        if line is not None:
            return None if removed_between(line, fact, context.removals) else line
    return None


def _place(fact: Fact, context: Context) -> tuple[str | None, ...]:
    stay = context.whole_stay.get(fact.encounter, fact.encounter) if fact.encounter else None
    return fact.line_kind or UNKNOWN_KIND, fact.site, fact.slot, stay


def _continued(fact: Fact, ended: dict[tuple[str | None, ...], list[LineDraft]], context: Context) -> LineDraft | None:
    """Return the line that an unlinked interval goes on with.

    A site that is not charted is not known to be the same.
    """
    gap = context.rules.join_gap
    if gap is None or fact.site is None or fact.device is not None:
        return None
    place = _place(fact, context)
    # Intervals come in order of their start: what ended too long before this one did so for every later one.
    near = [line for line in ended[place] if line.end is None or fact.happened.earliest - line.end.latest <= gap]
    ended[place] = near
    fits = [
        line
        for line in near
        if line.end is not None
        and line.end.earliest <= fact.happened.latest
        and agree(line.side, fact.side)
        and not any(_took_out(removal, line, fact) for removal in context.removals)
    ]
    return fits[0] if len(fits) == 1 else None


def _took_out(removal: Fact, line: LineDraft, after: Fact) -> bool:
    """Tell whether a removal may have taken a line out before a later interval."""
    if removal.device is not None or removal.part_of is not None:
        speaks_of_it = removal.device in line.aliases or removal.part_of in line.aliases
    else:
        speaks_of_it = says_which(removal) and alike(removal, line)
    return (
        speaks_of_it
        and line.start.earliest <= removal.happened.latest
        and removal.happened.earliest <= after.happened.latest
    )


def _new(fact: Fact, basis: StartBasis, context: Context) -> LineDraft:
    line = draft_of(fact, context)
    give_start(line, fact, basis, context)
    _end_by(line, fact)
    return line


def _go_on(line: LineDraft, fact: Fact, basis: StartBasis, context: Context) -> None:
    line.add(fact, context)
    fill_in(line, fact)
    if line.start_basis is StartBasis.DEVICE:
        give_start(line, fact, basis, context)
    if fact.until is None or fact.until.latest >= line.start.earliest:
        _end_by(line, fact)


def _end_by(line: LineDraft, fact: Fact) -> None:
    line.end = fact.until
    line.end_basis, line.end_source = (EndBasis.PRESENCE, fact.source) if fact.until else (None, None)


def slot_lines(charted: Iterable[Fact], context: Context) -> list[LineDraft]:
    """Make one line of each numbered slot that a stay keeps charting about; it is there from its first entry."""
    slots: dict[tuple[str | None, str | None], LineDraft] = {}
    for fact in sorted(charted, key=context.named):
        line = slots.get((fact.encounter, fact.slot))
        if line is None:
            line = slots[fact.encounter, fact.slot] = draft_of(fact, context)
            line.start, line.start_basis = fact.happened, StartBasis.ARRIVAL
        else:
            line.add(fact, context)
    return list(slots.values())
