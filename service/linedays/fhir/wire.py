"""Raw bytes of one FHIR R4 resource → a narrow record of the elements we read. No I/O.

Unknown elements are passed over here, as real servers send many; a status outside its required code set is not. A
resource that does not fit the narrow shape is told apart by `refusal`: which type and id it claims, and what is wrong
with it.
"""

import re
from typing import Annotated, Literal, TypeAlias

import msgspec
from msgspec import Struct, field

# Source: FHIR R4, the value sets event-status, observation-status, device-status, device-statement-status and
# encounter-status, bound as required (http://hl7.org/fhir/R4/terminologies-valuesets.html); id: at most 64 characters
# (http://hl7.org/fhir/R4/datatypes.html#id). Underscores, which real servers send, are let through.
Id: TypeAlias = Annotated[str, msgspec.Meta(min_length=1, max_length=64)]
ProcedureStatus: TypeAlias = Literal[
    "preparation", "in-progress", "not-done", "on-hold", "stopped", "completed", "entered-in-error", "unknown"
]
ObservationStatus: TypeAlias = Literal[
    "registered", "preliminary", "final", "amended", "corrected", "cancelled", "entered-in-error", "unknown"
]
DeviceStatus: TypeAlias = Literal["active", "inactive", "entered-in-error", "unknown"]
UseStatus: TypeAlias = Literal["active", "completed", "entered-in-error", "intended", "stopped", "on-hold"]
EncounterStatus: TypeAlias = Literal[
    "planned", "arrived", "triaged", "in-progress", "onleave", "finished", "cancelled", "entered-in-error", "unknown"
]


class Coding(Struct, frozen=True, gc=False):
    """A code in a code system."""

    system: str | None = None
    code: str | None = None


class Concept(Struct, frozen=True, gc=False):
    """A CodeableConcept."""

    coding: tuple[Coding, ...] = ()
    text: str | None = None


class Reference(Struct, frozen=True, gc=False):
    """A Reference; only a literal one is used."""

    reference: str | None = None


class Period(Struct, frozen=True, gc=False):
    """A Period."""

    start: str | None = None
    end: str | None = None


class Identifier(Struct, frozen=True, gc=False):
    """A business identifier."""

    system: str | None = None
    value: str | None = None


class Meta(Struct, frozen=True, gc=False, rename="camel"):
    """What the server says of this version."""

    last_updated: str | None = None
    version_id: str | None = None


class Extension(Struct, frozen=True, gc=False, rename="camel"):
    """An extension with a time or a code."""

    url: str = ""
    value_date_time: str | None = None
    value_code: str | None = None


class Quantity(Struct, frozen=True, gc=False):
    """A measured amount."""

    value: float | None = None
    code: str | None = None
    unit: str | None = None


class FocalDevice(Struct, frozen=True, gc=False):
    """The device a Procedure was about."""

    manipulated: Reference | None = None
    action: Concept | None = None


class Resource(Struct, frozen=True, gc=False, kw_only=True, rename="camel", tag_field="resourceType"):
    """What every resource has."""

    id: Id
    meta: Meta | None = None
    identifier: tuple[Identifier, ...] = ()


class Procedure(Resource, frozen=True, gc=False, kw_only=True, tag="Procedure", rename="camel"):
    """R4 Procedure."""

    status: ProcedureStatus
    subject: Reference
    code: Concept = Concept()
    status_reason: Concept | None = None
    encounter: Reference | None = None
    performed_date_time: str | None = None
    performed_period: Period | None = None
    body_site: tuple[Concept, ...] = ()
    focal_device: tuple[FocalDevice, ...] = ()
    used_reference: tuple[Reference, ...] = ()
    used_code: tuple[Concept, ...] = ()
    part_of: tuple[Reference, ...] = ()
    extension: tuple[Extension, ...] = ()


class Component(Struct, frozen=True, gc=False, kw_only=True, rename="camel"):
    """Observation.component."""

    code: Concept = Concept()
    value_codeable_concept: Concept | None = None
    value_string: str | None = None
    value_boolean: bool | None = None
    value_quantity: Quantity | None = None


