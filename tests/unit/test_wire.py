"""Bytes become narrow records, or a refusal that says what they claim to be and what is wrong, and quotes nothing.

Which statuses are allowed: FHIR R4 value sets event-status, observation-status, device-status,
device-statement-status, encounter-status (required bindings; the lists as fhir-facts.md 1.1–1.3 gives them).
"""

import pytest

from linedays.fhir.records import READ_TYPES, Device, DeviceUseStatement, Encounter, Observation, Patient, Procedure
from linedays.fhir.wire import Refusal, record_from_bytes
from support.charted import device, encounter, observation, person, procedure, raw, record, use

SECRET = "Sam Sample born 1961"
MEGABYTE = "x" * 1_000_000


def what_is_read(found):
    return {name: getattr(found, name) for name in ("id", "status", "subject", "code", "performed_date_time", "focal_device")}


STATUSES = {
    procedure: "preparation in-progress not-done on-hold stopped completed entered-in-error unknown",
    observation: "registered preliminary final amended corrected cancelled entered-in-error unknown",
    device: "active inactive entered-in-error unknown",
    use: "active completed entered-in-error intended stopped on-hold",
    encounter: "planned arrived triaged in-progress onleave finished cancelled entered-in-error unknown",
}


@pytest.mark.parametrize(
    ("build", "status"), [(build, one) for build, all_of in STATUSES.items() for one in all_of.split()]
)
def test_every_status_of_the_standard_is_read(build, status):
    assert record(build(status=status)).status == status


@pytest.mark.parametrize("build", STATUSES)
@pytest.mark.parametrize("status", ["Completed", "done", "", "overdue", SECRET])
def test_no_other_status_is(build, status):
    refused = record_from_bytes(raw(build(status=status)))
    assert refused == Refusal(source=refused.source, why="a value that is not allowed at `$.status`")
    assert refused.source.partition("/")[0] in READ_TYPES


def test_each_type_gives_its_record():
    built = (procedure(), observation(), device(), use(), encounter(), person())
    assert [type(record(one)) for one in built] == [
        Procedure, Observation, Device, DeviceUseStatement, Encounter, Patient,
    ]  # fmt: skip


def test_elements_nobody_reads_are_taken_as_they_are():
    extra = procedure(text={"div": "<div/>"}, note=[{"text": SECRET}], performer=17, performedString=[None, {"a": 1e300}])
    assert what_is_read(record(extra)) == what_is_read(record(procedure()))


@pytest.mark.parametrize(
    ("name", "given", "source"),
    [
        ("usual", "a.b-C_9", "Procedure/a.b-C_9"),
        ("longest of the standard (64)", "i" * 64, "Procedure/" + "i" * 64),
    ],
)
def test_ids_that_are_taken(name, given, source):
    assert record(procedure(id=given)).id == source.partition("/")[2]


@pytest.mark.parametrize("given", ["", "i" * 65, MEGABYTE, 17, ["a"], {"a": 1}])
def test_ids_that_are_refused_do_not_come_back_in_the_listing(given):
    refused = record_from_bytes(raw(procedure(id=given)))
    assert isinstance(refused, Refusal)
    assert refused.source == "Procedure"
    assert "`$.id`" in refused.why
    assert not refused.of_other_type


@pytest.mark.parametrize(
    ("element", "value", "where"),
    [
        ("status", ["completed"], "$.status"),
        ("status", None, "its top"),
        ("performedDateTime", 20260308, "$.performedDateTime"),
        ("performedPeriod", "2026", "$.performedPeriod"),
        ("code", SECRET, "$.code"),
        ("code", {"coding": SECRET}, "$.code.coding"),
        ("code", {"coding": [{"code": 5}]}, "$.code.coding[0].code"),
        ("subject", SECRET, "$.subject"),
        ("subject", {"reference": [SECRET]}, "$.subject.reference"),
        ("focalDevice", {"manipulated": {}}, "$.focalDevice"),
        ("extension", [{"url": "x", "valueDateTime": 1}], "$.extension[0].valueDateTime"),
        ("meta", [SECRET], "$.meta"),
        ("identifier", {"value": SECRET}, "$.identifier"),
    ],
)
def test_wrong_shape_says_where_and_never_what(element, value, where):
    refused = record_from_bytes(raw(procedure(**{element: value})))
    assert isinstance(refused, Refusal)
    assert refused.source == "Procedure/p1"
    assert where in refused.why
    assert SECRET not in refused.why
    assert not refused.of_other_type
    assert not refused.not_json


