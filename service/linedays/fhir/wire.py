"""Raw bytes of one FHIR R4 resource → a narrow record of the elements we read. No I/O.

A status outside its required code set is refused, and so is a modifier extension; an element that the standard does not
know is passed over and named (`Odd`). A resource that does not fit the narrow shape is told apart by `refusal`: which
type and id it claims, and what is wrong with it.
"""

import re

import msgspec
from msgspec import Struct

from linedays.fhir.records import READ_TYPES, Record
from linedays.fhir.unknown import GivenTwice, known_only


class _Claim(Struct, rename="camel"):
    """What a resource that did not fit says it is."""

    resource_type: object = None
    id: object = None


class Refusal(Struct, frozen=True, gc=False):
    """Bytes that are no record: what they claim to be, and why. `of_other_type` is a type we do not read."""

    source: str | None
    why: str
    of_other_type: bool = False
    not_json: bool = False


class Odd(Struct, frozen=True, gc=False):
    """A record of what is known of a resource: `unknown` are the paths of elements that the standard does not know.

    `modifiers` are those of what may reverse what the resource says, and is not understood.
    """

    record: Record
    unknown: tuple[str, ...]
    modifiers: tuple[str, ...]


_record = msgspec.json.Decoder(Record)
_claim = msgspec.json.Decoder(_Claim)
_UNREADABLE = (msgspec.DecodeError, UnicodeDecodeError, RecursionError)
_TYPE = re.compile(r"[A-Za-z]{1,64}", re.ASCII)
# What the decoder says where only what is read of a resource may fit: any other misfit is in what is read.
_MAY_FIT_YET = re.compile(r"unknown field|(?:modifierExtension|implicitRules)`$")
_ID = re.compile(r"[A-Za-z0-9._-]{1,64}", re.ASCII)


def record_from_bytes(raw: bytes | msgspec.Raw) -> Record | Odd | Refusal:
    """Read one resource."""
    try:
        record: Record = _record.decode(raw)
        return record
    except _UNREADABLE as error:
        return _second_look(raw, error)


def _second_look(raw: bytes | msgspec.Raw, error: Exception) -> Record | Odd | Refusal:
    """Read what is known of a resource that did not fit, or say what it claims to be and why it does not."""
    refused = refusal(raw, error)
    name = (refused.source or "").partition("/")[0]
    if name not in READ_TYPES or not _MAY_FIT_YET.search(str(error)):
        return refused
    try:
        known = known_only(raw, READ_TYPES[name])
        record: Record = _record.decode(known.body)
    except GivenTwice as twice:
        return Refusal(source=refused.source, why=f"the same element twice at {twice}")
    except (*_UNREADABLE, ValueError) as second:
        return refusal(raw, second)
    return Odd(record, known.unknown, known.modifiers) if known.unknown or known.modifiers else record


def refusal(raw: bytes | msgspec.Raw, error: Exception) -> Refusal:
    """Say what bytes that did not fit claim to be, and why they did not fit."""
    try:
        claim = _claim.decode(raw)
    except msgspec.ValidationError:
        return Refusal(source=None, why="no JSON object, so no FHIR resource")
    except _UNREADABLE:
        return Refusal(source=None, why="not readable as JSON", not_json=True)
    name, given = claim.resource_type, claim.id
    if not isinstance(name, str) or not _TYPE.fullmatch(name):
        return Refusal(source=None, why="no resourceType, so no FHIR resource")
    source = f"{name}/{given}" if isinstance(given, str) and _ID.fullmatch(given) else name
    if name == "Bundle":
        return Refusal(source=source, why="a Bundle where one resource belongs, or one whose entries cannot be read")
    if name not in READ_TYPES:
        return Refusal(source=source, why="a type that is not read", of_other_type=True)
    return Refusal(source=source, why="nested too deeply" if isinstance(error, RecursionError) else _plain(str(error)))


def _plain(error: str) -> str:
    """Keep what is wrong and where, never a value: the decoder quotes values in single quotation marks."""
    what, found, where = error.rpartition(" - at ")
    if not found:
        what, where = error, "its top"
    return f"{what if chr(39) not in what else 'a value that is not allowed'} at {where}"
