"""The bytes of a FHIR Bundle → the bytes of its resources, one by one. No I/O.

Each resource is handed on undecoded, so that one that does not fit is one issue and not the loss of the whole page.
"""

import msgspec


class _BundleEntry(msgspec.Struct):
    resource: msgspec.Raw = msgspec.Raw(b"")


class _Bundle(msgspec.Struct, rename="camel"):
    resource_type: str
    entry: tuple[_BundleEntry, ...] = ()


_bundle = msgspec.json.Decoder(_Bundle)


def bundle_entries(raw: bytes) -> tuple[bytes, ...] | None:
    """Return the resources of a Bundle as raw bytes, or None where the bytes are not a Bundle."""
    try:
        bundle = _bundle.decode(raw)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None
    if bundle.resource_type != "Bundle":
        return None
    return tuple(bytes(entry.resource) for entry in bundle.entry if bytes(entry.resource))
