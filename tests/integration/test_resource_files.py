"""Files and folders of resources are read whole or as far as they go; what cannot be read is handed on to be listed."""

import gzip
import json

import pytest

from linedays.adapters.bundles import bundle_entries
from linedays.adapters.resource_files import NothingToRead, patient_groups, resource_files, resources_in

ROWS = [b'{"resourceType": "Patient", "id": "%d"}' % number for number in range(3)]
NDJSON = b"\n".join(ROWS) + b"\n"


def bundle(*entries):
    return json.dumps({"resourceType": "Bundle", "type": "searchset", "entry": list(entries)}).encode()


def entry(number):
    return {"fullUrl": f"https://chart.hospital.example/fhir/Patient/{number}", "resource": json.loads(ROWS[number])}


def stripped(found):
    return [(where, given.strip()) for where, given in found]


class TestFiles:
    def test_of_a_folder_are_those_with_resources_in_order_of_name(self, tmp_path):
        for name in ("b.ndjson", "a.json.gz", "c.jsonl", "d.json", "notes.txt", ".hidden.json", "e.ndjson.bak"):
            (tmp_path / name).touch()
        (tmp_path / "deeper").mkdir()
        (tmp_path / "deeper" / "f.json").touch()
        assert [path.name for path in resource_files(tmp_path)] == ["a.json.gz", "b.ndjson", "c.jsonl", "d.json"]

    def test_one_that_is_named_is_read_whatever_it_is_called(self, tmp_path):
        path = tmp_path / "export.txt"
        path.write_bytes(NDJSON)
        assert stripped(resources_in(path)) == [(f"export.txt:{n}", row) for n, row in enumerate(ROWS, 1)]

    def test_that_are_not_there_are_said_to_be_missing_without_the_whole_path(self, tmp_path):
        for path in (tmp_path, tmp_path / "absent"):
            with pytest.raises(
                NothingToRead, match=rf"no file with resources at {path.name}: expected a file or a folder"
            ) as raised:
                list(resources_in(path))
            assert str(tmp_path.parent) not in str(raised.value)


class TestLines:
    @pytest.mark.parametrize("packed", [False, True])
    def test_each_with_its_number(self, tmp_path, packed):
        path = tmp_path / ("a.ndjson.gz" if packed else "a.ndjson")
        path.write_bytes(gzip.compress(NDJSON) if packed else NDJSON)
        assert stripped(resources_in(path)) == [(f"{path.name}:{n}", row) for n, row in enumerate(ROWS, 1)]

    def test_empty_ones_are_passed_over_and_still_counted(self, tmp_path):
        (tmp_path / "a.ndjson").write_bytes(b"\n \r\n" + ROWS[0] + b"\r\n\n" + ROWS[1])
        assert stripped(resources_in(tmp_path)) == [("a.ndjson:3", ROWS[0]), ("a.ndjson:5", ROWS[1])]

    def test_that_are_broken_are_handed_on_as_they_are(self, tmp_path):
        (tmp_path / "a.ndjson").write_bytes(ROWS[0] + b"\n{broken\n\xff\xfe\n" + ROWS[1])
        assert [given.strip() for _, given in resources_in(tmp_path)] == [ROWS[0], b"{broken", b"\xff\xfe", ROWS[1]]

    def test_of_an_empty_file_are_none(self, tmp_path):
        (tmp_path / "a.ndjson").touch()
        (tmp_path / "b.ndjson.gz").write_bytes(gzip.compress(b""))
        assert list(resources_in(tmp_path)) == []


class TestDocuments:
    def test_single_resource(self, tmp_path):
        (tmp_path / "a.json").write_bytes(ROWS[0])
        assert list(resources_in(tmp_path)) == [("a.json", ROWS[0])]

    @pytest.mark.parametrize("packed", [False, True])
    def test_bundle_gives_its_entries(self, tmp_path, packed):
        path = tmp_path / ("a.json.gz" if packed else "a.json")
        whole = bundle(entry(0), entry(1))
        path.write_bytes(gzip.compress(whole) if packed else whole)
        found = list(resources_in(tmp_path))
        assert [where for where, _ in found] == [f"{path.name}, entry 1", f"{path.name}, entry 2"]
        assert [json.loads(given) for _, given in found] == [json.loads(row) for row in ROWS[:2]]

    def test_empty_file_is_handed_on_to_be_listed(self, tmp_path):
        (tmp_path / "a.json").touch()
        assert list(resources_in(tmp_path)) == [("a.json", b"")]

    def test_bundle_that_breaks_off_is_one_unreadable_resource(self, tmp_path):
        cut = bundle(entry(0), entry(1))[:-10]
        (tmp_path / "a.json").write_bytes(cut)
        (tmp_path / "b.json").write_bytes(ROWS[2])
        assert list(resources_in(tmp_path)) == [("a.json", cut), ("b.json", ROWS[2])]


