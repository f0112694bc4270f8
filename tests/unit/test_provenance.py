"""The one Provenance of a batch of writes, and the Device that our software is.

Source: FHIR R4 provenance.html and device.html; design 2.6 ("Provenance", "Our software is a Device").
"""

import json

import pytest

from linedays.adapters.server_starter import load_bundle
from linedays.core.moment import HOUR, UTC
from linedays.fhir.checks import problems_of, validate_with_classes
from linedays.fhir.identity import Identity, software_reference
from linedays.fhir.outputs.provenance import Target, Writing, provenance_of, sources_in
from linedays.fhir.outputs.software import (
    revised_software,
    software_device,
    software_of,
)
from linedays.run.provenance import provenance_of_writes, source_versions, sources_of_writes
from support.small_ward import AT, IDENTITY, LOOSE, OVERDUE, PLACES, memory_server, planned, procedure, wired
from support.written_resources import fhirkit_says

BY = Writing(software=software_reference(IDENTITY), at=AT, zone=UTC, policy_hash="abc")
TASK = {
    "resourceType": "Task",
    "focus": {"reference": "Device/picc"},
    "for": {"reference": "Patient/1"},
    "encounter": {"reference": "Encounter/1"},
    "reasonReference": {"reference": "https://server.example/fhir/Observation/seen/_history/4"},
    "input": [{"type": {"text": "x"}, "valueReference": {"reference": "Procedure/changed"}}, {"type": {"text": "y"}, "valueString": "z"}],
    "requester": {"reference": "Device/software"},
}


def made(*traced, by=BY, versions=None, identity=IDENTITY):
    return provenance_of(traced, identity, by, versions or {})


def test_what_it_says():
    found = made(
        Target(ref="Task/1/_history/2", resource=TASK, created=True),
        Target(ref="Observation/9", resource={"device": {"reference": "Device/picc"}}, created=True, sources=("Procedure/placed",)),
        versions={"Procedure/changed": "3"},
    )
    assert [one["reference"] for one in found["target"]] == ["Observation/9", "Task/1/_history/2"]
    assert [one["what"]["reference"] for one in found["entity"]] == [
        "Device/picc",
        "Observation/seen",
        "Procedure/changed/_history/3",
        "Procedure/placed",
    ]
    assert {one["role"] for one in found["entity"]} == {"source"}
    assert found["recorded"] == "2031-05-14T10:00:00+00:00"
    assert found["policy"] == ["https://linedays.example/fhir/CodeSystem/policy|abc"]
    assert found["activity"]["coding"][0] == {"system": "http://terminology.hl7.org/CodeSystem/v3-DataOperation", "code": "CREATE"}
    (agent,) = found["agent"]
    assert agent["type"]["coding"][0]["code"] == "assembler"
    assert agent["who"] == {"identifier": {"system": IDENTITY.system, "value": IDENTITY.name("software", 0)}, "type": "Device", "display": "linedays"}
    for check in (problems_of(found, IDENTITY), validate_with_classes(found), fhirkit_says(found)):
        assert list(check) == []


def test_patient_stay_and_we_ourselves_are_no_source():
    assert sources_in(Target(ref="Task/1", resource=TASK, created=True)) == ("Device/picc", "Observation/seen", "Procedure/changed")


@pytest.mark.parametrize(("created", "activity"), [((True, True), "CREATE"), ((True, False), "UPDATE"), ((False, False), "UPDATE")])
def test_batch_is_a_creation_only_where_all_of_it_is(created, activity):
    found = made(*(Target(ref=f"Task/{n}", resource={}, created=one) for n, one in enumerate(created)))
    assert found["activity"]["coding"][0]["code"] == activity
    assert "entity" not in found
    assert problems_of(found, IDENTITY) == ()


def test_id_comes_from_what_it_is_about_and_not_from_when_it_was_written():
    one, other = Target(ref="Task/1", resource=TASK, created=True), Target(ref="Task/2", resource=TASK, created=True)
    key = made(one, other)["id"]
    later = Writing(software={"reference": "Device/7", "type": "Device"}, at=AT + HOUR, zone=UTC, policy_hash="abc")
    assert made(other, one, by=later)["id"] == key
    others = [
        made(one),
        made(one, Target(ref="Task/2", resource=TASK, created=False)),
        made(one, other, versions={"Procedure/changed": "3"}),
        made(one, other, by=Writing(software=BY.software, at=AT, zone=UTC, policy_hash="abd")),
        made(one, other, identity=Identity(system="https://other.example")),
    ]
    assert len({key, *(found["id"] for found in others)}) == 6


