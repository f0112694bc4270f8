"""What is said of a line at an instant, and when its state began.

Source: design 2.4 (counts never mixed, unknown kind never silently in or out), 2.5 (states) and 2.6 (Observation). Dwell from a day
or from an arrival is a limit and no number of its own: design 2.2.2 and 2.3.4.
"""

import pytest

from linedays.core.derived_values import Absent, Bound, DueAt, Elapsed, InState, ValueKind
from linedays.core.model import StartBasis, Whereabouts
from linedays.core.moment import DAY, HOUR, Moment, Precision
from linedays.core.state_began import state_began
from linedays.core.states import State
from linedays.core.value_changes import (
    Correct,
    ExistingValue,
    Hand,
    Record,
    WantedValue,
    Withdraw,
    WithdrawReason,
    value_changes,
)
from linedays.core.values_at import values_of
from linedays.fhir.outputs import ref_of
from linedays.fhir.outputs.observation import own_of, read_value, render_value, wanted_value
from linedays.run.patient_values import PatientValues
from linedays.run.value_words import content_of, words_compared
from support.small_ward import AT, IDENTITY, PLACES, derived, line, look, person, procedure, wired
from support.values import replace

ON = wired(values=True)
POLICY = ON.instance.policy


def patient(*resources, at=AT):
    """Return the values of the one patient of some resources, ready to be asked at any instant."""
    derivation = derived([*PLACES, *resources], at)
    (result,) = derivation.results
    return PatientValues(result, derivation, ON.instance)


def said(values, kind):
    (found,) = [one for (_, of), one in values.items() if of is kind]
    return found


PLACED = [*person("one"), *line("one-picc", "one", "13 09:00")]


def with_line(**changes):
    """Return what is said at AT of a line placed on the 2nd whose record is changed."""
    asked = patient(*PLACED)
    (state,) = asked.result.states
    (timeline,) = state.site.timelines
    changed = replace(timeline, line=replace(timeline.line, **changes))
    site = replace(state.site, timelines=(changed,))
    values = values_of(replace(state, site=site), asked.counts(AT), ())
    return {(one.line.key, one.kind): one for one in values}


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, Elapsed(12 * DAY + HOUR)),
        ({"start_basis": StartBasis.EXCHANGE}, Elapsed(12 * DAY + HOUR)),
        ({"start_basis": StartBasis.ARRIVAL}, Elapsed(12 * DAY + HOUR, Bound.AT_LEAST)),
        ({"start": Moment(AT - DAY, AT - 1, Precision.DAY)}, Elapsed(DAY, Bound.AT_MOST)),
        ({"start": Moment(AT - DAY, AT - 1, Precision.DAY), "start_basis": StartBasis.ARRIVAL}, Absent.UNKNOWN),
        ({"start_basis": StartBasis.DEVICE}, Absent.UNKNOWN),
        ({"start": Moment(AT + 1, AT + 1), "start_basis": StartBasis.DEVICE}, Absent.UNKNOWN),
    ],
)
def test_dwell_is_a_number_only_where_the_chart_gives_one(changes, expected):
    assert said(with_line(**changes), ValueKind.DWELL).said == expected


def test_age_from_a_day_is_a_limit():
    dated = [*PLACED[:-1], procedure("dressing-change", "13 09:00", "one", "one-picc", dressing="transparent", performedDateTime="2031-05-13")]
    age = said(patient(*dated).values(AT), ValueKind.DRESSING_AGE)
    assert age.said == Elapsed(DAY + 10 * HOUR, Bound.AT_MOST)
    content = content_of(age, POLICY, ON.wording)
    assert content.notes[:2] == (
        "dressing changed Tue 13 May 2031 · counted at Wed 14 May 2031 10:00",
        "charted without a time of day, counted from its earliest reading: at most this long",
    )
    assert content.words == "<= 34.00 h"
    assert render_value(content, IDENTITY)["valueQuantity"]["comparator"] == "<="


def test_dressing_that_is_not_asked_for_has_no_age_and_no_due_time():
    # Implanted in April and not accessed: no dressing is asked for (design 2.7.9).
    port = [
        {**one, "performedDateTime": "2031-04-02T09:00:00Z", "usedCode": []} if one["resourceType"] == "Procedure" else one
        for one in line("one-port", "one", None, kind="implanted-port")
    ]
    found = patient(*person("one"), *port).values(AT)
    assert said(found, ValueKind.UPKEEP_STATE).said.state is State.NOT_REQUIRED
    for kind in (ValueKind.DRESSING_AGE, ValueKind.DRESSING_DUE):
        value = said(found, kind)
        assert value.said is Absent.NOT_APPLICABLE
        content = content_of(value, POLICY, ON.wording)
        assert content.words == "does not apply"
        assert content.notes[0].startswith("the port is not accessed")


