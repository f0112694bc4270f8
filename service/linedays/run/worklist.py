"""A derivation → the rows a nurse would read, in order of urgency, in words. No I/O.

It looks like a printed handover sheet: what, when, which line, why. "Not due" is never called fine: it says before when
it is not due and when the dressing was last seen intact. An entry that fits more than one line is a row of its own,
since it may say that one of them is compromised.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import tzinfo

from linedays.core.asked import dressing_item
from linedays.core.model import Issue, IssueKind, Whereabouts
from linedays.core.moment import Instant
from linedays.core.policy import Policy
from linedays.core.states import ItemState, Priority, SiteState, State
from linedays.mapping.wording import Wording, plain, sentence, time_words
from linedays.run.derive import Derivation, PatientResult

CONCERN = "site concern"
WHICH_LINE = "which line?"
SHOWN = frozenset({Whereabouts.IN_PLACE, Whereabouts.USED_AFTER_REMOVAL, Whereabouts.SAID_TO_BE_GONE})
_URGENCY = {Priority.STAT: 0, Priority.ASAP: 1, Priority.URGENT: 2, Priority.ROUTINE: 3, None: 4}
# The states in order of precedence, with what is not known to be about a line just after "overdue".
_BEFORE = State.OVERDUE
_ORDER = tuple(name for state in State for name in ((str(state), WHICH_LINE) if state is _BEFORE else (str(state),)))
_ENTRIES_NAMED = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row of the list. `is_plain`: an interval on one line, with nothing assumed and nothing beside it."""

    state: str
    what: str
    due: str
    patient: str
    line: str
    unit: str
    why: str
    rank: tuple[int, int, int, str]
    is_plain: bool = False


def quiet_rows(rows: Iterable[Row]) -> tuple[tuple[Row, ...], int]:
    """Return the rows that no Task asks for and that are not plain, and how many plain ones are just not due yet."""
    told: list[Row] = []
    plain = 0
    for row in rows:
        if row.state in (str(State.NOT_REQUIRED), WHICH_LINE, str(State.DEFERRED), str(State.PAUSED)):
            told.append(row)
        elif row.state == str(State.NOT_DUE):
            if row.is_plain:
                plain += 1
            else:
                told.append(row)
    return tuple(told), plain


def worklist(derivation: Derivation, policy: Policy, wording: Wording, zone: tzinfo) -> tuple[Row, ...]:
    """Return a row for every item of every dressing site that is in place, the most urgent first."""
    writer = _Writer(derivation, policy, wording, zone)
    rows = [row for result in derivation.results for row in writer.rows(result)]
    return tuple(sorted(rows, key=lambda row: row.rank))


