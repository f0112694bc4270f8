"""The R4 shapes of Task, Flag and the data types in them, as tables for our own check. No I/O.

Source: FHIR R4 (http://hl7.org/fhir/R4/), pages task.html, flag.html, datatypes.html and metadatatypes.html.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Element:
    """One element: its type, whether it is required, whether it repeats, and what it may hold.

    `codes` is a required binding, `targets` the resource types that a reference may name (empty: any).
    """

    type: str
    required: bool = False
    many: bool = False
    codes: frozenset[str] = frozenset()
    targets: frozenset[str] = frozenset()


def _code(*codes: str, required: bool = False) -> Element:
    return Element("code", required=required, codes=frozenset(codes))


def _to(*targets: str, required: bool = False, many: bool = False) -> Element:
    return Element("Reference", required=required, many=many, targets=frozenset(targets))


def _some(kind: str) -> Element:
    return Element(kind, many=True)


_ELEMENT = {"id": Element("string"), "extension": _some("Extension")}
_RESOURCE = {
    "resourceType": Element("code", required=True),
    "id": Element("id"),
    "meta": Element("Meta"),
    "implicitRules": Element("uri"),
    "language": Element("code"),
    "text": Element("Narrative"),
    "contained": _some("any"),
    "extension": _some("Extension"),
    "modifierExtension": _some("Extension"),
}
_PARAMETER = {**_ELEMENT, "modifierExtension": _some("Extension"), "type": Element("CodeableConcept", required=True)}
_QUANTITY = _ELEMENT | {
    "value": Element("decimal"), "comparator": _code("<", "<=", ">=", ">"), "unit": Element("string"),
    "system": Element("uri"), "code": Element("code"),
}
_PERSONS = ("Practitioner", "PractitionerRole", "Organization", "Patient")

TYPES: dict[str, dict[str, Element]] = {
    "Element": _ELEMENT,
    "Meta": _ELEMENT | {
        "versionId": Element("id"), "lastUpdated": Element("instant"), "source": Element("uri"),
        "profile": _some("uri"), "security": _some("Coding"), "tag": _some("Coding"),
    },
    "Narrative": _ELEMENT | {
        "status": _code("generated", "extensions", "additional", "empty", required=True),
        "div": Element("xhtml", required=True),
    },
    "Coding": _ELEMENT | {
        "system": Element("uri"), "version": Element("string"), "code": Element("code"), "display": Element("string"),
        "userSelected": Element("boolean"),
    },
    "CodeableConcept": _ELEMENT | {"coding": _some("Coding"), "text": Element("string")},
    "Reference": _ELEMENT | {
        "reference": Element("string"), "type": Element("uri"), "identifier": Element("Identifier"),
        "display": Element("string"),
    },
    "Identifier": _ELEMENT | {
        "use": _code("usual", "official", "temp", "secondary", "old"), "type": Element("CodeableConcept"),
        "system": Element("uri"), "value": Element("string"), "period": Element("Period"),
        "assigner": _to("Organization"),
    },
    "Period": _ELEMENT | {"start": Element("dateTime"), "end": Element("dateTime")},
    "Annotation": _ELEMENT | {
        "authorReference": _to("Practitioner", "Patient", "RelatedPerson", "Organization"),
        "authorString": Element("string"), "time": Element("dateTime"), "text": Element("string", required=True),
    },
    "Extension": _ELEMENT | {"url": Element("uri", required=True), "value[x]": Element("choice")},
    **dict.fromkeys(("Quantity", "Age", "Count", "Distance", "Duration"), _QUANTITY),
    "Restriction": _ELEMENT | {
        "modifierExtension": _some("Extension"), "repetitions": Element("positiveInt"), "period": Element("Period"),
        "recipient": _to(*_PERSONS, "RelatedPerson", "Group", many=True),
    },
    "Parameter": _PARAMETER | {"value[x]": Element("choice", required=True)},
}

RESOURCES: dict[str, dict[str, Element]] = {
    "Task": _RESOURCE | {
        "identifier": Element("Identifier", required=True, many=True),
        "instantiatesCanonical": Element("uri"), "instantiatesUri": Element("uri"),
        "basedOn": _to(many=True), "groupIdentifier": Element("Identifier", required=True),
        "partOf": _to("Task", many=True),
        "status": _code(
            "draft", "requested", "received", "accepted", "rejected", "ready", "cancelled", "in-progress", "on-hold",
            "failed", "completed", "entered-in-error", required=True,
        ),
        "statusReason": Element("CodeableConcept"), "businessStatus": Element("CodeableConcept"),
        "intent": _code(
            "unknown", "proposal", "plan", "order", "original-order", "reflex-order", "filler-order",
            "instance-order", "option", required=True,
        ),
        "priority": _code("routine", "urgent", "asap", "stat"),
        "code": Element("CodeableConcept"), "description": Element("string"),
        "focus": _to(), "for": _to("Patient", required=True), "encounter": _to("Encounter"),
        "executionPeriod": Element("Period"), "authoredOn": Element("dateTime"), "lastModified": Element("dateTime"),
        "requester": _to(*_PERSONS, "Device", "RelatedPerson"),
        "performerType": _some("CodeableConcept"),
        "owner": _to(*_PERSONS, "CareTeam", "HealthcareService", "Device", "RelatedPerson"),
        "location": _to("Location"), "reasonCode": Element("CodeableConcept"), "reasonReference": _to(),
        "insurance": _to("Coverage", "ClaimResponse", many=True), "note": _some("Annotation"),
        "relevantHistory": _to("Provenance", many=True), "restriction": Element("Restriction"),
        "input": _some("Parameter"), "output": _some("Parameter"),
    },
    "Flag": _RESOURCE | {
        "identifier": Element("Identifier", required=True, many=True),
        "status": _code("active", "inactive", "entered-in-error", required=True),
        "category": _some("CodeableConcept"), "code": Element("CodeableConcept", required=True),
        "subject": _to("Patient", required=True), "period": Element("Period"), "encounter": _to("Encounter"),
        "author": _to(*_PERSONS, "Device"),
    },
}

# What value[x] may be; an object of a type without a table here is taken as it is.
CHOICES = frozenset({
    "Base64Binary", "Boolean", "Canonical", "Code", "Date", "DateTime", "Decimal", "Id", "Instant", "Integer",
    "Markdown", "Oid", "PositiveInt", "String", "Time", "UnsignedInt", "Uri", "Url", "Uuid", "Address", "Age",
    "Annotation", "Attachment", "CodeableConcept", "Coding", "ContactPoint", "Count", "Distance", "Duration",
    "HumanName", "Identifier", "Money", "Period", "Quantity", "Range", "Ratio", "Reference", "SampledData",
    "Signature", "Timing", "ContactDetail", "Contributor", "DataRequirement", "Expression", "ParameterDefinition",
    "RelatedArtifact", "TriggerDefinition", "UsageContext", "Dosage", "Meta",
})
