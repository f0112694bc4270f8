"""What every FHIR server behind our port does: the one in memory, and a third-party R4 server over HTTP.

The rules are those of FHIR R4, "RESTful API" (http://hl7.org/fhir/R4/http.html): conditional create (#ccreate),
version-aware updates (#concurrency), batch and transaction (#transaction), paging (#paging); and "search" (http://hl7.org/fhir/R4/search.html).
"""

import json
from itertools import count
from uuid import NAMESPACE_URL, uuid5

import pytest
import yaml

from linedays.adapters.capabilities import bundle_kinds
from linedays.adapters.entries import BundleKind, Entry
from linedays.adapters.fhir_errors import FhirRejected, Written
from linedays.adapters.fhir_http import new_client
from linedays.adapters.fhir_server import FhirServer
from linedays.adapters.server_starter import load_bundle, started_server
from linedays.fhir.searches import (
    Search,
    about_lines,
    by_ids,
    carrying_identifier,
    changed_since,
    everything_of,
    if_none_exist,
    input_searches,
    of_patients,
    values_since,
)
from linedays.run.demo_hospital import hospital_resources
from linedays.run.demo_story import hospital_story, told_at
from support.memory_fhir_server import MemoryFhirServer

pytestmark = pytest.mark.sends_made_up("what servers do with resources made up for it, good and bad")
SYSTEM = "https://linedays.example/fhir/identifier"
_NUMBERS = count(1)


@pytest.fixture(scope="session")
def real_server():
    with started_server() as base_url, new_client() as client:
        yield FhirServer(base_url, client=client)


@pytest.fixture(params=["memory", pytest.param("real", marks=pytest.mark.server)])
def server(request):
    return MemoryFhirServer() if request.param == "memory" else request.getfixturevalue("real_server")


@pytest.fixture
def name():
    """A prefix for ids and identifiers that no other test uses, since all tests share one real server."""
    return f"contract-{next(_NUMBERS)}"


def patient(key):
    return {"resourceType": "Patient", "id": key}


def flag(name, value):
    return {
        "resourceType": "Flag",
        "identifier": [{"system": SYSTEM, "value": value}],
        "status": "active",
        "code": {"text": "dressing overdue"},
        "subject": {"reference": f"Patient/{name}"},
    }


def found(server, search):
    bundles = [json.loads(page) for page in server.read_pages(search)]
    assert {bundle["resourceType"] for bundle in bundles} == {"Bundle"}
    return [entry["resource"] for bundle in bundles for entry in bundle.get("entry", ())]


def found_ids(server, search):
    return sorted(resource["id"] for resource in found(server, search))


def test_capabilities_are_a_capability_statement_of_r4(server):
    assert json.loads(server.read_metadata())["fhirVersion"] == "4.0.1"


def test_server_time_is_known_after_an_answer(server):
    server.read_metadata()
    assert isinstance(server.server_time, int)


def test_read_returns_the_resource_or_none(server, name):
    load_bundle(server, [patient(name)])
    assert json.loads(server.read("Patient", name))["id"] == name
    assert server.read("Patient", f"{name}-absent") is None


def test_search_without_matches_is_one_page_without_entries(server, name):
    assert found(server, carrying_identifier("Flag", SYSTEM, f"{name}-absent")) == []


def test_every_match_comes_once_over_several_pages(server, name):
    load_bundle(server, [patient(f"{name}-{number}") for number in range(450)])
    pages = list(server.read_pages(everything_of("Patient")))
    assert len(pages) >= 3  # 450 and more at 200 a page
    ids = [entry["resource"]["id"] for page in pages for entry in json.loads(page)["entry"]]
    assert sorted(one for one in ids if one.startswith(f"{name}-")) == sorted(f"{name}-{n}" for n in range(450))


def test_page_size_can_be_wished_for(server, name):
    load_bundle(server, [patient(f"{name}-{number}") for number in range(3)])
    (search,) = by_ids("Patient", [f"{name}-{number}" for number in range(3)])
    small = Search(resource_type="Patient", params=(*search.params, ("_count", "1")))
    assert found_ids(server, small) == [f"{name}-0", f"{name}-1", f"{name}-2"]