class TestBundles:
    @pytest.mark.parametrize("broken", [1, "x", [], None, {"resource": 5}, {"resource": None}, {"resource": "x"}])
    def test_broken_entry_loses_no_other(self, broken):
        found = bundle_entries(bundle(entry(0), broken, entry(1)))
        assert [json.loads(given) for given in (found[0], found[-1])] == [json.loads(row) for row in ROWS[:2]]
        assert len(found) == 3

    def test_entry_without_a_resource_is_passed_over(self):
        assert len(bundle_entries(bundle(entry(0), {"response": {"status": "201"}}, {}))) == 1

    def test_resource_of_an_entry_may_be_anything(self):
        found = bundle_entries(bundle({"resource": {"resourceType": ["Patient"], "id": {}}}))
        assert json.loads(found[0]) == {"resourceType": ["Patient"], "id": {}}

    @pytest.mark.parametrize("given", [bundle(), b'{"resourceType": "Bundle"}'])
    def test_empty_one_has_no_entries(self, given):
        assert bundle_entries(given) == ()

    @pytest.mark.parametrize(
        "given",
        [
            b"",
            b"[]",
            b"{}",
            ROWS[0],
            b'{"entry": []}',
            b'{"resourceType": "Bundle", "entry": {}}',
            b'{"resourceType": "Bundle", "entry": [1, 2',
            b'{"resourceType": "Bundle", "x": ' + b"[" * 100_000,
            b'{"resourceType": "Bun\xffdle"}',
        ],
    )
    def test_anything_else_is_none(self, given):
        assert bundle_entries(given) is None


class TestFilesThatBreakOff:
    def lines_of(self, tmp_path, name, given):
        (tmp_path / "a.ndjson").write_bytes(ROWS[0] + b"\n")
        (tmp_path / name).write_bytes(given)
        (tmp_path / "z.ndjson").write_bytes(ROWS[1] + b"\n")
        found = stripped(resources_in(tmp_path))
        assert found[0] == ("a.ndjson:1", ROWS[0])
        assert found[-1] == ("z.ndjson:1", ROWS[1])
        return found[1:-1]

    def test_packed_file_keeps_what_came_before(self, tmp_path):
        # rows of random-looking text, so that the packed form is long enough to be cut between rows
        rows = [b'{"id": "%x"}' % (number * 7919**5) for number in range(5000)]
        packed = gzip.compress(b"\n".join(rows) + b"\n")
        found = self.lines_of(tmp_path, "m.ndjson.gz", packed[: len(packed) // 2])
        assert found[-1] == ("m.ndjson.gz (breaks off or cannot be read)", b"")
        assert 0 < len(found) - 1 < 5000
        assert [given for _, given in found[:-1]] == rows[: len(found) - 1]

    @pytest.mark.parametrize("name", ["m.ndjson.gz", "m.json.gz"])
    @pytest.mark.parametrize(
        "given",
        [
            b"not packed at all",
            gzip.compress(NDJSON)[:5],
            gzip.compress(NDJSON)[:-9],
            gzip.compress(NDJSON)[:12] + b"\x00\xff\x13\x37" * 5 + gzip.compress(NDJSON)[32:],
        ],
    )
    def test_packed_file_that_is_damaged_is_one_unreadable_resource(self, tmp_path, name, given):
        found = self.lines_of(tmp_path, name, given)
        assert found[-1] == (f"{name} (breaks off or cannot be read)", b"")

    def test_file_that_may_not_be_read_is_one_unreadable_resource(self, tmp_path, monkeypatch):
        # A dangling name stands for any error of the disk: the rights of a file mean nothing to the superuser.
        class Gone(type(tmp_path)):
            def open(self, *args, **kwargs):
                raise PermissionError(13, "no")

        path = Gone(tmp_path / "a.ndjson")
        path.touch()
        assert list(resources_in(path)) == [("a.ndjson (breaks off or cannot be read)", b"")]


def test_progress_is_told_every_thousand_and_at_the_end(tmp_path):
    (tmp_path / "a.ndjson").write_bytes((ROWS[0] + b"\n") * 2500)
    told = []
    assert len(list(resources_in(tmp_path, told.append))) == 2500
    assert told == [1000, 2000, 2500]


def test_files_of_whole_patients_are_groups(tmp_path):
    (tmp_path / "a.ndjson").write_bytes(NDJSON)
    (tmp_path / "b.ndjson").write_bytes(ROWS[0])
    told = []
    groups = list(patient_groups(tmp_path, told.append))
    assert [[where for where, _ in group] for group in groups] == [
        ["a.ndjson:1", "a.ndjson:2", "a.ndjson:3"],
        ["b.ndjson:1"],
    ]
    assert told == [1, 1]
    assert len(list(patient_groups(tmp_path))) == 2
