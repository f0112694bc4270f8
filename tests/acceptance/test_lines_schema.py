"""What `linedays lines --format json` prints fits its published schema, whatever is read, and is the same bytes again.

Source: JSON Schema, draft 2020-12 (https://json-schema.org/draft/2020-12). The validator is an independent one.
"""

import copy
import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from linedays.adapters.mapping_files import find_mappings
from linedays.cli import main
from linedays.core.model import EndBasis, IssueKind, StartBasis, Whereabouts
from linedays.core.moment import Precision
from linedays.core.states import AnchorBasis, Priority, State
from linedays.run.demo_hospital import hospital_resources, later_resources
from linedays.run.demo_story import told_at
from linedays.run.listing import SCHEMA
from linedays.run.settings import VARIABLES
from support.bad_input import AT as BAD_AT
from support.bad_input import CORPUS, GOOD, UNKNOWN
from support.generator import AT as GENERATED_AT
from support.generator import write
from support.icu_data import icu_folder
from support.small_ward import AT_TEXT, WARD, hospital, write_ndjson

Json = Any
Capture = pytest.CaptureFixture[str]
FILE = find_mappings(None) / "schemas" / "lines-1.schema.json"


@cache
def schema() -> Json:
    return json.loads(FILE.read_text(encoding="utf-8"))


@cache
def validator() -> Draft202012Validator:
    Draft202012Validator.check_schema(schema())
    return Draft202012Validator(schema())


def printed(capture: Capture, path: Path, at: str, *, zone: str = "UTC", source: str = "reference") -> Json:
    """Return what is printed; it is printed twice, and checked."""
    words = ["lines", str(path), "--at", at, "--zone", zone, "--source", source, "--format", "json"]
    told = []
    for _ in range(2):
        assert main(words) == 0
        told.append(capture.readouterr().out)
    assert told[0] == told[1]
    found = json.loads(told[0])
    assert [f"{list(error.absolute_path)}: {error.message}" for error in validator().iter_errors(found)] == []
    return found


@pytest.fixture(autouse=True)
def no_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in VARIABLES:
        monkeypatch.delenv(name, raising=False)


@pytest.mark.parametrize("later", [False, True])
def test_demo_hospital(capsys: Capture, tmp_path: Path, later: bool) -> None:
    start, document = told_at(hospital().story), hospital().document
    resources = [*hospital_resources(document, start), *(later_resources(document, start) if later else ())]
    at = "2031-03-12T22:00:00-02:30" if later else hospital().story.told_at
    found = printed(capsys, write_ndjson(tmp_path, resources), at, zone=hospital().story.zone)
    states = {item["state"] for site in found["dressing_sites"] for item in site["items"]}
    assert states >= {"not due", "window open", "overdue", "compromised", "unknown", "not required"}
    assert found["zone"] == "America/St_Johns"
    assert found["at"].endswith("-02:30")


@pytest.mark.parametrize("at", ["2031-05-02T09:00:00Z", AT_TEXT, "2031-12-31T23:59:59Z", "1999-01-01T00:00:00Z"])
def test_small_ward_at_any_time(capsys: Capture, tmp_path: Path, at: str) -> None:
    printed(capsys, write_ndjson(tmp_path, WARD), at)


def test_mixed_bad_input(capsys: Capture, tmp_path: Path) -> None:
    rows = b"".join(bad.row + b"\n" for bad in CORPUS)
    write_ndjson(tmp_path, [*GOOD, *UNKNOWN.values()])
    (tmp_path / "bad.ndjson").write_bytes(rows)
    found = printed(capsys, tmp_path, BAD_AT)
    assert len(found["issues"]) >= len(CORPUS)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_made_up_wards_with_what_goes_wrong(capsys: Capture, tmp_path: Path, seed: int) -> None:
    write(tmp_path, lines=60, seed=seed)
    found = printed(capsys, tmp_path, GENERATED_AT, zone="Europe/Berlin")
    assert len(found["lines"]) >= 60


