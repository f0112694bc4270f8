"""The Task of a dressing site against FHIR R4 Task (http://hl7.org/fhir/R4/task.html, from memory) and design section 2.6."""

import json
import re

import pytest

from linedays.core.changes import Act, Complete, Create, EndReason, Revise
from linedays.core.compared import Phase, Severity
from linedays.core.moment import Moment, Precision, day_moment, exactly, local_date
from linedays.core.states import AnchorBasis, Priority, Reason, State
from linedays.fhir.checks import problems_of, validate_with_classes
from linedays.fhir.outputs import created, read_existing
from linedays.fhir.outputs.task import changed_task, new_task, own_of, read_task, render_task, wanted_task
from support.task_board import BERLIN, NOON, US, anchor, at, concern, content, finding, item, line, site
from support.values import replace

CODES = "https://linedays.example/fhir/CodeSystem/"


def rendered(state, about=None, **other):
    return render_task(content(state, about or state.items[0], **other), US)


def written(state, about=None, now=NOON, **other):
    wanted = wanted_task(content(state, about or state.items[0], **other), US)
    change = Create(wanted=wanted, identifier=US.name(wanted.stem, 0))
    return {**created(change, US, at=now, zone=BERLIN), "id": "1"}


OVERDUE = site(item(State.OVERDUE), NOON)


def test_an_overdue_dressing_is_rendered_in_full():
    assert written(OVERDUE) == {
        "resourceType": "Task",
        "id": "1",
        "meta": {"tag": [{"system": CODES + "tag", "code": "derived"}, {"system": CODES + "policy", "code": "policy-0001"}]},
        "text": {
            "status": "generated",
            "div": '<div xmlns="http://www.w3.org/1999/xhtml"><p>Dressing change · PICC, left upper arm</p>'
            "<p>state overdue, by the unit&#x27;s 7-day rule</p>"
            "<p>Informs, does not order: local policy and licensed practice decide.</p></div>",
        },
        "identifier": [
            {"use": "official", "system": US.system, "value": US.name("Device/picc-1|dressing-change|Procedure/change-1", 0)},
            {"use": "secondary", "system": US.system, "value": "Device/picc-1"},
        ],
        "instantiatesUri": "https://linedays.example/fhir/rule/chg-7d",
        "groupIdentifier": {"use": "secondary", "system": US.system, "value": "Device/picc-1"},
        "status": "requested",
        "intent": "plan",
        "priority": "urgent",
        "code": {
            "coding": [
                {"system": CODES + "upkeep-item", "code": "dressing-change"},
                {"system": "http://hl7.org/fhir/CodeSystem/task-code", "code": "fulfill"},
            ],
            "text": "Dressing change · PICC, left upper arm",
        },
        "description": "Dressing change · PICC, left upper arm · state overdue, by the unit's 7-day rule",
        "focus": {"reference": "Device/picc-1"},
        "for": {"reference": "Patient/made-up-1"},
        "encounter": {"reference": "Encounter/stay-1"},
        "authoredOn": "2026-03-10T12:00:00+01:00",
        "lastModified": "2026-03-10T12:00:00+01:00",
        "requester": {
            "type": "Device",
            "identifier": {"system": US.system, "value": US.name("software", 0)},
            "display": "linedays",
        },
        "performerType": [{"text": "registered nurse"}],
        "location": {"reference": "Location/bed-12"},
        "reasonCode": {
            "coding": [{"system": CODES + "upkeep-state", "code": "overdue"}],
            "text": "state overdue, by the unit's 7-day rule",
        },
        "reasonReference": {"reference": "Procedure/change-1"},
        "note": [{"authorString": "linedays", "text": "Informs, does not order: local policy and licensed practice decide."}],
        # window: the latest shift start at least 12 h before due; due: 3 March 10:00 + 7 × 24 h
        "restriction": {"period": {"start": "2026-03-09T19:00:00+01:00", "end": "2026-03-10T10:00:00+01:00"}},
        "input": [
            {
                "type": {"coding": [{"system": CODES + "task-input", "code": "last-change"}], "text": "dressing change charted"},
                "valueDateTime": "2026-03-03T10:00:00+01:00",
            },
            {
                "type": {"coding": [{"system": CODES + "task-input", "code": "counts-from"}], "text": "counted from"},
                "valueDateTime": "2026-03-03T10:00:00+01:00",
            },
            {
                "type": {"coding": [{"system": CODES + "task-input", "code": "anchor"}], "text": "counted from entry"},
                "valueReference": {"reference": "Procedure/change-1"},
            },
            {
                "type": {"coding": [{"system": CODES + "task-input", "code": "dressing-kind"}], "text": "dressing charted"},
                "valueCodeableConcept": {"coding": [{"system": CODES + "dressing-kind", "code": "chg-gel"}]},
            },
            {
                "type": {"coding": [{"system": CODES + "task-input", "code": "due"}], "text": "due"},
                "valueDateTime": "2026-03-10T10:00:00+01:00",
            },
        ],
    }


