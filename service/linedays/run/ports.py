"""What the sweep needs of the outside world, as Protocols. No I/O: `adapters` has the real ones, tests the fakes."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Protocol

from linedays.adapters.entries import BundleKind, Entry
from linedays.adapters.fhir_errors import FhirUnavailable, WriteOutcome
from linedays.adapters.store_values import Lease, SweepHistory, SweepRecord
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


class WriterStore(Protocol):
    """Who may write to a record system, and what writing sweeps had to write. Every method may raise StoreProblem."""

    def take(self, key: str, holder: str, *, at: Instant, until: Instant) -> Lease:
        """Take the lease where it is free, and return the one that then stands: ours, or somebody else's."""

    def renew(self, key: str, epoch: int, *, until: Instant) -> bool:
        """Let the lease of an epoch last until another time; False where it is somebody else's, or free."""

    def release(self, key: str, epoch: int) -> None:
        """Give the lease of an epoch back; nothing happens where it is somebody else's by now."""

    def check(self, key: str, epoch: int, *, at: Instant) -> bool:
        """Tell whether the lease of an epoch stands at a moment."""

    def begin_sweep(self, key: str, epoch: int, record: SweepRecord) -> int | None:
        """Note a writing sweep before its first write; return its number, or None where the epoch is stale."""

    def end_sweep(self, key: str, epoch: int, number: int) -> bool:
        """Note that a sweep was carried through; False where the epoch is stale."""

    def history(self, key: str, kinds: tuple[str, ...], *, last: int) -> SweepHistory:
        """Return what is known of the writing sweeps on a record system: of each kind, the last so many counts."""


class Clock(Protocol):
    """The machine's clocks."""

    def now(self) -> Instant:
        """Return the wall clock, UTC."""

    def monotonic(self) -> float:
        """Return seconds on a clock that never jumps."""

    def pause(self, seconds: float) -> None:
        """Wait."""
