"""The listing as plain data: what stands in it for one line, word for word, in a stable order.

The shape is checked against its schema in tests/acceptance/test_lines_schema.py; here stand the values, by hand.
"""

import json
from datetime import timedelta, timezone
from typing import Any

from linedays.core.moment import HOUR
from linedays.run.listing import SCHEMA, iso, listing
from support.small_ward import AT, CALM, LOOSE, OVERDUE, PLACES, WARD, derived, instant, look, procedure, wired

Json = dict[str, Any]


def listed(resources: list[Json], at: int = AT, known_by: int | None = None) -> Json:
    return listing(derived(resources, at, known_by), wired().instance, wired().wording)


def only(rows: list[Json]) -> Json:
    (row,) = rows
    return row


def test_instant_is_written_in_the_offset_of_its_zone() -> None:
    zone = timezone(timedelta(hours=-2, minutes=-30))
    assert iso(instant("2031-03-13T00:20:00Z"), zone) == "2031-03-12T21:50:00-02:30"


def test_heading_names_the_moments_policy_map_and_cautions() -> None:
    found = listed(WARD, known_by=AT - HOUR)
    assert found["schema"] == SCHEMA
    assert (found["at"], found["known_by"]) == ("2031-05-14T10:00:00+00:00", "2031-05-14T09:00:00+00:00")
    assert found["policy"] == wired().instance.policy.content_hash
    assert (found["source_map"], found["zone"]) == ("reference", "UTC")
    assert found["cautions"] == list(wired().wording.cautions)


def test_line() -> None:
    row = only(listed([*PLACES, *OVERDUE])["lines"])
    started = {"earliest": "2031-05-02T09:00:00+00:00", "latest": "2031-05-02T09:00:00+00:00", "precision": "second"}
    assert row | {"dwell_rule": "", "line_day_rule": ""} == {
        "line": "Procedure/over-picc-insertion-02-0900",
        "also": ["Device/over-picc"],
        "patient": "Patient/over",
        "kind": "picc",
        "site": "basilic",
        "side": None,
        "slot": None,
        "whereabouts": "in place",
        "unit": "Location/made-up-ward",
        "place": "Location/made-up-ward",
        "dressing_site": "Procedure/over-picc-insertion-02-0900",
        "start": started,
        "start_basis": "insertion",
        "end": None,
        "end_basis": None,
        "allergies": ["nothing charted: ask"],
        "dwell_hours": 289.0,  # 2 May 09:00 to 14 May 10:00 is 12 × 24 h + 1 h
        "dwell_at_least": False,
        "dwell_rule": "",
        "line_day_number": 13,  # 2 May is day 1 (design 2.4), so 14 May is day 13
        "line_day_eligible": True,
        "line_day_rule": "",
        "issues": [],
    }
    assert row["dwell_rule"]
    assert row["line_day_rule"]


def test_line_that_ended_is_listed_with_its_end_and_asks_for_nothing() -> None:
    found = listed([*PLACES, *OVERDUE, procedure("removal", "14 08:00", "over", "over-picc")])
    row = only(found["lines"])
    assert (row["whereabouts"], row["end_basis"], row["end"]["earliest"]) == ("ended", "removal", "2031-05-14T08:00:00+00:00")
    assert only(found["dressing_sites"])["items"] == []


def test_peripheral_line_has_no_line_day_number() -> None:
    overs = [one | ({"type": _peripheral()} if one["resourceType"] == "Device" else {}) for one in OVERDUE]
    row = only(listed([*PLACES, *overs])["lines"])
    assert (row["line_day_number"], row["line_day_eligible"], row["line_day_rule"]) == (None, None, None)
    assert row["dwell_hours"] == 289.0


def _peripheral() -> Json:
    return {"coding": [{"system": "https://linedays.example/fhir/CodeSystem/line-kind", "code": "peripheral-iv"}]}


def test_year_before_the_first_counting_rule_has_a_state_and_no_number() -> None:
    old = json.loads(json.dumps([*PLACES, *OVERDUE]).replace("2031-05", "1990-05"))
    row = only(listed(old, instant("1990-05-14T10:00:00Z"))["lines"])
    assert row["line_day_number"] is None


def test_item_of_a_compromised_dressing() -> None:
    item = only(only(listed([*PLACES, *LOOSE])["dressing_sites"])["items"])
    assert (item["state"], item["priority"], item["rule"]) == ("compromised", "asap", "dressing-transparent")
    assert item["last"] == {
        "at": "2031-05-13T09:00:00+00:00",
        "precision": "second",
        "basis": "change",
        "source": "Procedure/loose-picc-dressing-change-13-0900",
        "known": "2031-05-13T09:00:00+00:00",
        "dressing_kind": "transparent",
    }
    finding = only(item["findings"])
    assert (finding["finding"], finding["source"]) == ("loose", "Observation/loose-picc-loose-14-0940")
    assert finding["minutes_after_change"] == 24 * 60 + 40
    assert (item["reason"]["code"], item["reason"]["values"]["at"]) == ("compromised", "2031-05-14T09:40:00+00:00")
    assert [reason["code"] for reason in item["beside"]] == ["interval"]


def test_issue_stands_at_its_line_and_in_the_whole_list() -> None:
    found = listed([*PLACES, *OVERDUE, procedure("dressing-change", "01 09:00", "over", "over-picc")])
    assert only(only(found["lines"])["issues"]) == only(found["issues"])
    assert only(found["issues"])["kind"] == "before-insertion"


def test_tally_adds_up() -> None:
    for row in listed([*WARD, {"resourceType": "Basic", "id": "x"}])["read"]:
        assert row["read"] == row["used"] + sum(row["ignored"].values()) + row["issues"]


def test_late_entry_is_invisible_before_it_was_known_and_a_restatement_after() -> None:
    # Changed on the 13th at 20:00, entered on the 14th at 12:00.
    late = procedure("dressing-change", "13 20:00", "calm", "calm-picc", entered="14 12:00", dressing="transparent")
    chart = [*PLACES, *CALM, late]
    before = only(only(listed(chart, AT, AT)["dressing_sites"])["items"])
    after = only(only(listed(chart, AT, AT + 2 * HOUR)["dressing_sites"])["items"])
    assert before == only(only(listed([*PLACES, *CALM])["dressing_sites"])["items"])
    assert (before["due"], after["due"]) == ("2031-05-20T09:00:00+00:00", "2031-05-20T20:00:00+00:00")


def test_same_input_in_any_order_is_the_same_data() -> None:
    chart = [*WARD, look("damp", "14 08:00", "calm", "calm-picc")]
    assert listed(chart) == listed(chart[::-1])