@pytest.mark.parametrize(
    "state",
    [
        OVERDUE,
        site(item(State.UNKNOWN), NOON),
        site(item(State.UNKNOWN), NOON, place=None, encounter=None, zone=None, lines=(line(key="Observation/slot-1", aliases=(), start_source="Observation/slot-1"),)),
        site(item(State.COMPROMISED, findings=(finding("loose", "Observation/loose-1", NOON - 60),)), NOON),
        site(item(State.DUE, rule=None), NOON, concern=concern("pus", "Observation/site-1", NOON - 60, priority=Priority.STAT)),
    ],
    ids=["overdue", "unknown", "bare", "compromised", "stat"],
)
def test_what_is_written_passes_our_check_and_the_classes(state):
    import fhirkit

    task = written(state)
    assert problems_of(task, US) == ()
    assert validate_with_classes(task) == []
    assert fhirkit.validate(json.dumps(task)) == []


@pytest.mark.parametrize(
    ("state", "code"),
    [
        (item(State.WINDOW_OPEN), "dressing-change"),
        (item(State.DUE), "dressing-change"),
        (item(State.COMPROMISED), "dressing-change"),
        (item(State.UNKNOWN), "dressing-check"),
        (item(State.COMPROMISED, priority=Priority.STAT), "dressing-check"),
    ],
)
def test_only_looking_is_asked_as_a_check(state, code):
    assert rendered(site(state, NOON))["code"]["coding"][0]["code"] == code


def test_a_site_concern_alone_is_a_check_named_by_the_dressings_cycle():
    found = concern("redness", "Observation/site-1", NOON - 600)
    state = site(item(State.NOT_DUE, overdue_from=None), NOON, concern=found)
    wanted = wanted_task(content(state, found), US)
    assert (wanted.severity, wanted.anchor, wanted.stem) == (
        Severity.SITE_CONCERN, "Procedure/change-1", "Device/picc-1|dressing-change|Procedure/change-1",
    )
    task = rendered(state, found)
    assert task["code"]["coding"][0]["code"] == "dressing-check"
    assert task["reasonReference"] == {"reference": "Observation/site-1"}
    assert task["restriction"] == {"period": {"start": "2026-03-10T11:50:00+01:00"}}


def test_a_site_concern_on_a_line_that_needs_no_dressing_stands_alone():
    found = concern("redness", "Observation/site-1", NOON - 600)
    wanted = wanted_task(content(site(None, NOON, concern=found), found), US)
    assert (wanted.anchor, wanted.stem) == (None, "Device/picc-1|dressing-change|Procedure/insertion-1")


def test_the_higher_priority_of_dressing_and_site_concern_holds():
    found = concern("redness", "Observation/site-1", NOON - 600)
    assert rendered(site(item(State.DUE), NOON, concern=found))["priority"] == "urgent"
    assert rendered(site(item(State.COMPROMISED), NOON, concern=found))["priority"] == "asap"