def test_dressing_changed_only_when_needed_has_no_due_time_while_it_was_seen():
    born = [{**one, "birthDate": "2031-05-01"} if one["resourceType"] == "Patient" else one for one in person("one")]
    seen = look("intact", "14 08:00", "one", "one-picc")
    found = patient(*born, *line("one-picc", "one", "13 09:00"), seen).values(AT)
    assert said(found, ValueKind.UPKEEP_STATE).said.state is State.NOT_DUE
    assert said(found, ValueKind.DRESSING_DUE).said is Absent.NOT_APPLICABLE
    unseen = patient(*born, *line("one-picc", "one", "12 09:00")).values(AT)
    assert said(unseen, ValueKind.UPKEEP_STATE).said.state is State.UNKNOWN
    assert said(unseen, ValueKind.DRESSING_DUE).said is Absent.UNKNOWN


def test_line_that_is_not_in_place_has_no_counts():
    asked = patient(*PLACED)
    (state,) = asked.result.states
    gone = replace(state, line_whereabouts=(Whereabouts.ENDED,), whereabouts=Whereabouts.ENDED, items=())
    assert values_of(gone, asked.counts(AT), ()) == ()


def test_site_without_an_item_says_only_counts():
    asked = patient(*PLACED)
    (state,) = asked.result.states
    found = values_of(replace(state, items=()), asked.counts(AT), ())
    assert [one.kind for one in found] == [ValueKind.LINE_DAY_NUMBER, ValueKind.DWELL]


def test_year_before_every_counting_rule_has_no_day_number():
    # The first day number rule of line_days.yaml holds from 2023 on.
    asked = patient(*PLACED)
    assert asked.counts(AT).numbers.keys() == {"Procedure/one-picc-insertion-02-0900"}
    assert asked.counts(AT - 10 * 365 * DAY).numbers == {}


# When the present state began: charted → the instant, by hand; None where no change of state lies in the last two days.
BEGAN = [
    ("overdue the second after it was due", line("one-picc", "one", "06 09:00"), "13 09:00:01"),
    ("window, from the latest shift before", line("one-picc", "one", "07 12:00"), "13 19:00"),
    ("changed early: not due before and after", [*line("one-picc", "one", None), procedure("dressing-change", "08 09:00", "one", "one-picc", dressing="transparent"), procedure("dressing-change", "13 09:00", "one", "one-picc", dressing="transparent")], None),
    ("changed long ago", line("one-picc", "one", "10 09:00"), None),
    ("compromised when first seen so", [*line("one-picc", "one", "13 09:00"), look("loose", "14 06:00", "one", "one-picc"), look("damp", "14 08:00", "one", "one-picc")], "14 06:00"),
    ("a change cleared it", [*line("one-picc", "one", "13 09:00"), look("loose", "14 06:00", "one", "one-picc"), procedure("dressing-change", "14 07:30", "one", "one-picc", dressing="transparent")], "14 07:30"),
]  # fmt: skip


def instant(text):
    day, clock = text.split()
    hours, minutes, *seconds = (int(part) for part in clock.split(":"))
    return AT + (int(day) - 14) * DAY + (hours - 10) * HOUR + minutes * 60 + sum(seconds)


@pytest.mark.parametrize(("charted", "expected"), [row[1:] for row in BEGAN], ids=[row[0] for row in BEGAN])
def test_when_the_present_state_began(charted, expected):
    asked = patient(*person("one"), *charted)
    found = [at for at, _ in asked.begun(AT - 2 * DAY)]
    assert found == ([] if expected is None else [instant(expected)])


def test_state_that_time_brought_after_a_sighting_began_when_the_sighting_ran_out():
    # A newborn's dressing, changed only when needed, is known for 24 h after it was seen intact (design 2.7.10).
    born = [{**one, "birthDate": "2031-05-01"} if one["resourceType"] == "Patient" else one for one in person("one")]
    asked = patient(*born, *line("one-picc", "one", None), look("intact", "13 08:00", "one", "one-picc"))
    (state,) = asked.result.states
    assert state.items[0].state is State.UNKNOWN
    (began,) = asked.begun(AT - 2 * DAY)
    assert began[0] in (instant("14 08:00"), instant("14 08:00") + 1)


def test_began_is_not_told_where_the_named_instants_do_not_hold():
    asked = patient(*PLACED)
    (state,) = asked.result.states
    (item,) = state.items
    assert state_began(state, item, AT - 2 * DAY, lambda at: None) is None
    turned = replace(item, state=State.DUE, next_change=AT + 1)
    assert state_began(state, item, AT - 2 * DAY, lambda at: turned) is None


@pytest.mark.parametrize("at", [AT, AT - 3 * HOUR, AT - 27 * HOUR])
def test_what_is_compared_is_what_is_read_back(at):
    charted = [*PLACED, look("loose", "14 06:00", "one", "one-picc"), *person("two"), *line("two-picc", "two", None)]
    derivation = derived([*PLACES, *charted], AT)
    compared = 0
    for result in derivation.results:
        for value in PatientValues(result, derivation, ON.instance).values(at).values():
            wanted = wanted_value(value, words_compared(value, ON.wording), IDENTITY)
            assert wanted.content is value
            assert own_of(render_value(content_of(value, POLICY, ON.wording), IDENTITY), IDENTITY) == wanted.own
            compared += 1
    assert compared == 10


