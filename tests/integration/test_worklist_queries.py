"""The four questions about open Tasks: what is asked, what is filtered again and counted, and the second way by place.

Source: FHIR R4, Task, search parameters (http://hl7.org/fhir/R4/task.html#search): `owner`, `performer` (performerType), `patient`
(for), `status`, `encounter`; chained parameters and the self link (http://hl7.org/fhir/R4/search.html#chaining, #conformance).
"""

from collections.abc import Iterator, Sequence
from typing import Any

import orjson
import pytest

from linedays.adapters.fhir_errors import FhirRejected, FhirUnavailable, SearchIgnored
from linedays.adapters.server_starter import load_bundle
from linedays.fhir.searches import Search
from linedays.run.worklist_queries import Answer, as_sent, by_owner, by_patient, by_performer, by_place
from support.memory_fhir_server import MemoryFhirServer
from support.small_ward import AT, IDENTITY

Resource = dict[str, Any]
STATUS = "requested,received,accepted,ready,in-progress,on-hold,draft"
PRESENT = "arrived,triaged,in-progress,onleave"
PERFORMER = f"{IDENTITY.codes}performer"
WARD, OTHER = "Location/ward", "Location/other"


def task(key: str, **other: Any) -> Resource:
    return {
        "resourceType": "Task",
        "id": key,
        "identifier": [{"system": IDENTITY.system, "value": f"made-up-{key}"}],
        "status": "requested",
        "intent": "plan",
        "for": {"reference": "Patient/a"},
        "encounter": {"reference": "Encounter/stay-a"},
        **other,
    }


def stay(key: str, *places: Resource, status: str = "in-progress") -> Resource:
    return {"resourceType": "Encounter", "id": key, "status": status, "location": list(places)}


def at(place: str, status: str | None = "active", end: str | None = None) -> Resource:
    found: Resource = {"location": {"reference": place}}
    if status:
        found["status"] = status
    if end:
        found["period"] = {"end": end}
    return found


def holding(*resources: Resource) -> MemoryFhirServer:
    server = MemoryFhirServer(now=AT)
    load_bundle(server, resources)
    return server


def ids(answer: Answer) -> list[str]:
    return sorted(answer.tasks)


def sent(answer: Answer) -> list[str]:
    return [as_sent(search) for search in answer.asked]


def performed_by(code: str, system: str = PERFORMER) -> list[Resource]:
    return [{"coding": [{"system": system, "code": code}], "text": code}]


def test_by_owner() -> None:
    server = holding(
        task("1", owner={"reference": "CareTeam/north"}),
        task("2", owner={"reference": "CareTeam/south"}),
        task("3"),
        task("4", owner={"reference": "CareTeam/north"}, status="completed"),
        task("5", owner={"reference": "CareTeam/north"}, status="accepted"),
        task("6", owner={"reference": "CareTeam/north"}, identifier=[{"system": "https://other.example", "value": "1"}]),
    )
    answer = by_owner(server, "CareTeam/north", IDENTITY)
    assert ids(answer) == ["Task/1", "Task/5"]
    assert (answer.not_ours, answer.mismatched, answer.elsewhere) == (1, 0, 0)
    assert sent(answer) == [f"Task?owner=CareTeam/north&status={STATUS}"]


def test_by_performer_in_our_code_system() -> None:
    server = holding(
        task("1", performerType=performed_by("nursing")),
        task("2", performerType=performed_by("dialysis")),
        task("3", performerType=performed_by("nursing", "https://other.example/codes")),
        task("4", performerType=[{"text": "nursing"}]),
    )
    answer = by_performer(server, "nursing", IDENTITY)
    assert ids(answer) == ["Task/1"]
    assert sent(answer) == [f"Task?performer={PERFORMER}|nursing&status={STATUS}"]


def test_by_patient() -> None:
    server = holding(task("1"), task("2", **{"for": {"reference": "Patient/b"}}))
    answer = by_patient(server, "Patient/a", IDENTITY)
    assert ids(answer) == ["Task/1"]
    assert sent(answer) == [f"Task?patient=Patient/a&status={STATUS}"]


ON_THE_WARD = [
    stay("stay-a", at(WARD)),
    stay("stay-b", at(WARD, "completed"), at(OTHER)),
    stay("stay-c", at(OTHER), status="finished"),
    task("a"),
    task("b", encounter={"reference": "Encounter/stay-b"}),
    task("c", encounter={"reference": "Encounter/stay-c"}),
]


def test_by_place_in_one_chained_search_and_a_look_at_the_encounters() -> None:
    server = holding(*ON_THE_WARD)
    answer = by_place(server, [WARD], IDENTITY)
    assert (ids(answer), answer.elsewhere) == (["Task/a"], 1)
    chained, stays = sent(answer)
    assert chained == f"Task?encounter.location={WARD}&status={STATUS}"
    assert stays == "Encounter?_id=stay-a,stay-b"
    answer = by_place(server, [OTHER], IDENTITY)
    assert (ids(answer), answer.elsewhere) == (["Task/b"], 1)  # the finished one is nowhere any more


