"""The bytes of a FHIR Bundle → the bytes of its resources, one by one. No I/O.

Each resource is handed on undecoded, so that one that does not fit is one issue and not the loss of the whole page.
"""

from typing import Literal

import msgspec

from linedays.adapters.fhir_errors import FhirRejected


class _Bundle(msgspec.Struct, rename="camel"):
    resource_type: Literal["Bundle"]
    entry: tuple[msgspec.Raw, ...] = ()


class _Entry(msgspec.Struct):
    resource: msgspec.Raw = msgspec.Raw(b"")


_bundle = msgspec.json.Decoder(_Bundle)
_entry = msgspec.json.Decoder(_Entry)
_UNREADABLE = (msgspec.DecodeError, UnicodeDecodeError, RecursionError)


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


def _resource_of(entry: msgspec.Raw) -> bytes:
    try:
        return bytes(_entry.decode(entry).resource)
    except _UNREADABLE:
        return bytes(entry)
