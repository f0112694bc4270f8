"""One line's explanation: every fact used or not and why, in order of time, and each item with its instants.

Expected rows are written by hand from the charting beside them.
"""

from typing import Any

import pytest

from linedays.run.explain_line import NoSuchLine, explanation, find_line
from support.small_ward import (
    AT,
    CALM,
    OVERDUE,
    PLACES,
    RED,
    WARD,
    derived,
    device,
    line,
    look,
    person,
    procedure,
    wired,
)

KEY = "Procedure/over-picc-insertion-02-0900"


def explained(key: str, resources: list[dict[str, Any]], at: int = AT, known_by: int | None = None) -> dict[str, Any]:
    return explanation(derived(resources, at, known_by), key, wired().instance, wired().wording)


def test_line_is_found_by_its_key_and_by_every_other_resource_that_speaks_of_it() -> None:
    derivation = derived(WARD)
    assert find_line(derivation, KEY)[1].line.key == KEY
    assert find_line(derivation, "Device/over-picc")[1].line.key == KEY
    assert explained(KEY, WARD) == explained("Device/over-picc", WARD)


def test_line_that_is_not_there_is_told_with_what_to_ask() -> None:
    with pytest.raises(NoSuchLine, match=r"no line is called Device/nowhere: `linedays lines` lists the keys"):
        find_line(derived(WARD), "Device/nowhere")


def test_heading() -> None:
    found = explained(KEY, WARD)
    assert (found["kind"], found["whereabouts"]) == ("picc", "in place")
    assert (found["at"], found["known_by"]) == ("2031-05-14T10:00:00+00:00",) * 2
    assert (found["dressing_site"], found["under_one_dressing"]) == (KEY, [KEY])
    assert len(found["cautions"]) == 2


def test_timeline_says_of_each_fact_what_it_is_good_for() -> None:
    rows = explained(KEY, [*PLACES, *OVERDUE, look("intact", "07 08:00", "over", "over-picc")])["timeline"]
    told = [(row["happened"], row["fact"], row["says"], row["used"], row["why"]) for row in rows if row["fact"] != "device"]
    assert told == [
        ("Fri 2 May 2031 09:00", "inserted", "transparent dressing", "used", "on the timeline"),
        ("Tue 6 May 2031 09:00", "dressing-changed", "transparent dressing", "used", "the dressing-change counts from it"),
        ("Wed 7 May 2031 08:00", "dressing-seen", "intact", "used", "on the timeline"),
    ]


def test_finding_that_stands_and_one_that_a_change_cleared() -> None:
    rows = explained(
        KEY,
        [*PLACES, *OVERDUE, look("damp", "05 08:00", "over", "over-picc"), look("loose", "07 08:00", "over", "over-picc")],
    )["timeline"]
    why = {row["says"]: row["why"] for row in rows if row["fact"] == "dressing-seen"}
    assert why == {"damp": "on the timeline", "loose": "stands: nothing charted has cleared it"}


def test_site_concern_is_explained_too() -> None:
    found = explained("Device/red-picc", [*PLACES, *RED])
    assert [item["item"] for item in found["items"]] == ["dressing-change", "site-assessment"]
    why = {row["says"]: row["why"] for row in found["timeline"]}
    assert why["redness"] == "stands: nothing charted has cleared it"


def test_fact_that_cannot_be_used_is_there_with_the_reason() -> None:
    before = procedure("dressing-change", "01 09:00", "over", "over-picc")
    rows = explained(KEY, [*PLACES, *OVERDUE, before])["timeline"]
    (unused,) = [row for row in rows if row["used"] == "not used"]
    assert unused["source"] == "Procedure/over-picc-dressing-change-01-0900"
    assert rows.index(unused) == 0
    assert len(unused["why"]) > 20


def test_what_is_later_than_the_moment_asked_about_says_so() -> None:
    early = AT - 8 * 86400  # 6 May 10:00: the look of 7 May is known already, but has not happened
    rows = explained(KEY, [*PLACES, *OVERDUE, look("loose", "07 08:00", "over", "over-picc")], early, AT)["timeline"]
    (later,) = [row for row in rows if row["says"] == "loose"]
    assert later["why"] == "later than the moment asked about"


def test_entry_that_fits_two_lines_is_listed_as_not_placed() -> None:
    lines = [one for name in ("pair-1", "pair-2") for one in line(name, "pair", "13 09:00")]
    unlinked = look("loose", "14 09:00", "pair", None) | {"bodySite": {"text": "basilic"}}
    found = explained("Device/pair-1", [*PLACES, *person("pair"), *lines, unlinked])
    (told,) = found["not_placed"]
    assert (told["source"], told["kind"]) == ("Observation/pair-loose-14-0900", "which-line")


def test_item_has_every_instant_in_local_words_and_iso() -> None:
    (item,) = explained("Device/calm-picc", [*PLACES, *CALM])["items"]
    assert item["state"] == "not due"
    assert {name: times["iso"] for name, times in item["instants"].items()} == {
        "counts from": "2031-05-13T09:00:00+00:00",
        "window from": "2031-05-19T19:00:00+00:00",  # the shift start at least 12 h before
        "due": "2031-05-20T09:00:00+00:00",  # 13 May 09:00 + 7 × 24 h
        "overdue from": "2031-05-20T09:00:01+00:00",
        "next change": "2031-05-19T19:00:00+00:00",
        "last seen intact": "2031-05-14T02:10:00+00:00",
    }
    assert item["instants"]["due"]["local"] == "Tue 20 May 2031 09:00"
    assert item["rule"].startswith("transparent dressing: at least every 7 days: CDC-2011")


def test_item_without_a_date_has_no_instants() -> None:
    (item,) = explained("Device/undated-picc", [*PLACES, *person("undated"), device("undated-picc", "undated")])["items"]
    assert (item["state"], item["instants"]) == ("unknown", {})
    assert item["reason"].startswith("No dressing date in the chart.")
