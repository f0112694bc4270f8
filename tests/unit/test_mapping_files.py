"""The mappings are found by one lookup and read as plain data with positions; what YAML would damage stays as written."""

from importlib import resources
from pathlib import Path

import pytest

from linedays.adapters import mapping_files
from linedays.adapters.mapping_files import (
    DataNotFound,
    document_from_text,
    find_demo_hospital,
    find_mappings,
    read_documents,
)

CHECKOUT = Path(__file__).resolve().parents[2]


def read(text):
    problems = []
    return document_from_text(text, "a.yaml", problems), [str(problem) for problem in problems]


@pytest.fixture
def no_package(tmp_path, monkeypatch):
    """A package without data, as in an editable installation."""
    (tmp_path / "package").mkdir()
    monkeypatch.setattr(resources, "files", lambda name: tmp_path / "package")
    return tmp_path / "package"


def test_lookup_takes_the_folder_that_is_set(tmp_path):
    assert find_mappings(tmp_path) == tmp_path
    assert find_demo_hospital(tmp_path) == tmp_path


def test_lookup_never_exchanges_a_folder_that_is_set(tmp_path):
    with pytest.raises(DataNotFound, match=r"no folder mappings: looked at .*absent; set the folder"):
        find_mappings(tmp_path / "absent")


def test_lookup_takes_the_packaged_copy_before_the_checkout(no_package):
    for name in ("mappings", "demo-hospital"):
        (no_package / "_data" / name).mkdir(parents=True)
    assert find_mappings(None) == no_package / "_data" / "mappings"
    assert find_demo_hospital(None) == no_package / "_data" / "demo-hospital"


def test_lookup_takes_the_checkout_and_never_the_working_directory(no_package, tmp_path, monkeypatch):
    (tmp_path / "mappings").mkdir()
    (tmp_path / "fixtures" / "demo-hospital").mkdir(parents=True)
    monkeypatch.chdir(tmp_path)
    assert find_mappings(None) == CHECKOUT / "mappings"
    assert find_demo_hospital(None) == CHECKOUT / "fixtures" / "demo-hospital"


def test_lookup_without_any_folder_names_every_place(no_package, tmp_path, monkeypatch):
    monkeypatch.setattr(mapping_files, "_CHECKOUT", tmp_path)
    with pytest.raises(DataNotFound) as raised:
        find_mappings(None)
    assert str(no_package / "_data" / "mappings") in str(raised.value)
    assert str(tmp_path / "mappings") in str(raised.value)


@pytest.mark.parametrize(
    ("written", "value"),
    [
        # YAML 1.1 reads these as 750, False, 83, a date, True, None, 10, inf, 1000 (http://yaml.org/type/).
        ("12:30", "12:30"), ("no", "no"), ("0123", "0123"), ("2024-01-31", "2024-01-31"), ("on", "on"), ("~", "~"),
        ("0xA", "0xA"), (".inf", ".inf"), ("1_000", "1_000"),
        ("True", "True"), ("NULL", "NULL"), ("1e3", "1e3"), ("+1", "+1"), (".5", ".5"), ("=", "="), ("<<", "<<"),
        ("true", True), ("false", False), ("null", None), ("7", 7), ("-7", -7), ("0", 0), ("7.5", 7.5),
        ('"7"', "7"), ("'true'", "true"), ('""', ""), ("7 d", "7 d"), ("2024-03-04T14:30:00Z", "2024-03-04T14:30:00Z"),
        ("[7, no]", [7, "no"]), ("{no: 7}", {"no": 7}), ("[]", []), ("{}", {}), ("|\n  x\n", "x\n"),
    ],
)  # fmt: skip
def test_value_is_read_as_written(written, value):
    document, problems = read(f"key: {written}\n")
    assert problems == []
    assert document.data == {"key": value}
    assert type(document.data["key"]) is type(value)


