"""Resources come one by one from a file, a folder or a server, with where they stood; a reading that breaks off is none."""

import gzip
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from linedays.adapters.fhir_errors import FhirUnavailable
from linedays.adapters.resource_files import NothingToRead
from linedays.run.derive import derive_all
from linedays.run.input import from_path, from_server
from linedays.run.plan import plan_sweep
from support.memory_fhir_server import MemoryFhirServer
from support.small_ward import AT, IDENTITY, WARD, memory_server, wired, write_ndjson


def names(found: Iterator[tuple[str, bytes]]) -> list[str]:
    return sorted(f"{one['resourceType']}/{one['id']}" for one in (json.loads(raw) for _, raw in found))


EVERYTHING = sorted(f"{one['resourceType']}/{one['id']}" for one in WARD)


def test_folder_file_and_server_give_the_same_resources(tmp_path: Path) -> None:
    write_ndjson(tmp_path, WARD)
    assert names(from_path(tmp_path)) == EVERYTHING
    assert names(from_path(tmp_path / "all.ndjson")) == EVERYTHING
    assert names(from_server(memory_server(WARD))) == EVERYTHING


def test_bundle_single_resource_and_gzip_are_read(tmp_path: Path) -> None:
    first, second, *others = WARD
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": one} for one in others]}
    (tmp_path / "one.json").write_text(json.dumps(first))
    (tmp_path / "two.ndjson.gz").write_bytes(gzip.compress(json.dumps(second).encode() + b"\n"))
    (tmp_path / "bundle.json.gz").write_bytes(gzip.compress(json.dumps(bundle).encode()))
    (tmp_path / "readme.txt").write_text("not a resource")
    assert names(from_path(tmp_path)) == EVERYTHING


def test_each_resource_names_where_it_stood(tmp_path: Path) -> None:
    write_ndjson(tmp_path, WARD)
    assert [where for where, _ in from_path(tmp_path)][:2] == ["all.ndjson:1", "all.ndjson:2"]
    assert next(from_server(memory_server(WARD)))[0] == "Location page 1"


def test_pages_are_read_to_the_end_and_progress_counts_them() -> None:
    server = MemoryFhirServer(now=AT - 60, page_size=2)
    for resource in WARD:
        server._store(resource)
    told: list[int] = []
    assert len(list(from_server(server, told.append))) == len(WARD)
    assert told == sorted(told)
    assert told[-1] == len(WARD)


def test_progress_of_a_folder_ends_with_the_number_of_resources(tmp_path: Path) -> None:
    told: list[int] = []
    assert len(list(from_path(write_ndjson(tmp_path, WARD), told.append))) == len(WARD)
    assert told == [len(WARD)]


def test_resource_that_moves_between_pages_is_read_twice_and_counted_once() -> None:
    twice = [*from_server(memory_server(WARD)), *from_server(memory_server([WARD[0], *WARD[2:4]]))]
    derivation = derive_all(twice, wired().instance, at=AT, known_by=AT)
    assert sum(row.read for row in derivation.tally) == len(WARD) + 3
    assert sum(dict(row.ignored).get("duplicate", 0) for row in derivation.tally) == 3
    once = derive_all(from_server(memory_server(WARD)), wired().instance, at=AT, known_by=AT)
    assert derivation.results == once.results


@pytest.mark.parametrize("name", ["nothing", "empty", "other.txt"])
def test_nothing_to_read_says_what_was_expected(tmp_path: Path, name: str) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(NothingToRead, match=r"\.ndjson"):
        list(from_path(tmp_path / name))


class BreaksOff(MemoryFhirServer):
    """A server that is gone in the middle of the Procedures."""

    def read_pages(self, search: Any) -> Iterator[bytes]:
        for page in super().read_pages(search):
            yield page
            if search.resource_type == "Procedure":
                raise FhirUnavailable("search of Procedure: no answer in time")


def test_reading_that_breaks_off_derives_and_writes_nothing() -> None:
    server = BreaksOff(now=AT - 60)
    for resource in WARD:
        server._store(resource)
    server.writes.clear()
    with pytest.raises(FhirUnavailable):
        plan_sweep(from_server(server), {}, wired().instance, wired().wording, IDENTITY, at=AT)
    assert server.writes == []