@dataclass(frozen=True, slots=True)
class _Writer:
    """Writes the rows of one patient after another."""

    derivation: Derivation
    policy: Policy
    wording: Wording
    zone: tzinfo

    def rows(self, result: PatientResult) -> Iterator[Row]:
        """Return a patient's rows in no particular order."""
        shown = [state for state in result.states if state.whereabouts in SHOWN]
        unplaced = unplaced_entries(result)
        for state in shown:
            yield from self._of_site(state, unplaced)
        for lines in dict.fromkeys(issue.lines for issue in unplaced):
            sites = [state for state in shown if set(lines) & set(_keys(state))]
            if sites:
                yield self._which_line(sites, [issue for issue in unplaced if issue.lines == lines])

    def _of_site(self, state: SiteState, unplaced: list[Issue]) -> Iterator[Row]:
        local = state.zone or self.zone
        maybe = _maybe_about(state, unplaced, self.wording, local)
        for item in (*state.items, *((state.concern,) if state.concern else ())):
            yield Row(
                state=CONCERN if item is state.concern else str(item.state),
                what=self.wording.shape.items.get(item.item, item.item),
                due=_due(item, local),
                patient=state.site.timelines[0].line.patient,
                line=line_words(state, self.policy),
                unit=self._unit(state),
                why=" · ".join((why_words(state, item, self.wording, local), *maybe)),
                rank=(_URGENCY[item.priority], _ORDER.index(item.state), item.due or 0, state.site.key),
                is_plain=item.reason.code.startswith("interval")
                and item.reason.code != "interval-kind-not-charted"
                and not (item.beside or item.assumed or maybe)
                and len(state.site.timelines) == 1,
            )

    def _which_line(self, sites: list[SiteState], entries: list[Issue]) -> Row:
        shape = self.wording.shape
        named = [issue.source for issue in entries]
        said = ", ".join(named[:_ENTRIES_NAMED]) + (" …" if len(named) > _ENTRIES_NAMED else "")
        return Row(
            state=WHICH_LINE,
            what=shape.items["which-line"],
            due="",
            patient=sites[0].site.timelines[0].line.patient,
            line=" or ".join(line_words(state, self.policy) for state in sites),
            unit=self._unit(sites[0]),
            why=plain(shape.which_line_row, self.wording, self.zone, entries=said),
            rank=(_URGENCY[Priority.URGENT], _ORDER.index(WHICH_LINE), 0, sites[0].site.key),
        )

    def _unit(self, state: SiteState) -> str:
        place = self.derivation.places.get(state.place or "")
        return place.name if place is not None else "unit not charted"


def unplaced_entries(result: PatientResult) -> list[Issue]:
    """Return a patient's entries that fit more than one line and so count for none, in order of resource."""
    found = (issue for issue in result.chart.issues if issue.kind is IssueKind.WHICH_LINE and not issue.used)
    return sorted(found, key=lambda issue: issue.source)


def _keys(state: SiteState) -> tuple[str, ...]:
    return tuple(timeline.line.key for timeline in state.site.timelines)


def _maybe_about(state: SiteState, unplaced: list[Issue], wording: Wording, zone: tzinfo) -> tuple[str, ...]:
    count = len({issue.source for issue in unplaced if set(issue.lines) & set(_keys(state))})
    match count:
        case 0:
            return ()
        case 1:
            return (wording.shape.which_line_one,)
        case _:
            return (plain(wording.shape.which_line_many, wording, zone, count=str(count)),)


def _due(item: ItemState, zone: tzinfo) -> str:
    if item.state is State.COMPROMISED:
        return "now"
    return time_words(item.due, zone) if item.due is not None and item.state is not State.NOT_REQUIRED else ""


def line_words(state: SiteState, policy: Policy) -> str:
    """Return the lines under a dressing in words: side, site and kind of each."""
    names = {kind.code: kind.name for kind in policy.line_kinds}
    lines = [timeline.line for timeline in state.site.timelines]
    shown = [
        " ".join(part for part in (line.side, line.site, names.get(line.kind, line.kind)) if part)
        for line, where in zip(lines, state.line_whereabouts, strict=True)
        if where is state.whereabouts
    ]
    return " + ".join(shown)


def why_words(state: SiteState, item: ItemState, wording: Wording, zone: tzinfo) -> str:
    """Return the reason of an item with what stands beside it and what was assumed, as one text."""
    said = [sentence(item.reason, wording, zone, item.item)]
    if item.state is State.NOT_DUE:
        dressing = dressing_item(state)
        seen = dressing.last_seen_intact if dressing is not None else None
        said = [*_not_before(item, wording, zone), _seen(seen, wording, zone), *said]
    said += [sentence(reason, wording, zone, item.item) for reason in (*item.beside, *item.assumed)]
    return " · ".join(said)


def _not_before(item: ItemState, wording: Wording, zone: tzinfo) -> list[str]:
    if item.window_from is None:
        return []
    return [plain(wording.shape.due_before, wording, zone, window=item.window_from)]


def _seen(last: Instant | None, wording: Wording, zone: tzinfo) -> str:
    if last is None:
        return plain(wording.shape.not_seen, wording, zone)
    return plain(wording.shape.seen, wording, zone, seen=last)
