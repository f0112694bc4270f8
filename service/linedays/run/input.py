"""A folder, a file or a FHIR server → every resource that we read, one after another. I/O through the adapters only."""

from collections.abc import Callable, Iterator
from pathlib import Path

from linedays.adapters.bundles import entries_of
from linedays.adapters.resource_files import resources_in
from linedays.fhir.searches import input_searches
from linedays.run.ports import FhirServer

Progress = Callable[[int], None]


def from_path(path: Path, progress: Progress | None = None) -> Iterator[tuple[str, bytes]]:
    """Read every resource in a file or folder.

    Raises: NothingToRead.
    """
    return resources_in(path, progress)


def from_server(server: FhirServer, progress: Progress | None = None) -> Iterator[tuple[str, bytes]]:
    """Read everything we read from a FHIR server, page by page.

    An item that shows up on two pages is read twice and counted as a duplicate: pages move while they are read.
    Raises: FhirUnavailable, FhirRejected: then nothing of it is whole, and nothing may be derived from it.
    """
    count = 0
    for search in input_searches():
        for number, page in enumerate(server.read_pages(search), 1):
            for entry in entries_of(page, search.resource_type):
                count += 1
                yield f"{search.resource_type} page {number}", entry
            if progress is not None:
                progress(count)
