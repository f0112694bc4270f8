"""The Flags of a dressing site against FHIR R4 Flag (http://hl7.org/fhir/R4/flag.html, from memory) and design section 2.6."""

import json

import pytest

from linedays.core.asked import conditions
from linedays.core.changes import Create, EndFlag, EndReason, Revise
from linedays.core.compared import Condition, Phase
from linedays.core.states import Reason, State
from linedays.fhir.checks import problems_of, validate_with_classes
from linedays.fhir.outputs import changed, created, read_existing
from linedays.fhir.outputs.flag import own_of, read_flag, wanted_flag
from support.task_board import BERLIN, NOON, US, at, concern, finding, flag_content, item, site
from support.values import replace

# By its identifier, since the Device of the software may not stand on the server yet.
SOFTWARE = {
    "type": "Device",
    "identifier": {"system": US.system, "value": US.name("software", 0)},
    "display": "linedays",
}
CODES = "https://linedays.example/fhir/CodeSystem/"
SEEN = at("2026-03-10 11:00")
STATES = {
    Condition.OVERDUE: site(item(State.OVERDUE), NOON),
    Condition.COMPROMISED: site(item(State.COMPROMISED, findings=(finding("loose", "Observation/loose-1", SEEN),)), NOON),
    Condition.UNKNOWN: site(item(State.UNKNOWN), NOON, encounter=None),
    Condition.SITE_CONCERN: site(None, NOON, concern=concern("redness", "Observation/site-1", SEEN), zone=None),
}


def written(condition):
    wanted = wanted_flag(flag_content(STATES[condition], condition), US)
    change = Create(wanted=wanted, identifier=US.name(wanted.stem, 0))
    return {**created(change, US, at=NOON, zone=BERLIN), "id": "1"}