def test_an_item_without_a_priority_has_the_usual_one_of_its_state():
    assert rendered(site(item(State.UNKNOWN, priority=None), NOON))["priority"] == "urgent"


@pytest.mark.parametrize("state", [State.PAUSED, State.DEFERRED, State.NOT_REQUIRED])
def test_no_task_is_wanted_where_nothing_can_be_asked(state):
    one = site(item(state), NOON)
    assert wanted_task(content(one, one.items[0]), US) is None


# Periods: start <= end always; compromised and unknown begin when they became so ------------------------------------------

SEEN = at("2026-03-10 11:00")
LOOSE = (finding("loose", "Observation/loose-1", SEEN),)


@pytest.mark.parametrize(
    ("one", "period"),
    [
        (item(State.COMPROMISED, findings=LOOSE, due=at("2026-03-12 10:00")), {"start": "2026-03-10T11:00:00+01:00"}),
        (item(State.COMPROMISED, findings=LOOSE, due=SEEN), {"start": "2026-03-10T11:00:00+01:00"}),
        (item(State.COMPROMISED, findings=LOOSE, due=SEEN - 1), {"start": "2026-03-10T11:00:00+01:00"}),
        (item(State.UNKNOWN), {"start": "2026-03-01T09:00:00+01:00"}),
        (item(State.UNKNOWN, reason=Reason(code="unknown-since-arrival", values=(("since", SEEN),))), {"start": "2026-03-10T11:00:00+01:00"}),
        (item(State.DUE, due=SEEN, window_from=SEEN + 60), {"start": "2026-03-10T11:00:00+01:00", "end": "2026-03-10T11:00:00+01:00"}),
        (item(State.DUE, due=SEEN, window_from=None), {"end": "2026-03-10T11:00:00+01:00"}),
        (item(State.DUE, due=None, window_from=SEEN), {"start": "2026-03-10T11:00:00+01:00"}),
    ],
    ids=["before due", "at due", "after due", "no date", "since arrival", "by calendar, window after due", "no window", "no due"],
)
def test_the_wanted_period(one, period):
    assert rendered(site(one, NOON))["restriction"]["period"] == period


def test_a_compromised_state_without_findings_and_clock_has_no_period():
    bare = item(State.COMPROMISED, anchor=None, due=None, window_from=None)
    assert "restriction" not in rendered(site(bare, NOON))


def test_times_carry_the_offset_that_the_unit_has_at_that_instant():
    # Berlin: UTC+1 until 29 March 2026 03:00, UTC+2 after it; seven times 24 h over the change is 11:00 by the clock.
    when = at("2026-03-25 10:00")
    due = when + 7 * 86400
    one = item(State.OVERDUE, anchor=anchor(when=when), due=due, window_from=due - 54000)
    period = rendered(site(one, due + 60))["restriction"]["period"]
    assert period == {"start": "2026-03-31T20:00:00+02:00", "end": "2026-04-01T11:00:00+02:00"}


@pytest.mark.parametrize(
    ("happened", "text"),
    [
        (exactly(at("2026-03-03 10:00")), "2026-03-03T10:00:00+01:00"),
        (day_moment(local_date(at("2026-03-03 10:00"), BERLIN), BERLIN), "2026-03-03"),
        (Moment(at("2026-03-01 00:00"), at("2026-04-01 00:00") - 1, Precision.MONTH), "2026-03"),
        (Moment(at("2026-01-01 00:00"), at("2027-01-01 00:00") - 1, Precision.YEAR), "2026"),
    ],
)
def test_the_last_change_keeps_the_precision_it_was_charted_in(happened, text):
    one = item(State.OVERDUE, anchor=anchor(happened=happened, when=happened.earliest))
    assert rendered(site(one, NOON))["input"][0]["valueDateTime"] == text


