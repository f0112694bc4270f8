"""Raw bytes of one FHIR R4 resource → a narrow record of the elements we read. No I/O.

A status outside its required code set is refused, and so is a modifier extension; an element that the standard does not
know is passed over and named (`Odd`). A resource that does not fit the narrow shape is told apart by `refusal`: which
type and id it claims, and what is wrong with it.
"""

import re
from typing import Literal, TypeAlias

import msgspec
from msgspec import Struct, field

from linedays.fhir.datatypes import NOT_READ, Backbone, Coding, Concept, Extension, Period, Quantity, Reference, Unread
from linedays.fhir.unknown import GivenTwice, known_only
from linedays.fhir.unread import (
    AllergyIntoleranceUnread,
    DeviceUnread,
    DeviceUseStatementUnread,
    EncounterUnread,
    LocationUnread,
    ObservationUnread,
    PatientUnread,
    ProcedureUnread,
)

# Source: FHIR R4, the value sets event-status, observation-status, device-status, device-statement-status and
# encounter-status, bound as required (http://hl7.org/fhir/R4/terminologies-valuesets.html).
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


class FocalDevice(Backbone, frozen=True, gc=False, kw_only=True, rename="camel"):
    """The device a Procedure was about."""

    manipulated: Reference | None = None
    action: Concept | None = None


class Procedure(ProcedureUnread, frozen=True, gc=False, kw_only=True, tag="Procedure", rename="camel"):
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
    more_of_status: Unread = field(default=NOT_READ, name="_status")
    more_of_performed_date_time: Unread = field(default=NOT_READ, name="_performedDateTime")


class Component(Backbone, frozen=True, gc=False, kw_only=True, rename="camel"):
    """Observation.component."""

    code: Concept = Concept()
    value_codeable_concept: Concept | None = None
    value_string: str | None = None
    value_boolean: bool | None = None
    value_quantity: Quantity | None = None
    value_integer: Unread = NOT_READ
    value_range: Unread = NOT_READ
    value_ratio: Unread = NOT_READ
    value_sampled_data: Unread = NOT_READ
    value_time: Unread = NOT_READ
    value_date_time: Unread = NOT_READ
    value_period: Unread = NOT_READ
    data_absent_reason: Unread = NOT_READ
    interpretation: Unread = NOT_READ
    reference_range: Unread = NOT_READ


class Observation(ObservationUnread, frozen=True, gc=False, kw_only=True, tag="Observation", rename="camel"):
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
    more_of_status: Unread = field(default=NOT_READ, name="_status")
    more_of_effective_date_time: Unread = field(default=NOT_READ, name="_effectiveDateTime")
    more_of_effective_instant: Unread = field(default=NOT_READ, name="_effectiveInstant")
    more_of_issued: Unread = field(default=NOT_READ, name="_issued")
    more_of_value_string: Unread = field(default=NOT_READ, name="_valueString")
    more_of_value_boolean: Unread = field(default=NOT_READ, name="_valueBoolean")
    more_of_value_date_time: Unread = field(default=NOT_READ, name="_valueDateTime")


class Device(DeviceUnread, frozen=True, gc=False, kw_only=True, tag="Device", rename="camel"):
    """R4 Device."""

    status: DeviceStatus | None = None
    type: Concept | None = None
    patient: Reference | None = None
    parent: Reference | None = None
    more_of_status: Unread = field(default=NOT_READ, name="_status")


class DeviceUseStatement(
    DeviceUseStatementUnread, frozen=True, gc=False, kw_only=True, tag="DeviceUseStatement", rename="camel"
):
    """R4 DeviceUseStatement."""

    status: UseStatus
    subject: Reference
    device: Reference
    timing_period: Period | None = None
    timing_date_time: str | None = None
    recorded_on: str | None = None
    more_of_status: Unread = field(default=NOT_READ, name="_status")
    more_of_timing_date_time: Unread = field(default=NOT_READ, name="_timingDateTime")
    more_of_recorded_on: Unread = field(default=NOT_READ, name="_recordedOn")


