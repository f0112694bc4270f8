"""What nobody here reads of each type of resource: the elements of FHIR R4 that the records leave as bytes. No I/O.

The names stand here so that an element which the standard does not know is noticed (`unknown`). The records that are
read (`wire`) are built on these.
"""

from typing import Annotated, TypeAlias

import msgspec

from linedays.fhir.datatypes import NOT_READ, Identifier, Meta, NoModifier, NoRules, Unread

# At most 64 characters (http://hl7.org/fhir/R4/datatypes.html#id). Underscores, which real servers send, are taken.
Id: TypeAlias = Annotated[str, msgspec.Meta(min_length=1, max_length=64)]


class Resource(
    msgspec.Struct,
    frozen=True,
    gc=False,
    kw_only=True,
    rename="camel",
    tag_field="resourceType",
    forbid_unknown_fields=True,
):
    """What every resource has."""

    id: Id
    meta: Meta | None = None
    implicit_rules: NoRules = ""
    language: Unread = NOT_READ
    text: Unread = NOT_READ
    contained: Unread = NOT_READ
    modifier_extension: NoModifier = ()
    identifier: tuple[Identifier, ...] = ()


class ProcedureUnread(Resource, frozen=True, gc=False, kw_only=True, rename="camel"):
    """What is not read of a Procedure."""

    asserter: Unread = NOT_READ
    based_on: Unread = NOT_READ
    category: Unread = NOT_READ
    complication: Unread = NOT_READ
    complication_detail: Unread = NOT_READ
    follow_up: Unread = NOT_READ
    instantiates_canonical: Unread = NOT_READ
    instantiates_uri: Unread = NOT_READ
    location: Unread = NOT_READ
    note: Unread = NOT_READ
    outcome: Unread = NOT_READ
    performed_age: Unread = NOT_READ
    performed_range: Unread = NOT_READ
    performed_string: Unread = NOT_READ
    performer: Unread = NOT_READ
    reason_code: Unread = NOT_READ
    reason_reference: Unread = NOT_READ
    recorder: Unread = NOT_READ
    report: Unread = NOT_READ


class ObservationUnread(Resource, frozen=True, gc=False, kw_only=True, rename="camel"):
    """What is not read of an Observation."""

    extension: Unread = NOT_READ
    based_on: Unread = NOT_READ
    category: Unread = NOT_READ
    data_absent_reason: Unread = NOT_READ
    derived_from: Unread = NOT_READ
    effective_timing: Unread = NOT_READ
    has_member: Unread = NOT_READ
    interpretation: Unread = NOT_READ
    method: Unread = NOT_READ
    note: Unread = NOT_READ
    part_of: Unread = NOT_READ
    performer: Unread = NOT_READ
    reference_range: Unread = NOT_READ
    specimen: Unread = NOT_READ
    value_integer: Unread = NOT_READ
    value_period: Unread = NOT_READ
    value_range: Unread = NOT_READ
    value_ratio: Unread = NOT_READ
    value_sampled_data: Unread = NOT_READ
    value_time: Unread = NOT_READ


class DeviceUnread(Resource, frozen=True, gc=False, kw_only=True, rename="camel"):
    """What is not read of a Device."""

    extension: Unread = NOT_READ
    contact: Unread = NOT_READ
    definition: Unread = NOT_READ
    device_name: Unread = NOT_READ
    distinct_identifier: Unread = NOT_READ
    expiration_date: Unread = NOT_READ
    location: Unread = NOT_READ
    lot_number: Unread = NOT_READ
    manufacture_date: Unread = NOT_READ
    manufacturer: Unread = NOT_READ
    model_number: Unread = NOT_READ
    note: Unread = NOT_READ
    owner: Unread = NOT_READ
    part_number: Unread = NOT_READ
    property: Unread = NOT_READ
    safety: Unread = NOT_READ
    serial_number: Unread = NOT_READ
    specialization: Unread = NOT_READ
    status_reason: Unread = NOT_READ
    udi_carrier: Unread = NOT_READ
    url: Unread = NOT_READ
    version: Unread = NOT_READ


class DeviceUseStatementUnread(Resource, frozen=True, gc=False, kw_only=True, rename="camel"):
    """What is not read of a DeviceUseStatement."""

    extension: Unread = NOT_READ
    based_on: Unread = NOT_READ
    body_site: Unread = NOT_READ
    derived_from: Unread = NOT_READ
    note: Unread = NOT_READ
    reason_code: Unread = NOT_READ
    reason_reference: Unread = NOT_READ
    source: Unread = NOT_READ
    timing_timing: Unread = NOT_READ


class PatientUnread(Resource, frozen=True, gc=False, kw_only=True, rename="camel"):
    """What is not read of a Patient."""

    extension: Unread = NOT_READ
    active: Unread = NOT_READ
    address: Unread = NOT_READ
    communication: Unread = NOT_READ
    contact: Unread = NOT_READ
    gender: Unread = NOT_READ
    general_practitioner: Unread = NOT_READ
    managing_organization: Unread = NOT_READ
    marital_status: Unread = NOT_READ
    multiple_birth_boolean: Unread = NOT_READ
    multiple_birth_integer: Unread = NOT_READ
    name: Unread = NOT_READ
    photo: Unread = NOT_READ
    telecom: Unread = NOT_READ


class AllergyIntoleranceUnread(Resource, frozen=True, gc=False, kw_only=True, rename="camel"):
    """What is not read of an AllergyIntolerance."""

    extension: Unread = NOT_READ
    asserter: Unread = NOT_READ
    criticality: Unread = NOT_READ
    encounter: Unread = NOT_READ
    last_occurrence: Unread = NOT_READ
    note: Unread = NOT_READ
    onset_age: Unread = NOT_READ
    onset_date_time: Unread = NOT_READ
    onset_period: Unread = NOT_READ
    onset_range: Unread = NOT_READ
    onset_string: Unread = NOT_READ
    recorder: Unread = NOT_READ
    type: Unread = NOT_READ


class EncounterUnread(Resource, frozen=True, gc=False, kw_only=True, rename="camel"):
    """What is not read of an Encounter."""

    extension: Unread = NOT_READ
    account: Unread = NOT_READ
    appointment: Unread = NOT_READ
    based_on: Unread = NOT_READ
    class_history: Unread = NOT_READ
    diagnosis: Unread = NOT_READ
    episode_of_care: Unread = NOT_READ
    length: Unread = NOT_READ
    participant: Unread = NOT_READ
    priority: Unread = NOT_READ
    reason_code: Unread = NOT_READ
    reason_reference: Unread = NOT_READ
    service_provider: Unread = NOT_READ
    service_type: Unread = NOT_READ
    status_history: Unread = NOT_READ
    type: Unread = NOT_READ


class LocationUnread(Resource, frozen=True, gc=False, kw_only=True, rename="camel"):
    """What is not read of a Location."""

    address: Unread = NOT_READ
    alias: Unread = NOT_READ
    availability_exceptions: Unread = NOT_READ
    description: Unread = NOT_READ
    endpoint: Unread = NOT_READ
    hours_of_operation: Unread = NOT_READ
    managing_organization: Unread = NOT_READ
    mode: Unread = NOT_READ
    operational_status: Unread = NOT_READ
    position: Unread = NOT_READ
    status: Unread = NOT_READ
    telecom: Unread = NOT_READ
