"""The records: of each resource of FHIR R4 that we read, the elements that we look at. No I/O.

A status outside its required code set does not fit, nor does an element that the standard does not know: what is not
read of a type stands in `unread`.
"""

from typing import Literal, TypeAlias

from msgspec import field

from linedays.fhir.datatypes import NOT_READ, Backbone, Coding, Concept, Extension, Period, Quantity, Reference, Unread
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
