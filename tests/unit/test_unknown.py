"""An element that FHIR R4 does not know is passed over and named by its path; one that it knows never is.

Which elements each type has: the classes of the library fhir.resources for R4B, whose types read here are those of R4.
"""

import importlib
import json
from functools import cache

import pytest
from fhir.resources.R4B import get_fhir_model_class

from linedays.fhir import datatypes, records, wire
from linedays.fhir.records import READ_TYPES
from linedays.fhir.wire import Odd, Refusal, record_from_bytes
from support.charted import device, encounter, observation, person, procedure, raw, record

SECRET = "Sam Sample born 1961"
PARTS = {
    "FocalDevice": ("procedure", "ProcedureFocalDevice"),
    "Component": ("observation", "ObservationComponent"),
    "EncounterLocation": ("encounter", "EncounterLocation"),
    "Hospitalization": ("encounter", "EncounterHospitalization"),
    "PatientLink": ("patient", "PatientLink"),
    "AllergyReaction": ("allergyintolerance", "AllergyIntoleranceReaction"),
}
TYPES = {"Concept": "CodeableConcept"} | {
    name: name for name in ("Coding", "Reference", "Period", "Identifier", "Meta", "Quantity")
}


@cache
def elements_of(model) -> set[str]:
    names = {field.alias or name for name, field in model.model_fields.items()}
    return {name for name in names if not name.startswith("_") and name != "fhir_comments"}


@pytest.mark.parametrize("name", READ_TYPES)
def test_every_element_of_a_type_is_known_and_no_other(name):
    ours, theirs = set(READ_TYPES[name].__struct_encode_fields__), get_fhir_model_class(name)
    beside = {element for element in ours if element.startswith("_")}
    assert ours - beside == elements_of(theirs)
    # The extension of a primitive stands beside it under an underscore: those of what is read are told apart.
    assert beside
    assert {element[1:] for element in beside} <= elements_of(theirs)
    assert beside <= {field.alias for field in theirs.model_fields.values()}


@pytest.mark.parametrize("name", PARTS)
def test_every_element_of_a_part_is_known_and_no_other(name):
    module, model = PARTS[name]
    theirs = elements_of(getattr(importlib.import_module(f"fhir.resources.R4B.{module}"), model))
    assert set(getattr(records, name).__struct_encode_fields__) == theirs


@pytest.mark.parametrize("name", TYPES)
def test_every_element_of_a_data_type_is_known_and_no_other(name):
    assert set(getattr(datatypes, name).__struct_encode_fields__) == elements_of(get_fhir_model_class(TYPES[name]))


@pytest.mark.parametrize(
    ("name", "resource", "paths"),
    [
        ("name of R5", procedure(occurrenceDateTime="2026-03-08T10:00:00Z"), ("occurrenceDateTime",)),
        ("wrong case", procedure(focaldevice=[]), ("focaldevice",)),
        ("two, in order", procedure(zeal=1, colour={"a": [None]}), ("colour", "zeal")),
        ("inside a code", procedure(code={"coding": [{"code": "a", "colour": 1}, {"colour": 2}]}), ("code.coding.colour",)),
        ("inside a part", observation(component=[{"code": {"txt": "x"}}]), ("component.code.txt",)),
        ("inside a time", encounter(period={"start": "2026-03-01", "begin": "x"}), ("period.begin",)),
        ("inside a reference", device(patient={"reference": "Patient/p", "label": SECRET}), ("patient.label",)),
        ("words for a name", person(**{SECRET: 1}), ("(no name that an element can have)",)),
        ("underscore of nothing", person(_colour={"id": "a"}), ("(no name that an element can have)",)),
    ],
)
def test_unknown_element_is_named_by_its_path(name, resource, paths):
    found = record_from_bytes(raw(resource))
    assert isinstance(found, Odd)
    assert found.unknown == paths
    assert SECRET not in repr(found.unknown)


def test_the_rest_of_the_resource_is_read():
    found = record_from_bytes(raw(procedure(vendorThing={"a": [1, {"b": None}]})))
    assert isinstance(found, Odd)
    assert found.record == record(procedure())


@pytest.mark.parametrize(
    "resource",
    [
        person(_birthDate={"extension": [{"url": "urn:x", "valueString": "about noon"}]}),
        procedure(code={"coding": [{"code": "a", "_code": {"id": "x"}}]}),
        procedure(performer=[{"actorr": 1}], note=[{"txt": "x"}], text={"dv": "x"}, contained=[{"x": 1}]),
        procedure(extension=[{"url": "urn:x", "valueWhatever": 1, "extension": [{"more": 1}]}]),
    ],
)
def test_extension_of_a_primitive_and_what_nobody_reads_are_not_named(resource):
    assert type(record_from_bytes(raw(resource))).__name__ == resource["resourceType"]


