"""Every command in both formats, what goes to which stream, and each exit code provoked by a situation that happens.

Source: the exit codes in `linedays --help`; `at` and `known_by` as in design 2.2.5.
"""

import json
import re
import signal
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from linedays.adapters.mapping_files import find_mappings
from linedays.adapters.server_starter import load_bundle, started_server
from linedays.adapters.writer_store import opened_store
from linedays.cli import main
from linedays.run.rereading import read_ours
from linedays.run.settings import VARIABLES
from linedays.run.wiring import identity_of, machine_clock, server_at
from linedays.run.writer import LEASE_S, record_system_key
from support.policy_files import replaced
from support.small_ward import AT_TEXT, CALM, PLACES, WARD, line, person, procedure, wired, write_ndjson
from support.write_proxy import write_proxy

Capture = pytest.CaptureFixture[str]
PROCESS = [sys.executable, "-c", "import sys; from linedays.cli import main; sys.exit(main(sys.argv[1:]))"]


@pytest.fixture(autouse=True)
def plain_surroundings(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in (*VARIABLES, "FORCE_COLOR", "NO_COLOR"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("COLUMNS", "400")


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Set the folder of the store, which is not there yet."""
    monkeypatch.setenv("LINEDAYS_STORE", str(tmp_path / "store"))
    return tmp_path / "store"


@pytest.fixture
def ward(tmp_path: Path) -> str:
    return str(write_ndjson(tmp_path, WARD))


def run(capture: Capture, *words: str) -> tuple[int, str, str]:
    code = main(list(words))
    out, err = capture.readouterr()
    assert "Traceback" not in out + err
    return code, out, err


def asked(path: str, *more: str) -> tuple[str, ...]:
    return (path, "--zone", "UTC", "--at", AT_TEXT, *more)


def test_lines_as_table(capsys: Capture, ward: str) -> None:
    code, out, err = run(capsys, "lines", *asked(ward))
    assert code == 0
    rows = [row for row in out.splitlines() if "Patient/" in row]
    assert [row.split("  ")[0].strip() for row in rows] == ["compromised", "overdue", "unknown", "site concern"]
    assert "2 more items not due or not required (--all lists them)" in out
    assert "0 lines are not in place: none" in out
    assert "Informs, does not order." in out
    assert err.strip() == ""


def test_lines_with_all_shows_what_is_not_due_and_when_it_was_seen(capsys: Capture, ward: str) -> None:
    _, out, _ = run(capsys, "lines", *asked(ward, "--all"))
    quiet = [row for row in out.splitlines() if row.lstrip().startswith("not due")]
    assert len(quiet) == 2
    assert all("not due before" in row and "last changed or seen intact" in row for row in quiet)


def test_lines_as_json_is_nothing_but_json_and_the_same_bytes_again(capsys: Capture, ward: str) -> None:
    words = ("lines", *asked(ward, "--format", "json"))
    code, out, err = run(capsys, *words)
    found = json.loads(out)
    assert (code, err.strip(), len(found["lines"])) == (0, "", 5)
    assert run(capsys, *words)[1] == out


def test_json_has_no_colour_even_where_colour_is_forced(
    capsys: Capture, ward: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FORCE_COLOR", "1")
    _, out, _ = run(capsys, "lines", *asked(ward, "--format", "json"))
    assert "\x1b" not in out
    json.loads(out)


def test_late_entry_is_invisible_at_an_earlier_knowledge_and_a_restatement_later(capsys: Capture, tmp_path: Path) -> None:
    # Changed on the 13th at 20:00 and entered on the 14th at 12:00: at 10:00 the change of 13 May 09:00 was the last known.
    late = procedure("dressing-change", "13 20:00", "calm", "calm-picc", entered="14 12:00", dressing="transparent")
    path = str(write_ndjson(tmp_path, [*PLACES, *CALM, late]))

    def due(*more: str) -> str:
        found = json.loads(run(capsys, "lines", *asked(path, "--format", "json", *more))[1])
        return str(found["dressing_sites"][0]["items"][0]["due"])

    assert due() == due("--known-by", AT_TEXT) == "2031-05-20T09:00:00+00:00"
    assert due("--known-by", "2031-05-14T11:59:59Z") == "2031-05-20T09:00:00+00:00"
    assert due("--known-by", "2031-05-14T12:00:00Z") == "2031-05-20T20:00:00+00:00"


def test_time_without_offset_is_local(capsys: Capture, ward: str) -> None:
    words = ("lines", ward, "--zone", "America/St_Johns", "--format", "json", "--at")
    # 07:30 in Newfoundland, 2 h 30 min behind UTC in May, is 10:00 UTC.
    found = json.loads(run(capsys, *words, "2031-05-14T07:30")[1])
    assert found["at"] == "2031-05-14T07:30:00-02:30"


def test_without_at_it_is_this_moment(capsys: Capture, ward: str) -> None:
    code, out, _ = run(capsys, "lines", ward, "--zone", "UTC", "--format", "json")
    found = json.loads(out)
    assert code == 0
    assert found["at"] == found["known_by"] > "2025"


@pytest.mark.parametrize("form", ["table", "json"])
def test_explain(capsys: Capture, ward: str, form: str) -> None:
    code, out, _ = run(capsys, "explain", "Device/over-picc", "--from", *asked(ward, "--format", form))
    assert code == 0
    assert "Procedure/over-picc-dressing-change-06-0900" in out
    assert "the dressing-change counts from it" in out
    if form == "json":
        assert json.loads(out)["whereabouts"] == "in place"


@pytest.mark.parametrize("form", ["table", "json"])
def test_sweep_without_apply_shows_what_it_would_write(capsys: Capture, ward: str, form: str) -> None:
    code, out, _ = run(capsys, "sweep", "--from", *asked(ward, "--format", form))
    assert code == 0
    if form == "json":
        found = json.loads(out)
        assert (len(found["writes"]), found["applied"], found["outcomes"]) == (8 + 1 + 52, False, None)
        assert found["cautions"]
    else:
        assert "Would be written (dry run: nothing was; --apply writes)" in out
        assert "Dressing change overdue · basilic" in out
        assert "61 writes, 0 held back, 0 left as they are" in out
        # Each derived value is a row of its own only in JSON.
        assert re.findall(r"Observation record .*52 derived values", out)
        assert "Time since the line was placed" not in out


def test_sweep_at_night_says_what_is_held_back_until_when(capsys: Capture, ward: str) -> None:
    words = ("sweep", "--from", ward, "--zone", "UTC", "--at", "2031-05-14T23:00:00Z")
    _, out, _ = run(capsys, *words)
    assert "3 held back until 2031-05-15T06:00:00+00:00 (quiet hours, shift change or deferral)" in out
    assert len(json.loads(run(capsys, *words, "--format", "json")[1])["held"]) == 3


@pytest.mark.parametrize("form", ["table", "json"])
def test_policy_check(capsys: Capture, form: str) -> None:
    code, out, _ = run(capsys, "policy", "check", "--format", form)
    assert code == 0
    if form == "json":
        found = json.loads(out)
        assert (found["problems"], found["examples_failed"]) == ([], [])
        assert found["examples"] > 20
    else:
        assert " 0 problems, " in out


@pytest.mark.parametrize("form", ["table", "json"])
def test_policy_show(capsys: Capture, form: str) -> None:
    code, out, _ = run(capsys, "policy", "show", "--format", form)
    assert code == 0
    assert "dressing-gauze" in out
    assert "common practice, no source" in out
    assert form == "table" or len(json.loads(out)["rules"]) > 50


def copied(folder: Path, *changed: tuple[str, str]) -> str:
    """Write a copy of the mappings with some files exchanged."""
    for path in (one for one in find_mappings(None).rglob("*.yaml")):
        target = folder / path.relative_to(find_mappings(None))
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(path.read_bytes())
    for file, text in changed:
        (folder / file).write_text(text, encoding="utf-8")
    return str(folder)


def test_exit_1_an_example_that_does_not_come_out(capsys: Capture, tmp_path: Path) -> None:
    file = "policy/dressing_rules.yaml"
    folder = copied(tmp_path, (file, replaced(file, ("interval: 2 d", "interval: 3 d"))))
    code, out, _ = run(capsys, "policy", "check", "--mappings", folder)
    assert code == 1
    assert "policy/examples/dressings.yaml:" in out


def test_exit_3_a_policy_that_is_none_with_file_and_line(capsys: Capture, tmp_path: Path, ward: str) -> None:
    file = "policy/dressing_rules.yaml"
    text = replaced(file, ("interval: 2 d", "interval: soon"))
    line = text[: text.index("interval: soon")].count("\n") + 1
    folder = copied(tmp_path / "mappings", (file, text))
    for words in (("policy", "show"), ("lines", *asked(ward)), ("sweep", "--from", *asked(ward))):
        code, out, err = run(capsys, *words, "--mappings", folder)
        assert (code, out) == (3, "")
        assert err.startswith(f"{file}:{line}: ")
    code, out, _ = run(capsys, "policy", "check", "--mappings", folder)
    assert code == 3
    assert out.startswith(f"{file}:{line}: ")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("lines", "WARD"), "no time zone is set"),
        (("lines", "WARD", "--zone", "Europe/Atlantis"), "no time zone is called 'Europe/Atlantis'"),
        (("lines", "--zone", "UTC"), "say where to read from"),
        (("lines", "WARD", "--fhir", "http://127.0.0.1:1/", "--zone", "UTC"), "say where to read from"),
        (("lines", "WARD", "--zone", "UTC", "--at", "yesterday"), "--at 'yesterday' is not a date or time"),
        (("lines", "WARD", "--zone", "UTC", "--at", "2031-02-30"), "--at '2031-02-30' is a day or time that does not exist"),
        (("lines", "WARD", "--zone", "UTC", "--known-by", "24:00"), "--known-by '24:00' is not"),
        (("lines", "WARD/nothing", "--zone", "UTC"), "no file with resources at nothing"),
        (("lines", "WARD", "--zone", "UTC", "--mappings", "WARD/none"), "no folder mappings"),
        (("lines", "--fhir", "ward.example", "--zone", "UTC"), "the FHIR server cannot be asked"),
        (("explain", "Device/nowhere", "--from", "WARD", "--zone", "UTC"), "no line is called Device/nowhere"),
        (("explain", "Device/over-picc", "--zone", "UTC"), "say where to read from"),
        (("sweep", "--zone", "UTC"), "say where to read from: either --from PATH or --fhir URL"),
        (("sweep", "--from", "WARD", "--apply", "--zone", "UTC"), "--apply writes to a FHIR server"),
        (("sweep", "--fhir", "http://127.0.0.1:1/", "--apply", "--zone", "UTC"), "let LINEDAYS_STORE name a folder"),
        (("sweep", "--fhir", "http://127.0.0.1:1/", "--first", "--zone", "UTC"), "they go with --apply"),
        (("sweep", "--fhir", "http://127.0.0.1:1/", "--release", "creates", "--zone", "UTC"), "they go with --apply"),
        (("sweep", "--from", "WARD", "--expect", "8-0-0123456789abcdef", "--zone", "UTC"), "they go with --apply"),
        (("sweep", "--fhir", "http://127.0.0.1:1/", "--apply", "--expect", "8", "--zone", "UTC"), "--expect takes a preview"),
        (("policy", "check", "--mappings", "WARD/none"), "no folder mappings"),
        (("demo", "--at", "soon"), "--at 'soon' is not a date or time"),
    ],
)
def test_exit_2_what_cannot_be_carried_out_as_written(capsys: Capture, ward: str, words: tuple[str, ...], told: str) -> None:
    code, out, err = run(capsys, *(word.replace("WARD", ward) for word in words))
    assert (code, out) == (2, "")
    assert told in err
    assert len(err.strip().splitlines()) == 1


@pytest.mark.parametrize("words", [(), ("lyne",), ("lines", "--format", "xml"), ("policy",), ("explain",)])
def test_exit_2_words_that_the_command_line_does_not_know(capsys: Capture, words: tuple[str, ...]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(list(words))
    assert ended.value.code == 2
    assert "usage: linedays" in capsys.readouterr().err


def test_source_map_that_is_not_there_is_a_mapping_problem(capsys: Capture, ward: str) -> None:
    code, _, err = run(capsys, "lines", *asked(ward, "--source", "nowhere"))
    assert code == 3
    assert "nowhere" in err


@pytest.mark.parametrize("words", [("lines",), ("explain", "Device/x"), ("sweep",), ("sweep", "--apply")])
def test_exit_4_server_that_is_down(capsys: Capture, store: Path, words: tuple[str, ...]) -> None:
    with socket.socket() as taken:  # bound and not listening: nobody answers there
        taken.bind(("127.0.0.1", 0))
        url = f"http://127.0.0.1:{taken.getsockname()[1]}/fhir"
        code, out, err = run(capsys, *words, "--fhir", url, "--zone", "UTC")
    assert (code, out) == (4, "")
    assert "no connection" in err


def test_exit_2_store_that_others_can_read(capsys: Capture, store: Path) -> None:
    store.mkdir(mode=0o755)
    code, out, err = run(capsys, "sweep", "--fhir", "http://127.0.0.1:1/", "--zone", "UTC", "--apply")
    assert (code, out) == (2, "")
    assert "open to other users of this machine" in err
    assert list(store.iterdir()) == []


def test_preview_of_a_file_is_the_same_a_minute_later_in_both_formats(capsys: Capture, ward: str) -> None:
    words = ("sweep", "--from", ward, "--zone", "UTC", "--at")
    first = json.loads(run(capsys, *words, AT_TEXT, "--format", "json")[1])["preview"]
    assert first.startswith("61-0-")  # our Device, 4 Tasks, 4 Flags, 52 derived Observations
    _, out, _ = run(capsys, *words, "2031-05-14T10:01:00Z")
    assert f"preview {first} " in out
    assert "what --apply would hold is not said here" in out


def written(url: str) -> int:
    """Return how much of ours a server holds, apart from the Device that stands from the beginning."""
    with server_at(url) as server:
        return len(read_ours(server, identity_of(wired().settings))) - 1


@pytest.mark.server
def test_first_writing_sweep_then_one_that_moved_then_one_that_finds_the_lock_taken(capsys: Capture, store: Path) -> None:
    with started_server() as base_url, write_proxy(base_url) as proxy:
        with server_at(base_url) as server:
            load_bundle(server, WARD)
        words = ("sweep", "--fhir", proxy.url, "--zone", "UTC", "--at", AT_TEXT)
        found = json.loads(run(capsys, *words, "--format", "json")[1])
        assert (found["first"], found["holds"], store.exists()) == (True, [], False)

        code, out, _ = run(capsys, *words, "--apply")
        assert code == 5
        assert "Would be written (nothing was)" in out
        assert f"--apply --first --expect {found['preview']}" in out

        code, out, err = run(capsys, *words, "--apply", "--first", "--expect", "9" + found["preview"])
        assert (code, out) == (5, "")
        assert "then 960 to create and 0 to change, now 60 to create and 0 to change" in err
        assert f"its preview is {found['preview']}" in err

        key = record_system_key(proxy.url, wired().settings.own_system)
        now = machine_clock().now()
        with opened_store(store) as held:
            lease = held.take(key, "ward-host:17:ab", at=now, until=now + LEASE_S)
            code, out, err = run(capsys, *words, "--apply", "--first")
            assert (code, out) == (4, "")
            assert "ward-host:17:ab, since " in err
            held.release(key, lease.epoch)
        assert proxy.writes == 0

        code, out, _ = run(capsys, *words, "--apply", "--first", "--expect", found["preview"])
        assert (code, written(base_url)) == (0, 60)
        assert "Task create: created" in out
        assert f"preview {found['preview']}\n" in out
        code, _, err = run(capsys, *words, "--apply", "--first")
        assert code == 2
        assert "there has been one" in err


@pytest.mark.server
def test_flood_is_shown_as_held_and_written_when_it_is_released(capsys: Capture, store: Path) -> None:
    flood = [each for n in range(21) for each in (*person(f"p-{n}"), *line(f"p-{n}-picc", f"p-{n}", "06 09:00"))]
    with started_server() as base_url, write_proxy(base_url) as proxy:
        words = ("sweep", "--fhir", proxy.url, "--zone", "UTC", "--at", AT_TEXT)
        assert run(capsys, *words, "--apply", "--first")[0] == 0  # an empty server: our own Device is written
        with server_at(base_url) as server:
            load_bundle(server, [*PLACES[:1], *flood])
        code, out, _ = run(capsys, *words)
        assert code == 0
        assert "held until a person has looked: 21 Task creates, where up to 20 pass by themselves " in out
        assert "(3 times the median of the last 20 sweeps, at least 20)" in out
        code, out, _ = run(capsys, *words, "--apply", "--format", "json")
        found = json.loads(out)
        # What is for analysts is written; nothing that is held is.
        assert (code, found["applied"]) == (1, True)
        assert {what.partition(" ")[0] for what in found["outcomes"]} == {"Observation"}
        assert [(hold["what"], hold["count"], hold["limit"], hold["release"]) for hold in found["holds"]] == [
            ("Task creates", 21, 20, "creates"),
            ("Flag creates", 21, 20, "creates"),
        ]
        held = {write["on_hold"] for write in found["writes"] if write["resource"]["resourceType"] != "Observation"}
        assert held == {True}
        code, out, _ = run(capsys, *words, "--apply", "--release", "creates")
        assert (code, written(base_url)) == (0, 42 + sum(found["outcomes"].values()))
        assert "held" not in out.replace("held back", "")


@pytest.mark.server
def test_sweep_of_a_server_dry_then_refused_then_written_then_calm(capsys: Capture, store: Path) -> None:
    with started_server() as base_url, write_proxy(base_url) as proxy:
        with server_at(base_url) as server:
            load_bundle(server, WARD)
        words = ("sweep", "--fhir", proxy.url, "--zone", "UTC", "--at", AT_TEXT)
        assert run(capsys, *words)[0] == 0
        assert proxy.writes == 0

        proxy.refuse_writes = True
        code, out, _ = run(capsys, *words, "--apply", "--first")
        assert code == 1  # done, and something needs a look
        assert "Task create: rejected" in out
        assert "status 422" in out

        proxy.refuse_writes = False
        code, out, _ = run(capsys, *words, "--apply")
        # 4 Tasks and 4 Flags, and the 52 derived Observations that test_sweep_values counts.
        assert (code, written(base_url)) == (0, 8 + 52)
        assert "Task create: created" in out
        code, out, _ = run(capsys, *words, "--apply", "--format", "json")
        found = json.loads(out)
        assert (code, found["writes"], found["applied"], found["refused"]) == (0, [], True, [])

        lines = json.loads(run(capsys, "lines", "--fhir", base_url, "--zone", "UTC", "--at", AT_TEXT, "--format", "json")[1])
        assert len(lines["lines"]) == 5


def test_exit_1_writes_that_fail_the_check_are_shown_by_a_dry_run(
    capsys: Capture, ward: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LINEDAYS_IDENTIFIER_SYSTEM", "not a uri")
    code, out, _ = run(capsys, "sweep", "--from", *asked(ward))
    assert code == 1
    assert out.count("a URI is expected") >= 8


def test_names_that_look_like_markup_or_would_move_the_cursor_are_only_text(capsys: Capture, tmp_path: Path) -> None:
    odd: list[Any] = [{**PLACES[0], "name": "Ward [/north] :smile: \x1b[2J[red]"}, *WARD[1:]]
    code, out, _ = run(capsys, "lines", *asked(str(write_ndjson(tmp_path, odd)), "--all"))
    assert code == 0
    assert "Ward [/north] :smile:  [2J[red]" in out
    assert "\x1b" not in out


def test_process_keeps_its_streams_apart_and_needs_no_checkout(ward: str, tmp_path: Path) -> None:
    done = subprocess.run([*PROCESS, "lines", *asked(ward, "--format", "json")], cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 0
    assert json.loads(done.stdout)["schema"].endswith("lines-1.schema.json")
    assert done.stderr.strip() == ""


def test_interrupt_ends_with_words_and_130() -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        url = f"http://127.0.0.1:{silent.getsockname()[1]}/fhir"
        with subprocess.Popen(
            [*PROCESS, "lines", "--fhir", url, "--zone", "UTC"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        ) as process:
            connection, _ = silent.accept()  # it is asking now and never gets an answer
            with connection:
                process.send_signal(signal.SIGINT)
                out, err = process.communicate()
    assert (process.returncode, out) == (130, "")
    assert "interrupted; run it again, nothing is written twice" in err
    assert "Traceback" not in err
