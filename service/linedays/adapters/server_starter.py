"""Starts and stops a FHIR R4 server on this machine for the demo and the tests. I/O: a process, a temporary folder.

The only place that knows which server that is: a module that takes a folder, writes its address there and serves can
stand in for `server_launch`. `load_bundle` fills a server, any server, with resources that bring their own ids. Needs
process groups, that is Linux, macOS or another POSIX system.
"""

import atexit
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import partial
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Protocol

from linedays.adapters.clock import SystemClock
from linedays.adapters.fhir_errors import FhirProblem
from linedays.adapters.fhir_http import Retries, new_client
from linedays.adapters.fhir_server import FhirServer
from linedays.adapters.server_launch import ADDRESS_FILE

SERVER_PACKAGE = "sekmet"
LAUNCHER = "linedays.adapters.server_launch"
_STARTS_WITHIN = 60.0
_STOPS_WITHIN = 5.0
_POLL = 0.1
# Bundles larger than this are refused by some servers (limits of 500 entries are known).
CHUNK = 200


class ServerNotStarted(Exception):
    """The demo's FHIR server did not start."""


class Transacting(Protocol):
    """A FHIR server that takes transactions."""

    def transact(self, entries: Sequence[Mapping[str, Any]]) -> bytes:
        """Apply all entries or none."""


@contextmanager
def started_server(
    *, package: str = SERVER_PACKAGE, launcher: str = LAUNCHER, within: float = _STARTS_WITHIN
) -> Iterator[str]:
    """Start an empty server on a free loopback port; yield its base address; stop it and drop its data at the end.

    `launcher` is the module to run, `package` what it needs to be installed.
    Units: `within` in seconds.
    Raises: ServerNotStarted, with what to do.
    """
    if find_spec(package) is None:
        raise ServerNotStarted("the demo's FHIR server is not installed; run: pip install 'linedays[demo]'")
    with tempfile.TemporaryDirectory(prefix="linedays-demo-") as name:
        folder = Path(name)
        with (folder / "log").open("wb") as log:
            process = _launch(launcher, folder, log.fileno())
        stop = atexit.register(partial(stop_process, process))
        try:
            yield _address_when_up(process, folder, within)
        finally:
            atexit.unregister(stop)
            stop()


def load_bundle(server: Transacting, resources: Sequence[Mapping[str, Any]], *, chunk: int = CHUNK) -> None:
    """Store resources under their own ids, in their order, as transactions of at most `chunk` entries.

    Loading the same resources again replaces them.
    Raises: FhirUnavailable, FhirRejected; chunks before the failing one are stored.
    """
    for start in range(0, len(resources), chunk):
        server.transact([_put_entry(resource) for resource in resources[start : start + chunk]])


def _put_entry(resource: Mapping[str, Any]) -> dict[str, Any]:
    where = f"{resource['resourceType']}/{resource['id']}"
    return {"resource": resource, "request": {"method": "PUT", "url": where}}


def _launch(launcher: str, folder: Path, log: int) -> subprocess.Popen[bytes]:
    # A fixed command of ours without a shell. Isolated working folder, since the server writes beside itself.
    return subprocess.Popen(  # noqa: S603
        [sys.executable, "-m", launcher, str(folder)],
        stdin=subprocess.PIPE,
        stdout=log,
        stderr=subprocess.STDOUT,
        cwd=folder,
        start_new_session=True,
    )


def _address_when_up(process: subprocess.Popen[bytes], folder: Path, within: float) -> str:
    clock = SystemClock()
    until = clock.monotonic() + within
    with new_client() as client:
        while clock.monotonic() < until:
            if process.poll() is not None:
                raise ServerNotStarted(f"the demo's FHIR server ended at once; it wrote:\n{_last_lines(folder)}")
            address = folder / ADDRESS_FILE
            if address.exists():
                base_url = address.read_text(encoding="utf-8")
                try:
                    FhirServer(base_url, client=client, retries=Retries(tries=1)).read_metadata()
                except FhirProblem:
                    pass
                else:
                    return base_url
            clock.pause(_POLL)
    raise ServerNotStarted(f"the demo's FHIR server gave no answer in {within:g} s; it wrote:\n{_last_lines(folder)}")


def _last_lines(folder: Path) -> str:
    lines = (folder / "log").read_text(encoding="utf-8", errors="replace").splitlines()
    return "\n".join(lines[-10:])


def stop_process(process: subprocess.Popen[bytes], *, within: float = _STOPS_WITHIN) -> None:
    """End a process that leads its own group, and the group with it; doing it twice does nothing.

    Units: `within` in seconds, after which it is no longer asked but killed.
    """
    if process.stdin is not None:
        process.stdin.close()
    if process.poll() is not None:
        return
    try:
        os.killpg(process.pid, signal.SIGTERM)
        process.wait(within)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