class Observation(Resource, frozen=True, gc=False, kw_only=True, tag="Observation", rename="camel"):
    """R4 Observation."""

    status: ObservationStatus
    code: Concept
    subject: Reference | None = None
    encounter: Reference | None = None
    effective_date_time: str | None = None
    effective_period: Period | None = None
    effective_instant: str | None = None
    issued: str | None = None
    value_codeable_concept: Concept | None = None
    value_string: str | None = None
    value_boolean: bool | None = None
    value_quantity: Quantity | None = None
    value_date_time: str | None = None
    device: Reference | None = None
    focus: tuple[Reference, ...] = ()
    body_site: Concept | None = None
    component: tuple[Component, ...] = ()


class Device(Resource, frozen=True, gc=False, kw_only=True, tag="Device", rename="camel"):
    """R4 Device."""

    status: DeviceStatus | None = None
    type: Concept | None = None
    patient: Reference | None = None
    parent: Reference | None = None


class DeviceUseStatement(Resource, frozen=True, gc=False, kw_only=True, tag="DeviceUseStatement", rename="camel"):
    """R4 DeviceUseStatement."""

    status: UseStatus
    subject: Reference
    device: Reference
    timing_period: Period | None = None
    timing_date_time: str | None = None
    recorded_on: str | None = None


class Patient(Resource, frozen=True, gc=False, kw_only=True, tag="Patient", rename="camel"):
    """R4 Patient, without its name."""

    birth_date: str | None = None
    deceased_date_time: str | None = None
    deceased_boolean: bool | None = None


class EncounterLocation(Struct, frozen=True, gc=False):
    """Encounter.location."""

    location: Reference
    status: str | None = None
    period: Period | None = None


class Hospitalization(Struct, frozen=True, gc=False, rename="camel"):
    """Encounter.hospitalization."""

    discharge_disposition: Concept | None = None


class Encounter(Resource, frozen=True, gc=False, kw_only=True, tag="Encounter", rename="camel"):
    """R4 Encounter."""

    status: EncounterStatus
    encounter_class: Coding = field(default=Coding(), name="class")
    subject: Reference | None = None
    period: Period | None = None
    part_of: Reference | None = None
    location: tuple[EncounterLocation, ...] = ()
    hospitalization: Hospitalization | None = None


class Location(Resource, frozen=True, gc=False, kw_only=True, tag="Location", rename="camel"):
    """R4 Location."""

    name: str | None = None
    type: tuple[Concept, ...] = ()
    physical_type: Concept | None = None
    part_of: Reference | None = None
    extension: tuple[Extension, ...] = ()


Record: TypeAlias = Procedure | Observation | Device | DeviceUseStatement | Patient | Encounter | Location
RECORDS = (Procedure, Observation, Device, DeviceUseStatement, Patient, Encounter, Location)
READ_TYPES = tuple(record.__name__ for record in RECORDS)


class _Claim(Struct, rename="camel"):
    """What a resource that did not fit says it is."""

    resource_type: object = None
    id: object = None


class Refusal(Struct, frozen=True):
    """Bytes that are no record: what they claim to be, and why. `of_other_type` is a type we do not read."""

    source: str | None
    why: str
    of_other_type: bool = False
    not_json: bool = False


_record = msgspec.json.Decoder(Record)
_claim = msgspec.json.Decoder(_Claim)
_UNREADABLE = (msgspec.DecodeError, UnicodeDecodeError, RecursionError)
_TYPE = re.compile(r"[A-Za-z]{1,64}", re.ASCII)
_ID = re.compile(r"[A-Za-z0-9._-]{1,64}", re.ASCII)


def record_from_bytes(raw: bytes | msgspec.Raw) -> Record | Refusal:
    """Read one resource."""
    try:
        record: Record = _record.decode(raw)
        return record
    except _UNREADABLE as error:
        return refusal(raw, error)


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
    return Refusal(source=source, why=_plain(str(error)))


def _plain(error: str) -> str:
    """Keep what is wrong and where, never a value: the decoder quotes values in single quotation marks."""
    what, found, where = error.rpartition(" - at ")
    if not found:
        what, where = error, "its top"
    return f"{what if chr(39) not in what else 'a value that is not allowed'} at {where}"
