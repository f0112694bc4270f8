"""What can go wrong with the record system, and what a write came to: the values that leave the adapter. No I/O.

    FhirProblem
      FhirUnavailable   no usable answer; ask again later
      FhirRejected      a clear no, or an answer that cannot be trusted; asking again changes nothing
        SearchIgnored   the answer is wider than the question

No text here holds an id, a name or a query string: they end up in logs.
"""

from dataclasses import dataclass
from enum import StrEnum


class FhirProblem(Exception):
    """The record system did not do what was asked."""


class FhirUnavailable(FhirProblem):
    """The record system gave no usable answer; try again later.

    Units: `retry_after` in seconds, as the server asked. `repeatable` is false where the same request cannot
    succeed later (an expired page): begin the search anew.
    """

    def __init__(self, text: str, *, retry_after: float | None = None, repeatable: bool = True) -> None:
        super().__init__(text)
        self.retry_after = retry_after
        self.repeatable = repeatable


class FhirRejected(FhirProblem):
    """The record system refused, or answered with something that cannot be used; do not repeat.

    `diagnostics` is what its OperationOutcome said, without anything that could name a patient.
    """

    def __init__(self, text: str, *, status: int | None = None, diagnostics: str = "") -> None:
        super().__init__(f"{text}: {diagnostics}" if diagnostics else text)
        self.status = status
        self.diagnostics = diagnostics


class SearchIgnored(FhirRejected):
    """The server left out search parameters, so the result is wider than asked; nothing of it may be used."""

    def __init__(self, resource_type: str, missing: tuple[str, ...]) -> None:
        super().__init__(
            f"search of {resource_type}: the server did not apply {', '.join(missing)} (its self link does not name "
            "them); leave the parameter out of the search or use a server that supports it"
        )
        self.missing = missing


class Written(StrEnum):
    """What a write came to."""

    CREATED = "created"
    UPDATED = "updated"
    EXISTED = "existed"
    SEVERAL = "several match"
    CONFLICT = "conflict"
    GONE = "gone"
    REJECTED = "rejected"
    NO_ANSWER = "no answer"


@dataclass(frozen=True, slots=True, kw_only=True)
class WriteOutcome:
    """The result of a write. `id` and `version` are None where nothing was written or the server does not say.

    `body` is the resource as it is on the server now, where the server sent it. `said` is why it was not taken,
    without anything that could name a patient.
    """

    result: Written
    id: str | None = None
    version: str | None = None
    body: bytes | None = None
    said: str = ""