def test_of_the_writes_of_a_sweep():
    settled = wired(values=True)
    server = memory_server([*PLACES, *OVERDUE, *LOOSE])
    plan = planned(server, AT, settled)
    written = [(f"{each.resource['resourceType']}/{n}/_history/1", each) for n, each in enumerate(plan.writes)]
    names = sources_of_writes(plan.writes)
    # Of two patients: the insertion and the last change, their Devices, and what was seen.
    assert names == (
        "Device/loose-picc",
        "Device/over-picc",
        "Observation/loose-picc-loose-14-0940",
        "Procedure/loose-picc-dressing-change-13-0900",
        "Procedure/loose-picc-insertion-02-0900",
        "Procedure/over-picc-dressing-change-06-0900",
        "Procedure/over-picc-insertion-02-0900",
    )
    found = provenance_of_writes(
        written, IDENTITY, software_reference(IDENTITY), at=AT, policy_hash=settled.instance.policy.content_hash,
        zone=UTC, versions=source_versions(server, names, AT),
    )  # fmt: skip
    assert len(found["target"]) == len(plan.writes)
    assert [one["what"]["reference"] for one in found["entity"]] == [f"{name}/_history/1" for name in names]
    assert problems_of(found, IDENTITY) == ()
    again = provenance_of_writes(written, IDENTITY, software_reference(IDENTITY), at=AT, policy_hash="x", zone=UTC)
    assert "_history" not in json.dumps(again["entity"])


def test_version_is_named_only_where_it_is_the_one_that_was_read():
    # The server in memory stores at AT - 60; what is stored in or after the second in which reading began may not be what was read.
    server = memory_server([*PLACES, *OVERDUE])
    names = ["Procedure/over-picc-dressing-change-06-0900", "Device/over-picc", "Procedure/nobody"]
    assert source_versions(server, names, AT - 59) == {"Procedure/over-picc-dressing-change-06-0900": "1", "Device/over-picc": "1"}
    assert source_versions(server, names, AT - 60) == {}
    server.tick(60)
    load_bundle(server, [procedure("dressing-change", "06 09:00", "over", "over-picc")])
    assert source_versions(server, names, AT) == {"Device/over-picc": "1"}


def test_software_device_passes_every_check():
    found = software_device("0.1.0", IDENTITY)
    for check in (problems_of(found, IDENTITY), validate_with_classes(found), fhirkit_says(found)):
        assert list(check) == []


def test_software_is_found_by_its_key_alone():
    ours = software_device("1", IDENTITY)
    line = {"resourceType": "Device", "id": "0", "identifier": [{"system": "https://other.example", "value": "software"}]}
    task = {**ours, "resourceType": "Task", "id": "a"}
    assert software_of([line, task, {**ours, "id": "c"}, {**ours, "id": "b"}], IDENTITY)["id"] == "b"
    assert software_of([line, task], IDENTITY) is None


@pytest.mark.parametrize(
    ("spoilt", "revised"),
    [
        ({}, False),
        ({"meta": {"versionId": "2"}, "note": [{"text": "x"}], "text": {"status": "empty", "div": "x"}}, False),
        ({"version": [{"value": "0"}]}, True),
        ({"version": []}, True),
        ({"status": "inactive"}, True),
        ({"deviceName": [{"name": "other", "type": "other"}]}, True),
        ({"type": {"text": "other"}}, True),
        ({"status": "entered-in-error"}, False),
        ({"version": [], "patient": {"reference": "Patient/1"}}, False),
    ],
)
def test_software_is_revised_where_it_says_something_else(spoilt, revised):
    stands = {**software_device("1", IDENTITY), "id": "7", **spoilt}
    found = revised_software(stands, "1", IDENTITY)
    if revised:
        assert found == {**stands, **{name: one for name, one in software_device("1", IDENTITY).items() if name in ("status", "deviceName", "version", "type", "text")}}
    else:
        assert found is None


def test_our_device_is_referred_to_by_identifier():
    named = {"system": IDENTITY.system, "value": software_device("1", IDENTITY)["identifier"][0]["value"]}
    assert software_reference(IDENTITY) == {"type": "Device", "identifier": named, "display": "linedays"}
