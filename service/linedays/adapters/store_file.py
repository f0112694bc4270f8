"""A folder → an open SQLite file in it, checked, private and at the newest schema. I/O: the disk.

The folder is 0700 and the file 0600: both are refused where others could read them. Schema changes are the numbered
files in `sql/`, each in one transaction; a file of a later schema than known is refused, and so is a damaged one.
"""

import fcntl
import os
import sqlite3
import stat
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from importlib import resources
from pathlib import Path

from linedays.adapters.store_values import StoreUnavailable, StoreUnusable

FILE = "writer.sqlite"
BUSY_MS = 10_000
_PRIVATE_FOLDER, _PRIVATE_FILE = 0o700, 0o600


def open_file(folder: Path) -> sqlite3.Connection:
    """Open the store's file in a folder, which are made where they are not there yet.

    Raises: StoreUnusable, StoreUnavailable.
    """
    path = folder / FILE
    with told(path):
        _make_private(folder, path)
        with _alone(folder), ExitStack() as unless_prepared:
            # Autocommit: every transaction is begun in so many words.
            connection = sqlite3.connect(path, isolation_level=None, timeout=BUSY_MS / 1000)
            unless_prepared.enter_context(closing(connection))
            _prepare(connection, path)
            unless_prepared.pop_all()
            return connection


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Let one process at a time prepare the file: SQLite does not wait for the switch to its write-ahead log.

    The lock is the folder's, so that no further file lies beside the store; it ends with the process.
    """
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


def is_there(folder: Path) -> bool:
    """Tell whether a folder holds a store.

    Raises: StoreUnavailable.
    """
    with told(folder / FILE):
        return (folder / FILE).exists()


@contextmanager
def told(path: Path) -> Iterator[None]:
    """Turn what the disk and SQLite say into words that name the file and what to do."""
    try:
        yield
    except sqlite3.OperationalError as error:
        raise StoreUnavailable(
            f"the store {path} could not be read or written ({error}): see that its disk has room and that no other "
            "program keeps it locked, then run it again"
        ) from error
    except (sqlite3.IntegrityError, sqlite3.ProgrammingError):
        raise  # a fault of ours
    except sqlite3.DatabaseError as error:
        raise _damaged(path, str(error)) from error
    except OSError as error:
        raise StoreUnavailable(
            f"the store {path} could not be reached ({error.strerror}): LINEDAYS_STORE names a folder on this "
            "machine that this user may write to"
        ) from error


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """Hold the one write lock of the file; everything within happens, or nothing."""
    connection.execute("BEGIN IMMEDIATE")
    # It commits at the end, and rolls back where anything is raised, a commit that failed included.
    with connection:
        yield


def _make_private(folder: Path, path: Path) -> None:
    folder.mkdir(mode=_PRIVATE_FOLDER, parents=True, exist_ok=True)
    _refuse_readable_by_others(folder, "folder", _PRIVATE_FOLDER)
    # The files beside it (-wal, -shm) take their mode from this one.
    os.close(os.open(path, os.O_RDWR | os.O_CREAT, _PRIVATE_FILE))
    _refuse_readable_by_others(path, "file", _PRIVATE_FILE)


def _refuse_readable_by_others(path: Path, what: str, mode: int) -> None:
    if stat.S_IMODE(path.stat().st_mode) & 0o077:
        raise StoreUnusable(
            f"the store's {what} {path} is open to other users of this machine: close it (chmod {mode:o} on it), or "
            "let LINEDAYS_STORE name a folder that is not there yet: it is made closed"
        )


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    if connection.execute("PRAGMA journal_mode = WAL").fetchone() != ("wal",):
        raise StoreUnusable(f"the store {path} is on a disk without shared memory: use a folder on a local disk")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA foreign_keys = ON")
    (found,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    if found != "ok":
        raise _damaged(path, found)
    _migrate(connection, path)


def _migrate(connection: sqlite3.Connection, path: Path) -> None:
    steps = migrations()
    with transaction(connection):
        version = _version(connection)
        if version > len(steps):
            raise StoreUnusable(
                f"the store {path} was written by a later linedays (schema {version}, known here up to {len(steps)}): "
                "use that version, or a later one"
            )
    for number, script in enumerate(steps, 1):
        with transaction(connection):
            # Another process may have done this step meanwhile.
            if _version(connection) < number:
                for statement in _statements(script):
                    connection.execute(statement)
                connection.execute(f"PRAGMA user_version = {number}")


def migrations() -> list[str]:
    """Return the schema changes in order; the n-th leads to schema n."""
    folder = resources.files("linedays.adapters") / "sql"
    files = sorted((file for file in folder.iterdir() if file.name.endswith(".sql")), key=lambda file: file.name)
    return [file.read_text(encoding="utf-8") for file in files]


def _statements(script: str) -> Iterator[str]:
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


def _version(connection: sqlite3.Connection) -> int:
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    return int(version)


def _damaged(path: Path, why: str) -> StoreUnusable:
    why = " ".join(why.split())
    return StoreUnusable(
        f"the store {path} is damaged ({why}): see that no linedays is running, then move the file and those beside it "
        "aside; the next writing sweep makes another and, as nothing is known of earlier ones, halts at the preview"
    )