def test_search_of_observations_by_our_identifier_and_by_the_instant_they_are_about(server, name):
    # http://hl7.org/fhir/R4/search.html#date: `ge` holds where the element is equal to the value or later.
    system = f"https://linedays.example/{name}"

    def observation(key, when, of_system=system):
        return {
            "resourceType": "Observation",
            "id": f"{name}-{key}",
            "identifier": [{"system": of_system, "value": key}],
            "status": "final",
            "code": {"text": "made up"},
            "effectiveDateTime": when,
        }

    load_bundle(
        server,
        [
            observation("before", "2031-05-13T09:59:59+02:00"),
            observation("at", "2031-05-13T04:00:00-04:00"),
            observation("after", "2031-05-14T07:00:00Z"),
            observation("theirs", "2031-05-14T07:00:00Z", "https://other.example"),
        ],
    )
    at = 1936425600  # 2031-05-13T08:00:00Z
    assert found_ids(server, values_since(system, at)) == [f"{name}-after", f"{name}-at"]


def test_search_by_patient_and_by_id(server, name):
    load_bundle(server, [patient(f"{name}-a"), patient(f"{name}-b"), patient(f"{name}-c")])
    devices = [
        {"resourceType": "Device", "id": f"{name}-{one}", "patient": {"reference": f"Patient/{name}-{one}"}}
        for one in "abc"
    ]
    load_bundle(server, devices)
    (search,) = of_patients("Device", [f"{name}-a", f"{name}-c"])
    assert found_ids(server, search) == [f"{name}-a", f"{name}-c"]
    (search,) = by_ids("Device", [f"{name}-b", f"{name}-absent"])
    assert found_ids(server, search) == [f"{name}-b"]


def test_device_use_is_searched_by_patient_and_not_all_returned(server, name):
    load_bundle(server, [patient(f"{name}-a"), patient(f"{name}-b"), {"resourceType": "Device", "id": name}])
    load_bundle(
        server,
        [
            {
                "resourceType": "DeviceUseStatement",
                "id": f"{name}-{one}",
                "status": "active",
                "subject": {"reference": f"Patient/{name}-{one}"},
                "device": {"reference": f"Device/{name}"},
            }
            for one in "ab"
        ],
    )
    (search,) = of_patients("DeviceUseStatement", [f"{name}-a"])
    assert found_ids(server, search) == [f"{name}-a"]


def test_tasks_are_searched_by_owner_performer_code_and_several_statuses(server, name):
    load_bundle(server, [patient(name), {"resourceType": "CareTeam", "id": name, "status": "active"}])
    performers, items = f"{SYSTEM}/performers", f"{SYSTEM}/items"

    def task(one, status, **other):
        base = {"resourceType": "Task", "id": f"{name}-{one}", "status": status, "intent": "plan"}
        return {**base, "for": {"reference": f"Patient/{name}"}, **other}

    def concept(system, code):
        return {"coding": [{"system": system, "code": code}]}

    owner = {"owner": {"reference": f"CareTeam/{name}"}}
    tasks = [
        task("a", "requested", **owner, performerType=[concept(performers, f"{name}-nurse")]),
        task("b", "accepted", **owner, code=concept(items, f"{name}-change")),
        task("c", "completed", **owner),
        task("d", "requested", performerType=[concept(items, f"{name}-nurse")]),
    ]
    load_bundle(server, tasks)

    def asked(*params):
        return [one.removeprefix(f"{name}-") for one in found_ids(server, Search(resource_type="Task", params=params))]

    assert asked(("owner", f"CareTeam/{name}"), ("status", "requested,accepted")) == ["a", "b"]
    assert asked(("owner", f"CareTeam/{name}-other"), ("status", "requested,accepted")) == []
    assert asked(("performer", f"{performers}|{name}-nurse")) == ["a"]
    assert asked(("code", f"{items}|{name}-change")) == ["b"]
    assert asked(("patient", f"Patient/{name}"), ("status", "completed")) == ["c"]


