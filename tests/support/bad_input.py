"""A corpus of bad input as bytes, each with the resource it comes from and the reasons that may be given. No I/O.

Every row speaks of the line `d-b` of the patient `b`, whose good charting, like that of the patient `a`, stands in `GOOD`.
A row here must change nothing about either line and must be listed with its resource and its reason.
"""

import json
from dataclasses import dataclass
from typing import Any

from linedays.core.model import IssueKind
from support.made_up_patient import BASE, RECORDED

AT = "2026-03-12T12:00:00+00:00"
MEGABYTE = "x" * 1_000_000
RECORDED_THEN = [{"url": RECORDED, "valueDateTime": "2026-03-08T10:10:00Z"}]


@dataclass(frozen=True, slots=True)
class Bad:
    """One bad row. `source` is how the listing names it; None where the row does not say what it is."""

    name: str
    row: bytes
    reasons: tuple[IssueKind, ...]
    source: str | None


def change(name: str, patient: str = "b", **other: Any) -> dict[str, Any]:
    """Return a dressing change of 8 March as charted in the reference way, with elements replaced (None: left out)."""
    resource = {
        "resourceType": "Procedure",
        "id": name,
        "meta": {"lastUpdated": "2026-03-08T10:10:00Z"},
        "extension": RECORDED_THEN,
        "status": "completed",
        "code": {"coding": [{"system": BASE + "charting", "code": "dressing-change"}]},
        "subject": {"reference": f"Patient/{patient}"},
        "performedDateTime": "2026-03-08T10:00:00Z",
        "focalDevice": [{"manipulated": {"reference": f"Device/d-{patient}"}}],
        "usedCode": [{"coding": [{"system": BASE + "dressing-kind", "code": "chg-gel"}]}],
    }
    return {key: value for key, value in (resource | other).items() if value is not None}


def look(name: str, patient: str = "b", **other: Any) -> dict[str, Any]:
    """Return a look at the dressing on 9 March that found it loose, with elements replaced (None: left out)."""
    resource = {
        "resourceType": "Observation",
        "id": name,
        "status": "final",
        "code": {"coding": [{"system": BASE + "charting", "code": "dressing-condition"}]},
        "subject": {"reference": f"Patient/{patient}"},
        "effectiveDateTime": "2026-03-09T21:40:00Z",
        "issued": "2026-03-09T21:45:00Z",
        "valueCodeableConcept": {"coding": [{"system": BASE + "dressing-condition", "code": "loose"}]},
        "device": {"reference": f"Device/d-{patient}"},
    }
    return {key: value for key, value in (resource | other).items() if value is not None}


def _code(code: str, system: str = "charting") -> dict[str, Any]:
    return {"coding": [{"system": BASE + system, "code": code}]}


def _good(patient: str) -> tuple[dict[str, Any], ...]:
    period = {"start": "2026-03-01T06:00:00Z"}
    return (
        {"resourceType": "Patient", "id": patient, "birthDate": "1960-04-02"},
        {
            "resourceType": "Encounter",
            "id": f"stay-{patient}",
            "meta": {"lastUpdated": "2026-03-01T06:05:00Z"},
            "status": "in-progress",
            "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
            "subject": {"reference": f"Patient/{patient}"},
            "period": period,
            "location": [{"location": {"reference": "Location/ward-north"}, "status": "active", "period": period}],
        },
        {
            "resourceType": "Device",
            "id": f"d-{patient}",
            "meta": {"lastUpdated": "2026-03-02T10:10:00Z"},
            "status": "active",
            "type": _code("picc", "line-kind"),
            "patient": {"reference": f"Patient/{patient}"},
        },
        change(
            f"in-{patient}",
            patient,
            code=_code("insertion"),
            performedDateTime="2026-03-02T10:00:00Z",
            extension=[{"url": RECORDED, "valueDateTime": "2026-03-02T10:10:00Z"}],
        ),
        change(
            f"change-{patient}",
            patient,
            performedDateTime="2026-03-06T10:00:00Z",
            extension=[{"url": RECORDED, "valueDateTime": "2026-03-06T10:10:00Z"}],
        ),
    )