@pytest.mark.parametrize("value", ["1.5", True, [1], {"a": 1}])
def test_amount_that_is_no_number_is_refused(value):
    refused = record_from_bytes(raw(observation(valueQuantity={"value": value})))
    assert isinstance(refused, Refusal)
    assert "$.valueQuantity.value" in refused.why


GOOD = raw(procedure())


@pytest.mark.parametrize(
    ("name", "given"),
    [
        ("empty", b""),
        ("truncated", GOOD[:60]),
        ("html", b"<html><body>Please log in</body></html>"),
        ("NaN", GOOD.replace(b'"completed"', b"NaN")),
        ("Infinity", GOOD.replace(b'"completed"', b"-Infinity")),
        ("something behind it", GOOD + b"{}"),
        ("half a surrogate pair", GOOD.replace(b"completed", b"\\ud800")),
        ("control character", GOOD.replace(b"completed", b"comp\x00leted")),
        ("byte order mark", b"\xef\xbb\xbf" + GOOD),
        ("not UTF-8 in the type", GOOD.replace(b"Procedure", b"Proc\xffdure")),
        ("nested deeply in an element nobody reads", b'{"extra":' + b"[" * 100_000 + b"]" * 100_000 + b"," + GOOD[1:]),
    ],
)
def test_what_is_no_json_says_so(name, given):
    assert record_from_bytes(given) == Refusal(source=None, why="not readable as JSON", not_json=True)


@pytest.mark.parametrize("given", [b"[1, 2]", b"null", b'"text"', b"17", b"[{}]"])
def test_json_that_is_no_object_says_so(given):
    assert record_from_bytes(given) == Refusal(source=None, why="no JSON object, so no FHIR resource")


@pytest.mark.parametrize(
    "given", [b"{}", b'{"resourceType": 5}', b'{"resourceType": "<script>"}', b'{"resourceType": ""}']
)
def test_object_without_a_type_says_so(given):
    assert record_from_bytes(given) == Refusal(source=None, why="no resourceType, so no FHIR resource")


def test_bytes_that_are_not_utf8_inside_are_listed_by_their_resource():
    refused = record_from_bytes(GOOD.replace(b"completed", b"c\xff"))
    assert (refused.source, refused.not_json) == ("Procedure/p1", False)


def test_deep_nesting_where_a_text_belongs_is_refused_with_its_resource():
    refused = record_from_bytes(GOOD.replace(b'"completed"', b"[" * 500 + b"]" * 500))
    assert refused.source == "Procedure/p1"


@pytest.mark.parametrize(
    ("given", "source"),
    [
        (b'{"resourceType": "Medication", "id": "m1"}', "Medication/m1"),
        (b'{"resourceType": "Medication"}', "Medication"),
        (b'{"resourceType": "Medication", "id": "Sam Sample"}', "Medication"),
        (b'{"resourceType": "Medication", "id": 5}', "Medication"),
    ],
)
def test_type_that_is_not_read_is_told_apart(given, source):
    assert record_from_bytes(given) == Refusal(source=source, why="a type that is not read", of_other_type=True)


def test_bundle_in_the_place_of_a_resource_is_never_passed_over():
    refused = record_from_bytes(b'{"resourceType": "Bundle", "entry": [1]}')
    assert refused.source == "Bundle"
    assert not refused.of_other_type


def test_text_of_a_megabyte_in_an_element_that_is_read_is_taken():
    assert record(procedure(code={"text": MEGABYTE})).code.text == MEGABYTE
