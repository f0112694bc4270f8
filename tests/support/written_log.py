"""Everything that a test run hands to a FHIR server to be written → does it pass three checks that know nothing of each other.

A pytest plugin. It looks at what goes through `send` and `send_bundle` of the real adapter and of the server in memory, which is
how the service writes, whatever comes of it. Each content (without id and meta) is checked once, when it is first seen: by the R4B
classes of fhir.resources, by fhirkit, and by our own check, which also wants our identifier system in all but a Provenance.
The summary says how many there were and the processor time that it took; one that does not pass makes the run fail.

Not seen: what another process writes (the tests that start the command line as one); what tests write as somebody else, by
`person_edits`, by `create` and `update` of the server in memory, and as charts (`load_bundle`, `transact`). A test that sends
what it has made up itself is left out by the marker `sends_made_up(why)`; how much that is, and why, stands in the summary.
"""

import threading
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import wraps
from hashlib import blake2b
from time import thread_time
from typing import Any

import orjson
import pytest

Resource = Mapping[str, Any]
Check = Callable[[Resource], Sequence[str]]
MARKER = "sends_made_up"
KINDS = ("Task", "Flag", "Observation", "Provenance", "Device")
# Of how many that do not pass everything is said; the others are counted.
_MOST_SHOWN = 20


def checks() -> dict[str, Check]:
    """Return what each of the three says against a resource. The imports are here because they cost most of a second."""
    from linedays.fhir.checks import problems_of, validate_with_classes
    from support.written_resources import US, fhirkit_says

    return {
        "R4B classes": validate_with_classes,
        "fhirkit": lambda resource: [str(one) for one in fhirkit_says(resource)],
        "own check": lambda resource: problems_of(resource, US),
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class NotRight:
    """A resource that one of the checks refused: in which test it was first written, and what each check said."""

    kind: str
    test: str
    said: Mapping[str, Sequence[str]]

    def lines(self) -> Iterator[str]:
        yield f"{self.kind}, first written in {self.test}"
        for name, problems in self.said.items():
            yield f"  {name}: {'; '.join(problems) or 'passed'}"


@dataclass(slots=True)
class WrittenLog:
    """What was written so far. `test` is the one that runs, `made_up` why what it sends is left out."""

    test: str = "no test"
    made_up: str | None = None
    written: int = 0
    left_out: Counter[str] = field(default_factory=Counter)
    distinct: Counter[str] = field(default_factory=Counter)
    passed: Counter[str] = field(default_factory=Counter)
    not_right: list[NotRight] = field(default_factory=list)
    seconds: float = 0.0
    _seen: set[bytes] = field(default_factory=set)
    _checks: dict[str, Check] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def take(self, resource: Resource) -> None:
        """Count a resource, and check it where its content is seen for the first time."""
        began = thread_time()
        with self._lock:
            self._take(resource)
            self.seconds += thread_time() - began

    def _take(self, resource: Resource) -> None:
        if self.made_up is not None:
            self.left_out[self.made_up] += 1
            return
        self.written += 1
        content = {name: value for name, value in resource.items() if name not in ("id", "meta")}
        digest = blake2b(orjson.dumps(content, option=orjson.OPT_SORT_KEYS), digest_size=16).digest()
        if digest not in self._seen:
            self._seen.add(digest)
            self._check(str(resource.get("resourceType")), resource)

    def _check(self, kind: str, resource: Resource) -> None:
        self._checks = self._checks or checks()
        said = {name: tuple(check(resource)) for name, check in self._checks.items()}
        self.distinct[kind] += 1
        self.passed.update(name for name, problems in said.items() if not problems)
        if any(said.values()):
            self.not_right.append(NotRight(kind=kind, test=self.test, said=said))

    def summary(self) -> Iterator[str]:
        """Yield the figures of the run; nothing where nothing was sent."""
        if self.written:
            kinds = [*KINDS, *sorted(self.distinct.keys() - set(KINDS))]
            by_kind = ", ".join(f"{kind} {self.distinct[kind]}" for kind in kinds)
            total = self.distinct.total()
            passed = ", ".join(f"{name} {self.passed[name]} passed" for name in self._checks)
            yield f"written in this run: {self.written} resources, {total} distinct ({by_kind}): {passed} ({self.seconds:.1f} s)"
        for why, count in sorted(self.left_out.items()):
            yield f"not among them: {count} that tests sent by hand ({why})"

    def complaints(self) -> Iterator[str]:
        """Yield what is to be said about what did not pass."""
        for one in self.not_right[:_MOST_SHOWN]:
            yield from one.lines()
        if len(self.not_right) > _MOST_SHOWN:
            yield f"and {len(self.not_right) - _MOST_SHOWN} more"


@contextmanager
def watched(log: WrittenLog) -> Iterator[None]:
    """Let a log see everything that is sent from this process by the real adapter or to the server in memory."""
    from linedays.adapters.fhir_server import FhirServer
    from support.memory_fhir_server import MemoryFhirServer

    with pytest.MonkeyPatch.context() as patch:
        for server in (FhirServer, MemoryFhirServer):
            patch.setattr(server, "send", _seen_by(log, server.send, lambda entry: (entry,)))
            patch.setattr(server, "send_bundle", _seen_by(log, server.send_bundle, lambda kind, entries: entries))
        yield


def _seen_by(log: WrittenLog, send: Callable[..., Any], entries_of: Callable[..., Any]) -> Callable[..., Any]:
    @wraps(send)
    def sent(server: Any, *told: Any, **more: Any) -> Any:
        for entry in entries_of(*told, **more):
            log.take(entry.resource)
        return send(server, *told, **more)

    return sent


class WrittenPlugin:
    """Lets a log see a whole run, fails the run for what does not pass, and says the figures at its end."""

    def __init__(self) -> None:
        self.log = WrittenLog()

    @pytest.hookimpl(wrapper=True)
    def pytest_runtestloop(self, session: pytest.Session) -> Iterator[None]:
        if session.config.option.collectonly:
            return (yield)
        with watched(self.log):
            return (yield)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        marker = item.get_closest_marker(MARKER)
        self.log.test, self.log.made_up = item.nodeid, None if marker is None else str(marker.args[0])
        return (yield)

    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        if self.log.not_right and session.exitstatus == pytest.ExitCode.OK:
            session.exitstatus = pytest.ExitCode.TESTS_FAILED

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        summary, complaints = list(self.log.summary()), list(self.log.complaints())
        if summary:
            terminalreporter.section("WRITTEN")
        for line in summary:
            terminalreporter.line(line)
        if complaints:
            count = len(self.log.not_right)
            terminalreporter.section(f"WRITTEN AND NOT RIGHT: {count}", red=True, bold=True)
            for line in complaints:
                terminalreporter.line(line, red=True)