@pytest.mark.parametrize("spoilt", [{"identifier": []}, {"code": {"text": "x"}}, {"effectiveDateTime": "2031-05"}])
def test_what_is_not_one_of_our_values_is_passed_over(spoilt):
    value = said(patient(*PLACED).values(AT), ValueKind.DWELL)
    body = render_value(content_of(value, POLICY, ON.wording), IDENTITY)
    whole = {**body, "id": "x", "identifier": [{"system": IDENTITY.system, "value": "k"}, *body["identifier"]], "status": "final"}
    assert read_value(whole, IDENTITY).hand is Hand.OURS
    assert read_value({**whole, **spoilt}, IDENTITY) is None


def wanted(key="Device/a", patient_="Patient/1", own="x"):
    return WantedValue(stem=key, names=(key, "Procedure/a"), kind=ValueKind.DWELL, at=AT, patient=patient_, own=own, content=None)


def existing(ref="Observation/1", identifier="Device/a/0", hand=Hand.OURS, patient_="Patient/1", own="x", line_="Device/a"):
    return ExistingValue(ref=ref, identifier=identifier, line=line_, kind=ValueKind.DWELL, at=AT, patient=patient_, hand=hand, own=own)


def test_what_a_change_alters():
    assert ref_of(Record(key="k")) is None
    assert ref_of(Correct(ref="Observation/1")) == "Observation/1"
    assert ref_of(Withdraw(ref="Observation/1", reason=WithdrawReason.DUPLICATE)) == "Observation/1"


# What exists → what is written for one wanted value of Patient/1 whose projection is "x".
CHANGES = [
    ("nothing there", [], [Record(key="Device/a/0", wanted=wanted())]),
    ("equal", [existing()], []),
    ("other", [existing(own="y")], [Correct(ref="Observation/1", wanted=wanted())]),
    ("withdrawn by us", [existing(hand=Hand.WITHDRAWN)], [Correct(ref="Observation/1", wanted=wanted())]),
    ("a person's", [existing(hand=Hand.A_PERSONS, own="y")], []),
    ("under another name of the line", [existing(identifier="z", line_="Procedure/a")], []),
    ("of another patient", [existing(patient_="Patient/2")], [Withdraw(ref="Observation/1", reason=WithdrawReason.OTHER_PATIENT), Record(key="Device/a/1", wanted=wanted())]),
    ("of another patient and a person's", [existing(patient_="Patient/2", hand=Hand.A_PERSONS)], []),
    ("two", [existing(), existing(ref="Observation/2")], [Withdraw(ref="Observation/2", reason=WithdrawReason.DUPLICATE)]),
    ("two, the second a person's", [existing(), existing(ref="Observation/2", hand=Hand.A_PERSONS)], [Withdraw(ref="Observation/1", reason=WithdrawReason.DUPLICATE)]),
    ("two, both persons'", [existing(hand=Hand.A_PERSONS), existing(ref="Observation/2", hand=Hand.A_PERSONS)], []),
]  # fmt: skip


@pytest.mark.parametrize(("there", "expected"), [row[1:] for row in CHANGES], ids=[row[0] for row in CHANGES])
def test_changes_of_one_value(there, expected):
    found = value_changes([wanted()], there, name=lambda stem, n: f"{stem}/{n}", unwanted=WithdrawReason.NOTHING_TO_SAY)
    assert list(found) == expected


def test_nothing_is_written_under_a_key_that_something_unreadable_has():
    found = value_changes(
        [wanted(), wanted(key="Device/b")],
        [],
        name=lambda stem, n: f"{stem}/{n}",
        unwanted=WithdrawReason.NOTHING_TO_SAY,
        unreadable=frozenset({"Device/a/0"}),
    )
    assert list(found) == [Record(key="Device/b/0", wanted=wanted(key="Device/b"))]


@pytest.mark.parametrize(
    ("hand", "withdrawn"), [(Hand.OURS, 1), (Hand.WITHDRAWN, 0), (Hand.A_PERSONS, 0)]
)
def test_what_is_not_wanted_is_withdrawn_once(hand, withdrawn):
    found = value_changes([], [existing(hand=hand)], name=lambda stem, n: stem, unwanted=WithdrawReason.ENTRY_WITHDRAWN)
    assert list(found) == [Withdraw(ref="Observation/1", reason=WithdrawReason.ENTRY_WITHDRAWN)] * withdrawn


def test_words_of_every_kind_of_value():
    values = patient(*PLACED).values(AT)
    words = {kind: content_of(value, POLICY, ON.wording).words for (_, kind), value in values.items()}
    assert words[ValueKind.LINE_DAY_NUMBER] == "13"
    assert words[ValueKind.DWELL] == "289.00 h"
    assert words[ValueKind.DRESSING_AGE] == "25.00 h"
    assert words[ValueKind.DRESSING_DUE] == "Tue 20 May 2031 09:00"
    assert words[ValueKind.UPKEEP_STATE].startswith("dressing changed Tue 13 May 2031 09:00, transparent dressing; due Tue 20 May")
    assert said(values, ValueKind.DRESSING_DUE).said == DueAt(AT + 6 * DAY - HOUR)
    assert isinstance(said(values, ValueKind.UPKEEP_STATE).said, InState)
