"""Elements in comparable form: equal for equal meaning, different for another, and never an error for what a server sends.

Source: design 2.6 ("equality ... is judged on the elements we own, parsed, never on text").
"""

import pytest

from linedays.fhir.elements import comparable

SYSTEM = "https://linedays.example/fhir/CodeSystem/dressing-kind"


def coded(code: str, **other: object) -> dict[str, object]:
    return {"coding": [{"system": SYSTEM, "code": code, **other}]}


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        ("2031-05-14T10:00:00+02:00", "2031-05-14T08:00:00Z"),
        ("2031-05-14T10:00:00+02:00", "2031-05-14T08:00:00.000Z"),
        ({"start": "2031-05-14T10:00:00Z", "end": "2031-05-15T10:00:00Z"}, {"end": "2031-05-15T10:00:00Z", "start": "2031-05-14T10:00:00Z"}),
        ({"start": "2031-05-14T10:00:00Z"}, {"start": "2031-05-14T10:00:00Z", "id": "p1", "extension": [{"url": "urn:x"}]}),
        ({"reference": "Device/1"}, {"reference": "https://server.example/fhir/Device/1/_history/2", "display": "d", "type": "Device"}),
        (coded("gauze"), {**coded("gauze", display="Gauze", version="1", userSelected=True), "text": "Gauze"}),
        ({"valueReference": {"reference": "Device/1"}}, {"valueReference": {"reference": "Device/1", "display": "d"}}),
        ([1, True, None], [1, True, None]),
    ],
)  # fmt: skip
def test_equal_meaning_is_equal(ours: object, theirs: object) -> None:
    assert comparable(ours) == comparable(theirs)
    hash(comparable(theirs))


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        ("2031-05-14T10:00:00+02:00", "2031-05-14T10:00:00Z"),
        ("2031-05-14", "2031-05-14T00:00:00Z"),  # a day is not its first second
        ({"start": "2031-05-14T10:00:00Z"}, {"end": "2031-05-14T10:00:00Z"}),
        ({"reference": "Device/1"}, {"reference": "Device/2"}),
        (coded("gauze"), coded("transparent")),
        (coded("gauze"), {"coding": [{"system": "https://other.example", "code": "gauze"}]}),
        (coded("gauze"), {"text": "gauze"}),
        ([1, 2], [2, 1]),
    ],
)
def test_another_meaning_is_a_difference(ours: object, theirs: object) -> None:
    assert comparable(ours) != comparable(theirs)
    hash(comparable(theirs))
