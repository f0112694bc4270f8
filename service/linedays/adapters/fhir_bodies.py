"""Turns bodies of the record system's answers into what the adapter must know: links, matches, ids, reasons. No I/O.

Only the envelope is decoded; the resources stay bytes, which the caller reads.
"""

import re
from collections import Counter
from collections.abc import Iterable
from itertools import groupby
from urllib.parse import parse_qsl, urlsplit

import msgspec

from linedays.adapters.fhir_errors import FhirRejected, FhirUnavailable, SearchIgnored

# Parameters that shape the answer but never make it wider, so a server may leave them out of its self link.
# Source: FHIR R4, search, "search result parameters" (http://hl7.org/fhir/R4/search.html#return).
RESULT_PARAMETERS = frozenset(
    {"_sort", "_count", "_include", "_revinclude", "_summary", "_total", "_elements", "_contained", "_containedType",
     "_format", "_pretty"}
)  # fmt: skip


class _Link(msgspec.Struct, frozen=True):
    relation: str = ""
    url: str = ""


class _Mode(msgspec.Struct, frozen=True):
    mode: str = "match"


class _Entry(msgspec.Struct, frozen=True):
    resource: msgspec.Raw = msgspec.Raw(b"null")
    search: _Mode = _Mode()


class _Coding(msgspec.Struct, frozen=True):
    code: str = ""


class _Details(msgspec.Struct, frozen=True):
    coding: list[_Coding] = []
    text: str = ""


class _OutcomeIssue(msgspec.Struct, frozen=True):
    severity: str = ""
    code: str = ""
    details: _Details = _Details()
    diagnostics: str = ""
    expression: list[str] = []


class _Envelope(msgspec.Struct, frozen=True, rename="camel"):
    resource_type: str = ""
    link: list[_Link] = []
    issue: list[_OutcomeIssue] = []


class _Matches(msgspec.Struct, frozen=True):
    entry: list[_Entry] = []


class _Meta(msgspec.Struct, frozen=True, rename="camel"):
    version_id: str | None = None


class _Identity(msgspec.Struct, frozen=True, rename="camel"):
    resource_type: str = ""
    id: str | None = None
    meta: _Meta = _Meta()


_ENVELOPE = msgspec.json.Decoder(_Envelope)
_MATCHES = msgspec.json.Decoder(_Matches)
_IDENTITY = msgspec.json.Decoder(_Identity)


def links_of_page(body: bytes, *, what: str) -> dict[str, str]:
    """Return the links of a page of search results by relation.

    Raises: FhirUnavailable where the body is cut off; FhirRejected where it is not a Bundle.
    """
    envelope = _envelope(body, what)
    if envelope.resource_type == "OperationOutcome":
        raise FhirRejected(f"{what}: an OperationOutcome instead of a Bundle", diagnostics=_reasons(envelope.issue))
    if envelope.resource_type != "Bundle":
        raise FhirRejected(f"{what}: the answer is not a Bundle; check the address of the FHIR server")
    return {link.relation: link.url for link in envelope.link}


def check_complete(body: bytes, *, what: str) -> None:
    """Raise FhirUnavailable where a body is cut off, FhirRejected where it is no resource at all."""
    if not _envelope(body, what).resource_type:
        raise FhirRejected(f"{what}: the answer is not a FHIR resource; check the address of the FHIR server")


def _envelope(body: bytes, what: str) -> _Envelope:
    if body.lstrip()[:1] == b"<":
        raise FhirRejected(
            f"{what}: the answer is a web page or XML, not FHIR JSON; check the address, and that no sign-in page "
            "stands in between"
        )
    try:
        return _ENVELOPE.decode(body)
    except (msgspec.ValidationError, RecursionError) as problem:
        raise FhirRejected(f"{what}: the answer is JSON but not shaped like a FHIR resource") from problem
    except (msgspec.DecodeError, UnicodeDecodeError) as problem:
        raise FhirUnavailable(f"{what}: the answer is cut off or is not JSON") from problem


def check_parameters_applied(sent: Iterable[tuple[str, str]], self_url: str | None, *, resource_type: str) -> None:
    """Raise SearchIgnored where the server's self link lacks a parameter that narrows the search.

    Source: FHIR R4, search, "server conformance": the self link carries the parameters actually used
    (http://hl7.org/fhir/R4/search.html#conformance).
    """
    wanted = Counter(name for name, _ in sent if name.partition(":")[0] not in RESULT_PARAMETERS)
    applied = Counter(name for name, _ in parse_qsl(urlsplit(self_url or "").query, keep_blank_values=True))
    missing = tuple(sorted(name for name, times in wanted.items() if applied[name] < times))
    if missing:
        raise SearchIgnored(resource_type, missing)


def matches_of_page(body: bytes) -> tuple[bytes, ...]:
    """Return the matching resources of a page that `links_of_page` has accepted, each as bytes."""
    return tuple(bytes(entry.resource) for entry in _MATCHES.decode(body).entry if entry.search.mode == "match")


def identity_of(body: bytes, resource_type: str) -> tuple[str | None, str | None]:
    """Return id and version of a resource; (None, None) where the body is something else or nothing."""
    try:
        found = _IDENTITY.decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None, None
    return (found.id, found.meta.version_id) if found.resource_type == resource_type else (None, None)


def outcome_reasons(body: bytes) -> str:
    """Return what an OperationOutcome says, without what could name a patient; "" where the body is none."""
    try:
        envelope = _ENVELOPE.decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return ""
    return _reasons(envelope.issue)


_LONGEST_REASON = 300
# A lower-case word, a path of elements such as Task.status, a message id of the standard: nothing that a name, a number
# or an id looks like. Everything else becomes "…".
_TYPES = "Bundle|Device|DeviceUseStatement|Encounter|Flag|Location|Observation|Patient|Procedure|Provenance|Task"
_PLAIN_WORD = re.compile(rf"[a-z][a-z_-]*|MSG_[A-Z_]+|(?:{_TYPES})(?:\.[a-z]\w*)*", re.ASCII)
_QUOTED = re.compile(r"'[^']*'|\"[^\"]*\"|`[^`]*`|<[^>]*>")


def _reasons(issues: Iterable[_OutcomeIssue]) -> str:
    parts = []
    for issue in issues:
        codes = (issue.severity, issue.code, *(coding.code for coding in issue.details.coding), *issue.expression)
        parts.append(" ".join(_plain(text) for text in (*codes, issue.details.text, issue.diagnostics) if text))
    return "; ".join(parts)[:_LONGEST_REASON]


def _plain(text: str) -> str:
    words = _QUOTED.sub("…", text).split()
    kept = (word if _PLAIN_WORD.fullmatch(word.strip(".,:;()[]")) else "…" for word in words)
    return " ".join(word for word, _ in groupby(kept))