def test_a_compromised_dressing_is_rendered_in_full():
    assert written(Condition.COMPROMISED) == {
        "resourceType": "Flag",
        "id": "1",
        "meta": {"tag": [{"system": CODES + "tag", "code": "derived"}, {"system": CODES + "policy", "code": "policy-0001"}]},
        "text": {
            "status": "generated",
            "div": '<div xmlns="http://www.w3.org/1999/xhtml"><p>dressing-compromised, as charted</p></div>',
        },
        "extension": [
            {
                "url": "http://hl7.org/fhir/StructureDefinition/flag-detail",
                "valueReference": {"reference": "Observation/loose-1"},
            }
        ],
        "identifier": [
            {
                "use": "official",
                "system": US.system,
                "value": US.name("Device/picc-1|dressing-compromised|Procedure/change-1", 0),
            },
            {"use": "secondary", "system": US.system, "value": "Device/picc-1"},
        ],
        "status": "active",
        "category": [
            {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/flag-category", "code": "safety"}]}
        ],
        "code": {
            "coding": [{"system": CODES + "flag-kind", "code": "dressing-compromised"}],
            "text": "dressing-compromised, as charted",
        },
        "subject": {"reference": "Patient/made-up-1"},
        "period": {"start": "2026-03-10T11:00:00+01:00"},
        "encounter": {"reference": "Encounter/stay-1"},
        "author": SOFTWARE,
    }


@pytest.mark.parametrize("condition", list(Condition))
def test_what_is_written_passes_our_check_and_the_classes(condition):
    import fhirkit

    flag = written(condition)
    assert problems_of(flag, US) == ()
    assert validate_with_classes(flag) == []
    assert fhirkit.validate(json.dumps(flag)) == []


@pytest.mark.parametrize(
    ("condition", "start"),
    [
        (Condition.OVERDUE, "2026-03-10T10:00:01+01:00"),  # exactly 7 d is due, the second after it is overdue
        (Condition.COMPROMISED, "2026-03-10T11:00:00+01:00"),
        (Condition.UNKNOWN, "2026-03-01T09:00:00+01:00"),  # no date at all: since the line is there
        (Condition.SITE_CONCERN, "2026-03-10T10:00:00+00:00"),  # a site whose zone is not known: UTC
    ],
)
def test_a_flag_starts_when_its_condition_became_true(condition, start):
    assert written(condition)["period"] == {"start": start}


@pytest.mark.parametrize("condition", list(Condition))
def test_what_was_rendered_reads_back_equal(condition):
    wanted = wanted_flag(flag_content(STATES[condition], condition), US)
    found = read_existing(written(condition), US)
    assert (found.own, found.condition, found.since) == (wanted.own, condition, wanted.since)
    assert (found.ref, found.line, found.patient, found.phase) == (
        "Flag/1", "Device/picc-1", "Patient/made-up-1", Phase.OPEN,
    )


def test_equality_is_judged_on_meaning_not_on_text():
    text = json.dumps(written(Condition.OVERDUE)).replace("2026-03-10T10:00:01+01:00", "2026-03-10T09:00:01.000Z")
    assert own_of(json.loads(text), US) == own_of(written(Condition.OVERDUE), US)


@pytest.mark.parametrize(
    "without",
    [
        {"identifier": [{"system": "https://other.example", "value": "1"}]},
        {"identifier": [{"system": US.system, "value": "1"}]},
        {"code": {"text": "another Flag of this system"}},
        {"code": {"coding": [{"system": CODES + "flag-kind", "code": "no-such-kind"}]}},
    ],
)
def test_what_does_not_say_what_it_is_about_is_not_read(without):
    assert read_existing(written(Condition.OVERDUE) | without, US) is None


def test_a_flag_stripped_of_its_times_still_reads():
    bare = {name: value for name, value in written(Condition.OVERDUE).items() if name not in ("period", "subject", "extension")}
    found = read_flag(bare, US)
    assert (found.since, found.modified, found.patient) == (0, 0, "")
    stamped = read_flag({**bare, "meta": {"lastUpdated": "2026-03-10T11:00:00Z"}}, US)
    assert (stamped.since, stamped.modified) == (NOON, NOON)


@pytest.mark.parametrize(
    ("status", "phase"),
    [("active", Phase.OPEN), ("inactive", Phase.ENDED_BY_A_PERSON), ("entered-in-error", Phase.VOID)],
)
def test_the_phase_of_a_flag_by_its_status(status, phase):
    assert read_flag({**written(Condition.COMPROMISED), "status": status}, US).phase is phase


def apply(resource, change):
    return changed(resource, change, US, at=NOON + 600, zone=BERLIN)


def test_an_ended_flag_says_why_and_when_and_keeps_what_others_wrote():
    before = written(Condition.COMPROMISED) | {"author": {"reference": "Practitioner/made-up"}}
    before["extension"] = [*before["extension"], {"url": "https://other.example/x", "valueString": "y"}]
    ended = apply(before, EndFlag(existing=read_flag(before, US), reason=EndReason.CHANGED, ended=NOON))
    assert (ended["status"], ended["period"]) == (
        "inactive", {"start": "2026-03-10T11:00:00+01:00", "end": "2026-03-10T12:00:00+01:00"},
    )
    assert ended["extension"][:2] == before["extension"]
    assert ended["extension"][2]["valueCodeableConcept"]["coding"][0]["code"] == "change-charted"
    assert ended["author"] == before["author"]
    assert read_flag(ended, US).phase is Phase.ENDED_BY_US
    assert problems_of(ended, US) == ()
    assert validate_with_classes(ended) == []


def test_a_flag_never_ends_before_it_began():
    before = written(Condition.COMPROMISED)
    ended = apply(before, EndFlag(existing=read_flag(before, US), reason=EndReason.LINE_OUT, ended=SEEN - 3600))
    assert ended["period"]["end"] == "2026-03-10T11:00:00+01:00"


def test_a_flag_without_a_time_of_its_end_ends_with_the_change():
    before = written(Condition.COMPROMISED)
    ended = apply(before, EndFlag(existing=read_flag(before, US), reason=EndReason.FINDING_WITHDRAWN))
    assert ended["period"]["end"] == "2026-03-10T12:10:00+01:00"


def test_a_revision_keeps_what_others_wrote():
    before = written(Condition.COMPROMISED)
    before["extension"].append({"url": "https://other.example/x", "valueString": "y"})
    before["identifier"].append({"system": "https://other.example", "value": "7"})
    before["code"]["coding"].append({"system": "https://other.example", "code": "x"})
    before["author"] = {"reference": "Practitioner/made-up"}
    del before["category"]
    damp = (finding("damp", "Observation/damp-1", SEEN - 600),)
    state = site(item(State.COMPROMISED, findings=damp), NOON, encounter=None)
    wanted = wanted_flag(flag_content(state, Condition.COMPROMISED), US)
    after = apply(before, Revise(existing=read_flag(before, US), wanted=wanted))
    assert after["extension"] == [
        {"url": "https://other.example/x", "valueString": "y"},
        {"url": "http://hl7.org/fhir/StructureDefinition/flag-detail", "valueReference": {"reference": "Observation/damp-1"}},
    ]
    assert [one["value"] for one in after["identifier"]] == [before["identifier"][0]["value"], "7", "Device/picc-1"]
    assert {"system": "https://other.example", "code": "x"} in after["code"]["coding"]
    assert after["author"] == before["author"]
    assert after["category"][0]["coding"][0]["code"] == "safety"
    assert "encounter" not in after
    assert after["period"] == {"start": "2026-03-10T10:50:00+01:00"}
    assert own_of(after, US) == wanted.own
    assert problems_of(after, US) == ()


# Which conditions hold --------------------------------------------------------------------------------------------------


def held(state):
    return [one.condition for one in conditions(state)]


def test_overdue_holds_from_its_second_on_whatever_the_state():
    # overdue_from 10:00:01: one second before it nothing holds
    early = site(item(State.DUE), at("2026-03-10 10:00"))
    assert held(early) == []
    assert held(replace(early, at=at("2026-03-10 10:00") + 1)) == [Condition.OVERDUE]


def test_while_paused_or_not_required_only_a_site_concern_holds():
    found = concern("redness", "Observation/site-1", SEEN)
    for state in (State.PAUSED, State.NOT_REQUIRED):
        assert held(site(item(state), NOON, concern=found)) == [Condition.SITE_CONCERN]


def test_a_concern_without_an_entry_has_no_flag():
    assert held(site(None, NOON, concern=concern("redness", "x", SEEN, findings=()))) == []


@pytest.mark.parametrize(
    ("values", "since"),
    [
        ((("since", NOON - 60),), NOON - 60),
        ((("seen", NOON - 120), ("rule", "prn")), NOON - 120),
        ((("precision", "month"), ("from", at("2026-03-01 00:00"))), at("2026-03-01 00:00")),
        ((), at("2026-03-01 09:00")),
    ],
)
def test_unknown_begins_with_the_fact_after_which_it_is_not_known(values, since):
    state = site(item(State.UNKNOWN, reason=Reason(code="unknown-x", values=values)), NOON)
    assert [one.since for one in conditions(state)] == [since]