@pytest.mark.parametrize(
    ("basis", "code"),
    [
        (AnchorBasis.CHANGE, "last-change"),
        (AnchorBasis.INSERTION, "dressing-started"),
        (AnchorBasis.LABEL, "label-date"),
        (AnchorBasis.REPORTED, "reported-change"),
    ],
)
def test_what_the_clock_counts_from_is_said(basis, code):
    one = item(State.OVERDUE, anchor=anchor(basis=basis, dressing_kind=None))
    inputs = rendered(site(one, NOON))["input"]
    assert [each["type"]["coding"][0]["code"] for each in inputs] == [code, "counts-from", "anchor", "due"]


@pytest.mark.parametrize(
    ("one", "focus"),
    [
        (line(), "Device/picc-1"),
        (line(key="Procedure/insertion-1", aliases=("Device/late",)), "Device/late"),
        (line(key="Observation/slot-1", aliases=()), "Procedure/insertion-1"),
        (line(key="Observation/slot-1", aliases=(), start_source="Observation/slot-1"), "Observation/slot-1"),
    ],
)
def test_the_focus_is_the_device_else_the_insertion_else_what_made_the_line(one, focus):
    assert rendered(site(item(State.OVERDUE), NOON, lines=(one,)))["focus"] == {"reference": focus}


def test_a_site_named_by_a_line_that_is_not_among_its_timelines_uses_the_first():
    state = site(item(State.OVERDUE), NOON)
    other = replace(state, site=replace(state.site, key="Device/gone"))
    assert rendered(other)["focus"] == {"reference": "Device/picc-1"}


def test_no_elapsed_time_and_no_time_of_the_run_is_in_what_is_wanted():
    first = wanted_task(content(OVERDUE, OVERDUE.items[0]), US)
    later = replace(OVERDUE, at=NOON + 86400)
    assert wanted_task(content(later, later.items[0]), US) == first
    assert "2026-03-10T12:00:00" not in json.dumps(first.body.asking)


# Our own texts, without those that the unit's wording gives. Source: design section 2.6 (wording).
BANNED = re.compile(r"\b(remove|re-?site|replace|start|stop|give|must)\b", re.IGNORECASE)


def test_no_text_of_ours_commands():
    task = written(OVERDUE)
    done = Complete(existing=read_task(task, US), reason=EndReason.CHANGED, output="Procedure/x", happened=exactly(NOON))
    texts = re.findall(r'"text": "([^"]*)"', json.dumps(changed_task(task, done, US, at=NOON, zone=BERLIN)))
    texts += [reason.value.replace("-", " ") for reason in EndReason]
    assert texts
    assert [text for text in texts if BANNED.search(text)] == []


# Read-back --------------------------------------------------------------------------------------------------------------


def test_what_was_rendered_reads_back_equal():
    wanted = wanted_task(content(OVERDUE, OVERDUE.items[0]), US)
    found = read_existing(written(OVERDUE), US)
    assert found.own == wanted.own
    assert (found.ref, found.line, found.patient) == ("Task/1", "Device/picc-1", "Patient/made-up-1")
    assert (found.phase, found.waiting, found.touched) == (Phase.OPEN, True, False)
    assert (found.priority, found.severity) == (Priority.URGENT, Severity.OVERDUE)
    assert (found.authored, found.modified) == (NOON, NOON)
    assert (found.anchor, found.counts_from, found.finding) == ("Procedure/change-1", at("2026-03-03 10:00"), None)


def as_a_server_would_return_it(task):
    """Return a Task with other offsets, absolute references, displays and elements of others, all of the same meaning."""
    text = json.dumps(task).replace("2026-03-03T10:00:00+01:00", "2026-03-03T09:00:00.000Z")
    text = text.replace(
        '{"reference": "Device/picc-1"}',
        '{"reference": "https://server.example/fhir/Device/picc-1/_history/3", "display": "PICC"}',
    )
    found = json.loads(text)
    found["input"] = [*reversed(found["input"]), {"type": {"text": "own"}, "valueString": "a person's"}]
    found["note"] = [{"text": "a person's note"}, *found["note"]]
    found["code"]["coding"].append({"system": "https://other.example", "code": "x"})
    found["meta"] |= {"versionId": "7", "lastUpdated": "2026-03-10T11:00:05Z"}
    return found


