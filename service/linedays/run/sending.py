"""A batch of writes → requests in the largest way that the server takes, and what came of each. I/O through the port.

The ways, largest first: a transaction (all or nothing), a batch (each entry for itself), single requests. A server may
say that it takes one and refuse it: then the next smaller one is used. Each write is guarded: a create by
ifNoneExist, an update by ifMatch. Nothing is sent twice here: what got no answer is left in doubt, for the caller to
look at. What was written is traced by a Provenance, in the same transaction or after. One that our own check refuses is
not sent and keeps no write back.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeAlias

from linedays.adapters.capabilities import bundle_kinds
from linedays.adapters.entries import BundleKind, Entry, not_offered
from linedays.adapters.fhir_errors import FhirRejected, FhirUnavailable, WriteOutcome, Written
from linedays.fhir.identity import Identity, key_of
from linedays.fhir.searches import if_none_exist
from linedays.run.batches import BATCH_SIZE, LineWrites
from linedays.run.plan import Planned, problems_before_sending
from linedays.run.ports import FhirServer

Resource = dict[str, Any]
WRITTEN = frozenset({Written.CREATED, Written.UPDATED})
TAKEN = WRITTEN | {Written.EXISTED}
# How often a Provenance is sent whose answer is lost: it stands under an id of its own, so that a repeat is harmless.
_TRACE_TRIES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Traced:
    """One write that a Provenance speaks of: `Type/id`, or inside a transaction `urn:uuid:…` for what has no id yet."""

    planned: Planned
    reference: str


# From what is written together to the Provenance of it, which carries its own id; None: nothing is to be said.
Trace: TypeAlias = Callable[[Sequence[Traced]], Resource | None]
# Called before each request that writes; raises where this process may not write any more.
Fence: TypeAlias = Callable[[], None]


@dataclass(slots=True)
class Sent:
    """What came of a batch. `in_doubt` was sent and got no answer; what is in neither was not sent.

    `told_along` is true where the trace of what is in doubt went with it. `untraced` was written and has no trace yet;
    `traced_too_wide` are traces that name what turned out to exist already, with what was truly written.
    """

    outcomes: list[tuple[Planned, WriteOutcome]] = field(default_factory=list)
    in_doubt: tuple[Planned, ...] = ()
    told_along: bool = False
    lost: FhirUnavailable | None = None
    untraced: list[Traced] = field(default_factory=list)
    traced_too_wide: list[tuple[Entry, list[Traced]]] = field(default_factory=list)


class Sender:
    """Sends to one server for one sweep; remembers which ways it has turned out not to take."""

    def __init__(
        self, server: FhirServer, identity: Identity, *, trace: Trace | None, fence: Fence | None
    ) -> None:
        self._server, self._identity = server, identity
        self._trace, self._fence = trace, fence
        self._ways = _ways(server)
        self.refused_traces: list[str] = []

    @property
    def batch_size(self) -> int:
        """How many writes go together: where each goes by itself, those of one dressing site."""
        return BATCH_SIZE if self._ways[0] is not None else 0

    def send(self, batch: Sequence[LineWrites]) -> Sent:
        """Send a batch once and trace what was written.

        Raises: FhirUnavailable where the trace cannot be written; whatever the fence raises.
        """
        sent = Sent()
        try:
            self._send(batch, self._ways, sent)
        except FhirUnavailable as lost:
            sent.lost = lost
        self.trace(sent.untraced)
        for stored, written in sent.traced_too_wide:
            self._narrow(stored, written)
        return sent

    def trace(self, written: Sequence[Traced]) -> None:
        """Write the Provenance of what was written, under the id that it carries.

        Raises: FhirUnavailable; whatever the fence raises.
        """
        told, problems = self._made_trace(written)
        if problems:
            self._refuse_trace(problems)
        elif told is not None:
            self._put_trace(Entry(resource=told))

    def _made_trace(self, written: Sequence[Traced]) -> tuple[Resource | None, tuple[str, ...]]:
        """Return the Provenance of what is written together, and why it may not be sent (empty: it may)."""
        told = self._trace(written) if self._trace is not None and written else None
        return told, () if told is None else problems_before_sending(told, self._identity)

    def _refuse_trace(self, problems: Sequence[str]) -> None:
        self.refused_traces.append("; ".join(problems))

    def _put_trace(self, entry: Entry) -> None:
        for attempt in range(_TRACE_TRIES):
            self._may_write()
            try:
                outcome = self._server.send(entry)
            except FhirUnavailable as lost:
                if attempt + 1 == _TRACE_TRIES or not self._server.wait(lost, attempt):
                    raise
                continue
            if outcome.result is Written.CONFLICT and attempt + 1 < _TRACE_TRIES:
                continue
            if outcome.result not in TAKEN:
                self.refused_traces.append(outcome.said or outcome.result.value)
            return

    def _send(self, batch: Sequence[LineWrites], ways: tuple[BundleKind | None, ...], sent: Sent) -> None:
        match ways[0]:
            case None:
                for line in batch:
                    self._one_by_one(line, sent)
            case BundleKind.BATCH:
                self._in_batch(batch, ways, sent)
            case BundleKind.TRANSACTION:
                self._in_transaction(batch, ways, sent)

    def _one_by_one(self, line: LineWrites, sent: Sent) -> None:
        for planned in line.writes:
            self._may_write()
            sent.in_doubt, sent.told_along = (planned,), False
            outcome = self._server.send(self._entry(planned))
            self._take((planned,), (outcome,), sent)
            if outcome.result in (Written.CONFLICT, Written.GONE, Written.SEVERAL):
                return  # The rest was decided from what no longer stands.

    def _in_batch(self, batch: Sequence[LineWrites], ways: tuple[BundleKind | None, ...], sent: Sent) -> None:
        writes = _writes(batch)
        self._may_write()
        sent.in_doubt, sent.told_along = writes, False
        try:
            outcomes = self._server.send_bundle(BundleKind.BATCH, [self._entry(planned) for planned in writes])
        except FhirRejected as no:
            self._smaller(batch, ways, no, sent)
        else:
            self._take(writes, outcomes, sent)

    def _in_transaction(self, batch: Sequence[LineWrites], ways: tuple[BundleKind | None, ...], sent: Sent) -> None:
        writes = _writes(batch)
        traced = [Traced(planned=planned, reference=_name_inside(self._entry(planned))) for planned in writes]
        told, problems = self._made_trace(traced)
        if problems:
            told = None  # It is made again, and said to be refused, when the writes have their own references.
        entries = [*map(self._entry, writes), *([Entry(resource=told)] if told is not None else [])]
        self._may_write()
        sent.in_doubt, sent.told_along = writes, told is not None
        try:
            outcomes = self._server.send_bundle(BundleKind.TRANSACTION, entries)
        except FhirRejected as no:
            if len(batch) > 1 and not not_offered(no):
                # One that cannot be applied keeps all others back.
                sent.in_doubt = ()
                for line in batch:
                    self._send([line], self._ways, sent)
            elif no.status in (409, 412):
                contested = WriteOutcome(result=Written.CONFLICT, said=str(no))
                self._take(writes, [contested] * len(writes), sent)
            else:
                self._smaller(batch, ways, no, sent)
            return
        known = len(sent.untraced)
        self._take(writes, outcomes[: len(writes)], sent)
        if told is not None:
            written = sent.untraced[known:]
            del sent.untraced[known:]
            if len(written) < len(writes):
                sent.traced_too_wide.append((Entry(resource=told, version=outcomes[-1].version), written))

    def _narrow(self, stored: Entry, written: Sequence[Traced]) -> None:
        """Say in a trace only what was written."""
        truly, problems = self._made_trace(written)
        if problems:
            self._refuse_trace(problems)
        elif truly is None:
            self.refused_traces.append("it names only what existed before; nothing is deleted")
        else:
            self._put_trace(Entry(resource={**truly, "id": stored.resource["id"]}, version=stored.version))

    def _smaller(
        self, batch: Sequence[LineWrites], ways: tuple[BundleKind | None, ...], no: FhirRejected, sent: Sent
    ) -> None:
        """Send in the next smaller way; leave the larger one for the rest of the sweep where it was at fault."""
        known = len(sent.outcomes)
        sent.in_doubt = ()
        if not_offered(no):
            self._drop(ways[0])
        self._send(batch, ways[1:], sent)
        if all(outcome.result in TAKEN for _, outcome in sent.outcomes[known:]):
            self._drop(ways[0])

    def _drop(self, way: BundleKind | None) -> None:
        self._ways = tuple(one for one in self._ways if one is not way)

    def _take(self, writes: Sequence[Planned], outcomes: Sequence[WriteOutcome], sent: Sent) -> None:
        sent.in_doubt = ()
        for planned, outcome in zip(writes, outcomes, strict=True):
            sent.outcomes.append((planned, outcome))
            if outcome.result in WRITTEN and outcome.id is not None:
                reference = f"{planned.resource['resourceType']}/{outcome.id}"
                sent.untraced.append(Traced(planned=planned, reference=reference))

    def _entry(self, planned: Planned) -> Entry:
        resource = planned.resource
        if not planned.creates:
            return Entry(resource=resource, version=version_of(planned))
        key = key_of(resource, self._identity)
        assert key is not None
        # The key is a UUID, so it names the resource inside the Bundle as well.
        return Entry(
            resource=resource, if_none_exist=if_none_exist(self._identity.system, key), full_url=f"urn:uuid:{key}"
        )

    def _may_write(self) -> None:
        if self._fence is not None:
            self._fence()


def version_of(planned: Planned) -> str | None:
    """Return the version that an update replaces; None where the server gave none."""
    version = planned.resource.get("meta", {}).get("versionId")
    return None if version is None else str(version)


def _ways(server: FhirServer) -> tuple[BundleKind | None, ...]:
    try:
        offered = bundle_kinds(server.read_metadata())
    except FhirRejected:
        offered = frozenset()
    return (*(kind for kind in BundleKind if kind in offered), None)


def _writes(batch: Sequence[LineWrites]) -> tuple[Planned, ...]:
    return tuple(planned for line in batch for planned in line.writes)


def _name_inside(entry: Entry) -> str:
    return entry.full_url or f"{entry.resource_type}/{entry.resource['id']}"
