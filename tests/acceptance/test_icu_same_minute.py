"""Findings of the open ICU data charted in the minute of a dressing change, and within 60 minutes after one, row by row.

Source: design 2.3.7 ("a finding charted in the same minute is the state found before"; "a finding after a change stands; up to 60
min after [practice] it says so") and 2.7.12 (active bleeding is a site concern as well, which a change does not clear). The
rows are found here from the data files alone: Observations of one stay and one kind of line, by the minute.
"""

import json
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

import pytest

from linedays.adapters.resource_files import resources_in
from linedays.core.compared import Condition
from linedays.core.moment import MINUTE
from linedays.core.states import SiteState, State
from linedays.fhir.identity import line_of
from linedays.run.plan import plan_sweep
from support.icu_answers import instant, items, print_counts, resources
from support.icu_chart import ARRIVAL, INSERTION, SHIPPED, Reading, dressing_of, instance
from support.icu_data import icu_folder
from support.small_ward import IDENTITY, wired

pytestmark = pytest.mark.icu

Resource = dict[str, Any]
NOT_SEALED, IN_ORDER = "not occlusive", "WNL"
BLEEDING, REDNESS = "Bleeding", "Redness"
WITHIN = 60
HINT = "charted {} min after a change: if this was the state before, correct the time"

# Observation: (kind of line, what was charted, minutes after the change). In the minute of a change: cleared.
SAME_MINUTE = {
    "083449f1-90c0-532b-92d7-e1fe27bfd7fc": ("multi-lumen-cvc", "Bleeding", 0),
    "1671071a-1b4e-547a-8773-2a87904426c1": ("picc", "Bleeding", 0),
    "491d3c84-5521-5723-9096-f70c1cb758e5": ("multi-lumen-cvc", "Oozing", 0),
    "52103c64-fd66-5e91-b6a9-b2ba52e6e589": ("multi-lumen-cvc", "Bleeding", 0),
    "61833a94-6656-53ba-9fde-6199739a4542": ("multi-lumen-cvc", "Oozing", 0),
    "82e9f6f8-88f1-5599-9290-7002b08a59b5": ("arterial", "Oozing", 0),
    "9cb69cc1-1349-53c2-ba2e-1e6c18f5c06c": ("multi-lumen-cvc", "not occlusive", 0),
    "d5687fdf-d843-5daf-bf2a-400fb60049de": ("multi-lumen-cvc", "Bleeding", 0),
    "e87bb629-9213-52f9-9534-685ea993b87e": ("picc", "Oozing", 0),
    "f699a193-33a5-5709-a8ae-51b1c9ead386": ("arterial", "not occlusive", 0),
    "fedb6da1-18bc-5048-a48f-c3931a2408f0": ("arterial", "Bleeding", 0),
}
# After a change: each stands, and its Task says how soon after it was charted.
AFTER = {
    "4828a2eb-1225-5450-9441-b705bbb584c0": ("arterial", "not occlusive", 1),
    "b901462f-f065-52c4-8fa7-6e0434da2aa1": ("arterial", "Oozing", 1),
    "14c78c4f-fd97-56f1-b235-b25ff4b46970": ("arterial", "Bleeding", 5),
    "24dabcc2-77fe-5007-866e-ee687cb9135a": ("multi-lumen-cvc", "Redness", 5),
    "87717ea2-b271-5fd5-a3a6-20131ba1cf2a": ("multi-lumen-cvc", "not occlusive", 5),
    "b2343029-1056-5978-afc7-b9ae87566ee2": ("multi-lumen-cvc", "Bleeding", 21),
    "f8c104e7-8533-52fa-9aec-3f2b6c5abcc5": ("arterial", "not occlusive", 22),
    "b5b08750-c8e7-52c9-9b53-a91083eea88d": ("oximetry-cvc", "Bleeding", 23),
    "3da101a2-6bee-513a-b30e-903eab9974f9": ("dialysis-catheter", "Old blood", 25),
    "6e42a567-cf3f-54bb-be4e-c35189be0152": ("arterial", "Oozing", 28),
    "e63ba7d2-81bb-5c38-9bf1-9d0d8c08b94d": ("arterial", "Oozing", 28),
    "71690a2a-5b10-5ee1-b183-1387d685d077": ("arterial", "Bleeding", 30),
    "6f627493-7c7d-5f0c-bb79-b36ccf83253f": ("multi-lumen-cvc", "Oozing", 34),
    "c9091371-5139-5044-90ca-ed51d9b25c16": ("multi-lumen-cvc", "not occlusive", 36),
    "1f3c76c0-18ab-5369-b52e-f90959761168": ("arterial", "Bleeding", 37),
    "4cf45ff2-acd1-5ed2-95ca-eb7937ef9963": ("multi-lumen-cvc", "Bleeding", 40),
    "79a0bb8b-cbed-5951-9dde-f8afbd279b88": ("arterial", "Oozing", 44),
    "bfc0825d-2385-55e6-92cc-6f9f604ecf1e": ("multi-lumen-cvc", "Oozing", 59),
    "3f11bba0-bd7e-5a0b-b65f-58046003bcf5": ("oximetry-cvc", "Bleeding", 60),
}
# Its change was 28 min before the line's record begins, while another line of the kind was in place: it is that one's. Where a
# record's begin is its insertion, the finding is of the minute of the insertion, which is a new dressing as well: cleared.
OF_ANOTHER_LINE = "e63ba7d2"


