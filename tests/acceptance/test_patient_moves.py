"""A patient with an open Task moves from one unit to another: the other unit's list finds the Task, the first one's does not.

Source: design 2.6 ("follow the patient: encounter, location") and FHIR R4, search, chained parameters
(http://hl7.org/fhir/R4/search.html#chaining): Encounter.location keeps the places that were left, so that a search by place
finds the Encounters of patients who are gone from there as well.
"""

import json
from collections.abc import Iterator
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from linedays.adapters.fhir_errors import Written
from linedays.adapters.fhir_http import new_client
from linedays.adapters.fhir_server import FhirServer
from linedays.adapters.server_starter import load_bundle, started_server
from linedays.core.moment import HOUR, MINUTE
from linedays.run.rereading import read_ours
from linedays.run.task_rows import taken_words
from linedays.run.worklist_queries import Answer, by_owner, by_patient, by_place
from linedays.run.writing import apply_plan
from support.memory_fhir_server import MemoryFhirServer
from support.small_ward import AT, IDENTITY, MADE_UP_WARD, OVERDUE, PLACES, RED, person, planned, time

Resource = dict[str, Any]
A, B = "Location/made-up-ward", "Location/other-ward"
BED_B = "Location/other-ward-bed-3"
TEAM_A, TEAM_B = "CareTeam/team-a", "CareTeam/team-b"
MOVED_AT = "14 10:20"
UNIT_B = [
    {**MADE_UP_WARD, "id": "other-ward", "name": "Other Ward"},
    {
        "resourceType": "Location",
        "id": "other-ward-bed-3",
        "meta": {"lastUpdated": time("01 00:00")},
        "status": "active",
        "name": "Other Ward, bed 3",
        "mode": "instance",
        "physicalType": {
            "coding": [{"system": "http://terminology.hl7.org/CodeSystem/location-physical-type", "code": "bd"}]
        },
        "partOf": {"reference": "Location/other-ward"},
    },
]
TEAMS = [
    {"resourceType": "CareTeam", "id": name.partition("/")[2], "status": "active", "name": f"{name} (made up)"}
    for name in (TEAM_A, TEAM_B)
]
ASKED_OF_A, ASKED_OF_B = (A,), (B, BED_B)
WAYS = {"chained": True, "two steps": False}


@pytest.fixture(params=["memory", pytest.param("real", marks=pytest.mark.server)])
def server(request: pytest.FixtureRequest) -> Iterator[Any]:
    """A server on which a patient and a neighbour in ward A have each one open Task."""
    if request.param == "memory":
        yield swept(MemoryFhirServer(now=AT - 60))
    else:
        with started_server() as base_url, new_client() as client:
            yield swept(FhirServer(base_url, client=client))


def swept(server: Any) -> Any:
    load_bundle(server, [*PLACES, *UNIT_B, *TEAMS, *OVERDUE, *RED])
    apply_plan(planned(server), server, IDENTITY)
    assert len(tasks(server)) == 2
    return server


def tasks(server: Any) -> list[Resource]:
    return [one for one in read_ours(server, IDENTITY).values() if one["resourceType"] == "Task"]


def the_task(server: Any, patient: str) -> Resource:
    (task,) = [one for one in tasks(server) if one["for"]["reference"] == f"Patient/{patient}"]
    return task


def move(server: Any) -> None:
    """Chart the move in the Encounter, as record systems do: the place that was left stays in it, completed."""
    stay = person("over")[1]
    left = {**stay["location"][0], "status": "completed"}
    left["period"] = {**left["period"], "end": time(MOVED_AT)}
    come = {"location": {"reference": BED_B}, "status": "active", "period": {"start": time(MOVED_AT)}}
    load_bundle(server, [{**stay, "meta": {"lastUpdated": time(MOVED_AT)}, "location": [left, come]}])


def sweep_after_move(server: Any) -> list[Resource]:
    """Sweep half an hour after the first sweep; return what was written."""
    plan = planned(server, AT + 30 * MINUTE)
    assert apply_plan(plan, server, IDENTITY).refused == []
    return [each.resource for each in plan.writes]


def patients(answer: Answer) -> set[str]:
    return {task["for"]["reference"].removeprefix("Patient/") for task in answer.tasks.values()}


def in_places(server: Any, places: tuple[str, ...], way: str) -> set[str]:
    answer = by_place(server, places, IDENTITY, chained=WAYS[way])
    assert (answer.mismatched, answer.not_ours) == (0, 0)
    return patients(answer)


