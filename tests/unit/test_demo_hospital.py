"""The made-up hospital: builds, is valid FHIR R4, hangs together, and holds the stories that the demo tells.

Structure is checked by two validators that are not ours: fhir.resources (R4B classes) and fhirkit (FHIR 4.0.1).
Counts and instants are written by hand, with the arithmetic beside them.
"""

import json
from collections import Counter
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import fhirkit
import pytest
import yaml
from fhir.resources.R4B import get_fhir_model_class

from linedays.core.moment import DAY, HOUR, MINUTE
from linedays.run.demo_charting import CODE_BASE, RECORDED, Chart, charted
from linedays.run.demo_hospital import TIME_ZONE, hospital_resources, later_resources, moved_resources
from linedays.run.demo_story import Event, StoryProblem, after, birth_date, hospital_story, told_at

FILE = Path(__file__).parents[2] / "fixtures" / "demo-hospital" / "hospital.yaml"
# 21:50 at an offset of -2:30 is 24:20, that is 00:20 of the next day, in UTC.
AT = int(datetime(2031, 3, 13, 0, 20, tzinfo=UTC).timestamp())


@pytest.fixture(scope="module")
def document():
    return yaml.safe_load(FILE.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def resources(document):
    return hospital_resources(document, AT)


def of_type(resources, name):
    return [resource for resource in resources if resource["resourceType"] == name]


def by_id(resources, key):
    (found,) = [resource for resource in resources if resource["id"] == key]
    return found


def instant(text):
    return int(datetime.fromisoformat(text).timestamp())


def recorded(resource):
    if resource["resourceType"] == "Observation":
        return instant(resource["issued"])
    (extension,) = [one for one in resource["extension"] if one["url"] == RECORDED]
    return instant(extension["valueDateTime"])


def references(node):
    if isinstance(node, dict):
        if isinstance(node.get("reference"), str):
            yield node["reference"]
        for value in node.values():
            yield from references(value)
    elif isinstance(node, list):
        for value in node:
            yield from references(value)


def codes(concept):
    return [coding["code"] for coding in concept.get("coding", ())]


def test_file_is_told_at_the_instant_of_the_tests(document):
    assert told_at(hospital_story(document)) == AT


def test_every_resource_is_valid_r4(resources, document):
    for resource in (*resources, *later_resources(document, AT)):
        get_fhir_model_class(resource["resourceType"]).model_validate(resource)
        assert fhirkit.validate(json.dumps(resource)) == []


def test_ids_are_unique_within_their_type(resources, document):
    keys = Counter((one["resourceType"], one["id"]) for one in (*resources, *later_resources(document, AT)))
    assert [key for key, times in keys.items() if times > 1] == []


def test_every_reference_resolves_to_an_earlier_resource(resources, document):
    known = set()
    for resource in (*resources, *later_resources(document, AT)):
        assert [wanted for wanted in references(resource) if wanted not in known] == []
        known.add(f"{resource['resourceType']}/{resource['id']}")


def test_counts(resources):
    # Patients and beds: 14 + 8 + 2 = 24; the emergency room's two are no inpatient beds.
    assert len(of_type(resources, "Patient")) == 24
    units = Counter(one["partOf"]["reference"] for one in of_type(resources, "Location") if "type" not in one)
    assert units == {
        "Location/heron-ward": 14,
        "Location/lantern-icu": 8,
        "Location/cradle-nursery": 2,
        "Location/bridge-emergency": 2,
    }
    kinds = Counter(codes(device["type"])[0] for device in of_type(resources, "Device"))
    # 40 lines, 24 of them peripheral: 24 / 40 = 60 %.
    assert sum(kinds.values()) == 40
    assert kinds["peripheral-iv"] == 24


def test_at_least_a_tenth_of_the_entries_are_late(resources):
    entries = of_type(resources, "Procedure") + of_type(resources, "Observation")
    happened = {
        one["id"]: one.get("performedDateTime") or one["effectiveDateTime"]
        for one in entries
        if len(one.get("performedDateTime") or one["effectiveDateTime"]) > 10
    }
    late = [
        one["id"] for one in entries if one["id"] in happened and recorded(one) - instant(happened[one["id"]]) > HOUR
    ]
    # 13 with a time of day and over an hour late (the one charted by its day is not counted), of 113 entries: 11.5 %.
    assert len(entries) == 113
    assert len(late) == 13


def test_every_bed_holds_one_patient_at_a_time(resources):
    spans = {}
    for stay in of_type(resources, "Encounter"):
        for place in stay["location"]:
            end = place["period"].get("end")
            span = (instant(place["period"]["start"]), instant(end) if end else AT)
            spans.setdefault(place["location"]["reference"], []).append(span)
    for taken in spans.values():
        taken.sort()
        assert all(first[1] <= second[0] for first, second in pairwise(taken))
    now = [span for taken in spans.values() for span in taken if span[1] == AT]
    assert len(now) == 24


def test_nothing_is_known_after_the_moment_and_nothing_before_it_happened(resources):
    for entry in of_type(resources, "Procedure") + of_type(resources, "Observation"):
        happened = entry.get("performedDateTime") or entry["effectiveDateTime"]
        assert recorded(entry) <= AT
        if len(happened) > 10:
            assert instant(happened) < recorded(entry)


def test_units_state_a_real_zone(resources):
    zones = [one["extension"] for one in of_type(resources, "Location") if "extension" in one]
    assert zones == [[{"url": TIME_ZONE, "valueCode": "America/St_Johns"}]] * 5


def test_only_codes_of_the_reference_charting(resources):
    line_kinds = {codes(device["type"])[0] for device in of_type(resources, "Device")}
    # Written down from the reference charting: the line kinds that are in the hospital.
    assert line_kinds == {
        "nontunnelled-cvc", "tunnelled-cvc", "picc", "implanted-port", "midline", "peripheral-iv", "arterial",
        "pulmonary-artery", "introducer",
    }  # fmt: skip
    systems = {
        coding["system"]
        for entry in of_type(resources, "Procedure") + of_type(resources, "Observation")
        for concept in (entry["code"], *entry.get("usedCode", ()))
        for coding in concept["coding"]
    }
    assert systems == {
        CODE_BASE + "charting",
        CODE_BASE + "dressing-kind",
        CODE_BASE + "line-kind",
        CODE_BASE + "infusion-kind",
        "http://snomed.info/sct",
    }


@pytest.mark.parametrize(
    ("key", "performed"),
    [
        # 21:50 local less the span; before 9 March 02:00 the clocks show an hour less (-03:30).
        ("rainbarrel-cvc-3-dressing-change", "2031-03-10T22:50:00-02:30"),  # 47 h = 2 d less 1 h
        ("oatcake-cvc-3-dressing-change", "2031-03-10T20:50:00-02:30"),  # 49 h = 2 d and 1 h
        ("mudlark-picc-3-dressing-change", "2031-03-05T21:50:00-03:30"),  # 7 d less 1 h: 22:50, shown as 21:50
        ("quillfeather-iv-1-insertion", "2031-03-05T14:50:00-03:30"),  # 7 d 6 h: 15:50, shown as 14:50
        ("stepstone-cvc-2-dressing-change", "2031-03-04T17:50:00-03:30"),  # 8 d 3 h: 18:50, shown as 17:50
        ("teakettle-iv-2-dressing-change", "2031-03-10"),  # 2 d 9 h: 12:50 that day, charted as the day
    ],
)
def test_changes_lie_where_the_story_says(resources, key, performed):
    assert by_id(resources, key)["performedDateTime"] == performed


def test_loose_dressing_was_seen_at_twenty_to_ten(resources):
    seen = by_id(resources, "foxglove-cvc-4-dressing-condition")
    assert seen["effectiveDateTime"] == "2031-03-12T21:40:00-02:30"
    assert codes(seen["valueCodeableConcept"]) == ["loose"]
    assert seen["device"] == {"reference": "Device/foxglove-cvc"}


def test_several_findings_are_components_with_the_code_of_the_whole(resources):
    seen = by_id(resources, "candlewick-iv-4-site-assessment")
    assert [codes(part["valueCodeableConcept"]) for part in seen["component"]] == [["redness"], ["tenderness"]]
    assert {codes(part["code"])[0] for part in seen["component"]} == {"site-assessment"}


def test_statuses_that_make_a_difference(resources):
    entries = of_type(resources, "Procedure") + of_type(resources, "Observation")
    unusual = {one["id"]: one["status"] for one in entries if one["status"] not in ("completed", "final")}
    assert unusual == {
        "applecart-iv-2-dressing-change": "entered-in-error",
        "thistledown-iv-2-dressing-condition": "corrected",
    }


def test_entries_without_a_device_are_the_wound_and_the_ambiguous_change(resources):
    loose = {one["id"] for one in of_type(resources, "Procedure") if "focalDevice" not in one}
    assert loose == {"willowbank-unlinked-1-wound-dressing", "bellrope-unlinked-1-dressing-change"}
    assert codes(by_id(resources, "willowbank-unlinked-1-wound-dressing")["code"]) == ["18949003"]


def test_transfer_and_readmission(resources):
    moved = by_id(resources, "lanternjaw-stay")
    assert [place["location"]["reference"] for place in moved["location"]] == [
        "Location/lantern-08",
        "Location/heron-13",
    ]
    assert moved["location"][0]["period"]["end"] == moved["location"][1]["period"]["start"]
    assert by_id(resources, "saltmarsh-earlier-stay")["status"] == "finished"
    assert by_id(resources, "saltmarsh-port-1-insertion")["encounter"] == {
        "reference": "Encounter/saltmarsh-earlier-stay"
    }
    assert by_id(resources, "saltmarsh-port-2-port-access")["encounter"] == {"reference": "Encounter/saltmarsh-stay"}


def test_lines_that_came_with_the_patient_have_no_insertion(resources):
    inserted = {
        one["focalDevice"][0]["manipulated"]["reference"]
        for one in of_type(resources, "Procedure")
        if codes(one["code"]) == ["insertion"]
    }
    came = {one["id"] for one in of_type(resources, "Device") if f"Device/{one['id']}" not in inserted}
    assert came == {"fenwater-picc", "umbrellastand-iv-1"}


def test_newborns_are_newborn(resources):
    # 12 and 5 days before 12 March.
    assert by_id(resources, "snailshell")["birthDate"] == "2031-02-28"
    assert by_id(resources, "dewdrop")["birthDate"] == "2031-03-07"
    assert by_id(resources, "reedwhistle")["birthDate"] == "1964-03-12"


def test_later_entries(document):
    change, removal = later_resources(document, AT)
    assert (change["id"], removal["id"]) == ("stepstone-cvc-later-1-dressing-change", "quillfeather-iv-later-2-removal")
    assert change["performedDateTime"] == "2031-03-12T21:54:00-02:30"
    assert removal["focalDevice"][0]["action"]["coding"][0]["code"] == "explanted"
    assert recorded(removal) == AT + 7 * MINUTE


def test_same_stories_at_another_moment_keep_their_ids(document, resources):
    moved = hospital_resources(document, AT + 400 * DAY)
    assert [one["id"] for one in moved] == [one["id"] for one in resources]
    assert moved != resources


@pytest.mark.parametrize("span", ["47h", "-", "-47", "-1h2d", "-1.5h", "", "+-3h"])
def test_span_that_cannot_be_read_is_refused(span):
    with pytest.raises(StoryProblem, match="write it like"):
        after(AT, span)


def test_span_adds_its_parts():
    assert after(0, "-6d23h") == -(6 * 86400 + 23 * 3600)
    assert after(0, "+1d2h3min") == 86400 + 7200 + 180


def test_birth_on_a_leap_day_has_a_date():
    leap_day = int(datetime(2032, 2, 29, 12, tzinfo=UTC).timestamp())
    assert birth_date(leap_day, "-3y", UTC).isoformat() == "2029-02-28"
    with pytest.raises(StoryProblem, match="not an age"):
        birth_date(leap_day, "3 years", UTC)


def broken(document, change):
    copy = json.loads(json.dumps(document))
    change(copy)
    return copy


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda d: d["patients"][0].update(nickname="x"), r"nickname.*patients\[0\]"),
        (lambda d: d["patients"][0].pop("gender"), "gender"),
        (lambda d: d["later"][0].update(line="nobody-iv"), "nobody-iv"),
        (lambda d: d["later"][0].pop("line"), "later entry 1"),
        (lambda d: d["later"][0].update(chart="polishing"), "polishing"),
        (lambda d: d["patients"][0]["lines"][0].update(parent="nobody-iv"), "nobody-iv"),
    ],
)
def test_mistake_in_the_file_is_named_with_its_place(document, change, says):
    with pytest.raises(StoryProblem, match=says):
        later_resources(broken(document, change), AT)


