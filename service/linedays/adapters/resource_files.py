"""A file or folder of FHIR resources → one resource after another with where it stood. Reads the disk.

NDJSON, Bundles and single resources, plain or gzip. What cannot be read is handed on as bytes that fit nothing, so
that it ends in the list of issues and stops nothing else.
"""

import gzip
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path

from linedays.adapters.bundles import bundle_entries

Progress = Callable[[int], None]
_ENDINGS = (".ndjson", ".jsonl", ".json")
UNREADABLE = b""


class NothingToRead(Exception):
    """There is no file with resources at the place given."""


def resource_files(path: Path) -> tuple[Path, ...]:
    """Return the files with resources at a place, in order of name; folders inside it are not entered.

    Raises: NothingToRead.
    """
    if path.is_file():
        return (path,)
    if path.is_dir():
        files = tuple(sorted(file for file in path.iterdir() if file.is_file() and _is_resource_file(file)))
        if files:
            return files
    kinds = ", ".join(f"{ending}, {ending}.gz" for ending in _ENDINGS)
    raise NothingToRead(f"no file with resources at {path.name or path}: expected a file or a folder with {kinds}")


def _is_resource_file(file: Path) -> bool:
    name = file.name.removesuffix(".gz")
    return name.endswith(_ENDINGS) and not name.startswith(".")


def resources_in(path: Path, progress: Progress | None = None) -> Iterator[tuple[str, bytes]]:
    """Read every resource at a place.

    Shape: pairs of "file:line" (or "file, entry n") and the resource's bytes.
    Raises: NothingToRead.
    """
    count = 0
    for file in resource_files(path):
        for found in _resources_of(file):
            yield found
            count += 1
            if progress is not None and count % 1000 == 0:
                progress(count)
    if progress is not None:
        progress(count)


def _resources_of(file: Path) -> Iterator[tuple[str, bytes]]:
    name = file.name
    try:
        with gzip.open(file, "rb") if name.endswith(".gz") else file.open("rb") as stream:
            if name.removesuffix(".gz").endswith(".json"):
                yield from _documents(name, stream.read())
            else:
                for number, line in enumerate(stream, 1):
                    if line.strip():
                        yield f"{name}:{number}", line
    except (OSError, EOFError, zlib.error):
        # A file that breaks off in the middle: what came before was read; the rest is one issue.
        yield f"{name} (breaks off or cannot be read)", UNREADABLE


def _documents(name: str, raw: bytes) -> Iterator[tuple[str, bytes]]:
    entries = bundle_entries(raw)
    if entries is None:
        yield name, raw
        return
    for number, entry in enumerate(entries, 1):
        yield f"{name}, entry {number}", entry


def patient_groups(path: Path, progress: Progress | None = None) -> Iterator[list[tuple[str, bytes]]]:
    """Read a place in which each file holds whole patients, one group for each file."""
    for file in resource_files(path):
        yield list(_resources_of(file))
        if progress is not None:
            progress(1)