class PatientLink(Backbone, frozen=True, gc=False, kw_only=True, rename="camel"):
    """Patient.link: another record, and what it is to this one."""

    other: Reference | None = None
    type: str | None = None


class Patient(PatientUnread, frozen=True, gc=False, kw_only=True, tag="Patient", rename="camel"):
    """R4 Patient, without its name."""

    birth_date: str | None = None
    deceased_date_time: str | None = None
    deceased_boolean: bool | None = None
    link: tuple[PatientLink, ...] = ()
    more_of_birth_date: Unread = field(default=NOT_READ, name="_birthDate")
    more_of_deceased_date_time: Unread = field(default=NOT_READ, name="_deceasedDateTime")
    more_of_deceased_boolean: Unread = field(default=NOT_READ, name="_deceasedBoolean")


class AllergyReaction(Backbone, frozen=True, gc=False, kw_only=True, rename="camel"):
    """AllergyIntolerance.reaction."""

    substance: Concept | None = None
    manifestation: Unread = NOT_READ
    description: Unread = NOT_READ
    onset: Unread = NOT_READ
    severity: Unread = NOT_READ
    exposure_route: Unread = NOT_READ
    note: Unread = NOT_READ


class AllergyIntolerance(
    AllergyIntoleranceUnread, frozen=True, gc=False, kw_only=True, tag="AllergyIntolerance", rename="camel"
):
    """R4 AllergyIntolerance."""

    clinical_status: Concept | None = None
    verification_status: Concept | None = None
    # A list of primitives holds null where only an extension stands.
    category: tuple[str | None, ...] = ()
    code: Concept | None = None
    patient: Reference | None = None
    recorded_date: str | None = None
    reaction: tuple[AllergyReaction, ...] = ()
    more_of_category: Unread = field(default=NOT_READ, name="_category")
    more_of_recorded_date: Unread = field(default=NOT_READ, name="_recordedDate")


class EncounterLocation(Backbone, frozen=True, gc=False, kw_only=True, rename="camel"):
    """Encounter.location."""

    location: Reference
    status: str | None = None
    physical_type: Unread = NOT_READ
    period: Period | None = None


class Hospitalization(Backbone, frozen=True, gc=False, kw_only=True, rename="camel"):
    """Encounter.hospitalization."""

    pre_admission_identifier: Unread = NOT_READ
    origin: Unread = NOT_READ
    admit_source: Unread = NOT_READ
    re_admission: Unread = NOT_READ
    diet_preference: Unread = NOT_READ
    special_courtesy: Unread = NOT_READ
    special_arrangement: Unread = NOT_READ
    destination: Unread = NOT_READ
    discharge_disposition: Concept | None = None


class Encounter(EncounterUnread, frozen=True, gc=False, kw_only=True, tag="Encounter", rename="camel"):
    """R4 Encounter."""

    status: EncounterStatus
    encounter_class: Coding = field(default=Coding(), name="class")
    subject: Reference | None = None
    period: Period | None = None
    part_of: Reference | None = None
    location: tuple[EncounterLocation, ...] = ()
    hospitalization: Hospitalization | None = None
    more_of_status: Unread = field(default=NOT_READ, name="_status")


class Location(LocationUnread, frozen=True, gc=False, kw_only=True, tag="Location", rename="camel"):
    """R4 Location."""

    name: str | None = None
    type: tuple[Concept, ...] = ()
    physical_type: Concept | None = None
    part_of: Reference | None = None
    extension: tuple[Extension, ...] = ()
    more_of_name: Unread = field(default=NOT_READ, name="_name")


Record: TypeAlias = (
    Procedure | Observation | Device | DeviceUseStatement | Patient | AllergyIntolerance | Encounter | Location
)
RECORDS = (Procedure, Observation, Device, DeviceUseStatement, Patient, AllergyIntolerance, Encounter, Location)
READ_TYPES: dict[str, type[Record]] = {record.__name__: record for record in RECORDS}


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
