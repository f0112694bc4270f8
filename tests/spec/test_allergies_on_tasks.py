"""What is charted of a patient's allergies stands on every Task for which something is put on the skin.

Source: design section 4 ("no allergy entry is 'nothing charted: ask', not 'none'") and fhir-facts 6.2 (allergy warning in
`input`); that chlorhexidine and adhesive matter to a dressing: CDC-2011, recommendations on skin antisepsis and dressings
(from memory).
"""

from typing import Any

import pytest

from linedays.adapters.server_starter import load_bundle
from linedays.run.rereading import read_ours
from linedays.run.writing import apply_plan
from support.made_up_patient import BASE
from support.small_ward import AT, IDENTITY, OVERDUE, PLACES, memory_server, planned, time

Resource = dict[str, Any]


def allergy(name: str, group: str, **other: Any) -> Resource:
    return {
        "resourceType": "AllergyIntolerance",
        "id": name,
        "meta": {"lastUpdated": time("03 09:00")},
        "clinicalStatus": {"coding": [{"code": "active"}]},
        "verificationStatus": {"coding": [{"code": "confirmed"}]},
        "code": {"coding": [{"system": BASE + "allergen", "code": group}]},
        "patient": {"reference": "Patient/over"},
        "recordedDate": time("03 09:00"),
    } | other


def task_with(*allergies: Resource) -> Resource:
    plan = planned(memory_server([*PLACES, *OVERDUE, *allergies]), AT)
    (task,) = [each.resource for each in plan.writes if each.resource["resourceType"] == "Task"]
    assert [each.problems for each in plan.writes if each.problems] == []
    return task


def notes(task: Resource) -> list[str]:
    return [one["text"] for one in task["note"] if "llerg" in one["text"]]


@pytest.mark.parametrize(
    ("charted", "said"),
    [
        ((), "no allergy entry in the chart: ask"),
        (("none-known",), "charted: no known allergy"),
        (("chlorhexidine",), "allergy charted: chlorhexidine"),
        (("adhesive", "chlorhexidine"), "allergy charted: adhesive, chlorhexidine"),
        (("none-known", "adhesive"), "allergy charted: adhesive"),
        (("other",), "allergy charted: an entry that is not understood here, look"),
    ],
)
def test_the_note_says_what_is_charted_and_never_none_for_nothing(charted: tuple[str, ...], said: str) -> None:
    assert notes(task_with(*(allergy(f"a-{group}", group) for group in charted))) == [said]


def test_the_entry_stands_in_input_so_that_it_can_be_looked_up() -> None:
    inputs = {one["type"]["coding"][0]["code"]: one for one in task_with(allergy("a-1", "chlorhexidine"))["input"]}
    assert inputs["allergy-chlorhexidine"]["valueReference"] == {"reference": "AllergyIntolerance/a-1"}


@pytest.mark.parametrize(
    "other",
    [
        {"verificationStatus": {"coding": [{"code": "refuted"}]}},
        {"verificationStatus": {"coding": [{"code": "entered-in-error"}]}},
        {"clinicalStatus": {"coding": [{"code": "resolved"}]}},
    ],
)
def test_what_does_not_stand_is_not_said(other: Resource) -> None:
    # The systems of these codes are left out in the made-up entry; the words are those of FHIR R4 (from memory).
    for part in other.values():
        part["coding"][0]["system"] = "http://terminology.hl7.org/CodeSystem/" + (
            "allergyintolerance-clinical" if "clinicalStatus" in other else "allergyintolerance-verification"
        )
    assert notes(task_with(allergy("a-1", "chlorhexidine", **other))) == ["no allergy entry in the chart: ask"]


def test_a_task_follows_its_patient_into_the_record_that_replaces_the_old_one() -> None:
    """Hazard H37: allergies are those of the record that stands; the Task keeps its identifier."""
    server = memory_server([*PLACES, *OVERDUE])
    apply_plan(planned(server, AT), server, IDENTITY)
    before = {one["resourceType"]: one for one in read_ours(server, IDENTITY).values()}
    link = [{"other": {"reference": "Patient/stands"}, "type": "replaced-by"}]
    born = {"resourceType": "Patient", "birthDate": "1961-02-03"}
    load_bundle(server, [born | {"id": "over", "link": link}, born | {"id": "stands"}])
    server.tick(60)
    plan = planned(server, AT + 600)
    apply_plan(plan, server, IDENTITY)
    after = {one["resourceType"]: one for one in read_ours(server, IDENTITY).values()}
    for kind, element in (("Task", "for"), ("Flag", "subject")):
        assert after[kind]["identifier"] == before[kind]["identifier"]
        assert after[kind][element] == {"reference": "Patient/stands"}
    assert planned(server, AT + 601).writes == ()