@pytest.mark.parametrize("way", WAYS)
def test_list_by_place_follows_the_patient_and_the_task_keeps_its_identifier(server: Any, way: str) -> None:
    before = the_task(server, "over")
    assert before["location"] == {"reference": A}
    assert (in_places(server, ASKED_OF_A, way), in_places(server, ASKED_OF_B, way)) == ({"over", "red"}, set())

    move(server)
    # The place is read from the Encounter, so the lists are right before the Task itself has followed.
    assert the_task(server, "over")["location"] == {"reference": A}
    assert (in_places(server, ASKED_OF_A, way), in_places(server, ASKED_OF_B, way)) == ({"red"}, {"over"})

    written = sweep_after_move(server)
    assert [one["resourceType"] for one in written] == ["Task"]
    after = the_task(server, "over")
    assert after["location"] == {"reference": BED_B}
    assert (after["id"], after["identifier"], after["status"]) == (before["id"], before["identifier"], "requested")
    assert len(tasks(server)) == 2
    assert (in_places(server, ASKED_OF_A, way), in_places(server, ASKED_OF_B, way)) == ({"red"}, {"over"})
    assert planned(server, AT + 31 * MINUTE).writes == ()


def test_chain_finds_the_encounter_in_the_place_it_has_left_and_that_is_filtered_and_counted(server: Any) -> None:
    move(server)
    sweep_after_move(server)
    answer = by_place(server, ASKED_OF_A, IDENTITY)
    assert answer.asked[0].params[0] == ("encounter.location", A)  # the chain was taken, not the second way
    assert (patients(answer), answer.elsewhere) == ({"red"}, 1)
    assert by_place(server, ASKED_OF_B, IDENTITY).elsewhere == 0


def test_list_by_owner_follows_where_the_owner_is_set_for_the_unit(server: Any) -> None:
    set_owner(server, TEAM_A)
    assert patients(by_owner(server, TEAM_A, IDENTITY)) == {"over"}
    assert patients(by_owner(server, TEAM_B, IDENTITY)) == set()
    move(server)
    sweep_after_move(server)
    set_owner(server, TEAM_B)
    assert patients(by_owner(server, TEAM_A, IDENTITY)) == set()
    assert patients(by_owner(server, TEAM_B, IDENTITY)) == {"over"}
    assert the_task(server, "over")["location"] == {"reference": BED_B}


def set_owner(server: Any, owner: str) -> None:
    task = {**the_task(server, "over"), "owner": {"reference": owner}}
    assert server.update(task, task["meta"]["versionId"]).result is Written.UPDATED


@pytest.mark.parametrize("way", WAYS)
def test_move_into_another_encounter_is_followed_by_the_sweep_and_found_by_patient_meanwhile(
    server: Any, way: str
) -> None:
    """One stay turns into two Encounters (H26): nothing closes, and the Task goes over to the second one."""
    before = the_task(server, "over")
    convert(server)
    # The Task still names the Encounter that is over: until the next sweep only the patient's own list shows it.
    assert (in_places(server, ASKED_OF_A, way), in_places(server, ASKED_OF_B, way)) == ({"red"}, set())
    assert patients(by_patient(server, "Patient/over", IDENTITY)) == {"over"}
    sweep_after_move(server)
    after = the_task(server, "over")
    assert (after["encounter"], after["location"]) == ({"reference": "Encounter/stay-over-2"}, {"reference": BED_B})
    assert (after["id"], after["identifier"], after["status"]) == (before["id"], before["identifier"], "requested")
    assert (in_places(server, ASKED_OF_A, way), in_places(server, ASKED_OF_B, way)) == ({"red"}, {"over"})


def convert(server: Any) -> None:
    stay = person("over")[1]
    ended = {**stay["period"], "end": time(MOVED_AT)}
    over = {**stay, "status": "finished", "period": ended}
    over["location"] = [{**stay["location"][0], "status": "completed", "period": ended}]
    begun = {"start": time(MOVED_AT)}
    place = {"location": {"reference": BED_B}, "status": "active", "period": begun}
    second = {**stay, "id": "stay-over-2", "period": begun, "location": [place]}
    load_bundle(server, [{**one, "meta": {"lastUpdated": time(MOVED_AT)}} for one in (over, second)])


def accepted_then_moved(server: Any) -> Resource:
    """Return the Task that somebody accepted at 10:05, before the patient moved, as the next sweep leaves it."""
    task = {**the_task(server, "over"), "status": "accepted", "lastModified": time("14 10:05")}
    server.update(task, task["meta"]["versionId"])
    move(server)
    sweep_after_move(server)
    return dict(json.loads(server.read("Task", task["id"])))


def test_an_accepted_task_follows_the_patient_too(server: Any) -> None:
    after = accepted_then_moved(server)
    assert (after["status"], after["location"]) == ("accepted", {"reference": BED_B})


def test_when_a_task_was_accepted_can_be_read_after_a_change_of_ours(server: Any) -> None:
    """H23: else an accepted Task that we bring up to date in the next shift looks as if it was taken in that one."""
    words = taken_words(accepted_then_moved(server), IDENTITY, zone=ZoneInfo("UTC"), shift_began=AT - 3 * HOUR)
    assert words == "accepted 10:05"