def test_tasks_are_searched_by_encounter_and_by_any_place_of_the_encounter(server, name):
    places = [{"resourceType": "Location", "id": f"{name}-{one}", "status": "active"} for one in "xy"]
    stays = [
        {
            "resourceType": "Encounter",
            "id": f"{name}-{one}",
            "status": status,
            "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
            "location": [{"location": {"reference": f"Location/{name}-{place}"}} for place in went],
        }
        for one, status, went in (("a", "in-progress", "xy"), ("b", "in-progress", "y"), ("c", "finished", "x"))
    ]
    tasks = [
        {
            "resourceType": "Task",
            "id": f"{name}-{one}",
            "status": "requested",
            "intent": "plan",
            "encounter": {"reference": f"Encounter/{name}-{one}"},
        }
        for one in "abc"
    ]
    load_bundle(server, [*places, *stays, *tasks])
    x, y = f"Location/{name}-x", f"Location/{name}-y"

    def asked(resource_type, *params):
        found = found_ids(server, Search(resource_type=resource_type, params=params))
        return [one.removeprefix(f"{name}-") for one in found]

    assert asked("Encounter", ("location", x), ("status", "in-progress,onleave")) == ["a"]
    assert asked("Encounter", ("location", f"{x},{y}")) == ["a", "b", "c"]
    assert asked("Task", ("encounter", f"Encounter/{name}-a,Encounter/{name}-c")) == ["a", "c"]
    assert asked("Task", ("encounter.location", x), ("status", "requested")) == ["a", "c"]
    assert asked("Task", ("encounter.location", f"{x},{y}")) == ["a", "b", "c"]


def test_search_since_includes_what_was_just_stored(server, name):
    load_bundle(server, [patient(name)])
    server.read_metadata()
    assert name in found_ids(server, changed_since("Patient", server.server_time - 60))
    assert name not in found_ids(server, changed_since("Patient", server.server_time + 3600))


def test_unknown_search_parameter_is_refused_not_ignored(server):
    with pytest.raises(FhirRejected):
        list(server.read_pages(Search(resource_type="Flag", params=(("colour-of-the-curtains", "blue"),))))


def test_conditional_create_creates_once(server, name):
    load_bundle(server, [patient(name)])
    first = server.create(flag(name, name), if_none_exist(SYSTEM, name))
    second = server.create({**flag(name, name), "status": "inactive"}, if_none_exist(SYSTEM, name))
    assert (first.result, second.result) == (Written.CREATED, Written.EXISTED)
    assert first.id == second.id
    assert first.version == second.version == "1"
    assert json.loads(second.body)["status"] == "active"
    assert found_ids(server, carrying_identifier("Flag", SYSTEM, name)) == [first.id]


def test_conditional_create_says_when_several_match(server, name):
    load_bundle(server, [patient(name)])
    load_bundle(server, [{**flag(name, name), "id": f"{name}-{twin}"} for twin in "ab"])
    assert server.create(flag(name, name), if_none_exist(SYSTEM, name)).result is Written.SEVERAL


def test_update_with_the_newest_version_is_stored(server, name):
    load_bundle(server, [patient(name)])
    made = server.create(flag(name, name), if_none_exist(SYSTEM, name))
    changed = {**flag(name, name), "id": made.id, "status": "inactive"}
    outcome = server.update(changed, made.version)
    assert (outcome.result, outcome.id, outcome.version) == (Written.UPDATED, made.id, "2")
    assert json.loads(server.read("Flag", made.id))["status"] == "inactive"


def test_update_with_an_older_version_is_a_conflict_and_changes_nothing(server, name):
    load_bundle(server, [patient(name)])
    made = server.create(flag(name, name), if_none_exist(SYSTEM, name))
    server.update({**flag(name, name), "id": made.id, "status": "inactive"}, made.version)
    outcome = server.update({**flag(name, name), "id": made.id, "status": "entered-in-error"}, made.version)
    assert outcome.result is Written.CONFLICT
    assert json.loads(server.read("Flag", made.id))["status"] == "inactive"


def test_identifier_system_finds_all_of_ours(server, name):
    load_bundle(server, [patient(name)])
    made = {server.create(flag(name, value), if_none_exist(SYSTEM, value)).id for value in (f"{name}-a", f"{name}-b")}
    assert made <= set(found_ids(server, carrying_identifier("Flag", SYSTEM)))


def test_transaction_is_all_or_nothing(server, name):
    good = {"resource": patient(name), "request": {"method": "PUT", "url": f"Patient/{name}"}}
    bad = {"resource": patient(f"{name}-x"), "request": {"method": "PUT", "url": "Patient/another-id"}}
    with pytest.raises(FhirRejected):
        server.transact([good, bad])
    assert server.read("Patient", name) is None


