"""What the sweep needs of the outside world, as Protocols. No I/O: `adapters` has the real ones, tests the fakes."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Protocol

from linedays.adapters.entries import BundleKind, Entry
from linedays.adapters.fhir_errors import FhirUnavailable, WriteOutcome
from linedays.core.moment import Instant
from linedays.fhir.searches import Search


class FhirServer(Protocol):
    """A FHIR R4 server. Every method may raise FhirUnavailable (try later) or FhirRejected (do not)."""

    @property
    def server_time(self) -> Instant | None:
        """The server's own clock at its last answer."""

    def read_metadata(self) -> bytes:
        """Return the CapabilityStatement."""

    def read(self, resource_type: str, resource_id: str) -> bytes | None:
        """Return one resource; None where there is none or it was deleted."""

    def read_pages(self, search: Search) -> Iterator[bytes]:
        """Yield the pages (Bundles) of a search; the answer is whole only when the iterator ends without an error."""

    def create(self, resource: Mapping[str, Any], if_none_exist: str) -> WriteOutcome:
        """Create a resource unless one matches: CREATED, EXISTED, SEVERAL or CONFLICT."""

    def update(self, resource: Mapping[str, Any], version: str | None) -> WriteOutcome:
        """Replace a resource that still has this version: UPDATED or CONFLICT."""

    def send(self, entry: Entry) -> WriteOutcome:
        """Send one write, once; a refusal is an outcome. Raises FhirUnavailable only."""

    def send_bundle(self, kind: BundleKind, entries: Sequence[Entry]) -> tuple[WriteOutcome, ...]:
        """Send writes in one request, once; return what each came to. FhirRejected: the whole was refused."""

    def wait(self, problem: FhirUnavailable, attempt: int) -> bool:
        """Pause before asking again; False where that is no use now."""

    def transact(self, entries: Sequence[Mapping[str, Any]]) -> bytes:
        """Apply all entries or none."""


class Clock(Protocol):
    """The machine's clocks."""

    def now(self) -> Instant:
        """Return the wall clock, UTC."""

    def monotonic(self) -> float:
        """Return seconds on a clock that never jumps."""

    def pause(self, seconds: float) -> None:
        """Wait."""
