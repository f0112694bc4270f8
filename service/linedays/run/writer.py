"""The lease in the store → this process as the one writer of a record system, with a fence before each write.

I/O through the WriterStore and Clock ports only. The epoch tells a process that slept from the one that writes now.
"""

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC
from urllib.parse import urlsplit

from linedays.core.moment import Instant
from linedays.run.errors import StaleWriter, WriterBusy
from linedays.run.listing import iso
from linedays.run.ports import Clock, WriterStore

# Longer than the slowest answer we wait for; short enough that a process that is gone blocks nobody for long.
LEASE_S = 120
_PORTS = {"http": 80, "https": 443}


def record_system_key(base_url: str, own_system: str) -> str:
    """Return the name that a record system has in the store: a hash of its address and of our identifier system.

    Spellings of one address give one key; neither the address nor a password in it can be read from it.
    """
    parts = urlsplit(base_url)
    scheme = parts.scheme.lower()
    host, port = (parts.hostname or "").rstrip("."), parts.port or _PORTS.get(scheme, 0)
    text = "\n".join((scheme, host, str(port), parts.path.strip("/"), own_system))
    return hashlib.sha256(text.encode()).hexdigest()[:32]


class Writer:
    """This process as the writer of one record system."""

    def __init__(self, store: WriterStore, clock: Clock, key: str, epoch: int, since: Instant) -> None:
        self._store, self._clock, self._renewed = store, clock, since
        self.key, self.epoch = key, epoch

    def keep(self) -> None:
        """Keep the lease while reading, where nothing has been sent yet, also when its time is over.

        Raises: StaleWriter, where another process has taken it; StoreProblem.
        """
        now = self._clock.now()
        if self._is_used_up(now):
            self._renew(now)

    def fence(self) -> None:
        """Return where a write may be sent at this moment.

        Raises: StaleWriter, where the lease is over or another process has taken it; StoreProblem.
        """
        now = self._clock.now()
        if not self._store.check(self.key, self.epoch, at=now):
            raise _stale()
        self.keep()

    def _is_used_up(self, now: Instant) -> bool:
        return not 0 <= now - self._renewed <= LEASE_S // 3

    def _renew(self, now: Instant) -> None:
        if not self._store.renew(self.key, self.epoch, until=now + LEASE_S):
            raise _stale()
        self._renewed = now


@contextmanager
def writer_of(store: WriterStore, clock: Clock, key: str, process: str) -> Iterator[Writer]:
    """Yield this process as the writer of a record system, and give the lease back at the end.

    Raises: WriterBusy, where another process is the writer; StoreProblem.
    """
    now = clock.now()
    lease = store.take(key, process, at=now, until=now + LEASE_S)
    if lease.holder != process:
        raise WriterBusy(
            f"another process writes to this record system: {lease.holder}, since {iso(lease.since, UTC)}; nothing was "
            f"written. Run it again when that one is done; if it is gone, its lock ends at {iso(lease.until, UTC)}"
        )
    try:
        yield Writer(store, clock, key, lease.epoch, now)
    finally:
        store.release(key, lease.epoch)


def _stale() -> StaleWriter:
    return StaleWriter(
        "this process was held up so long that it is no longer the writer of this record system: nothing more was "
        "sent. What was written stays; run it again, nothing is written twice"
    )