def test_equality_is_judged_on_meaning_not_on_text():
    found = as_a_server_would_return_it(written(OVERDUE))
    assert own_of(found, US) == own_of(written(OVERDUE), US)


def test_a_mark_that_a_server_adds_to_a_coding_of_ours_is_no_difference_but_another_code_is():
    """A server that adds it to everything it stores would else be written to for ever."""
    task = written(OVERDUE)
    (coding,) = task["input"][3]["valueCodeableConcept"]["coding"]
    coding |= {"userSelected": True, "version": "1", "display": "as the server calls it"}
    assert own_of(task, US) == own_of(written(OVERDUE), US)
    coding["code"] = "gauze"
    assert own_of(task, US) != own_of(written(OVERDUE), US)
    assert own_of(revise(task, OVERDUE), US) == own_of(written(OVERDUE), US)


@pytest.mark.parametrize(
    ("resource", "what"),
    [
        ({"resourceType": "Task"}, "no identifier"),
        ({"resourceType": "Task", "identifier": [{"system": "https://other.example", "value": "1"}]}, "another's"),
        ({"resourceType": "Task", "identifier": [{"system": US.system, "value": "1"}]}, "ours without a line"),
        ({"resourceType": "Device", "identifier": [{"system": US.system, "value": "1"}]}, "ours of another type"),
    ],
)
def test_what_is_not_ours_is_not_read(resource, what):
    assert read_existing(resource, US) is None


def test_a_task_stripped_of_everything_still_reads():
    bare = {
        "resourceType": "Task",
        "id": "1",
        "identifier": [{"system": US.system, "value": "k"}],
        "groupIdentifier": {"system": US.system, "value": "Device/picc-1"},
        "status": "requested",
        "priority": "no-such-priority",
    }
    found = read_existing(bare, US)
    assert (found.patient, found.priority, found.severity) == ("", Priority.ROUTINE, None)
    assert (found.authored, found.modified, found.since, found.anchor) == (0, 0, None, None)
    stamped = read_existing({**bare, "meta": {"lastUpdated": "2026-03-10T11:00:00Z"}}, US)
    assert (stamped.authored, stamped.modified) == (NOON, NOON)


@pytest.mark.parametrize(
    ("status", "phase"),
    [
        ("draft", Phase.OPEN),
        ("received", Phase.OPEN),
        ("ready", Phase.OPEN),
        ("on-hold", Phase.OPEN),
        ("failed", Phase.ENDED_BY_A_PERSON),
        ("rejected", Phase.ENDED_BY_A_PERSON),
        ("cancelled", Phase.ENDED_BY_A_PERSON),
        ("completed", Phase.ENDED_BY_A_PERSON),
        ("entered-in-error", Phase.VOID),
    ],
)
def test_the_phase_of_a_task_by_its_status(status, phase):
    assert read_task({**written(OVERDUE), "status": status}, US).phase is phase


# Changes carry through what others wrote --------------------------------------------------------------------------------


def revise(resource, state, priority=Priority.ASAP):
    wanted = wanted_task(content(state, state.items[0], who="vascular access team", policy_hash="policy-0002"), US)
    change = Revise(existing=read_task(resource, US), wanted=wanted, priority=priority)
    return changed_task(resource, change, US, at=NOON + 600, zone=BERLIN)