def test_every_node_has_its_line():
    document, _ = read("# a comment\na:\n  - b: 1\n    c:\n      d\n  - [x,\n     y]\ne: {f: 1}\n")
    assert document.data == {"a": [{"b": 1, "c": "d"}, ["x", "y"]], "e": {"f": 1}}
    assert document.lines == {
        (): 1, ("a",): 2, ("a", 0): 3, ("a", 0, "b"): 3, ("a", 0, "c"): 4, ("a", 1): 6, ("a", 1, 0): 6, ("a", 1, 1): 7,
        ("e",): 8, ("e", "f"): 8,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", ["a.yaml:1: an empty file — expected keys and values"]),
        ("# only a comment\n", ["a.yaml:1: an empty file — expected keys and values"]),
        ("a: 1\na: 2\n", ["a.yaml:2: the key 'a' a second time (first in line 1) — expected each key once"]),
        ("a:\n  b: 1\n  b: [c]\nd: 1\nd: 2\n", [
            "a.yaml:3: the key 'b' a second time (first in line 2) — expected each key once",
            "a.yaml:5: the key 'd' a second time (first in line 4) — expected each key once",
        ]),
        ("1: a\n", ["a.yaml:1: a key that is not text — expected a text key, in quotes where it looks like a number"]),
        ("null: a\n", ["a.yaml:1: a key that is not text — expected a text key, in quotes where it looks like a number"]),
        ("? [a]\n: b\n", ["a.yaml:1: a key that is not text — expected a text key, in quotes where it looks like a number"]),
        ("a: &x 1\nb: *x\n", [
            "a.yaml:1: an anchor (&x) — expected the value itself; a text that begins with & in quotes",
            "a.yaml:2: an alias (*x) — expected the value itself; a text that begins with * in quotes",
        ]),
        ("a: &x {b: 1}\nc:\n  <<: *x\n", [
            "a.yaml:1: an anchor (&x) — expected the value itself; a text that begins with & in quotes",
            "a.yaml:3: an alias (*x) — expected the value itself; a text that begins with * in quotes",
        ]),
        ("a: !!str 1\n", ["a.yaml:1: a tag (tag:yaml.org,2002:str) — expected plain YAML; a text that begins with ! in quotes"]),
        ("a: !!python/object/apply:os.system [ls]\n", [
            "a.yaml:1: a tag (tag:yaml.org,2002:python/object/apply:os.system)"
            " — expected plain YAML; a text that begins with ! in quotes"
        ]),
        ("a: 1\n---\nb: 1\n", ["a.yaml:2: a second document in the file — expected one document per file"]),
        ("%YAML 1.1\n---\na: 1\n", ["a.yaml:1: a YAML directive — expected plain YAML"]),
        ("a:\n\tb: 1\nc:\t1\n", ["a.yaml:2: a tab — expected spaces", "a.yaml:3: a tab — expected spaces"]),
        ("a:\nb: 1\n", ["a.yaml:1: a key without a value — expected a value, or null"]),
        ("a: [b\n", ["a.yaml:2: broken YAML: expected ',' or ']', but got '<stream end>' — expected valid YAML"]),
        ("a: b: c\n", ["a.yaml:1: broken YAML: mapping values are not allowed here — expected valid YAML"]),
        ("a: 1\nb: \x01\n", ["a.yaml:2: a character that text must not hold — expected printable text"]),
        ("a: " + "[" * 14 + "{b: 1}" + "]" * 14 + "\n", ["a.yaml:1: data nested too deeply — expected at most 12 levels"]),
    ],
)  # fmt: skip
def test_text_that_could_be_misunderstood_is_refused(text, told):
    document, problems = read(text)
    assert document is None
    assert problems == told


def test_problem_after_data_nested_too_deeply_is_still_told():
    _, problems = read("a: " + "[" * 14 + "]" * 14 + "\nb:\n")
    assert problems == [
        "a.yaml:1: data nested too deeply — expected at most 12 levels",
        "a.yaml:2: a key without a value — expected a value, or null",
    ]


def test_folder_is_read_in_order_of_name_and_one_bad_file_hides_no_other(tmp_path):
    (tmp_path / "policy" / "examples").mkdir(parents=True)
    (tmp_path / "policy" / "b.yaml").write_text("b: 1\n")
    (tmp_path / "policy" / "a.yaml").write_bytes("a: é\n".encode("utf-8-sig"))
    (tmp_path / "policy" / "examples" / "c.yaml").write_text("c: [\n")
    (tmp_path / "d.yaml").write_bytes(b"x: 1\nd: \xff\n")
    (tmp_path / "e.yml").write_text("e: 1\n")
    (tmp_path / "f.yaml").write_text("f: " + "x" * mapping_files.LARGEST_FILE)
    (tmp_path / "README.md").write_text("a: [")
    (tmp_path / ".hidden.yaml").write_text("a: [")
    documents = read_documents(tmp_path)
    assert [(document.file, document.data) for document in documents.documents] == [
        ("policy/a.yaml", {"a": "é"}),
        ("policy/b.yaml", {"b": 1}),
    ]
    assert [str(problem) for problem in documents.problems] == [
        "d.yaml:2: bytes that are not UTF-8 — expected text saved as UTF-8",
        "e.yml:1: a file ending in .yml is not read — expected the ending .yaml",
        "f.yaml:1: the file has 1000003 bytes — expected at most 1000000 bytes",
        "policy/examples/c.yaml:2: broken YAML: expected the node content, but found '<stream end>' — expected valid YAML",
    ]


def test_file_that_cannot_be_read_is_a_problem(tmp_path, monkeypatch):
    (tmp_path / "a.yaml").write_text("a: 1\n")

    def refuse(self):
        raise PermissionError(13, "Permission denied")

    # The tests may run as root, whom no permission stops.
    monkeypatch.setattr(Path, "read_bytes", refuse)
    assert [str(problem) for problem in read_documents(tmp_path).problems] == [
        "a.yaml:1: the file cannot be read (Permission denied) — expected a readable file"
    ]


def test_mappings_of_the_checkout_can_be_read():
    assert read_documents(CHECKOUT / "mappings").under("policy").problems == ()
