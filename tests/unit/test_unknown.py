"""An element that FHIR R4 does not know is passed over and named by its path; one that it knows never is.

Which elements each type has: the classes of the library fhir.resources for R4B, whose types read here are those of R4.
"""

import importlib
from functools import cache

import pytest
from fhir.resources.R4B import get_fhir_model_class

from linedays.fhir import datatypes, wire
from linedays.fhir.wire import READ_TYPES, Odd, Refusal, record_from_bytes
from support.charted import device, encounter, observation, person, procedure, raw, record

SECRET = "Sam Sample born 1961"
PARTS = {
    "FocalDevice": ("procedure", "ProcedureFocalDevice"),
    "Component": ("observation", "ObservationComponent"),
    "EncounterLocation": ("encounter", "EncounterLocation"),
    "Hospitalization": ("encounter", "EncounterHospitalization"),
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
    assert set(READ_TYPES[name].__struct_encode_fields__) == elements_of(get_fhir_model_class(name))


@pytest.mark.parametrize("name", PARTS)
def test_every_element_of_a_part_is_known_and_no_other(name):
    module, model = PARTS[name]
    theirs = elements_of(getattr(importlib.import_module(f"fhir.resources.R4B.{module}"), model))
    assert set(getattr(wire, name).__struct_encode_fields__) == theirs


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
        (procedure(modifierExtension=[{"url": "urn:x:not", "valueBoolean": True}]), "$.modifierExtension"),
        (procedure(focalDevice=[{"modifierExtension": [{"url": "urn:x"}]}]), "$.focalDevice[0].modifierExtension"),
        (observation(component=[{"code": {}, "modifierExtension": [{}]}]), "$.component[0].modifierExtension"),
        (device(implicitRules="urn:x:rules"), "$.implicitRules"),
    ],
)
def test_what_may_turn_round_a_resource_is_refused(resource, where):
    # Source: FHIR R4B, BackboneElement.modifierExtension: whoever processes a resource has to check for them; the same
    # holds for implicitRules, "must be understood when processing the content" (Resource, same version).
    found = record_from_bytes(raw(resource))
    assert isinstance(found, Refusal)
    assert found.why == f"a modifier that may reverse what it says, and that is not understood here, at `{where}`"


def test_empty_list_of_modifiers_turns_nothing_round():
    assert record(procedure(modifierExtension=[])).id == "p1"