PLACE = {
    "resourceType": "Location",
    "id": "ward-north",
    "status": "active",
    "type": [{"coding": [{"system": "http://terminology.hl7.org/CodeSystem/v3-RoleCode", "code": "HU"}]}],
}
GOOD = (PLACE, *_good("a"), *_good("b"))


def _row(resource: object) -> bytes:
    return json.dumps(resource).encode()


def _bad(name: str, resource: dict[str, Any], *reasons: IssueKind) -> Bad:
    return Bad(name, _row(resource), reasons, f"{resource['resourceType']}/{resource['id']}")


def _raw(name: str, row: bytes, *reasons: IssueKind) -> Bad:
    return Bad(name, row, reasons, None)


def _nested(depth: int) -> bytes:
    return b"[" * depth + b"]" * depth


_AS_BYTES = _row(change("raw"))
_UNREADABLE = (IssueKind.BAD_JSON, IssueKind.BAD_SHAPE)

UNREADABLE = (
    _raw("truncated", _AS_BYTES[:200], IssueKind.BAD_JSON),
    _raw("truncated in a text", _AS_BYTES[:35], IssueKind.BAD_JSON),
    _raw("not json", b"<html><body>Please log in</body></html>", IssueKind.BAD_JSON),
    _raw("empty object", b"{}", IssueKind.BAD_SHAPE),
    _raw("array at the top", b"[1, 2, 3]", *_UNREADABLE),
    _raw("null at the top", b"null", *_UNREADABLE),
    _raw("NaN", _AS_BYTES.replace(b'"2026-03-08T10:00:00Z"', b"NaN"), *_UNREADABLE),
    _raw("half a surrogate pair", _AS_BYTES.replace(b"dressing-change", b"dressing\\ud800"), *_UNREADABLE, IssueKind.UNKNOWN_CODE),
    _raw("depth 100000 in an element nobody reads", b'{"extra":' + _nested(100_000) + b"," + _AS_BYTES[1:], *_UNREADABLE),
    _raw("no id", _row(change("x", id=None)), IssueKind.BAD_SHAPE),
    _raw("no resourceType", _row(change("x", resourceType=None)), IssueKind.BAD_SHAPE),
    _raw("number as id", _row(change("x", id=17)), IssueKind.BAD_SHAPE),
)

WRONG_SHAPE = (
    _bad("list for a text", change("bad-status-list", status=["completed"]), IssueKind.BAD_SHAPE),
    _bad("number for a time", change("bad-number-time", performedDateTime=20260308), IssueKind.BAD_SHAPE),
    _bad("list for a time", change("bad-list-time", performedDateTime=["2026-03-08T10:00:00Z"]), IssueKind.BAD_SHAPE),
    _bad("object for a list", change("bad-object", focalDevice={"manipulated": {"reference": "Device/d-b"}}), IssueKind.BAD_SHAPE),
    _bad("text for an object", change("bad-text-code", code="dressing-change"), IssueKind.BAD_SHAPE),
    _bad("text for a reference", look("bad-reference", device="Device/d-b"), IssueKind.BAD_SHAPE),
    _bad("a modifier nobody knows", change("bad-modifier", modifierExtension=[{"url": "https://chart.hospital.example/not"}]), IssueKind.MODIFIED),
    _bad("rules nobody knows", change("bad-rules", implicitRules="https://chart.hospital.example/rules"), IssueKind.MODIFIED),
    _bad("no status", change("bad-no-status", status=None), IssueKind.BAD_SHAPE),
    _bad("a status that does not exist", change("bad-status", status="done"), IssueKind.BAD_SHAPE),
    Bad(
        "bytes that are not UTF-8",
        _row(change("bad-utf8")).replace(b"completed", b"compl\xff\xfeted"),
        (IssueKind.BAD_JSON, IssueKind.BAD_SHAPE),
        "Procedure/bad-utf8",
    ),
    Bad(
        "depth 500 where a text belongs",
        _row(change("bad-depth")).replace(b'"completed"', _nested(500)),
        (IssueKind.BAD_SHAPE,),
        "Procedure/bad-depth",
    ),
)

