"""The bytes of a FHIR Bundle → the bytes of its resources, one by one. No I/O.

Each resource is handed on undecoded, so that one that does not fit is one issue and not the loss of the whole page.
"""

from typing import Any, Literal

import msgspec
import orjson

from linedays.adapters.fhir_errors import FhirRejected


class _Bundle(msgspec.Struct, rename="camel"):
    resource_type: Literal["Bundle"]
    entry: tuple[msgspec.Raw, ...] = ()


class _Entry(msgspec.Struct):
    resource: msgspec.Raw = msgspec.Raw(b"")


_bundle = msgspec.json.Decoder(_Bundle)
_entry = msgspec.json.Decoder(_Entry)
_UNREADABLE = (msgspec.DecodeError, UnicodeDecodeError, RecursionError)
# What tells whose a resource is and which one, and nothing of what it says.
_NAMES = ("resourceType", "id", "identifier", "groupIdentifier")


def bundle_entries(raw: bytes) -> tuple[bytes, ...] | None:
    """Return the resources of a Bundle as raw bytes, or None where the bytes are not a Bundle.

    An entry without a resource is passed over; one that is no entry is handed on as it stands, to end as an issue. In a
    Bundle that breaks off no entry can be told apart: it is None as a whole.
    """
    try:
        bundle = _bundle.decode(raw)
    except _UNREADABLE:
        return None
    return tuple(found for found in map(_resource_of, bundle.entry) if found)


def entries_of(page: bytes, what: str) -> tuple[bytes, ...]:
    """Return the resources of a page of search results.

    Raises: FhirRejected where it is no Bundle: a page passed over in silence would look like an empty chart.
    """
    found = bundle_entries(page)
    if found is None:
        raise FhirRejected(f"search of {what}: a page is no FHIR Bundle that can be read; nothing was derived from it")
    return found


def resource_from(raw: bytes) -> dict[str, Any]:
    """Return one resource decoded; of one whose bytes are not all text only what names it, where that can be read.

    So it is known to be there, and nothing that stands in it can be believed or written back.
    """
    try:
        found = orjson.loads(raw)
    except orjson.JSONDecodeError:
        found = _names_in(raw)
    return found if isinstance(found, dict) else {}


def _names_in(raw: bytes) -> dict[str, Any]:
    try:
        found = orjson.loads(raw.decode(errors="replace"))
    except orjson.JSONDecodeError:
        return {}
    return {name: found[name] for name in _NAMES if name in found} if isinstance(found, dict) else {}


def _resource_of(entry: msgspec.Raw) -> bytes:
    try:
        return bytes(_entry.decode(entry).resource)
    except _UNREADABLE:
        return bytes(entry)
