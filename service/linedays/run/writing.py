"""A plan → writes on the record system, and what came of each. I/O through the FhirServer port only.

Nothing is sent that our own check refuses: it is counted and shown. A write that fails stops no other. What somebody
else changed meanwhile, what turned out to exist, and what got no answer is read afresh and decided again, never sent
again as it was: a person's edit is never overwritten, and a write whose answer is lost is not made twice.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from linedays.adapters.fhir_errors import FhirRejected, FhirUnavailable, WriteOutcome, Written
from linedays.core.compared import ExistingTask
from linedays.fhir.identity import Identity, key_of
from linedays.fhir.outputs import read_existing, ref_of
from linedays.run.batches import LineWrites, by_line, names_of_lines, next_batch
from linedays.run.plan import DECIDED_AGAIN, Planned, SweepPlan
from linedays.run.ports import FhirServer
from linedays.run.rereading import Resource, read_lines
from linedays.run.sending import TAKEN, WRITTEN, Fence, Sender, Sent, Trace, Traced, version_of

# How often one line is sent before what somebody keeps changing is left for the next sweep.
TRIES = 3
# How often an answer may be lost, one after another, before a line is left; two such lines: the server is unavailable.
MOST_LOST = 4
# After how many lost answers the lines of a batch are sent each by itself: one may be what the server stumbles over.
_APART_AFTER = 2
LEFT = "left for the next sweep"
_SETTLED = WRITTEN | {Written.REJECTED}
_NO_VERSION = "meta.versionId: the server gives none, and without it a person's edit could be overwritten"


class Told(Protocol):
    """Something that is told how far the writing is."""

    def __call__(self, count: int, /) -> None:
        """Take the number of writes that something came of so far."""


@dataclass(slots=True)
class SweepOutcome:
    """What came of the writes, by outcome; `refused` says why something was not sent or not taken.

    `most_tries` is how often the most contested line was sent.
    """

    counts: Counter[str] = field(default_factory=Counter)
    refused: list[tuple[str, str]] = field(default_factory=list)
    most_tries: int = 0


def apply_plan(
    plan: SweepPlan,
    server: FhirServer,
    identity: Identity,
    *,
    trace: Trace | None = None,
    fence: Fence | None = None,
    told: Told | None = None,
) -> SweepOutcome:
    """Send the writes of a plan, all of a dressing site together; a write that fails stops no other.

    `trace` makes the Provenance of what is written together. `fence` is called before each request that writes.
    Raises: FhirUnavailable, where the server cannot be reached or takes no writes; what was written stays and is found
    by the next sweep. Whatever `fence` raises: nothing is sent after that.
    """
    outcome = SweepOutcome()
    if plan.writes:
        _Writing(plan, server, identity, Sender(server, identity, trace=trace, fence=fence), outcome, told).write()
    return outcome


class _Writing:
    """One plan on its way to the server."""

    def __init__(
        self,
        plan: SweepPlan,
        server: FhirServer,
        identity: Identity,
        sender: Sender,
        outcome: SweepOutcome,
        told: Told | None,
    ) -> None:
        self._plan, self._server, self._identity = plan, server, identity
        self._sender, self._outcome, self._told = sender, outcome, told
        self._names = names_of_lines(plan.decider.sites)
        self._given_up: set[str] = set()
        self._came_of = 0
        self._silent = False

    def write(self) -> None:
        """Send everything, batch by batch."""
        waiting = self._grouped(self._plan.writes)
        while waiting:
            batch = next_batch(waiting, self._sender.batch_size)
            waiting = waiting[len(batch) :]
            self._settle(batch)
        for why in self._sender.refused_traces:
            self._refuse("Provenance", "not written", why)

    def _grouped(self, writes: Iterable[Planned]) -> tuple[LineWrites, ...]:
        return by_line([planned for planned in writes if self._may_go(planned)], self._names, self._identity)

    def _may_go(self, planned: Planned) -> bool:
        if self._name(planned) in self._given_up:
            return False
        problems = list(planned.problems)
        if not planned.creates and version_of(planned) is None:
            problems.append(_NO_VERSION)
        if problems:
            self._give_up(planned, "not sent", "; ".join(problems))
        return not problems

    def _settle(self, batch: tuple[LineWrites, ...]) -> None:
        tries = lost = 0
        while batch:
            sent = self._sender.send(batch)
            tries, lost = (tries, lost + 1) if sent.lost else (tries + 1, 0)
            self._silent = self._silent and lost > 0
            self._outcome.most_tries = max(self._outcome.most_tries, tries)
            for planned, outcome in sent.outcomes:
                self._take(planned, outcome)
            for planned in sent.in_doubt:
                self._outcome.counts[f"{_what(planned)}: {Written.NO_ANSWER.value}"] += 1
            if sent.lost and not self._may_ask_again(batch, sent, sent.lost, lost):
                return
            if any(outcome.result is Written.NO_ANSWER for _, outcome in sent.outcomes):
                self._server.wait(FhirUnavailable("batch: some entries got no answer"), tries - 1)
            lines = _unsettled(batch, sent)
            try:
                batch = self._decided_anew(lines, sent)
            except FhirRejected as no:
                self._leave(lines, f"{no}; {LEFT}", but=_settled(sent))
                return
            if lost >= _APART_AFTER and len(batch) > 1:
                for line in batch:
                    self._settle((line,))
                return
            if batch and tries == TRIES:
                self._leave(batch, f"changed by somebody else, or not answered, {TRIES} times; {LEFT}")
                return

    def _may_ask_again(self, batch: Sequence[LineWrites], sent: Sent, problem: FhirUnavailable, lost: int) -> bool:
        """Wait, and tell whether to ask again; raise where it is not this line but the server."""
        if lost < MOST_LOST:
            if not self._server.wait(problem, lost - 1):
                raise problem
            return True
        if self._silent:
            raise problem
        self._silent = True
        self._leave(batch, f"{problem}, {lost} times; {LEFT}", but=_settled(sent))
        return False

    def _leave(self, lines: Iterable[LineWrites], why: str, but: frozenset[int] = frozenset()) -> None:
        for planned in (planned for line in lines for planned in line.writes):
            if id(planned) not in but:
                self._give_up(planned, LEFT, why)

    def _decided_anew(self, lines: Sequence[LineWrites], sent: Sent) -> tuple[LineWrites, ...]:
        self._leave_values([line for line in lines if not line.lines], sent)
        lines = [line for line in lines if line.lines]
        if not lines:
            return ()
        names = frozenset().union(*(line.lines for line in lines))
        existing = read_lines(self._server, self._identity, names, _refs(lines, sent))
        found = list(self._found_written(sent, existing))
        for traced in found:
            result = Written.CREATED if traced.planned.creates else Written.UPDATED
            self._count(traced.planned, result.value)
        known = {id(planned) for planned in sent.in_doubt} if sent.told_along else set()
        self._sender.trace([traced for traced in found if id(traced.planned) not in known])
        return self._grouped(self._plan.decider.decide(existing, lines=names).writes)

    def _leave_values(self, values: Sequence[LineWrites], sent: Sent) -> None:
        """Leave what is a function of the chart alone: it is not decided again, the next sweep finds what stands."""
        there = frozenset(id(planned) for planned, outcome in sent.outcomes if outcome.result is Written.EXISTED)
        self._leave(values, f"changed by somebody else, or not answered; {LEFT}", but=_settled(sent) | there)

    def _found_written(self, sent: Sent, existing: dict[str, Resource]) -> Iterable[Traced]:
        """Yield what got no answer and stands on the server all the same."""
        unanswered = [planned for planned, outcome in sent.outcomes if outcome.result is Written.NO_ANSWER]
        stand = {key_of(one, self._identity): ref for ref, one in existing.items()}
        for planned in (*sent.in_doubt, *unanswered):
            ref = stand.get(key_of(planned.resource, self._identity))
            said = None if ref is None else self._says(existing[ref])
            if ref is not None and said is not None and said == self._says(planned.resource):
                yield Traced(planned=planned, reference=ref)

    def _says(self, resource: Resource) -> object:
        """Return what a resource of ours says, apart from what a server or a moment of writing adds to it.

        None where it cannot be read.
        """
        read = read_existing(resource, self._identity)
        if read is None:
            return None
        return read.phase, read.own, read.priority if isinstance(read, ExistingTask) else None

    def _take(self, planned: Planned, outcome: WriteOutcome) -> None:
        if outcome.result is Written.REJECTED:
            self._give_up(planned, outcome.result.value, outcome.said)
        else:
            self._count(planned, outcome.result.value)

    def _give_up(self, planned: Planned, result: str, why: str) -> None:
        self._given_up.add(self._name(planned))
        self._refuse(_what(planned), result, why)

    def _refuse(self, what: str, result: str, why: str) -> None:
        self._outcome.refused.append((what, why))
        self._tell(f"{what}: {result}")

    def _count(self, planned: Planned, result: str) -> None:
        self._tell(f"{_what(planned)}: {result}")

    def _tell(self, came: str) -> None:
        self._outcome.counts[came] += 1
        self._came_of += 1
        if self._told is not None:
            self._told(self._came_of)

    def _name(self, planned: Planned) -> str:
        """Return what tells one change from another when it is decided again."""
        return f"{_what(planned)} {ref_of(planned.change) or key_of(planned.resource, self._identity)}"


def _what(planned: Planned) -> str:
    return f"{planned.resource['resourceType']} {planned.how}"


def _unsettled(batch: Sequence[LineWrites], sent: Sent) -> list[LineWrites]:
    """Return the lines of which something got no outcome, or one that asks to look again."""
    settled = _settled(sent)
    return [line for line in batch if any(id(planned) not in settled for planned in line.writes)]


def _settled(sent: Sent) -> frozenset[int]:
    return frozenset(id(planned) for planned, outcome in sent.outcomes if outcome.result in _SETTLED)


def _refs(lines: Sequence[LineWrites], sent: Sent) -> Iterable[str]:
    """Yield `Type/id` of everything that is known by name: what was to be changed, and what was written or existed."""
    for planned in (planned for line in lines for planned in line.writes):
        if (ref := ref_of(planned.change)) is not None:
            yield ref
    for planned, outcome in sent.outcomes:
        if outcome.result in TAKEN and outcome.id is not None and planned.resource["resourceType"] in DECIDED_AGAIN:
            yield f"{planned.resource['resourceType']}/{outcome.id}"
