"""A writer's store in memory behind the port `linedays.run.ports.WriterStore`. It passes the contract tests of the real one.

Clocks that a test sets are here too: leases are only as old as their caller says.
"""

from dataclasses import dataclass, field

from linedays.adapters.store_values import Lease, SweepHistory, SweepRecord
from linedays.core.moment import Instant


@dataclass
class _System:
    epoch: int = 0
    lease: Lease | None = None
    sweeps: list[tuple[SweepRecord, int]] = field(default_factory=list)
    ended: set[int] = field(default_factory=set)


class MemoryWriterStore:
    """Keeps everything in this object, for as long as it lives."""

    def __init__(self) -> None:
        self._systems: dict[str, _System] = {}

    def _of(self, key: str) -> _System:
        return self._systems.setdefault(key, _System())

    def _holds(self, key: str, epoch: int) -> bool:
        lease = self._of(key).lease
        return lease is not None and lease.epoch == epoch

    def take(self, key: str, holder: str, *, at: Instant, until: Instant) -> Lease:
        system = self._of(key)
        if system.lease is not None and 0 < system.lease.until - at <= 2 * (until - at):
            return system.lease
        system.epoch += 1
        system.lease = Lease(holder=holder, epoch=system.epoch, since=at, until=until)
        return system.lease

    def renew(self, key: str, epoch: int, *, until: Instant) -> bool:
        system = self._of(key)
        if not self._holds(key, epoch):
            return False
        assert system.lease is not None
        system.lease = Lease(holder=system.lease.holder, epoch=epoch, since=system.lease.since, until=until)
        return True

    def release(self, key: str, epoch: int) -> None:
        if self._holds(key, epoch):
            self._of(key).lease = None

    def check(self, key: str, epoch: int, *, at: Instant) -> bool:
        lease = self._of(key).lease
        return self._holds(key, epoch) and lease is not None and at < lease.until

    def begin_sweep(self, key: str, epoch: int, record: SweepRecord) -> int | None:
        if not self._holds(key, epoch):
            return None
        system = self._of(key)
        system.sweeps.append((record, epoch))
        return len(system.sweeps)

    def end_sweep(self, key: str, epoch: int, number: int) -> bool:
        system = self._of(key)
        if not self._holds(key, epoch) or number > len(system.sweeps) or system.sweeps[number - 1][1] != epoch:
            return False
        system.ended.add(number)
        return True

    def history(self, key: str, kinds: tuple[str, ...], *, last: int) -> SweepHistory:
        system = self._of(key)
        usual = [system.sweeps[number - 1][0] for number in sorted(system.ended, reverse=True)]
        creates = {
            kind: tuple(
                each.count
                for record in usual
                if not record.first
                for each in record.counts
                if (each.what, each.kind, each.held) == ("creates", kind, False)
            )[:last]
            for kind in kinds
        }
        return SweepHistory(completed=bool(system.ended), creates=creates)


@dataclass
class GivenClock:
    """A clock that stands where a test puts it."""

    at: Instant

    def now(self) -> Instant:
        return self.at

    def monotonic(self) -> float:
        return float(self.at)

    def pause(self, seconds: float) -> None:
        self.at += int(seconds)
