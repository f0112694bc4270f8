"""The R4 shapes of everything we write and of the data types in it, as tables for our own check. No I/O.

Source: FHIR R4 (http://hl7.org/fhir/R4/), pages task.html, flag.html, datatypes.html and metadatatypes.html.
"""

from linedays.fhir import shapes_derived
from linedays.fhir.shape import BACKBONE, ELEMENT, PERSONS, RESOURCE, Element, code, some, to

_PARAMETER = {**BACKBONE, "type": Element("CodeableConcept", required=True)}
_QUANTITY = ELEMENT | {
    "value": Element("decimal"), "comparator": code("<", "<=", ">=", ">"), "unit": Element("string"),
    "system": Element("uri"), "code": Element("code"),
}

TYPES: dict[str, dict[str, Element]] = {
    "Element": ELEMENT,
    "Meta": ELEMENT | {
        "versionId": Element("id"), "lastUpdated": Element("instant"), "source": Element("uri"),
        "profile": some("uri"), "security": some("Coding"), "tag": some("Coding"),
    },
    "Narrative": ELEMENT | {
        "status": code("generated", "extensions", "additional", "empty", required=True),
        "div": Element("xhtml", required=True),
    },
    "Coding": ELEMENT | {
        "system": Element("uri"), "version": Element("string"), "code": Element("code"), "display": Element("string"),
        "userSelected": Element("boolean"),
    },
    "CodeableConcept": ELEMENT | {"coding": some("Coding"), "text": Element("string")},
    "Reference": ELEMENT | {
        "reference": Element("string"), "type": Element("uri"), "identifier": Element("Identifier"),
        "display": Element("string"),
    },
    "Identifier": ELEMENT | {
        "use": code("usual", "official", "temp", "secondary", "old"), "type": Element("CodeableConcept"),
        "system": Element("uri"), "value": Element("string"), "period": Element("Period"),
        "assigner": to("Organization"),
    },
    "Period": ELEMENT | {"start": Element("dateTime"), "end": Element("dateTime")},
    "Annotation": ELEMENT | {
        "authorReference": to("Practitioner", "Patient", "RelatedPerson", "Organization"),
        "authorString": Element("string"), "time": Element("dateTime"), "text": Element("string", required=True),
    },
    "Extension": ELEMENT | {"url": Element("uri", required=True), "value[x]": Element("choice")},
    **dict.fromkeys(("Quantity", "Age", "Count", "Distance", "Duration"), _QUANTITY),
    "Restriction": ELEMENT | {
        "modifierExtension": some("Extension"), "repetitions": Element("positiveInt"), "period": Element("Period"),
        "recipient": to(*PERSONS, "RelatedPerson", "Group", many=True),
    },
    "Parameter": _PARAMETER | {"value[x]": Element("choice", required=True)},
    **shapes_derived.TYPES,
}

RESOURCES: dict[str, dict[str, Element]] = {
    "Task": RESOURCE | {
        "identifier": Element("Identifier", required=True, many=True),
        "instantiatesCanonical": Element("uri"), "instantiatesUri": Element("uri"),
        "basedOn": to(many=True), "groupIdentifier": Element("Identifier", required=True),
        "partOf": to("Task", many=True),
        "status": code(
            "draft", "requested", "received", "accepted", "rejected", "ready", "cancelled", "in-progress", "on-hold",
            "failed", "completed", "entered-in-error", required=True,
        ),
        "statusReason": Element("CodeableConcept"), "businessStatus": Element("CodeableConcept"),
        "intent": code(
            "unknown", "proposal", "plan", "order", "original-order", "reflex-order", "filler-order",
            "instance-order", "option", required=True,
        ),
        "priority": code("routine", "urgent", "asap", "stat"),
        "code": Element("CodeableConcept"), "description": Element("string"),
        "focus": to(), "for": to("Patient", required=True), "encounter": to("Encounter"),
        "executionPeriod": Element("Period"), "authoredOn": Element("dateTime"), "lastModified": Element("dateTime"),
        "requester": to(*PERSONS, "Device", "RelatedPerson"),
        "performerType": some("CodeableConcept"),
        "owner": to(*PERSONS, "CareTeam", "HealthcareService", "Device", "RelatedPerson"),
        "location": to("Location"), "reasonCode": Element("CodeableConcept"), "reasonReference": to(),
        "insurance": to("Coverage", "ClaimResponse", many=True), "note": some("Annotation"),
        "relevantHistory": to("Provenance", many=True), "restriction": Element("Restriction"),
        "input": some("Parameter"), "output": some("Parameter"),
    },
    "Flag": RESOURCE | {
        "identifier": Element("Identifier", required=True, many=True),
        "status": code("active", "inactive", "entered-in-error", required=True),
        "category": some("CodeableConcept"), "code": Element("CodeableConcept", required=True),
        "subject": to("Patient", required=True), "period": Element("Period"), "encounter": to("Encounter"),
        "author": to(*PERSONS, "Device"),
    },
    **shapes_derived.RESOURCES,
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
