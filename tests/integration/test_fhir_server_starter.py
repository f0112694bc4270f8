"""The starter of the demo's FHIR server: it starts, stops with everything it started, and says what is missing."""

import signal
import subprocess
import sys

import httpx
import pytest

from linedays.adapters.server_starter import ServerNotStarted, load_bundle, started_server, stop_process


def test_missing_extra_says_what_to_install():
    with pytest.raises(ServerNotStarted, match=r"pip install 'linedays\[demo\]'"), started_server(package="not_there"):
        raise AssertionError("must not start")


@pytest.mark.server
def test_server_listens_on_loopback_and_is_gone_afterwards():
    with started_server() as base_url:
        assert base_url.startswith("http://127.0.0.1:")
        assert httpx.get(f"{base_url}/metadata", trust_env=False).status_code == 200
    with pytest.raises(httpx.ConnectError):
        httpx.get(f"{base_url}/metadata", trust_env=False)


@pytest.mark.server
def test_server_that_ends_at_once_is_reported_with_what_it_wrote():
    with (
        pytest.raises(ServerNotStarted, match=r"(?s)ended at once.*No module named not_there"),
        started_server(launcher="not_there"),
    ):
        raise AssertionError("must not start")


def test_process_that_does_not_listen_is_killed_and_stopping_twice_does_nothing():
    deaf = "import signal; signal.signal(signal.SIGTERM, signal.SIG_IGN); print('up', flush=True); signal.pause()"
    with subprocess.Popen([sys.executable, "-c", deaf], stdout=subprocess.PIPE, start_new_session=True) as process:
        assert process.stdout.readline() == b"up\n"
        stop_process(process, within=0.1)
        assert process.returncode == -signal.SIGKILL
        stop_process(process, within=0.1)


@pytest.mark.server
def test_server_that_takes_too_long_is_reported():
    with pytest.raises(ServerNotStarted, match="no answer in 0 s"), started_server(within=0):
        raise AssertionError("must not be up")


@pytest.mark.server
def test_server_ends_when_its_parent_ends(tmp_path):
    command = [sys.executable, "-m", "linedays.adapters.server_launch", str(tmp_path)]
    with subprocess.Popen(command, stdin=subprocess.DEVNULL, cwd=tmp_path) as process:
        assert process.wait(timeout=60) == 0  # its standard input is at its end from the start
    assert (tmp_path / "address").read_text().startswith("http://127.0.0.1:")


@pytest.mark.parametrize(
    ("resources", "sizes"), [(0, []), (1, [1]), (200, [200]), (201, [200, 1]), (450, [200, 200, 50])]
)
def test_resources_are_sent_in_chunks_under_their_own_ids(resources, sizes):
    class Receiver:
        def __init__(self):
            self.sent = []

        def transact(self, entries):
            self.sent.append(list(entries))
            return b"{}"

    receiver = Receiver()
    load_bundle(receiver, [{"resourceType": "Patient", "id": f"p{number}"} for number in range(resources)])
    assert [len(entries) for entries in receiver.sent] == sizes
    urls = [entry["request"]["url"] for entries in receiver.sent for entry in entries]
    assert urls == [f"Patient/p{number}" for number in range(resources)]