WRONG_TIME = (
    _bad("30 February", change("bad-feb", performedDateTime="2026-02-30T10:00:00Z"), IssueKind.BAD_TIME),
    _bad("no offset", change("bad-no-offset", performedDateTime="2026-03-08T10:00:00"), IssueKind.BAD_TIME),
    _bad("24:00", change("bad-24", performedDateTime="2026-03-08T24:00:00Z"), IssueKind.BAD_TIME),
    _bad("words for a time", change("bad-words", performedDateTime="last night"), IssueKind.BAD_TIME),
    _bad("year 0206", change("bad-0206", performedDateTime="0206-03-08T10:00:00Z"), IssueKind.BAD_TIME),
    _bad("year 9999", change("bad-9999", performedDateTime="9999-03-08T10:00:00Z"), IssueKind.BAD_TIME),
    _bad("finding on 31 April", look("bad-april", effectiveDateTime="2026-04-31T10:00:00Z"), IssueKind.BAD_TIME),
    _bad("no time", change("bad-no-time", performedDateTime=None), IssueKind.NO_TIME),
    _bad("year typed as the next", change("bad-next-year", performedDateTime="2027-03-08T10:00:00Z"), IssueKind.AFTER_OWN_ENTRY),
    _bad("year typed as the last", change("bad-last-year", performedDateTime="2025-03-08T10:00:00Z"), IssueKind.BEFORE_INSERTION),
    # entered 10:10; 15 min are allowed: 10:25 would be taken, 10:26 is not (design 2.3.4)
    _bad("one minute too late for its entry", change("bad-future", performedDateTime="2026-03-08T10:26:00Z"), IssueKind.AFTER_OWN_ENTRY),
    _bad("before the insertion", change("bad-before", performedDateTime="2026-03-02T09:59:00Z"), IssueKind.BEFORE_INSERTION),
)

WRONG_MEANING = (
    _bad("a code we do not have", change("bad-code", code=_code("dressing-glanced-at")), IssueKind.UNKNOWN_CODE),
    _bad("a finding we do not have", look("bad-finding", valueCodeableConcept=_code("wobbly", "dressing-condition")), IssueKind.UNKNOWN_VALUE),
    _bad("a code of a million letters", change("bad-long-code", code=_code(MEGABYTE)), IssueKind.UNKNOWN_CODE, IssueKind.TOO_LARGE),
    _bad("script as a finding", look("bad-script", valueCodeableConcept=_code("<script>alert(1)</script>", "dressing-condition")), IssueKind.UNKNOWN_VALUE),
    _bad("another patient's line", change("bad-subject", subject={"reference": "Patient/a"}), IssueKind.SUBJECT_MISMATCH),
    _bad("no patient", change("bad-no-subject", subject=None), IssueKind.NO_PATIENT, IssueKind.BAD_SHAPE),
    _bad("a group as subject", change("bad-group", subject={"reference": "Group/b"}), IssueKind.NO_PATIENT, IssueKind.SUBJECT_MISMATCH),
    _bad("a line that is not there", change("bad-no-line", focalDevice=[{"manipulated": {"reference": "Device/nowhere"}}]), IssueKind.NO_LINE),
)

CORPUS = UNREADABLE + WRONG_SHAPE + WRONG_TIME + WRONG_MEANING

# Not bad: elements nobody reads may hold anything, and the statement still counts.
HARMLESS = (
    change("odd-narrative", text={"status": "generated", "div": "<div><script>alert(1)</script></div>"}),
    change("odd-note", note=[{"text": MEGABYTE}, {"vendorThing": {"a": [1, {"b": None}]}}]),
    change("odd-extensions", extension=[*RECORDED_THEN, *({"url": f"https://chart.hospital.example/x{n}"} for n in range(1000))]),
)

# Elements that the standard does not know are named, and the statement still counts.
UNKNOWN = {
    "vendorThing": change("new-element", vendorThing={"a": [1, {"b": None}]}),
    "code.coding.colour": change("new-inside", code={"coding": [{"system": BASE + "charting", "code": "dressing-change", "colour": 7}]}),
    "occurrenceDateTime": change("new-name", occurrenceDateTime="2026-03-08T10:00:00Z"),
}