def test_a_revision_keeps_what_others_wrote():
    before = as_a_server_would_return_it(written(OVERDUE)) | {
        "owner": {"reference": "Practitioner/made-up"},
        "businessStatus": {"text": "at bedside"},
        "status": "accepted",
        "extension": [{"url": "https://other.example/x", "valueString": "y"}],
    }
    before["restriction"] |= {"repetitions": 1}
    before["meta"]["tag"].append({"system": "https://other.example", "code": "z"})
    after = revise(before, site(item(State.COMPROMISED, findings=LOOSE, due=None), NOON))
    for name in ("owner", "businessStatus", "status", "extension", "identifier", "authoredOn", "for", "intent"):
        assert after[name] == before[name]
    assert after["performerType"] == [{"text": "registered nurse"}]  # accepted: who is asked no longer changes
    assert after["note"][0] == {"text": "a person's note"}
    assert {"type": {"text": "own"}, "valueString": "a person's"} in after["input"]
    assert {"system": "https://other.example", "code": "x"} in after["code"]["coding"]
    assert after["restriction"] == {"repetitions": 1, "period": {"start": "2026-03-10T11:00:00+01:00"}}
    assert (after["meta"]["versionId"], {tag["code"] for tag in after["meta"]["tag"]}) == ("7", {"z", "derived", "policy-0002"})
    assert (after["priority"], after["lastModified"]) == ("asap", "2026-03-10T12:10:00+01:00")
    assert problems_of(after, US) == ()


def test_a_revision_of_a_waiting_task_says_who_is_asked_now():
    after = revise(written(OVERDUE), OVERDUE)
    assert after["performerType"] == [{"text": "vascular access team"}]


def test_a_revision_takes_away_what_we_no_longer_say():
    after = revise(written(OVERDUE), site(item(State.UNKNOWN, rule=None), NOON, place=None, encounter=None))
    assert not {"location", "encounter", "instantiatesUri", "input"} & set(after)


def test_a_revision_without_a_priority_keeps_the_one_there():
    assert revise(written(OVERDUE), OVERDUE, priority=None)["priority"] == "urgent"


def test_last_modified_is_never_before_authored():
    # FHIR R4 Task invariant inv-1: lastModified is not before authoredOn.
    task = written(OVERDUE, now=NOON + 3600)
    assert revise(task, OVERDUE)["lastModified"] == "2026-03-10T13:00:00+01:00"


def test_completing_keeps_the_outputs_of_others():
    own = {"type": {"text": "form"}, "valueReference": {"reference": "QuestionnaireResponse/1"}}
    task = written(OVERDUE) | {"output": [own], "executionPeriod": {"start": "2026-03-10T11:30:00+01:00"}}
    done = Complete(existing=read_task(task, US), reason=EndReason.CHANGED, output="Procedure/x", happened=exactly(NOON))
    after = changed_task(task, done, US, at=NOON, zone=BERLIN)
    assert after["output"][0] == own
    assert after["executionPeriod"] == {"start": "2026-03-10T11:30:00+01:00", "end": "2026-03-10T12:00:00+01:00"}
    assert read_task(after, US).phase is Phase.ENDED_BY_US


def test_a_task_that_is_offered_again_names_the_one_declined_and_stays_equal():
    wanted = wanted_task(content(OVERDUE, OVERDUE.items[0]), US)
    task = new_task(Create(wanted=wanted, identifier="k", declined=Act(ref="Task/4", at=NOON - 600, said="asleep")), US, at=NOON, zone=BERLIN)
    assert task["input"][-1]["valueReference"] == {"reference": "Task/4"}
    assert next(one["text"] for one in task["note"]) == f"offered again; declined {NOON - 600}: asleep"
    assert own_of(task, US) == wanted.own
    assert not read_task(task, US).touched
    assert revise(task, OVERDUE)["note"][0] == task["note"][0]
    assert {"reference": "Task/4"} in [one.get("valueReference") for one in revise(task, OVERDUE)["input"]]


def test_texts_are_escaped_in_the_narrative():
    div = rendered(OVERDUE, title="<script>x</script> & more")["text"]["div"]
    assert "<script>" not in div
    assert "&lt;script&gt;x&lt;/script&gt; &amp; more" in div


def test_an_item_that_nobody_is_named_for_and_without_notes():
    task = rendered(OVERDUE, who="", notes=())
    assert not {"performerType", "note"} & set(task)