def test_by_place_in_two_steps_gives_the_same() -> None:
    answer = by_place(holding(*ON_THE_WARD), [WARD, OTHER], IDENTITY, chained=False)
    assert ids(answer) == ["Task/a", "Task/b"]
    assert sent(answer) == [
        f"Encounter?location={WARD},{OTHER}&status={PRESENT}",
        f"Task?encounter=Encounter/stay-a,Encounter/stay-b&status={STATUS}",
    ]
    nobody = by_place(holding(*ON_THE_WARD), ["Location/empty"], IDENTITY, chained=False)
    assert (nobody.tasks, len(nobody.asked)) == ({}, 1)


@pytest.mark.parametrize(
    ("place", "there"),
    [
        (at(WARD), True),
        (at(WARD, "active", "2031-05-20T10:00:00Z"), True),  # an expected end
        (at(WARD, None), True),
        (at(WARD, None, "2031-05-13T10:00:00Z"), False),
        (at(WARD, "completed"), False),
        (at(WARD, "planned"), False),
        (at(WARD, "reserved"), False),
        ({"status": "active"}, False),
    ],
)
@pytest.mark.parametrize("chained", [True, False])
def test_where_an_encounter_says_that_the_patient_is(place: Resource, there: bool, chained: bool) -> None:
    server = Tolerant(now=AT)
    load_bundle(server, [stay("stay-a", place), task("a")])
    assert ids(by_place(server, [WARD], IDENTITY, chained=chained)) == (["Task/a"] if there else [])


class Tolerant(MemoryFhirServer):
    """Applies no search parameter but the type, and does not say so."""

    def read_pages(self, search: Search) -> Iterator[bytes]:
        return super().read_pages(Search(resource_type=search.resource_type))


def test_what_a_server_brings_that_was_not_asked_for_is_left_out_and_counted() -> None:
    server = Tolerant(now=AT)
    others = [task(str(n), **{"for": {"reference": "Patient/b"}}, status="completed") for n in range(3)]
    load_bundle(server, [stay("stay-a", at(OTHER)), task("a"), *others])
    answer = by_patient(server, "Patient/a", IDENTITY)
    assert (ids(answer), answer.mismatched) == (["Task/a"], 3)
    assert by_owner(server, "CareTeam/north", IDENTITY).mismatched == 4
    assert by_performer(server, "nursing", IDENTITY).mismatched == 4
    chained = by_place(server, [WARD], IDENTITY)
    assert (ids(chained), chained.mismatched, chained.elsewhere) == ([], 3, 1)
    assert ids(by_place(server, [WARD], IDENTITY, chained=False)) == []


class Unchained(MemoryFhirServer):
    """Refuses the chain, or leaves it out as its self link shows."""

    def __init__(self, problem: FhirRejected | FhirUnavailable) -> None:
        super().__init__(now=AT)
        self._problem = problem

    def read_pages(self, search: Search) -> Iterator[bytes]:
        if any("." in name for name, _ in search.params):
            raise self._problem
        return super().read_pages(search)


@pytest.mark.parametrize(
    "problem",
    [FhirRejected("search of Task: status 400, refused", status=400), SearchIgnored("Task", ("encounter.location",))],
)
def test_a_server_without_the_chain_is_asked_in_two_steps(problem: FhirRejected) -> None:
    server = Unchained(problem)
    load_bundle(server, ON_THE_WARD)
    answer = by_place(server, [WARD], IDENTITY)
    assert ids(answer) == ["Task/a"]
    assert [search.resource_type for search in answer.asked] == ["Encounter", "Task"]


def test_a_server_that_cannot_be_reached_is_no_empty_list() -> None:
    with pytest.raises(FhirUnavailable):
        by_place(Unchained(FhirUnavailable("search of Task: no answer")), [WARD], IDENTITY)


def test_many_places_and_encounters_are_asked_in_groups() -> None:
    beds = [f"Location/bed-{n}" for n in range(50)]
    stays = [stay(f"stay-{n}", at(bed)) for n, bed in enumerate(beds)]
    tasks = [task(f"t{n}", encounter={"reference": f"Encounter/stay-{n}"}) for n in range(50)]
    server = holding(*stays, *tasks)
    for chained in (True, False):
        answer = by_place(server, beds, IDENTITY, chained=chained)
        assert len(answer.tasks) == 50
        assert longest_list(answer.asked) <= 40


def longest_list(searches: Sequence[Search]) -> int:
    return max(len(value.split(",")) for search in searches for _, value in search.params)


def test_a_task_that_comes_on_two_pages_is_one() -> None:
    class Moving(MemoryFhirServer):
        def read_pages(self, search: Search) -> Iterator[bytes]:
            for page in super().read_pages(search):
                yield page
                yield page
                yield orjson.dumps({"resourceType": "Bundle", "entry": [{"resource": {"resourceType": "OperationOutcome"}}]})

    server = Moving(now=AT)
    load_bundle(server, [task("1")])
    answer = by_patient(server, "Patient/a", IDENTITY)
    assert (ids(answer), answer.not_ours, answer.mismatched) == (["Task/1"], 0, 0)
