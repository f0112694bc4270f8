"""A line's timeline, the patient's stays and a moment → where the line is then. No I/O.

A line ends by what was charted as done to it. Discharge ends our watch: kinds that may go home are away, others are
"removal not charted". A line used after its charted removal, or said to be gone without one, is said so.
"""

from linedays.core.model import EndBasis, Fact, FactKind, Person, StartBasis, Timeline, Whereabouts
from linedays.core.moment import Instant
from linedays.core.rule_book import RuleBook
from linedays.core.watch import Watch, died_by

USES = frozenset(
    {
        FactKind.USED,
        FactKind.PORT_ACCESSED,
        FactKind.INFUSION_STARTED,
        FactKind.DRESSING_CHANGED,
        FactKind.DRESSING_SEEN,
        FactKind.SITE_SEEN,
        FactKind.PART_CHANGED,
        FactKind.REPOSITIONED,
    }
)
# Members have a name of their own where they are asked for once per line or fact (see `moment`).
_RECORD_ONLY, _ENDED, _IN_PLACE = StartBasis.DEVICE, Whereabouts.ENDED, Whereabouts.IN_PLACE
_SAID_GONE = FactKind.LINE_NOT_PRESENT


def whereabouts(timeline: Timeline, watch: Watch, person: Person, book: RuleBook, at: Instant) -> Whereabouts:
    """Return where a line is at a moment."""
    line, limits = timeline.line, book.policy.limits
    if line.start_basis is not _RECORD_ONLY and line.start.earliest > at:
        return Whereabouts.NOT_YET
    if died_by(person, at):
        return _ENDED
    if line.end is not None and line.end.earliest <= at:
        # After discharge nobody here can look any more.
        used = (
            watch.on
            and line.end_basis is not EndBasis.PRESENCE
            and _used_after(timeline, line.end.latest + limits.used_after_removal, at)
        )
        return Whereabouts.USED_AFTER_REMOVAL if used else _ENDED
    if _said_to_be_gone(timeline.facts, at):
        return Whereabouts.SAID_TO_BE_GONE
    kind = book.line_kinds.get(line.kind)
    may_go_home = kind is None or kind.may_go_home
    if not watch.on:
        return Whereabouts.AWAY if may_go_home else Whereabouts.REMOVAL_NOT_CHARTED
    since = away_until(timeline, watch)
    if since is not None and not may_go_home and not _used_after(timeline, since, at):
        return Whereabouts.REMOVAL_NOT_CHARTED
    return _IN_PLACE


def away_until(timeline: Timeline, watch: Watch) -> Instant | None:
    """Return when a line came back with its patient, where it had been here before an earlier watch ended."""
    if watch.before is None or timeline.line.start.earliest > watch.before:
        return None
    return watch.since


def _used_after(timeline: Timeline, after: Instant, at: Instant) -> bool:
    facts = timeline.facts
    if not facts or facts[-1].happened.earliest <= after:
        # They stand in order of time: nothing was charted later, which is the usual case.
        return False
    return any(fact.kind in USES and after < fact.happened.earliest <= at for fact in facts)


def _said_to_be_gone(facts: tuple[Fact, ...], at: Instant) -> bool:
    gone = [fact.happened.earliest for fact in facts if fact.kind is _SAID_GONE]
    if not gone:
        return False
    told = [instant for instant in gone if instant <= at]
    return bool(told) and not any(fact.kind in USES and max(told) < fact.happened.earliest <= at for fact in facts)