def test_element_that_does_not_fit_is_refused_beside_an_unknown_one():
    found = record_from_bytes(raw(procedure(aaa=1, status="done", zzz=2)))
    assert found == Refusal(source="Procedure/p1", why="a value that is not allowed at `$.status`")


@pytest.mark.parametrize(
    ("resource", "where"),
    [
        (procedure(modifierExtension=[{"url": "urn:x:not", "valueBoolean": True}]), "modifierExtension"),
        (procedure(focalDevice=[{"modifierExtension": [{"url": "urn:x"}]}]), "focalDevice.modifierExtension"),
        (observation(component=[{"code": {}, "modifierExtension": [{}]}]), "component.modifierExtension"),
        (device(implicitRules="urn:x:rules"), "implicitRules"),
        # No data type has one; to pass it over would be no better.
        (procedure(subject={"reference": "Patient/p", "modifierExtension": [{"url": "urn:x"}]}), "subject.modifierExtension"),
        (procedure(_modifierExtension=[{"url": "urn:x"}]), "modifierExtension"),
    ],
)
def test_what_may_reverse_a_resource_is_told_apart(resource, where):
    # Source: FHIR R4B, BackboneElement.modifierExtension: whoever processes a resource has to check for them; the same
    # holds for implicitRules, "must be understood when processing the content" (Resource, same version).
    found = record_from_bytes(raw(resource))
    assert isinstance(found, Odd)
    assert (found.unknown, found.modifiers) == ((), (where,))


@pytest.mark.parametrize("empty", [[], None, {}, ""])
@pytest.mark.parametrize("name", ["modifierExtension", "implicitRules"])
def test_empty_modifier_reverses_nothing(name, empty):
    given = json.dumps(procedure() | {name: empty}).encode()
    assert record_from_bytes(given) == record(procedure())


@pytest.mark.parametrize(
    ("given", "where"),
    [
        (b'"modifierExtension":[{"url":"urn:x"}],"modifierExtension":[]', "modifierExtension"),
        (b'"implicitRules":"urn:x","implicitRules":""', "implicitRules"),
        (b'"statusReason":7,"statusReason":{}', None),
        (b'"colour":1,"statusReason":{},"statusReason":{}', "statusReason"),
        (b'"colour":1,"code":{"coding":[],"text":"x"}', "code"),
        (b'"colour":1,"statusReason":{"text":"y","text":"x"}', "statusReason.text"),
        (b'"statusReason":{"text":7,"text":"x"},"colour":1', None),
        (b'"resourceType":"Patient","colour":1', None),
    ],
)
def test_element_given_twice_where_a_resource_did_not_fit_is_refused(given, where):
    found = record_from_bytes(raw(procedure())[:-1] + b"," + given + b"}")
    assert isinstance(found, Refusal)
    if where is not None:
        assert found == Refusal(source="Procedure/p1", why=f"the same element twice at {where}")


@pytest.mark.parametrize(
    "note",
    [b"[1e999]", b"[" + b"9" * 5000 + b"]", b'"\xe9"', b'{"a":1,"a":2}', b"[" * 300 + b"]" * 300],
)
def test_what_nobody_reads_spoils_nothing_beside_an_unknown_element(note):
    found = record_from_bytes(raw(procedure(colour=1))[:-1] + b',"note":' + note + b"}")
    assert isinstance(found, Odd)
    assert (found.record, found.unknown) == (record(procedure()), ("colour",))


@pytest.mark.parametrize(
    "name", ["mrn19610304", "Sam", "sam sample", "sam-sample", "a" * 41, "", "päron", "line\n", "<script>", "_colour"]
)
def test_name_that_no_element_has_is_not_quoted(name):
    found = record_from_bytes(raw(procedure(**{name: 1})))
    assert isinstance(found, Odd)
    assert found.unknown == ("(no name that an element can have)",)


def test_extension_of_a_primitive_that_is_read_needs_no_second_look(monkeypatch):
    monkeypatch.setattr(wire, "known_only", None)
    given = procedure(_performedDateTime={"extension": [{"url": "urn:x", "valueString": "about noon"}]})
    assert type(record_from_bytes(raw(given))) is records.Procedure


def test_deep_nesting_beside_an_unknown_element_says_so():
    found = record_from_bytes(raw(procedure(colour=1))[:-1] + b',"bodySite":' + b"[" * 900 + b"]" * 900 + b"}")
    assert isinstance(found, Refusal)
    assert SECRET not in found.why
