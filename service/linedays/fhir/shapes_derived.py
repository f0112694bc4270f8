"""The R4 shapes of Observation, Provenance and Device, as tables for our own check. No I/O.

What R4 leaves open and we always write (an identifier, the patient, the instant, the id of a Provenance, which is put
under it) is required here.
Source: FHIR R4 (http://hl7.org/fhir/R4/), pages observation.html, provenance.html and device.html.
"""

from linedays.fhir.shape import BACKBONE, PERSONS, RESOURCE, Element, code, one_of, some, to

_OBSERVED = one_of(
    "Quantity", "CodeableConcept", "String", "Boolean", "Integer", "Range", "Ratio", "SampledData", "Time", "DateTime",
    "Period",
)
_AGENTS = (*PERSONS, "RelatedPerson", "Device")

TYPES: dict[str, dict[str, Element]] = {
    "ObservationComponent": BACKBONE | {
        "code": Element("CodeableConcept", required=True), "value[x]": _OBSERVED,
        "dataAbsentReason": Element("CodeableConcept"), "interpretation": some("CodeableConcept"),
        "referenceRange": some("any"),
    },
    "ProvenanceAgent": BACKBONE | {
        "type": Element("CodeableConcept"), "role": some("CodeableConcept"), "who": to(*_AGENTS, required=True),
        "onBehalfOf": to(*_AGENTS),
    },
    "ProvenanceEntity": BACKBONE | {
        "role": code("derivation", "revision", "quotation", "source", "removal", required=True),
        "what": to(required=True), "agent": some("ProvenanceAgent"),
    },
    "DeviceName": BACKBONE | {
        "name": Element("string", required=True),
        "type": code(
            "udi-label-name", "user-friendly-name", "patient-reported-name", "manufacturer-name", "model-name", "other",
            required=True,
        ),
    },
    "DeviceUdiCarrier": BACKBONE | {
        "deviceIdentifier": Element("string"), "issuer": Element("uri"), "jurisdiction": Element("uri"),
        "carrierAIDC": Element("base64Binary"), "carrierHRF": Element("string"),
        "entryType": code("barcode", "rfid", "manual", "card", "self-reported", "unknown"),
    },
    "DeviceSpecialization": BACKBONE | {
        "systemType": Element("CodeableConcept", required=True), "version": Element("string"),
    },
    "DeviceVersion": BACKBONE | {
        "type": Element("CodeableConcept"), "component": Element("Identifier"),
        "value": Element("string", required=True),
    },
    "DeviceProperty": BACKBONE | {
        "type": Element("CodeableConcept", required=True), "valueQuantity": some("Quantity"),
        "valueCode": some("CodeableConcept"),
    },
}

RESOURCES: dict[str, dict[str, Element]] = {
    "Observation": RESOURCE | {
        "identifier": some("Identifier", required=True),
        "basedOn": to(
            "CarePlan", "DeviceRequest", "ImmunizationRecommendation", "MedicationRequest", "NutritionOrder",
            "ServiceRequest", many=True,
        ),
        "partOf": to(
            "MedicationAdministration", "MedicationDispense", "MedicationStatement", "Procedure", "Immunization",
            "ImagingStudy", many=True,
        ),
        "status": code(
            "registered", "preliminary", "final", "amended", "corrected", "cancelled", "entered-in-error", "unknown",
            required=True,
        ),
        "category": some("CodeableConcept"), "code": Element("CodeableConcept", required=True),
        "subject": to("Patient", required=True), "focus": to(many=True), "encounter": to("Encounter"),
        "effective[x]": one_of("DateTime", "Period", "Timing", "Instant", required=True), "issued": Element("instant"),
        "performer": to(*PERSONS, "CareTeam", "RelatedPerson", many=True), "value[x]": _OBSERVED,
        "dataAbsentReason": Element("CodeableConcept"), "interpretation": some("CodeableConcept"),
        "note": some("Annotation"), "bodySite": Element("CodeableConcept"), "method": Element("CodeableConcept"),
        "specimen": to("Specimen"), "device": to("Device", "DeviceMetric"), "referenceRange": some("any"),
        "hasMember": to("Observation", "QuestionnaireResponse", "MolecularSequence", many=True),
        "derivedFrom": to(
            "DocumentReference", "ImagingStudy", "Media", "QuestionnaireResponse", "Observation", "MolecularSequence",
            many=True,
        ),
        "component": some("ObservationComponent"),
    },
    "Provenance": RESOURCE | {
        "id": Element("id", required=True),
        "target": to(required=True, many=True), "occurred[x]": one_of("Period", "DateTime"),
        "recorded": Element("instant", required=True), "policy": some("uri"), "location": to("Location"),
        "reason": some("CodeableConcept"), "activity": Element("CodeableConcept"),
        "agent": some("ProvenanceAgent", required=True), "entity": some("ProvenanceEntity"), "signature": some("any"),
    },
    "Device": RESOURCE | {
        "identifier": some("Identifier", required=True), "definition": to("DeviceDefinition"),
        "udiCarrier": some("DeviceUdiCarrier"),
        "status": code("active", "inactive", "entered-in-error", "unknown", required=True),
        "statusReason": some("CodeableConcept"), "distinctIdentifier": Element("string"),
        "manufacturer": Element("string"), "manufactureDate": Element("dateTime"),
        "expirationDate": Element("dateTime"), "lotNumber": Element("string"), "serialNumber": Element("string"),
        "deviceName": some("DeviceName", required=True), "modelNumber": Element("string"),
        "partNumber": Element("string"), "type": Element("CodeableConcept"),
        "specialization": some("DeviceSpecialization"), "version": some("DeviceVersion", required=True),
        "property": some("DeviceProperty"), "patient": to("Patient"), "owner": to("Organization"),
        "contact": some("any"), "location": to("Location"), "url": Element("uri"), "note": some("Annotation"),
        "safety": some("CodeableConcept"), "parent": to("Device"),
    },
}
