"""Every kind of mistake in every resource we write, found by our own check, beside two validators from outside the project.

The cases and their sources are in tests/support/spoiled_writes.py. The table of case × validator is printed with `pytest -s`.
"""

import sys
from collections import defaultdict

import pytest

from linedays.fhir.checks import problems_of, validate_with_classes
from support.spoiled_writes import CASES, GOOD, NOT_THERE, spoiled
from support.written_resources import GONE, OBSERVATION, PROVENANCE, US, fhirkit_says, put

BAD = list(spoiled())


def test_every_case_is_tried_on_every_resource():
    assert {(case, kind) for case in CASES for kind in GOOD} - {(one.case, one.kind) for one in BAD} == NOT_THERE


@pytest.mark.parametrize("kind", GOOD)
def test_good_ones_pass_all_three(kind):
    assert problems_of(GOOD[kind], US) == ()
    assert validate_with_classes(GOOD[kind]) == []
    assert fhirkit_says(GOOD[kind]) == []


@pytest.mark.parametrize("bad", BAD, ids=lambda bad: bad.name)
def test_our_check_finds_it_where_it_is(bad):
    problems = problems_of(bad.resource, US)
    assert [one for one in problems if bad.said in one], problems


def test_table_of_cases_and_validators():
    found = defaultdict(lambda: [0, 0, 0, 0])
    for one in BAD:
        bad = one.resource
        row = found[one.case, one.kind]
        verdicts = (True, bool(problems_of(bad, US)), bool(validate_with_classes(bad)), bool(fhirkit_says(bad)))
        for place, verdict in enumerate(verdicts):
            row[place] += verdict
    lines = [f"{'case':38} {'resource':12} cases  ours  R4B classes  fhirkit"]
    lines += [f"{case:38} {kind:12} {n:5} {ours:5} {classes:12} {kit:8}" for (case, kind), (n, ours, classes, kit) in found.items()]
    total = [sum(row[place] for row in found.values()) for place in range(4)]
    lines.append(f"{'all':51} {total[0]:5} {total[1]:5} {total[2]:12} {total[3]:8}")
    sys.stdout.write("\n" + "\n".join(lines) + "\n")
    assert total[1] == total[0] == len(BAD)
    # What the others miss is why ours stands beside them; they must find something, or they were not asked.
    assert 0 < total[2] < total[0]
    assert 0 < total[3] < total[0]


@pytest.mark.parametrize(
    "said",
    [
        {"dataAbsentReason": {"text": "unknown"}, "valueQuantity": GONE},
        {"component": [{"code": {"coding": [{"system": "urn:x", "code": "other"}]}, "valueString": "x"}]},
        {"component": [{"code": OBSERVATION["code"], "valueString": "x"}], "valueQuantity": GONE},
        {"effectiveDateTime": GONE, "effectivePeriod": {"start": "2026-03-10", "end": "2026-03-11"}},
        {"valueQuantity": GONE, "valueDateTime": "2026-03-10T07:00:00+01:00"},
        {"device": GONE, "focus": [{"reference": "Procedure/placed-1"}]},
        {"referenceRange": [{"text": "x"}], "status": "corrected"},
    ],
)
def test_observations_that_are_right(said):
    good = OBSERVATION
    for name, value in said.items():
        good = put(good, [name], value)
    assert problems_of(good, US) == ()
    assert validate_with_classes(good) == []


def test_provenance_may_name_the_software_by_its_id():
    good = put(PROVENANCE, ["agent", 0, "who"], {"reference": "Device/d-1", "display": "linedays"})
    assert problems_of(good, US) == ()
