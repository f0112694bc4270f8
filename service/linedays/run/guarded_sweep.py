"""A sweep with its guards: one writer, the preview, what is held, the first sweep. I/O through ports only.

    take the lease ─► read and plan ─► as expected? ─► the first? ─► without what is held ─► note ─► write ─► note

Nothing is sent before every guard has let the sweep through; the fence is asked again before each write.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from linedays.adapters.store_values import GroupCount, SweepHistory, SweepRecord
from linedays.core.holds import Guarded, Hold, Kind, counts_of, holds_on
from linedays.core.moment import Instant
from linedays.fhir.identity import Identity
from linedays.run.errors import NotAsWritten, PreviewMoved, StaleWriter
from linedays.run.input import Progress
from linedays.run.plan import SweepPlan, without_held
from linedays.run.ports import Clock, FhirServer, WriterStore
from linedays.run.preview import Preview, preview_of
from linedays.run.provenance import tracer
from linedays.run.settings import Settings
from linedays.run.sweep import read_and_plan
from linedays.run.wiring import Wired, store_to_read
from linedays.run.writer import Writer, writer_of
from linedays.run.writing import SweepOutcome, apply_plan

# Enough that one odd sweep does not move the median.
LAST_SWEEPS = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a person lets through in one writing sweep, and what they looked at before."""

    first: bool = False
    released: frozenset[Guarded] = frozenset()
    expected: Preview | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GuardedSweep:
    """A sweep as it is shown: all that the chart asks for, what of it is held, and what came of the rest.

    `is_first` is None where no store says. `outcome` is None where nothing was sent.
    """

    plan: SweepPlan
    preview: Preview
    holds: tuple[Hold, ...]
    is_first: bool | None
    outcome: SweepOutcome | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WriterSetting:
    """What makes this process the writer: the store, the record system's key in it, the clock, and a name."""

    store: WriterStore
    key: str
    clock: Clock
    process: str


def looked_at(
    plan: SweepPlan, identity: Identity, history: SweepHistory | None, released: frozenset[Guarded] = frozenset()
) -> GuardedSweep:
    """Return a plan with its preview and, where the history is known, what of it is held."""
    preview = preview_of(plan.writes, identity)
    if history is None:
        return GuardedSweep(plan=plan, preview=preview, holds=(), is_first=None)
    if not history.completed:
        # A first sweep writes everything there is; a person looks at all of it instead.
        released |= {Guarded.CREATES}
    usual = {kind: history.creates.get(kind, ()) for kind in Kind}
    holds = holds_on(_changes(plan), usual, open_now=plan.open_now, released=released)
    return GuardedSweep(plan=plan, preview=preview, holds=holds, is_first=not history.completed)


def history_of(store: WriterStore, key: str) -> SweepHistory:
    """Return what the store knows of earlier writing sweeps."""
    return store.history(key, tuple(Kind), last=LAST_SWEEPS)


def history_if_set(settings: Settings, key: str) -> SweepHistory | None:
    """Return what is known of earlier writing sweeps, without a writer's lease; None where no store is set.

    Raises: StoreProblem.
    """
    if settings.store is None:
        return None
    with store_to_read(settings) as store:
        return SweepHistory(completed=False, creates={}) if store is None else history_of(store, key)


def writing_sweep(
    server: FhirServer,
    wired: Wired,
    identity: Identity,
    setting: WriterSetting,
    asked: Asked,
    *,
    at: Instant,
    told: Progress | None = None,
) -> GuardedSweep:
    """Read a server and write what its chart asks for, as far as the guards let it through.

    Raises: WriterBusy, StaleWriter, PreviewMoved; NotAsWritten where it is called the first and is not; StoreProblem;
    FhirUnavailable, FhirRejected.
    """
    with writer_of(setting.store, setting.clock, setting.key, setting.process) as writer:
        history = history_of(setting.store, setting.key)
        if asked.first and history.completed:
            raise NotAsWritten("--first is for the first writing sweep on a record system, and there has been one")

        def kept(count: int) -> None:
            writer.keep()
            if told is not None:
                told(count)

        plan = read_and_plan(server, wired, identity, at=at, told=kept)
        writer.keep()
        sweep = looked_at(plan, identity, history, asked.released)
        if asked.expected is not None and asked.expected != sweep.preview:
            raise PreviewMoved(_moved(asked.expected, sweep.preview))
        if sweep.is_first and not asked.first:
            return sweep
        return _written(sweep, server, identity, setting, writer, wired)


def _written(
    sweep: GuardedSweep,
    server: FhirServer,
    identity: Identity,
    setting: WriterSetting,
    writer: Writer,
    wired: Wired,
) -> GuardedSweep:
    plan, store, policy = sweep.plan, setting.store, wired.instance.policy.content_hash
    record = SweepRecord(
        at=plan.derivation.at, policy=policy, first=bool(sweep.is_first), counts=_counts(sweep.plan, sweep.holds)
    )
    number = store.begin_sweep(writer.key, writer.epoch, record)
    if number is None:
        raise StaleWriter("another process has become the writer of this record system; nothing was sent")
    allowed = without_held(plan, sweep.holds)
    trace = tracer(allowed, server, identity, policy, wired.instance.zone, told=lambda _: writer.keep())
    outcome = apply_plan(allowed, server, identity, trace=trace, fence=writer.fence)
    if not store.end_sweep(writer.key, writer.epoch, number):
        raise StaleWriter(
            "another process became the writer of this record system during the last write: what was sent stays, and "
            "the next sweep finds it"
        )
    return replace(sweep, outcome=outcome)


def _changes(plan: SweepPlan) -> Iterable[object]:
    return [each.change for each in plan.writes if not each.problems]


def _counts(plan: SweepPlan, holds: tuple[Hold, ...]) -> tuple[GroupCount, ...]:
    counts = counts_of(_changes(plan))
    return tuple(
        GroupCount(
            what=what,
            kind=kind,
            count=counts.get((what, kind), 0),
            held=any(hold.what is what and hold.kind in (kind, None) for hold in holds),
        )
        for what in Guarded
        for kind in Kind
    )


def _moved(then: Preview, now: Preview) -> str:
    sizes = [f"{one.creates} to create and {one.changes} to change" for one in (then, now)]
    same = " as well, but not the same ones or not with the same content" if sizes[0] == sizes[1] else ""
    return (
        f"what would be written has moved since it was looked at: then {sizes[0]}, now {sizes[1]}{same}. Nothing was "
        f"written. Look again with a sweep without --apply; its preview is {now} as long as nothing else is charted"
    )