def test_loading_again_replaces(server, name):
    load_bundle(server, [patient(name)])
    load_bundle(server, [{**patient(name), "gender": "other"}])
    stored = json.loads(server.read("Patient", name))
    assert (stored["gender"], stored["meta"]["versionId"]) == ("other", "2")


def test_demo_hospital_goes_in_and_comes_out_whole(server, pytestconfig):
    file = pytestconfig.rootpath / "fixtures" / "demo-hospital" / "hospital.yaml"
    document = yaml.safe_load(file.read_text(encoding="utf-8"))
    resources = hospital_resources(document, told_at(hospital_story(document)))
    load_bundle(server, resources)
    stored = {
        (resource["resourceType"], resource["id"]): resource
        for search in input_searches()
        for resource in found(server, search)
    }
    teams = {f"CareTeam/{one['id']}" for one in resources if one["resourceType"] == "CareTeam"}
    assert teams == {"CareTeam/heron-nurses", "CareTeam/lantern-nurses", "CareTeam/cradle-nurses"}
    assert all(server.read(*team.split("/")) is not None for team in teams)
    for resource in resources:
        if resource["resourceType"] == "CareTeam":
            continue
        got = stored[(resource["resourceType"], resource["id"])]
        assert {**got, "meta": None} == {**resource, "meta": None}


def task(name, value, **other):
    return {
        "resourceType": "Task",
        "identifier": [{"system": SYSTEM, "value": value}],
        "groupIdentifier": {"system": SYSTEM, "value": f"Device/{name}"},
        "status": "requested",
        "intent": "plan",
        "for": {"reference": f"Patient/{name}"},
    } | other


def making(resource):
    """Return the entry that creates a resource of ours, which the others of a transaction may name by its key."""
    key = resource["identifier"][0]["value"]
    return Entry(resource=resource, if_none_exist=if_none_exist(SYSTEM, key), full_url=f"urn:uuid:{uuid5(NAMESPACE_URL, key)}")


def results(outcomes):
    return [outcome.result for outcome in outcomes]


def test_statement_says_that_transactions_and_batches_are_taken(server):
    assert bundle_kinds(server.read_metadata()) == {BundleKind.TRANSACTION, BundleKind.BATCH}


@pytest.mark.parametrize("kind", BundleKind)
def test_bundle_creates_once_and_says_what_existed(server, name, kind):
    load_bundle(server, [patient(name)])
    entries = [making(flag(name, f"{name}-a")), making(task(name, f"{name}-b"))]
    first = server.send_bundle(kind, entries)
    again = server.send_bundle(kind, [*entries, making(task(name, f"{name}-c"))])
    assert results(first) == [Written.CREATED, Written.CREATED]
    assert results(again) == [Written.EXISTED, Written.EXISTED, Written.CREATED]
    assert [outcome.id for outcome in again[:2]] == [outcome.id for outcome in first]
    assert [outcome.version for outcome in first] == ["1", "1"]
    assert found_ids(server, carrying_identifier("Task", SYSTEM, f"{name}-b")) == [first[1].id]


@pytest.mark.parametrize("kind", BundleKind)
def test_bundle_replaces_the_version_it_names(server, name, kind):
    load_bundle(server, [patient(name)])
    made = server.create(flag(name, name), if_none_exist(SYSTEM, name))
    entry = Entry(resource={**flag(name, name), "id": made.id, "status": "inactive"}, version="1")
    (outcome,) = server.send_bundle(kind, [entry])
    assert (outcome.result, outcome.id, outcome.version) == (Written.UPDATED, made.id, "2")
    assert json.loads(server.read("Flag", made.id))["status"] == "inactive"


def test_batch_entries_are_each_for_themselves(server, name):
    load_bundle(server, [patient(name), {**flag(name, f"{name}-twin"), "id": f"{name}-1"}])
    load_bundle(server, [{**flag(name, f"{name}-twin"), "id": f"{name}-2"}])
    made = server.create(flag(name, name), if_none_exist(SYSTEM, name))
    outcomes = server.send_bundle(
        BundleKind.BATCH,
        [
            Entry(resource={**flag(name, name), "id": made.id, "status": "inactive"}, version="7"),
            Entry(resource={**flag(name, name), "id": f"{name}-absent"}, version="1"),
            making(flag(name, f"{name}-twin")),
            making(task(name, f"{name}-bad", status=5)),
            making(task(name, f"{name}-good")),
        ],
    )
    gone = (Written.CONFLICT, Written.GONE)  # servers answer 412 as well as 404 to a version of what is not there
    assert outcomes[1].result in gone
    assert results(outcomes[:1]) + results(outcomes[2:]) == [
        Written.CONFLICT, Written.SEVERAL, Written.REJECTED, Written.CREATED,
    ]  # fmt: skip
    assert all(name not in outcome.said for outcome in outcomes)
    assert json.loads(server.read("Flag", made.id))["status"] == "active"


