"""A CapabilityStatement → the ways to send several writes in one request that a server says it takes. No I/O.

What a server says may be wrong: who uses this must be ready for a refusal all the same.
"""

import msgspec

from linedays.adapters.entries import BundleKind


class _Interaction(msgspec.Struct, frozen=True):
    code: str = ""


class _Rest(msgspec.Struct, frozen=True):
    mode: str = ""
    interaction: tuple[_Interaction, ...] = ()


class _Statement(msgspec.Struct, frozen=True):
    rest: tuple[_Rest, ...] = ()


_STATEMENT = msgspec.json.Decoder(_Statement)


def bundle_kinds(statement: bytes) -> frozenset[BundleKind]:
    """Return the kinds of Bundle that a server says it takes; none where the statement cannot be read.

    Source: FHIR R4 CapabilityStatement.rest.interaction (http://hl7.org/fhir/R4/capabilitystatement.html).
    """
    try:
        found = _STATEMENT.decode(statement)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return frozenset()
    codes = {each.code for rest in found.rest if rest.mode == "server" for each in rest.interaction}
    return frozenset(kind for kind in BundleKind if kind.value in codes)
