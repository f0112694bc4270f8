"""Devices are lines where they have a patient and a mapped kind; a use that is over ends a line (design 2.3.1, section 7)."""

import pytest

from linedays.core.model import EndBasis, FactKind, IssueKind
from linedays.core.moment import exactly
from linedays.fhir.reading import Ignored, OnlyIfLine
from support.charted import CHARTED_KINDS, OWN, SCT, at, code, device, read, ref, stored, use

KNOWN = exactly(at("2026-03-02T10:10:00Z"))


@pytest.mark.parametrize("kind", CHARTED_KINDS)
def test_device_of_a_mapped_kind_with_a_patient_is_a_line(kind):
    (line,) = read(device(kind))
    assert (line.kind, line.line_kind, line.patient, line.source) == (FactKind.DEVICE, kind, "Patient/p", "Device/d")
    assert (line.happened, line.known, line.updated) == (KNOWN, KNOWN.earliest, KNOWN.earliest)
    assert (line.part_of, line.value, line.device) == (None, None, None)


@pytest.mark.parametrize(
    ("snomed", "kind"),
    [
        # fhir-facts.md 5.1: 52124006 alone cannot tell a central venous catheter from a port or a PICC
        ("52124006", "unknown"),
        ("445085009", "tunnelled-cvc"),
        ("398176008", "picc"),
        ("82449006", "peripheral-iv"),
        ("398013009", "implanted-port"),
    ],
)
def test_snomed_kinds(snomed, kind):
    assert read(device(type=code(snomed, SCT)))[0].line_kind == kind


def test_first_mapped_kind_of_several_counts():
    both = {"coding": [*code("19923001", SCT)["coding"], *code("midline", "line-kind")["coding"]]}
    assert read(device(type=both))[0].line_kind == "midline"


@pytest.mark.parametrize("kind", [None, {}, {"text": "PICC"}, code("19923001", SCT), code("pump", "urn:x:devices")])
def test_any_other_device_is_no_line(kind):
    assert read(device(type=kind)) == Ignored("not-a-line")


def test_kind_that_our_system_does_not_have_is_an_issue():
    found = read(device("hickmann"))
    assert (found.kind, found.source, found.patient) == (IssueKind.UNKNOWN_CODE, "Device/d", "Patient/p")
    assert "'hickmann'" in found.text
    assert read(device("hickmann", patient=None)).patient is None


@pytest.mark.parametrize("patient", [None, {}, ref("#p"), ref("Group/g")])
def test_device_without_a_patient_is_stock(patient):
    assert read(device(patient=patient)) == Ignored("device-in-stock")


@pytest.mark.parametrize("status", [None, "active", "unknown"])
def test_device_in_use_has_no_end(status):
    assert len(read(device(status=status))) == 1


def test_inactive_device_was_out_when_that_became_known():
    line, end = read(device(status="inactive"))
    assert line.kind is FactKind.DEVICE
    assert (end.kind, end.value, end.device, end.source) == (FactKind.REMOVED, EndBasis.STATUS, "Device/d", "Device/d")
    assert (end.happened, end.known) == (KNOWN, KNOWN.earliest)


def test_entered_in_error_is_taken_back():
    found = read(device(status="entered-in-error"))
    assert (found.rule, [fact.kind for fact in found.retracted]) == ("entered-in-error", [FactKind.RETRACTED])
    assert read(device(status="entered-in-error", patient=None)) == Ignored("entered-in-error")


@pytest.mark.parametrize(
    ("parent", "named"), [(ref("Device/sheath"), "Device/sheath"), (ref("#x"), None), (None, None)]
)
def test_parent(parent, named):
    assert read(device(parent=parent))[0].part_of == named


LABEL = "https://linedays.example/fhir/device-label"


@pytest.mark.parametrize(
    ("identifiers", "value"),
    [
        ([{"system": LABEL, "value": "L-17"}], f"{LABEL}|L-17"),
        ([{"system": "urn:x:rows", "value": "1"}, {"system": LABEL, "value": "L-17"}], f"{LABEL}|L-17"),
        ([{"system": LABEL}], None),
        ([{"system": LABEL, "value": ""}], None),
        ([{"value": "L-17"}], None),
        ([{"system": "urn:x:rows", "value": "1"}], None),
    ],
)
def test_permanent_identifier(identifiers, value):
    assert read(device(identifier=identifiers))[0].value == value


def test_our_own_device_is_never_input():
    assert read(device(identifier=[{"system": OWN, "value": "software"}])) == Ignored("own-output")


@pytest.mark.parametrize("status", ["completed", "stopped"])
def test_use_that_is_over_ends_the_line_if_its_device_is_one(status):
    found = read(use(status=status, meta=stored("2026-03-10T09:40:00Z")))
    assert isinstance(found, OnlyIfLine)
    (end,) = found.facts
    assert (end.kind, end.device, end.patient, end.value) == (FactKind.REMOVED, "Device/d", "Patient/p", None)
    assert (end.happened, end.known, end.updated) == (
        exactly(at("2026-03-10T09:00:00Z")),
        at("2026-03-10T09:30:00Z"),
        at("2026-03-10T09:40:00Z"),
    )


@pytest.mark.parametrize("status", ["active", "intended", "on-hold"])
def test_use_that_is_not_over_states_nothing(status):
    assert read(use(status=status, timingPeriod=None)) == Ignored("use-not-ended")


@pytest.mark.parametrize("status", ["active", "on-hold"])
def test_use_that_is_on_again_takes_its_end_back(status):
    found = read(use(status=status, meta=stored("2026-03-10T11:00:00Z", "3")))
    assert (found.rule, [fact.kind for fact in found.retracted]) == ("use-not-ended", [FactKind.RETRACTED])


def test_use_entered_in_error_takes_its_end_back():
    (fact,) = read(use(status="entered-in-error")).retracted
    assert (fact.kind, fact.source, fact.known) == (
        FactKind.RETRACTED,
        "DeviceUseStatement/u1",
        at("2026-03-10T09:30:00Z"),
    )


@pytest.mark.parametrize("subject", [{}, ref("Group/g"), ref("#p")])
def test_use_without_a_patient_is_an_issue(subject):
    assert read(use(subject=subject)).kind is IssueKind.NO_PATIENT


@pytest.mark.parametrize(
    ("timing", "kind"),
    [
        ({"timingPeriod": None}, IssueKind.NO_TIME),
        ({"timingPeriod": None, "timingDateTime": "2026-03-10T09:00:00Z"}, IssueKind.NO_TIME),
        ({"timingPeriod": {"start": "2026-03-02"}}, IssueKind.NO_TIME),
        ({"timingPeriod": {"end": "2026-02-30"}}, IssueKind.BAD_TIME),
        ({"timingPeriod": {"start": "2026-03-10T09:00:01Z", "end": "2026-03-10T09:00:00Z"}}, IssueKind.BAD_TIME),
    ],
)
def test_use_that_is_over_without_a_usable_end_is_an_issue(timing, kind):
    found = read(use(**timing))
    assert (found.kind, found.patient) == (kind, "Patient/p")


@pytest.mark.parametrize("start", ["2026-03-10T09:00:00Z", "2026-03-10", "whenever"])
def test_only_a_start_after_the_end_stands_in_the_way(start):
    assert isinstance(read(use(timingPeriod={"start": start, "end": "2026-03-10T09:00:00Z"})), OnlyIfLine)
