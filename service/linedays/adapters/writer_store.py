"""Who may write to a record system, and what writing sweeps had to write, kept in one small SQLite file. I/O: the disk.

A record system is known by a key (`run.writer.record_system_key`), the writer by its epoch: it grows by one at each
taking, so that a process that lost the lease while it slept is told from the one that holds it.
All times are arguments.
"""

import os
import secrets
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from linedays.adapters.store_file import FILE, is_there, open_file, told, transaction
from linedays.adapters.store_values import Lease, StoreUnavailable, SweepHistory, SweepRecord
from linedays.core.moment import Instant

_LAST_CREATES = """
SELECT count FROM sweep_count JOIN sweep ON sweep.number = sweep_count.sweep
WHERE record_system = ? AND carried_through = 1 AND first = 0 AND what = 'creates' AND kind = ? AND held = 0
ORDER BY number DESC LIMIT ?
"""


@contextmanager
def opened_store(folder: Path) -> Iterator["WriterStore"]:
    """Yield the store in a folder, which is made where there is none.

    Raises: StoreUnusable, StoreUnavailable.
    """
    store = WriterStore(folder)
    try:
        yield store
    finally:
        store.close()


@contextmanager
def store_if_there(folder: Path) -> Iterator["WriterStore | None"]:
    """Yield the store in a folder; None where there is none: nothing is made.

    Raises: StoreUnusable, StoreUnavailable.
    """
    if is_there(folder):
        with opened_store(folder) as store:
            yield store
    else:
        yield None


def this_process() -> str:
    """Return a name for this process that no other has: host, process number, and something random."""
    return f"{socket.gethostname()}:{os.getpid()}:{secrets.token_hex(4)}"


class WriterStore:
    """The store in a folder. Every method may raise StoreUnusable or StoreUnavailable."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / FILE
        self._connection = open_file(folder)
        self._inode = self._path.stat().st_ino

    def close(self) -> None:
        """Close the file."""
        self._connection.close()

    def take(self, key: str, holder: str, *, at: Instant, until: Instant) -> Lease:
        """Take the lease where it is free, and return the one that then stands: ours, or somebody else's.

        It is free where nobody holds it, where its time is over, and where it ends so late that it was taken before
        the clock was set back: more than twice as far from now as one taken now would.
        """
        with self._writing():
            held = self._lease(key)
            if held is not None and at < held.until <= at + 2 * (until - at):
                return held
            self._connection.execute(
                "INSERT INTO record_system (key, epoch, holder, since, until) VALUES (:key, 1, :holder, :at, :until) "
                "ON CONFLICT (key) DO UPDATE SET epoch = epoch + 1, holder = :holder, since = :at, until = :until",
                {"key": key, "holder": holder, "at": at, "until": until},
            )
            taken = self._lease(key)
            assert taken is not None
            return taken

    def renew(self, key: str, epoch: int, *, until: Instant) -> bool:
        """Let the lease of an epoch last until another time; False where it is somebody else's, or free."""
        with self._writing():
            changed = self._connection.execute(
                "UPDATE record_system SET until = ? WHERE key = ? AND epoch = ? AND holder IS NOT NULL",
                (until, key, epoch),
            )
            return changed.rowcount == 1

    def release(self, key: str, epoch: int) -> None:
        """Give the lease of an epoch back; nothing happens where it is somebody else's by now."""
        with self._writing():
            self._connection.execute(
                "UPDATE record_system SET holder = NULL, since = NULL, until = NULL WHERE key = ? AND epoch = ?",
                (key, epoch),
            )

    def check(self, key: str, epoch: int, *, at: Instant) -> bool:
        """Tell whether the lease of an epoch stands at a moment."""
        with self._reading():
            lease = self._lease(key)
            return lease is not None and lease.epoch == epoch and at < lease.until

    def begin_sweep(self, key: str, epoch: int, record: SweepRecord) -> int | None:
        """Note a writing sweep before its first write; return its number, or None where the epoch is stale."""
        with self._writing():
            lease = self._lease(key)
            if lease is None or lease.epoch != epoch:
                return None
            number = self._connection.execute(
                "INSERT INTO sweep (record_system, epoch, at, policy, first) VALUES (?, ?, ?, ?, ?)",
                (key, epoch, record.at, record.policy, record.first),
            ).lastrowid
            self._connection.executemany(
                "INSERT INTO sweep_count (sweep, what, kind, count, held) VALUES (?, ?, ?, ?, ?)",
                [(number, each.what, each.kind, each.count, each.held) for each in record.counts],
            )
            return number

    def end_sweep(self, key: str, epoch: int, number: int) -> bool:
        """Note that a sweep was carried through; False where the epoch is stale."""
        with self._writing():
            lease = self._lease(key)
            if lease is None or lease.epoch != epoch:
                return False
            changed = self._connection.execute(
                "UPDATE sweep SET carried_through = 1 WHERE number = ? AND record_system = ? AND epoch = ?",
                (number, key, epoch),
            )
            return changed.rowcount == 1

    def history(self, key: str, kinds: tuple[str, ...], *, last: int) -> SweepHistory:
        """Return what is known of the writing sweeps on a record system: of each kind, the last so many counts."""
        with self._reading():
            asked = "SELECT 1 FROM sweep WHERE record_system = ? AND carried_through = 1 LIMIT 1"
            completed = self._connection.execute(asked, (key,)).fetchone() is not None
            creates = {
                kind: tuple(count for (count,) in self._connection.execute(_LAST_CREATES, (key, kind, last)))
                for kind in kinds
            }
            return SweepHistory(completed=completed, creates=creates)

    def _lease(self, key: str) -> Lease | None:
        row = self._connection.execute(
            "SELECT holder, epoch, since, until FROM record_system WHERE key = ? AND holder IS NOT NULL", (key,)
        ).fetchone()
        return None if row is None else Lease(holder=row[0], epoch=row[1], since=row[2], until=row[3])

    @contextmanager
    def _reading(self) -> Iterator[None]:
        with told(self._path):
            # A file that was moved aside still answers, but nobody else looks at it any more.
            if self._path.stat().st_ino != self._inode:
                raise StoreUnavailable(f"the store {self._path} was exchanged while it was in use; run it again")
            yield

    @contextmanager
    def _writing(self) -> Iterator[None]:
        with self._reading(), transaction(self._connection):
            yield