@pytest.mark.icu
@pytest.mark.parametrize("at", ["2121-12-08T21:31:00-05:00", "2143-01-01T00:00:00-05:00"])
def test_open_icu_data(capsys: Capture, at: str) -> None:
    found = printed(capsys, icu_folder(), at, zone="America/New_York", source="icu-presence")
    assert len(found["lines"]) > 10


def test_schema_names_itself_and_is_the_one_that_the_listing_names() -> None:
    assert schema()["$id"] == SCHEMA == "https://linedays.example/schemas/lines-1.schema.json"
    assert schema()["$schema"] == "https://json-schema.org/draft/2020-12/schema"


def objects(node: Json) -> Iterator[Json]:
    """Return every subschema."""
    if isinstance(node, dict):
        if "type" in node or "$ref" in node or "enum" in node or "oneOf" in node:
            yield node
        for one in node.values():
            yield from objects(one)
    elif isinstance(node, list):
        for one in node:
            yield from objects(one)


def test_schema_is_closed_and_asks_for_everything() -> None:
    closed = [one for one in objects(schema()) if one.get("type") == "object"]
    assert len(closed) > 8
    for one in closed:
        assert "additionalProperties" in one
        assert one["additionalProperties"] is not True
        assert sorted(one.get("required", [])) == sorted(one.get("properties", {}))


def test_lists_of_codes_are_those_of_the_service() -> None:
    defs = schema()["$defs"]
    item, line, anchor = (defs[name]["properties"] for name in ("item", "line", "anchor"))
    assert item["state"]["enum"] == list(State)
    assert set(item["priority"]["enum"]) == {*Priority, None}
    assert defs["whereabouts"]["enum"] == list(Whereabouts)
    assert defs["precision"]["enum"] == list(Precision)
    assert anchor["basis"]["enum"] == list(AnchorBasis)
    assert line["start_basis"]["enum"] == list(StartBasis)
    assert line["end_basis"]["enum"] == [*EndBasis, None]
    assert defs["issue"]["properties"]["kind"]["enum"] == list(IssueKind)


def places(node: Json, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Return the path of every object."""
    if isinstance(node, dict):
        yield path
        for name, one in node.items():
            yield from places(one, (*path, name))
    elif isinstance(node, list):
        for number, one in enumerate(node):
            yield from places(one, (*path, number))


def at_path(node: Json, path: tuple[Any, ...]) -> Json:
    for step in path:
        node = node[step]
    return node


OPEN = ("values", "ignored")  # names and numbers of their own


def test_schema_refuses_what_is_too_much_and_what_is_missing(capsys: Capture, tmp_path: Path) -> None:
    found = printed(capsys, write_ndjson(tmp_path, WARD), AT_TEXT)
    whole = [path for path in places(found) if not (path and path[-1] in OPEN)]
    kinds = {tuple(step for step in path if isinstance(step, str)): path for path in whole}
    assert len(kinds) > 8
    for path in kinds.values():
        more = copy.deepcopy(found)
        at_path(more, path)["footnote"] = "x"
        assert not validator().is_valid(more), path
        for name in at_path(found, path):
            less = copy.deepcopy(found)
            del at_path(less, path)[name]
            assert not validator().is_valid(less), (path, name)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("at",), "2031-05-14"),
        (("at",), "2031-05-14T10:00:00Z"),
        (("cautions",), []),
        (("dressing_sites", 0, "items", 0, "state"), "fine"),
        (("dressing_sites", 0, "items", 0, "priority"), "soon"),
        (("lines", 0, "whereabouts"), "lost"),
        (("lines", 0, "dwell_hours"), "12"),
        (("lines", 0, "line_day_number"), 0),
        (("read", 0, "used"), -1),
    ],
)
def test_schema_refuses_other_values(capsys: Capture, tmp_path: Path, path: tuple[Any, ...], value: Json) -> None:
    found = printed(capsys, write_ndjson(tmp_path, WARD), AT_TEXT)
    at_path(found, path[:-1])[path[-1]] = value
    assert not validator().is_valid(found)
