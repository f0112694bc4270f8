"""The made-up wards of the benchmark are what they say: shares, sizes, offsets, and the same bytes for the same seed.

The shares and sizes are those the benchmark promises in tests/support/generator.py; the counts allow for chance.
"""

import json
from pathlib import Path

import pytest

from support.generator import write
from support.made_up_patient import FACTS_PER_LINE, WAYS, Written


@pytest.fixture(scope="module")
def ward(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Written]:
    folder = tmp_path_factory.mktemp("ward")
    return folder, write(folder, lines=2000, seed=7)


def rows(folder: Path, resource_type: str) -> list[bytes]:
    return (folder / f"{resource_type}.ndjson").read_bytes().splitlines()


def test_ten_facts_to_a_line(ward: tuple[Path, Written]) -> None:
    folder, written = ward
    facts = sum(len(rows(folder, name)) for name in ("Device", "Procedure", "Observation"))
    assert facts == 2000 * FACTS_PER_LINE == sum(written.resources[name] for name in ("Device", "Procedure", "Observation"))


def test_one_in_twenty_is_bad_and_one_line_in_twenty_ambiguous(ward: tuple[Path, Written]) -> None:
    _, written = ward
    # 2000 lines x 10 facts x 5 % = 1000; 4 standard deviations are about 120
    assert 880 <= len(written.bad) <= 1120
    assert set(written.bad.values()) == set(WAYS)
    # 2000 x 5 % = 100 lines in pairs; 4 standard deviations are about 56
    assert 44 <= written.ambiguous_lines <= 156


def test_resources_have_the_size_real_servers_send(ward: tuple[Path, Written]) -> None:
    folder, _ = ward
    for resource_type, low, high in (("Procedure", 900, 1130), ("Observation", 600, 800)):
        sizes = [len(row) for row in rows(folder, resource_type) if row.endswith(b"}")]
        unusual = [size for size in sizes if not low <= size <= high]
        assert len(unusual) < len(sizes) / 20


def test_times_are_written_in_four_offsets(ward: tuple[Path, Written]) -> None:
    folder, _ = ward
    whole = [json.loads(row) for row in rows(folder, "Procedure") if row.endswith(b"}")]
    assert {row["performedDateTime"][19:] for row in whole} == {"+00:00", "+01:00", "-05:00", "+05:45"}


def test_same_seed_gives_the_same_bytes_and_another_seed_others(tmp_path: Path) -> None:
    for name, seed in (("one", 3), ("two", 3), ("other", 4)):
        write(tmp_path / name, lines=50, seed=seed)
    one, two, other = (rows(tmp_path / name, "Procedure") for name in ("one", "two", "other"))
    assert one == two
    assert one != other


def test_longer_run_begins_with_the_shorter_one(tmp_path: Path) -> None:
    write(tmp_path / "short", lines=50, seed=3)
    write(tmp_path / "long", lines=200, seed=3)
    short, long = (rows(tmp_path / name, "Encounter") for name in ("short", "long"))
    assert long[: len(short) - 1] == short[:-1]


def test_layout_by_patient_holds_the_same_rows_in_files_of_whole_patients(tmp_path: Path) -> None:
    write(tmp_path / "flat", lines=200, seed=3)
    write(tmp_path / "by", lines=200, seed=3, layout="by-patient")
    by = sorted((tmp_path / "by").glob("patients-*.ndjson"))
    assert len(by) == 2  # 200 lines, 1.23 to a patient: 163 patients, 100 to a file
    flat = [row for path in (tmp_path / "flat").glob("*.ndjson") for row in path.read_bytes().splitlines()]
    assert sorted(row for path in (tmp_path / "by").glob("*.ndjson") for row in path.read_bytes().splitlines()) == sorted(flat)
    owners = [{json.loads(row)["id"] for row in path.read_bytes().splitlines() if b'"Patient","id"' in row} for path in by]
    lines = [{row.split(b'"id":"d')[1][:7] for row in path.read_bytes().splitlines() if b'"Device","id"' in row} for path in by]
    for patients, devices in zip(owners, lines, strict=True):
        assert {name[1:].encode() for name in patients} == devices
