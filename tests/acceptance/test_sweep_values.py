"""Derived Observations over sweeps: written once, corrected by later knowledge, never against a person.

Source: design 2.6 ("Observation (derived)", "No written resource contains ...") and 2.5. Where a number is a fact of the trade, its
source stands beside it. The ward is the made-up one of support.small_ward; everything runs on the server in memory and, where
marked, on a real FHIR R4 server.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import orjson
import pytest

from linedays.adapters.fhir_http import new_client
from linedays.adapters.fhir_server import FhirServer
from linedays.adapters.server_starter import load_bundle, started_server
from linedays.core.moment import DAY, HOUR, MINUTE
from linedays.fhir.checks import problems_of
from linedays.fhir.identity import key_of, line_of
from linedays.run.plan import SweepPlan
from linedays.run.provenance import provenance_of_writes, source_versions, sources_of_writes
from linedays.run.rereading import read_ours
from linedays.run.sweep import read_and_plan
from linedays.run.values import snapshots_between
from linedays.run.writing import apply_plan
from support.made_up_patient import BASE
from support.small_ward import (
    AT,
    CALM,
    IDENTITY,
    LOOSE,
    OVERDUE,
    PLACES,
    RED,
    UNDATED,
    WARD,
    device,
    line,
    look,
    memory_server,
    person,
    planned,
    procedure,
    time,
    wired,
)

Resource = dict[str, Any]
ON = wired(values=True)


@pytest.fixture(params=["memory", pytest.param("real", marks=pytest.mark.server)])
def server(request: Any) -> Iterator[Any]:
    if request.param == "memory":
        yield memory_server([])
        return
    with started_server() as base_url, new_client() as client:
        yield FhirServer(base_url, client=client)


# As CALM, but nothing is charted after the change: a removal contradicts nothing.
GONE = [*person("gone"), *line("gone-picc", "gone", "13 09:00")]


def plan_of(server: Any, at: int = AT) -> SweepPlan:
    return read_and_plan(server, ON, IDENTITY, at=at)


def sweep(server: Any, at: int = AT) -> Counter[str]:
    """Sweep and return the outcomes of the Observations."""
    plan = plan_of(server, at)
    assert [each.problems for each in plan.writes if each.problems] == []
    outcome = apply_plan(plan, server, IDENTITY)
    assert outcome.refused == []
    return Counter({what: n for what, n in outcome.counts.items() if what.startswith("Observation")})


def observations(server: Any) -> list[Resource]:
    return [one for one in read_ours(server, IDENTITY).values() if one["resourceType"] == "Observation"]


def code_of(resource: Resource) -> str:
    (code,) = [one["code"] for one in resource["code"]["coding"] if one["system"] == BASE + "derived"]
    return str(code)


def about(server: Any, patient: str, kind: str, at: str) -> Resource:
    """Return the one Observation of a kind about a patient in the minute "14 07:00"."""
    found = [
        one
        for one in observations(server)
        if one["subject"]["reference"] == f"Patient/{patient}" and code_of(one) == kind
        and one["effectiveDateTime"].startswith(time(at)[:16])
    ]  # fmt: skip
    assert len(found) == 1, [(one["id"], one["effectiveDateTime"]) for one in found]
    return found[0]


def state(resource: Resource) -> str:
    return str(resource["valueCodeableConcept"]["coding"][0]["code"])


def by_key(server: Any) -> dict[str, Resource]:
    found = observations(server)
    keyed = {str(key_of(one, IDENTITY)): one for one in found}
    assert len(keyed) == len(found), "two Observations carry one key"
    return keyed


# Two snapshots (13 and 14 May, 07:00) of five lines, all placed on the 2nd but one that is known by its record alone. Of each dwell,
# dressing age, due and state: 5 × 2 × 4 = 40. Line day number of the four that were placed: 8. States that began within
# two days: overdue 13 09:00:01 (over), compromised 14 09:40 (loose), not due again 13 09:00 (calm, red: changed four days late) = 4.
FIRST = 40 + 8 + 4


def test_written_once_and_then_only_at_the_next_snapshot_and_where_a_state_changes(server: Any) -> None:
    load_bundle(server, WARD)
    assert sweep(server) == {"Observation record: created": FIRST}
    stood = by_key(server)
    for later in (1, 59 * MINUTE, 8 * HOUR, 14 * HOUR, 15 * HOUR):  # the last two: midnight, and after it
        assert sweep(server, AT + later) == {}
    assert by_key(server) == stood
    # 15 May 07:00: the snapshot of the 15th, five lines, and nothing else.
    assert sweep(server, AT + 21 * HOUR - 1) == {}
    assert sweep(server, AT + 21 * HOUR) == {"Observation record: created": 5 * 4 + 4}
    assert sweep(server, AT + 21 * HOUR + 1) == {}
    assert {key: one for key, one in by_key(server).items() if key in stood} == stood


def test_line_day_number_and_dwell_of_one_line_by_hand(server: Any) -> None:
    """Placed 2 May 09:00, in hospital since 1 May.

    The day of placement in an inpatient location is day 1 (NHSN Patient Safety Component Manual, ch. 4, from memory), so 14 May
    is day 13. Elapsed until 14 May 07:00: 12 days less two hours = 286 h.
    """
    load_bundle(server, [*PLACES, *OVERDUE])
    sweep(server)
    number = about(server, "over", "line-day-number", "14 07:00")
    assert number["valueQuantity"] == {"value": 13, "unit": "d", "system": "http://unitsofmeasure.org", "code": "d"}
    assert number["method"]["text"] == "nhsn-central-line-day 1 (2023)"
    assert number["note"][0]["text"] == "day 1 was Fri 2 May 2031 · counted at Wed 14 May 2031 07:00"
    dwell = about(server, "over", "dwell", "14 07:00")
    assert (float(dwell["valueQuantity"]["value"]), dwell["valueQuantity"]["code"]) == (286.0, "h")
    assert dwell["note"][0]["text"] == "line placed Fri 2 May 2031 09:00 · counted at Wed 14 May 2031 07:00"
    # Changed 6 May 09:00, transparent, 7 d (CDC-2011, Catheter Site Dressing Regimens rec. 7): due 13 May 09:00.
    age = about(server, "over", "dressing-age", "14 07:00")
    assert float(age["valueQuantity"]["value"]) == 190.0  # 8 d less two hours
    due = about(server, "over", "dressing-due", "14 07:00")
    assert due["valueDateTime"] in ("2031-05-13T09:00:00+00:00", "2031-05-13T09:00:00Z")
    assert state(about(server, "over", "upkeep-state", "13 07:00")) == "window-open"
    assert state(about(server, "over", "upkeep-state", "13 09:00")) == "overdue"
    assert about(server, "over", "upkeep-state", "13 09:00")["effectiveDateTime"].startswith("2031-05-13T09:00:01")


@pytest.mark.parametrize(("placed", "expected"), [("14 06:59", [1]), ("14 07:01", []), ("13 23:59", [2]), ("13 00:00", [1, 2])])
def test_day_of_placement_is_day_1(placed: str, expected: list[int]) -> None:
    """NHSN Patient Safety Component Manual, ch. 4 (from memory): any part of a calendar day counts; snapshots at 07:00."""
    server = memory_server([*PLACES, *person("one"), device("one-picc", "one"), procedure("insertion", placed, "one", "one-picc")])
    sweep(server)
    found = sorted((one["effectiveDateTime"], one["valueQuantity"]["value"]) for one in observations(server) if code_of(one) == "line-day-number")
    assert [number for _, number in found] == expected


def test_what_an_observation_says_and_what_it_leaves_out(server: Any) -> None:
    load_bundle(server, [*PLACES, *LOOSE])
    sweep(server)
    found = about(server, "loose", "upkeep-state", "14 09:40")
    assert (found["status"], state(found)) == ("final", "compromised")
    assert found["valueCodeableConcept"]["text"].startswith("dressing seen loose Wed 14 May 2031 09:40 · due now by unit policy")
    assert found["device"]["reference"] == "Device/loose-picc"
    assert found["partOf"][0]["reference"] == "Procedure/loose-picc-insertion-02-0900"
    assert [one["reference"] for one in found["derivedFrom"]] == ["Observation/loose-picc-loose-14-0940"]
    assert found["encounter"]["reference"] == "Encounter/stay-loose"
    assert found["category"][0]["coding"][0]["code"] == "procedure"
    assert found["method"]["text"] == "dressing-transparent"
    assert {one["system"].removeprefix(BASE): one["code"] for one in found["meta"]["tag"]} == {
        "tag": "derived",
        "policy": ON.instance.policy.content_hash,
    }
    # Which resource of the line is known first depends on when the server stored the Device.
    assert line_of(found, IDENTITY) in ("Procedure/loose-picc-insertion-02-0900", "Device/loose-picc")
    assert not {"performer", "issued", "bodySite", "referenceRange", "interpretation", "component", "dataAbsentReason"} & found.keys()


def test_unknown_is_said_and_is_no_hole(server: Any) -> None:
    load_bundle(server, [*PLACES, *UNDATED])
    sweep(server)
    for kind in ("dwell", "dressing-age", "dressing-due"):
        found = about(server, "undated", kind, "14 07:00")
        assert found["dataAbsentReason"]["coding"][0]["code"] == "unknown"
        assert not [name for name in found if name.startswith("value")]
    assert state(about(server, "undated", "upkeep-state", "14 07:00")) == "unknown"
    assert not [one for one in observations(server) if code_of(one) == "line-day-number"], "a line that was never accessed does not count"


def test_late_entry_corrects_under_the_same_identifier(server: Any) -> None:
    load_bundle(server, [*PLACES, *OVERDUE])
    assert sweep(server) == {"Observation record: created": 2 * 5 + 1}
    before = by_key(server)
    # Charted on the 14th at 10:20 for the 13th at 08:00: it was never overdue.
    load_bundle(server, [procedure("dressing-change", "13 08:00", "over", "over-picc", entered="14 10:20", dressing="transparent")])
    # Age, due and state of the 14th, and "overdue" of the 13th 09:00:01; what began is the state of the 13th 08:00.
    assert sweep(server, AT + HOUR) == {"Observation correct: updated": 4, "Observation record: created": 1}
    after = by_key(server)
    changed = {key for key in before if after[key] != before[key]}
    assert {after[key]["status"] for key in changed} == {"corrected"}
    assert {before[key]["id"] for key in changed} == {after[key]["id"] for key in changed}
    assert sorted(code_of(after[key]) for key in changed) == ["dressing-age", "dressing-due", "upkeep-state", "upkeep-state"]
    assert state(about(server, "over", "upkeep-state", "13 09:00")) == "not-due"
    assert state(about(server, "over", "upkeep-state", "13 08:00")) == "not-due"
    assert float(about(server, "over", "dressing-age", "14 07:00")["valueQuantity"]["value"]) == 23.0
    assert about(server, "over", "dressing-age", "13 07:00")["status"] == "final"
    assert sweep(server, AT + HOUR + 1) == {}
    assert sweep(server, AT + 2 * HOUR) == {}


def test_removal_charted_late_withdraws_what_was_said_of_the_time_after_it(server: Any) -> None:
    load_bundle(server, [*PLACES, *GONE])
    sweep(server)
    load_bundle(server, [procedure("removal", "13 20:00", "gone", "gone-picc", entered="14 10:20")])
    # The snapshot of the 14th: day number, dwell, age, due, state.
    assert sweep(server, AT + HOUR) == {"Observation withdraw: updated": 5}
    gone = about(server, "gone", "dwell", "14 07:00")
    assert gone["status"] == "entered-in-error"
    reason = [one["valueCodeableConcept"]["coding"][0]["code"] for one in gone["extension"]]
    assert reason == ["line-not-in-place-then"]
    assert problems_of(gone, IDENTITY) == ()
    assert about(server, "gone", "dwell", "13 07:00")["status"] == "final"
    assert sweep(server, AT + HOUR + 1) == {}
    # The removal is withdrawn again: the line was there, and the same Observations say so.
    wrong = procedure("removal", "13 20:00", "gone", "gone-picc", entered="14 10:20", status="entered-in-error")
    load_bundle(server, [wrong])
    assert sweep(server, AT + 2 * HOUR) == {"Observation correct: updated": 5}
    back = about(server, "gone", "dwell", "14 07:00")
    assert (back["status"], "extension" in back, back["id"]) == ("corrected", False, gone["id"])
    assert sweep(server, AT + 2 * HOUR + 1) == {}


def test_line_charted_out_but_still_charted_about_is_unknown_and_no_longer_counted() -> None:
    server = memory_server([*PLACES, *CALM])
    sweep(server)
    # Removed on the 13th at 20:00, and seen intact on the 14th at 02:10 (design 2.3.9): day number and dwell of the 14th are withdrawn.
    load_bundle(server, [procedure("removal", "13 20:00", "calm", "calm-picc", entered="14 10:20")])
    counts = sweep(server, AT + HOUR)
    assert counts["Observation withdraw: updated"] == 2
    assert state(about(server, "calm", "upkeep-state", "14 07:00")) == "unknown"
    assert about(server, "calm", "dressing-due", "14 07:00")["dataAbsentReason"]["coding"][0]["code"] == "unknown"
    assert sweep(server, AT + HOUR + 1) == {}


def test_insertion_and_device_entered_in_error_withdraw_everything(server: Any) -> None:
    load_bundle(server, [*PLACES, *CALM])
    sweep(server)
    wrong = [{**one, "status": "entered-in-error"} for one in CALM if one["resourceType"] in ("Device", "Procedure")]
    load_bundle(server, wrong)
    assert sweep(server, AT + HOUR) == {"Observation withdraw: updated": 11}
    assert {one["status"] for one in observations(server)} == {"entered-in-error"}
    assert sweep(server, AT + HOUR + 1) == {}


def test_line_that_is_not_found_at_all_withdraws_nothing() -> None:
    server = memory_server([*PLACES, *CALM])
    sweep(server)
    server._stored = {key: one for key, one in server._stored.items() if "calm-picc" not in key[1]}
    assert sweep(server, AT + HOUR) == {}


@pytest.mark.parametrize("status", ["entered-in-error", "cancelled", "amended", "unknown"])
def test_what_a_person_changed_is_never_undone(status: str) -> None:
    server = memory_server([*PLACES, *OVERDUE])
    sweep(server)
    theirs = about(server, "over", "upkeep-state", "13 09:00")
    server.update({**theirs, "status": status}, theirs["meta"]["versionId"])
    assert sweep(server, AT + 60) == {}
    load_bundle(server, [procedure("dressing-change", "13 08:00", "over", "over-picc", entered="14 10:20", dressing="transparent")])
    assert sweep(server, AT + HOUR) == {"Observation correct: updated": 3, "Observation record: created": 1}
    kept = about(server, "over", "upkeep-state", "13 09:00")
    assert (kept["status"], kept["meta"]["versionId"]) == (status, "2")


def test_what_we_withdrew_and_a_person_brought_back_is_theirs() -> None:
    server = memory_server([*PLACES, *GONE])
    sweep(server)
    load_bundle(server, [procedure("removal", "13 20:00", "gone", "gone-picc", entered="14 10:20")])
    sweep(server, AT + HOUR)
    gone = about(server, "gone", "dwell", "14 07:00")
    server.update({**gone, "status": "final"}, gone["meta"]["versionId"])
    assert sweep(server, AT + 2 * HOUR) == {}


def test_elements_of_others_stay_where_a_value_is_corrected() -> None:
    server = memory_server([*PLACES, *OVERDUE])
    sweep(server)
    found = about(server, "over", "dressing-age", "14 07:00")
    note, extension = {"text": "of an analyst"}, {"url": "https://other.example/x", "valueString": "y"}
    other = {"system": "https://other.example", "code": "z"}
    code = {**found["code"], "coding": [*found["code"]["coding"], other]}
    spoken = {**found, "note": [note, *found["note"]], "extension": [extension], "code": code}
    server.update(spoken, found["meta"]["versionId"])
    assert sweep(server, AT + 60) == {}
    load_bundle(server, [procedure("dressing-change", "13 08:00", "over", "over-picc", entered="14 10:20", dressing="transparent")])
    sweep(server, AT + HOUR)
    after = about(server, "over", "dressing-age", "14 07:00")
    assert after["status"] == "corrected"
    assert (after["note"][0], after["extension"], after["code"]["coding"][-1]) == (note, [extension], other)
    assert len(after["note"]) == len(found["note"]) + 1


def test_of_two_that_a_race_left_one_stands_and_one_gives_up_its_key() -> None:
    server = memory_server([*PLACES, *OVERDUE])
    sweep(server)
    found = about(server, "over", "dwell", "14 07:00")
    server._store({**found, "id": "z-second"})
    assert sweep(server, AT + 60) == {"Observation withdraw: updated": 1}
    second = read_ours(server, IDENTITY)["Observation/z-second"]
    assert second["status"] == "entered-in-error"
    assert key_of(second, IDENTITY) == f"{key_of(found, IDENTITY)}-duplicate-z-second"
    assert sweep(server, AT + 120) == {}


def test_line_of_another_patient_after_all() -> None:
    server = memory_server([*PLACES, *OVERDUE, *person("other")])
    sweep(server)
    moved = [
        {**one, **({"patient": {"reference": "Patient/other"}} if "patient" in one else {"subject": {"reference": "Patient/other"}})}
        for one in OVERDUE
        if one["resourceType"] in ("Device", "Procedure")
    ]
    load_bundle(server, moved)
    assert sweep(server, AT + HOUR) == {"Observation withdraw: updated": 11, "Observation record: created": 11}
    stands = [one for one in observations(server) if one["status"] == "final"]
    assert {one["subject"]["reference"] for one in stands} == {"Patient/other"}
    assert len({key_of(one, IDENTITY) for one in observations(server)}) == 22
    assert sweep(server, AT + HOUR + 1) == {}


def test_line_whose_device_is_found_later_keeps_its_observations() -> None:
    found = line("late-picc", "late", "13 09:00")
    unlinked = [{name: value for name, value in one.items() if name != "focalDevice"} for one in found if one["resourceType"] == "Procedure"]
    change = [{**one, "partOf": [{"reference": f"Procedure/{unlinked[0]['id']}"}]} for one in unlinked[1:]]
    inserted = {**unlinked[0], "usedCode": [*unlinked[0]["usedCode"], {"coding": [{"system": BASE + "line-kind", "code": "picc"}]}]}
    server = memory_server([*PLACES, *person("late"), inserted, *change])
    assert sweep(server) == {"Observation record: created": 11}
    first = about(server, "late", "dwell", "14 07:00")
    assert "device" not in first
    assert first["focus"] == [{"reference": "Procedure/late-picc-insertion-02-0900"}]
    load_bundle(server, [*found, {**device("late-picc", "late"), "meta": {"lastUpdated": time("14 10:30")}}])
    assert sweep(server, AT + HOUR) == {"Observation correct: updated": 11}
    after = about(server, "late", "dwell", "14 07:00")
    assert (after["device"]["reference"], "focus" in after, after["id"]) == ("Device/late-picc", False, first["id"])
    assert sweep(server, AT + HOUR + 1) == {}


def test_one_dressing_over_two_lines_is_said_once_on_the_line_known_first() -> None:
    second = [
        {**device("two-b", "two", "nontunnelled-cvc"), "parent": {"reference": "Device/two-a"}},
        procedure("insertion", "02 09:30", "two", "two-b"),
    ]
    server = memory_server([*PLACES, *person("two"), *line("two-a", "two", "12 09:00"), *second])
    sweep(server)
    counted = Counter((code_of(one), one["device"]["reference"]) for one in observations(server))
    assert counted == {
        ("dwell", "Device/two-a"): 2, ("dwell", "Device/two-b"): 2,
        ("line-day-number", "Device/two-a"): 2, ("line-day-number", "Device/two-b"): 2,
        ("dressing-age", "Device/two-a"): 2, ("dressing-due", "Device/two-a"): 2, ("upkeep-state", "Device/two-a"): 2,
    }  # fmt: skip
    # The first is out on the 14th at 10:05: from then on the other carries what is said of the dressing.
    load_bundle(server, [procedure("removal", "14 10:05", "two", "two-a")])
    assert sweep(server, AT + HOUR) == {}
    assert sweep(server, AT + DAY) == {"Observation record: created": 5}
    assert about(server, "two", "dressing-age", "15 07:00")["device"]["reference"] == "Device/two-b"


def test_nothing_is_said_of_the_time_before_the_patient_came() -> None:
    came = person("new")
    came[1] = {**came[1], "period": {"start": time("14 06:00")}, "location": [{**came[1]["location"][0], "period": {"start": time("14 06:00")}}]}
    server = memory_server([*PLACES, *came, *line("new-picc", "new", None)])
    sweep(server)
    assert {one["effectiveDateTime"][:10] for one in observations(server)} == {"2031-05-14"}
    # Placed before this admission and not accessed in it: it does not count yet (NHSN ch. 4, from memory).
    assert "line-day-number" not in {code_of(one) for one in observations(server)}


def test_nothing_is_said_of_a_patient_who_has_long_left_or_of_a_line_that_is_long_out() -> None:
    left = person("left")
    left[1] = {**left[1], "status": "finished", "period": {"start": time("01 08:00"), "end": time("10 12:00")}}
    out = [*person("out"), *line("out-picc", "out", "05 09:00"), procedure("removal", "08 10:00", "out", "out-picc")]
    server = memory_server([*PLACES, *left, *line("left-picc", "left", "05 09:00"), *out])
    plan = plan_of(server)
    assert len(plan.derivation.results) == 2
    assert plan.writes == ()


def test_line_of_unknown_kind_is_neither_in_nor_out() -> None:
    server = memory_server([*PLACES, *person("odd"), *line("odd-line", "odd", "13 09:00", kind="unknown")])
    sweep(server)
    found = about(server, "odd", "line-day-number", "14 07:00")
    assert found["dataAbsentReason"]["coding"][0]["code"] == "unknown"
    assert "does not say whether it counts" in found["note"][0]["text"]


def test_look_back_is_a_setting_and_older_ones_are_left_alone() -> None:
    server = memory_server([*PLACES, *GONE])
    sweep(server)
    assert snapshots_between(AT - 2 * DAY, AT, ON.instance) == (AT - 27 * HOUR, AT - 3 * HOUR)
    assert snapshots_between(AT - 3 * HOUR - 1, AT - 3 * HOUR, ON.instance) == (AT - 3 * HOUR,)
    assert snapshots_between(AT - 3 * HOUR, AT, ON.instance) == ()
    # Four days later a removal of the 13th would withdraw nearly all: those of the last two days are, older ones are not looked at.
    for days in (1, 2, 3, 4):
        sweep(server, AT + days * DAY)
    load_bundle(server, [procedure("removal", "13 20:00", "gone", "gone-picc", entered="18 10:20")])
    assert sweep(server, AT + 4 * DAY + HOUR) == {"Observation withdraw: updated": 10}
    old = [one for one in observations(server) if one["effectiveDateTime"] < "2031-05-16T11"]
    assert {one["status"] for one in old} == {"final"}


def test_switched_off_nothing_is_written_read_or_changed() -> None:
    server = memory_server([*PLACES, *OVERDUE])
    sweep(server)
    load_bundle(server, [procedure("dressing-change", "13 08:00", "over", "over-picc", entered="14 10:20", dressing="transparent")])
    plan = read_and_plan(server, wired(), IDENTITY, at=AT + HOUR)
    assert {each.resource["resourceType"] for each in plan.writes} == {"Task", "Flag"}
    assert read_ours(server, IDENTITY, values=False).keys() < read_ours(server, IDENTITY).keys()


def test_answer_of_a_server_that_ignores_the_date_is_filtered_again() -> None:
    server = memory_server([*PLACES, *CALM])
    for days in range(4):
        sweep(server, AT + days * DAY)
    every = dict(read_ours(server, IDENTITY).items())
    plan = planned(server, AT + 3 * DAY, ON)
    assert plan.writes == ()
    recent = read_ours(server, IDENTITY, AT + DAY)
    assert 0 < len([one for one in recent.values() if one["resourceType"] == "Observation"]) < len(every) - 3


def test_our_software_is_one_device_and_no_line(server: Any) -> None:
    load_bundle(server, [*PLACES, *CALM])
    sweep(server)
    (ref,) = [ref for ref in read_ours(server, IDENTITY) if ref.startswith("Device/")]
    found = read_ours(server, IDENTITY)[ref]
    assert (found["status"], found["deviceName"], "patient" in found) == ("active", [{"name": "linedays", "type": "user-friendly-name"}], False)
    plan = plan_of(server, AT + 60)
    assert plan.writes == ()
    assert len(plan.derivation.results) == 1
    (row,) = [row for row in plan.derivation.tally if row.name == "Device"]
    assert (row.read, row.used, dict(row.ignored), row.issues) == (2, 1, {"own-output": 1}, 0)
    old = {**found, "version": [{"value": "0.0.1"}], "note": [{"text": "of an engineer"}]}
    server.update(old, found["meta"]["versionId"])
    (revised,) = plan_of(server, AT + 60).writes
    assert (revised.creates, revised.resource["version"], revised.resource["note"]) == (False, found["version"], old["note"])
    assert apply_plan(plan_of(server, AT + 60), server, IDENTITY).counts == {"Device correct: updated": 1}
    assert plan_of(server, AT + 120).writes == ()


def test_provenance_of_a_sweep_is_taken_under_its_own_id_and_doubles_nothing(server: Any) -> None:
    load_bundle(server, [*PLACES, *LOOSE])
    plan = plan_of(server)
    apply_plan(plan, server, IDENTITY)
    ours = read_ours(server, IDENTITY)
    refs = {key_of(one, IDENTITY): f"{ref}/_history/{one['meta']['versionId']}" for ref, one in ours.items()}
    written = [(refs[key_of(each.resource, IDENTITY)], each) for each in plan.writes]
    software = next(ref for ref in ours if ref.startswith("Device/"))
    # The real server stores by its own clock, which is long before the ward's time.
    made = provenance_of_writes(
        written, IDENTITY, {"reference": software, "type": "Device"}, at=AT, policy_hash=ON.instance.policy.content_hash,
        zone=ON.settings.zone, versions=source_versions(server, sources_of_writes(plan.writes), AT),
    )  # fmt: skip
    assert problems_of(made, IDENTITY) == ()
    for _ in range(2):
        load_bundle(server, [made])
    stored = orjson.loads(server.read("Provenance", made["id"]) or b"")
    assert stored["target"] == made["target"]
    assert len(made["target"]) == len(ours) - 1 == 2 + 11  # our Device stood before
    entities = [one["what"]["reference"] for one in stored["entity"]]
    assert entities == [f"{name}/_history/1" for name in sources_of_writes(plan.writes)]
    (who,) = [one["who"]["reference"] for one in stored["agent"]]
    assert who == software
    assert plan_of(server, AT + 60).writes == ()


class Died(Exception):
    """The process is gone."""


@pytest.mark.parametrize("n", [1, 2, 10, 11, 30, 60])
def test_sweep_cut_at_a_write_and_run_again_ends_as_if_undisturbed(n: int) -> None:
    whole, cut = memory_server(WARD), memory_server(WARD)
    apply_plan(plan_of(whole), whole, IDENTITY)
    plan = plan_of(cut)
    assert len(plan.writes) == 8 + FIRST

    def stop(count: int) -> None:
        if count == n:
            raise Died

    with pytest.raises(Died):
        apply_plan(plan, cut, IDENTITY, told=stop)
    apply_plan(plan_of(cut, AT + 60), cut, IDENTITY)

    def said(one: Resource) -> Resource:
        return {name: value for name, value in one.items() if name not in ("id", "meta")}

    assert {key: said(one) for key, one in by_key(cut).items()} == {key: said(one) for key, one in by_key(whole).items()}
    assert plan_of(cut, AT + 120).writes == ()


def test_two_sweeps_that_read_before_either_wrote_double_nothing() -> None:
    server = memory_server(WARD)
    first, second = plan_of(server), plan_of(server)
    apply_plan(first, server, IDENTITY)
    outcome = apply_plan(second, server, IDENTITY)
    assert outcome.counts["Observation record: existed"] == FIRST
    assert len(by_key(server)) == FIRST


def test_what_is_in_the_plan_does_not_depend_on_when_it_runs() -> None:
    server = memory_server([*PLACES, *RED, *LOOSE])

    def said(at: int) -> set[bytes]:
        bodies = [each.resource for each in plan_of(server, at).writes if each.resource["resourceType"] == "Observation"]
        return {orjson.dumps(one, option=orjson.OPT_SORT_KEYS) for one in bodies}

    assert len(said(AT)) > 20
    assert said(AT) == said(AT + 1) == said(AT + 8 * HOUR)


def test_other_zone_snapshots_stand_at_the_facilitys_time() -> None:
    settled = wired("America/New_York", values=True)
    assert snapshots_between(AT - DAY, AT, settled.instance) == (AT - 23 * HOUR,)  # 07:00 at UTC-4 is 11:00 UTC


def test_policy_of_another_wording_writes_nothing_anew() -> None:
    server = memory_server([*PLACES, *CALM])
    sweep(server)
    shape = ON.wording.shape
    titles = {**shape.observations.titles, "dwell": "Another title"}
    observations_ = shape.observations.model_copy(update={"titles": titles})
    other = replace(ON, wording=replace(ON.wording, shape=shape.model_copy(update={"observations": observations_})))
    assert read_and_plan(server, other, IDENTITY, at=AT + 60).writes == ()


def test_seen_again_and_again_a_state_is_said_to_begin_once() -> None:
    # Charted as loose on the 14th at 09:40, then damp at 10:20: compromised all the time.
    server = memory_server([*PLACES, *LOOSE])
    sweep(server)
    load_bundle(server, [look("damp", "14 10:20", "loose", "loose-picc")])
    assert sweep(server, AT + HOUR) == {}


# What other hands wrote ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("spoilt", [{"effectiveDateTime": "2031-05-14"}, {"code": 7}, {"valueQuantity": "1 h"}])
def test_a_value_that_cannot_be_read_is_named_left_alone_and_told_no_second_time(spoilt: Resource) -> None:
    """Source: design 2.6 ("what a person did is never undone"); what systems do to resources is common practice, no source."""
    server = memory_server([*PLACES, *GONE])
    sweep(server)
    ref = f"Observation/{next(one['id'] for one in observations(server) if one['code']['coding'][0]['code'] == 'dwell')}"
    server.person_edits(ref, lambda one: {**one, **spoilt})
    before = server.read(*ref.split("/"))
    plan = plan_of(server, AT + HOUR)
    assert (plan.unread, plan.writes) == ((ref,), ())
    assert server.read(*ref.split("/")) == before