@dataclass(frozen=True, slots=True)
class Near:
    """A finding with the change before it: what, on which kind, how many minutes after, and when both were known."""

    source: str
    patient: str
    kind: str
    word: str
    minutes: int
    seen: int
    known: int


def meaning(one: Resource) -> tuple[str, str]:
    item = items()[one["code"]["coding"][0]["code"]]
    return item["meaning"], item["line_kind"]


def word_of(one: Resource) -> str | None:
    """Return what an Observation says is wrong: the rules of the data set's README, section "Reading rules", number 10."""
    match meaning(one)[0]:
        case "condition-occlusive" if one.get("valueQuantity", {}).get("value") == 0:
            return NOT_SEALED
        case "condition-site" if one.get("valueString") not in (None, IN_ORDER):
            return str(one["valueString"])
        case _:
            return None


@cache
def near_rows() -> dict[str, Near]:
    """Return the findings of the minute of a change or within 60 min after one, by the id of the Observation."""
    changes: defaultdict[tuple[str, str], list[Resource]] = defaultdict(list)
    for one in resources("Observation"):
        what, kind = meaning(one)
        # A change later than its own entry is none (reading rule 4).
        if what.startswith("dressing-change") and "valueDateTime" in one and entered_after(one):
            changes[one["encounter"]["reference"], kind].append(one)
    found = {}
    for one in resources("Observation"):
        word = word_of(one)
        if word is None:
            continue
        kind, seen = meaning(one)[1], instant(one["effectiveDateTime"])
        ages = [
            (seen // MINUTE - instant(change["valueDateTime"]) // MINUTE, instant(change["issued"]))
            for change in changes[one["encounter"]["reference"], kind]
        ]
        if near := [(minutes, entered) for minutes, entered in ages if 0 <= minutes <= WITHIN]:
            minutes, entered = min(near)
            known = max(entered, instant(one["issued"]), seen)
            patient = one["subject"]["reference"]
            found[one["id"]] = Near(f"Observation/{one['id']}", patient, kind, word, minutes, seen, known)
    return found


def entered_after(change: Resource) -> bool:
    return instant(change["valueDateTime"]) <= instant(change["issued"])


def test_rows_found_in_the_files_are_those_listed() -> None:
    found = {key: (row.kind, row.word, row.minutes) for key, row in near_rows().items()}
    print_counts(
        "findings within 60 min of a change",
        ("finding", "when"),
        Counter((word, "same minute" if minutes == 0 else "after") for _, word, minutes in found.values()),
    )
    assert {key: row for key, row in found.items() if row[2] == 0} == SAME_MINUTE
    assert {key: row for key, row in found.items() if row[2] > 0} == AFTER
    assert (len(SAME_MINUTE), len(AFTER)) == (11, 19)


@dataclass(frozen=True, slots=True)
class Shown:
    """The dressing site that a finding is on, and what of it a first sweep would write at that moment."""

    state: SiteState
    tasks: tuple[Resource, ...]
    flags: dict[str, Resource]


@cache
def records_of(patient: str) -> tuple[tuple[str, bytes], ...]:
    """Return everything that is charted on a patient, and every Location, as it stands in the files."""
    found = []
    for where, raw in resources_in(icu_folder()):
        one = json.loads(raw)
        if one["resourceType"] == "Location" or patient in (f"Patient/{one['id']}", one.get("subject", {}).get("reference")):
            found.append((where, raw))
    return tuple(found)


@cache
def shown(reading: Reading, key: str) -> Shown:
    """Sweep a patient's records once finding and change were entered, from the bytes of the files to what is written."""
    row, wording = near_rows()[key], wired("America/New_York").wording
    plan = plan_sweep(records_of(row.patient), {}, instance(reading), wording, IDENTITY, at=row.known)
    (state,) = [
        state
        for result in plan.derivation.results
        for state in result.states
        if any(fact.source == row.source for timeline in state.site.timelines for fact in timeline.facts)
    ]
    written = [each.resource for each in plan.writes if line_of(each.resource, IDENTITY) == state.site.key]
    assert [each.problems for each in plan.writes if each.problems] == []
    tasks = tuple(one for one in written if one["resourceType"] == "Task")
    flags = {one["code"]["coding"][0]["code"]: one for one in written if one["resourceType"] == "Flag"}
    return Shown(state, tasks, flags)


def texts(task: Resource) -> str:
    return " | ".join([task["description"], *(note["text"] for note in task.get("note", []))])


def stands_on_dressing(state: SiteState, key: str) -> bool:
    return any(one.source == near_rows()[key].source for one in dressing_of(state).findings)


def stands_as_concern(state: SiteState, key: str) -> bool:
    found = state.concern.findings if state.concern is not None else ()
    return any(one.source == near_rows()[key].source for one in found)


READINGS = pytest.mark.parametrize("reading", [INSERTION, ARRIVAL, SHIPPED], ids=lambda reading: reading.name)


@READINGS
@pytest.mark.parametrize("key", SAME_MINUTE)
def test_in_the_minute_of_a_change_it_was_the_state_before(reading: Reading, key: str) -> None:
    found = shown(reading, key)
    assert not stands_on_dressing(found.state, key)
    assert dressing_of(found.state).state is State.NOT_DUE
    # Bleeding is looked at though the dressing is new; nothing else of these rows asks for anything.
    bleeds = near_rows()[key].word == BLEEDING
    assert stands_as_concern(found.state, key) == bleeds
    assert set(found.flags) == ({Condition.SITE_CONCERN} if bleeds else set())
    assert [task["priority"] for task in found.tasks] == (["stat"] if bleeds else [])
    assert not any("after a change" in texts(task) for task in found.tasks)


@READINGS
@pytest.mark.parametrize("key", [key for key in AFTER if not key.startswith(OF_ANOTHER_LINE)])
def test_after_a_change_it_stands_and_says_how_soon_after(reading: Reading, key: str) -> None:
    _, word, minutes = AFTER[key]
    found = shown(reading, key)
    assert stands_on_dressing(found.state, key) == (word != REDNESS)
    assert stands_as_concern(found.state, key) == (word in (BLEEDING, REDNESS))
    (task,) = found.tasks
    assert task["priority"] == ("stat" if word == BLEEDING else "asap")  # the red site is under a loose dressing
    assert HINT.format(minutes) in texts(task)
    assert set(conditions(word)) <= set(found.flags)
    if word in (BLEEDING, REDNESS):
        assert HINT.format(minutes) in found.flags[Condition.SITE_CONCERN]["code"]["text"]


def conditions(word: str) -> Iterator[Condition]:
    if word != REDNESS:
        yield Condition.COMPROMISED
    if word in (BLEEDING, REDNESS):
        yield Condition.SITE_CONCERN


@READINGS
def test_a_change_of_another_line_neither_clears_a_finding_nor_is_named_beside_it(reading: Reading) -> None:
    (key,) = [key for key in AFTER if key.startswith(OF_ANOTHER_LINE)]
    row = near_rows()[key]
    starts = {
        instant(one["performedPeriod"]["start"]) // MINUTE
        for one in resources("Procedure")
        if one["subject"]["reference"] == row.patient and meaning(one)[1] == row.kind
    }
    assert row.seen // MINUTE in starts
    assert any(start < row.seen // MINUTE - row.minutes for start in starts)
    found = shown(reading, key)
    assert stands_on_dressing(found.state, key) == (reading is not INSERTION)
    # Compromised in every reading: it was seen oozing again before the change was entered.
    (task,) = found.tasks
    assert "after a change" not in texts(task)