@pytest.mark.parametrize("contested", ["version", "several", "absent", "bad"])
def test_transaction_with_one_that_cannot_be_applied_applies_none(server, name, contested):
    load_bundle(server, [patient(name)])
    load_bundle(server, [{**flag(name, f"{name}-twin"), "id": f"{name}-{n}"} for n in range(2)])
    entry, statuses = {
        "version": (Entry(resource={**flag(name, "x"), "id": f"{name}-0"}, version="7"), (409, 412)),
        "several": (making(flag(name, f"{name}-twin")), (409, 412)),
        "absent": (Entry(resource={**flag(name, "x"), "id": f"{name}-absent"}, version="1"), (404, 409, 410, 412)),
        "bad": (making(task(name, f"{name}-bad", status=5)), (400, 422)),
    }[contested]
    with pytest.raises(FhirRejected) as no:
        server.send_bundle(BundleKind.TRANSACTION, [making(task(name, f"{name}-good")), entry])
    assert no.value.status in statuses
    assert found(server, carrying_identifier("Task", SYSTEM, f"{name}-good")) == []


def test_transaction_gives_others_the_id_of_what_it_creates(server, name):
    load_bundle(server, [patient(name)])
    entry = making(task(name, name))
    told = {
        "resourceType": "Provenance",
        "id": f"{name}-told",
        "target": [{"reference": entry.full_url}],
        "recorded": "2031-05-14T10:00:00Z",
        "agent": [{"who": {"display": "made up"}}],
    }
    made, stored = server.send_bundle(BundleKind.TRANSACTION, [entry, Entry(resource=told)])
    assert (made.result, stored.result, stored.id) == (Written.CREATED, Written.UPDATED, f"{name}-told")
    provenance = json.loads(server.read("Provenance", f"{name}-told"))
    assert provenance["target"] == [{"reference": f"Task/{made.id}"}]


def test_single_writes_are_sent_as_what_they_are(server, name):
    load_bundle(server, [patient(name)])
    made = server.send(making(flag(name, name)))
    again = server.send(making(flag(name, name)))
    changed = {**flag(name, name), "id": made.id, "status": "inactive"}
    newer = server.send(Entry(resource=changed, version="1"))
    older = server.send(Entry(resource=changed, version="1"))
    bad = server.send(making(task(name, f"{name}-bad", status=5)))
    absent = server.send(Entry(resource={**changed, "id": f"{name}-absent"}, version="1"))
    assert results((made, again, newer, older, bad)) == [
        Written.CREATED, Written.EXISTED, Written.UPDATED, Written.CONFLICT, Written.REJECTED,
    ]  # fmt: skip
    assert absent.result in (Written.CONFLICT, Written.GONE)
    assert "status 400, refused" in bad.said


def test_what_has_an_id_of_its_own_is_put_there_and_again(server, name):
    load_bundle(server, [patient(name)])
    entry = Entry(resource={**flag(name, name), "id": f"{name}-own"})
    assert results([server.send(entry), server.send(entry)]) == [Written.UPDATED, Written.UPDATED]
    assert found_ids(server, carrying_identifier("Flag", SYSTEM, name)) == [f"{name}-own"]


def test_everything_about_some_lines_is_found_by_their_names(server, name):
    load_bundle(server, [patient(name)])
    secondary = {"system": SYSTEM, "value": f"Device/{name}"}
    marked = flag(name, f"{name}-f")
    marked["identifier"].append(secondary)
    ours = [making(task(name, f"{name}-t")), making(marked), making(task(f"{name}-other", f"{name}-u"))]
    first, second, _ = server.send_bundle(BundleKind.BATCH, ours)
    searches = about_lines(SYSTEM, [f"Device/{name}", f"Device/{name}-absent"])
    assert [search.resource_type for search in searches] == ["Task", "Flag"]
    assert [found_ids(server, search) for search in searches] == [[first.id], [second.id]]