def test_change_that_was_not_done_carries_its_reason():
    chart = Chart(patient="p", encounter=None, at=AT, zone=UTC)
    event = Event(chart="dressing-change", at="-1h", status="not-done", reason="refused", site="hand", side="left")
    resource = charted(event, None, chart, key="k")
    get_fhir_model_class("Procedure").model_validate(resource)
    assert (resource["status"], codes(resource["statusReason"])) == ("not-done", ["refused"])
    assert "encounter" not in resource


def test_line_of_an_outpatient_was_inserted_in_no_stay(document):
    def before_admission(copy):
        copy["patients"][0]["lines"][0]["events"][0].update(at="-20d")

    built = hospital_resources(broken(document, before_admission), AT)
    assert "encounter" not in by_id(built, "reedwhistle-iv-1-insertion")


def test_finding_without_a_value_is_refused(document):
    def drop(copy):
        copy["patients"][0]["lines"][0]["events"][2].pop("findings")

    with pytest.raises(StoryProblem, match="reedwhistle-iv-3-dressing-condition: dressing-condition needs"):
        hospital_resources(broken(document, drop), AT)


def test_who_moves_keeps_the_stay_and_the_bed_that_was_left_stands_in_it(resources, document):
    moved = moved_resources(document, AT)
    assert [one["id"] for one in moved] == ["oatcake-stay", "wickerbasket-stay"]
    for stay, (left, come) in zip(moved, [("lantern-02", "heron-06"), ("heron-06", "lantern-02")], strict=True):
        get_fhir_model_class("Encounter").model_validate(stay)
        assert fhirkit.validate(json.dumps(stay)) == []
        before, after = stay["location"]
        assert (before["location"], before["status"]) == ({"reference": f"Location/{left}"}, "completed")
        assert (after["location"], after["status"]) == ({"reference": f"Location/{come}"}, "active")
        # Five minutes after the moment that the stories count from.
        assert instant(before["period"]["end"]) == instant(after["period"]["start"]) == AT + 5 * MINUTE
        assert stay["period"] == by_id(resources, stay["id"])["period"]


@pytest.mark.parametrize(
    ("move", "told"),
    [
        ({"patient": "nobody", "bed": "heron-06", "at": "+5min"}, "'nobody' moves, but is none of its patients"),
        ({"patient": "oatcake", "bed": "attic-01", "at": "+5min"}, "'attic-01' is a bed of no unit"),
    ],
)
def test_a_move_of_nobody_or_to_nowhere_is_refused(document, move, told):
    with pytest.raises(StoryProblem, match=told):
        hospital_story({**document, "moves": [move]})
