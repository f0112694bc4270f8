"""Our own check before sending, on bad and good Tasks and Flags, beside two validators from outside the project.

Sources: FHIR R4 pages task.html, flag.html, datatypes.html, references.html, narrative.html and their value sets (from
memory); what the two validators miss is as fhir-facts names it in general (codes, targets, order of times).
"""

import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linedays.fhir.checks import problems_of, validate_with_classes
from support.written_resources import DIV, FLAG, GONE, OURS, TASK, US, fhirkit_says, put

# name, path, value, where our check must say it
COMMON = [
    ("no status", ["status"], GONE, ".status"),
    ("status of no value set", ["status"], "bogus", ".status"),
    ("status null", ["status"], None, ".status"),
    ("status a list", ["status"], ["active"], ".status"),
    ("unknown element", ["severity"], "high", ".severity"),
    ("empty list", ["identifier"], [], ".identifier"),
    ("no identifier", ["identifier"], GONE, ".identifier"),
    ("identifier not a list", ["identifier"], OURS, ".identifier"),
    ("null in a list", ["identifier", 0], None, ".identifier[0]"),
    ("identifier of another system", ["identifier"], [{"system": "https://other.example", "value": "1"}], ".identifier"),
    ("identifier use of no value set", ["identifier", 0, "use"], "main", ".identifier[0].use"),
    ("id too long", ["id"], "x" * 65, ".id"),
    ("id with an underscore", ["id"], "a_b", ".id"),
    ("empty text", ["text", "div"], "", ".text.div"),
    ("script in the narrative", ["text", "div"], DIV.replace("due", "<script>x()</script>"), ".text.div"),
    ("event in the narrative", ["text", "div"], DIV.replace("<p>", '<p onclick="x()">'), ".text.div"),
    ("narrative without its namespace", ["text", "div"], "<div>due</div>", ".text.div"),
    ("narrative status of no value set", ["text", "status"], "made", ".text.status"),
    ("empty object", ["encounter"], {}, ".encounter"),
    ("encounter is a patient", ["encounter", "reference"], "Patient/1", ".encounter.reference"),
    ("reference without a type", ["encounter", "reference"], "stay-1", ".encounter.reference"),
    ("reference that refers to nothing", ["encounter"], {"type": "Encounter"}, ".encounter"),
    ("code a text", ["code"], "dressing-change", ".code"),
    ("code with blanks at its ends", ["code", "coding", 0, "code"], " x ", ".code.coding[0].code"),
    ("system with a blank", ["code", "coding", 0, "system"], "urn: x", ".code.coding[0].system"),
    ("boolean a text", ["code", "coding", 0, "userSelected"], "true", ".code.coding[0].userSelected"),
]
OF_TASK = [
    ("no intent", ["intent"], GONE, ".intent"),
    ("intent of no value set", ["intent"], "directive", ".intent"),
    ("priority of no value set", ["priority"], "high", ".priority"),
    ("no patient", ["for"], GONE, ".for"),
    ("for is a device", ["for", "reference"], "Device/1", ".for.reference"),
    ("owner is a location", ["owner"], {"reference": "Location/1"}, ".owner.reference"),
    ("location is a patient", ["location"], {"reference": "Patient/1"}, ".location.reference"),
    ("30 February", ["authoredOn"], "2026-02-30T12:00:00+01:00", ".authoredOn"),
    ("no offset", ["authoredOn"], "2026-03-10T12:00:00", ".authoredOn"),
    ("no seconds", ["authoredOn"], "2026-03-10T12:00+01:00", ".authoredOn"),
    ("24:00", ["authoredOn"], "2026-03-10T24:00:00Z", ".authoredOn"),
    ("an offset of 15 hours", ["authoredOn"], "2026-03-10T12:00:00+15:00", ".authoredOn"),
    ("a time that is a number", ["authoredOn"], 20260310, ".authoredOn"),
    ("last modified before authored (inv-1)", ["lastModified"], "2026-03-10T11:59:59+01:00", "lastModified"),
    ("wanted period ends before it starts", ["restriction", "period", "end"], "2026-03-09T18:59:59+01:00", "restriction.period"),
    ("period with a wrong day", ["restriction", "period", "end"], "2026-04-31", ".restriction.period.end"),
    ("repetitions 0", ["restriction", "repetitions"], 0, ".restriction.repetitions"),
    ("input without a type", ["input", 0, "type"], GONE, ".input[0].type"),
    ("input without a value", ["input", 0, "valueDateTime"], GONE, ".input[0].value[x]"),
    ("a value of a complex type that is a text", ["input", 0], {"type": {"text": "x"}, "valueTiming": "x"}, ".valueTiming"),
    ("a quantity without a number", ["input", 0], {"type": {"text": "x"}, "valueQuantity": {"value": "2"}}, ".valueQuantity.value"),
    ("companions that do not line up", ["meta"], {"profile": ["urn:a"], "_profile": [None, {"id": "x"}]}, ".meta._profile"),
    ("companions of nothing", ["meta"], {"_profile": [{"id": "x"}]}, ".meta._profile"),
    ("25 o'clock", ["input", 0], {"type": {"text": "x"}, "valueTime": "25:00:00"}, ".valueTime"),
    ("an extension beside a primitive without its url", ["_description"], {"extension": [{"valueString": "y"}]}, "._description.extension[0].url"),
    ("two values", ["input", 0, "valueString"], "x", ".input[0]"),
    ("a value of no type", ["input", 0, "valueThing"], "x", ".input[0].valueThing"),
    ("a null deep in a value", ["input", 0], {"type": {"text": "x"}, "valueRange": {"low": {"value": None}}}, ".valueRange.low.value"),
    ("an empty list deep in a value", ["input", 0], {"type": {"text": "x"}, "valueTiming": {"event": []}}, ".valueTiming.event"),
    ("a null in a list deep in a value", ["input", 0], {"type": {"text": "x"}, "valueTiming": {"event": [None]}}, ".valueTiming.event[0]"),
    ("a note without a text", ["note", 0, "text"], GONE, ".note[0].text"),
    ("line in another system", ["groupIdentifier", "system"], "https://other.example", "Task: the line"),
    ("no line", ["groupIdentifier"], GONE, ".groupIdentifier"),
    ("the version instant without a time", ["meta", "lastUpdated"], "2026-03-10", ".meta.lastUpdated"),
    ("a date that is a time", ["input", 0], {"type": {"text": "x"}, "valueDate": "2026-03-10T12:00:00Z"}, ".valueDate"),
]
OF_FLAG = [
    ("no code", ["code"], GONE, ".code"),
    ("no subject", ["subject"], GONE, ".subject"),
    ("subject an encounter", ["subject", "reference"], "Encounter/1", ".subject.reference"),
    ("author an encounter", ["author"], {"reference": "Encounter/1"}, ".author.reference"),
    ("period ends before it starts", ["period", "end"], "2026-03-10T10:00:00+01:00", "period"),
    ("period start 31 June", ["period", "start"], "2026-06-31", ".period.start"),
    ("a note, which Flag has not", ["note"], [{"text": "x"}], ".note"),
    ("a priority, which Flag has not", ["priority"], "asap", ".priority"),
    ("category not a list", ["category"], {"text": "safety"}, ".category"),
    ("an extension without its url", ["extension"], [{"valueString": "x"}], ".extension[0].url"),
    ("no line", ["identifier"], [OURS], "Flag: the line"),
]
BAD = [pytest.param(TASK, *row[1:], id=f"Task, {row[0]}") for row in COMMON + OF_TASK]
BAD += [pytest.param(FLAG, *row[1:], id=f"Flag, {row[0]}") for row in COMMON + OF_FLAG]


@pytest.mark.parametrize(("good", "path", "value", "said"), BAD)
def test_every_bad_case_is_caught_where_it_is(good, path, value, said):
    problems = problems_of(put(good, path, value), US)
    assert [one for one in problems if said in one], problems


def test_the_two_validators_beside_ours_on_the_same_cases():
    # Printed with `pytest -s`. What they miss is the reason for our own check; it is counted, not fixed, since a newer
    # version of theirs may catch more.
    said = {}
    for case in BAD:
        bad = put(*case.values[:3])
        said[case.id] = (bool(validate_with_classes(bad)), bool(fhirkit_says(bad)))
    by_classes, by_kit = (sum(one[n] for one in said.values()) for n in (0, 1))
    missed = [name for name, verdicts in said.items() if not any(verdicts)]
    sys.stdout.write(
        f"\n{len(said)} bad cases: ours {len(said)}, R4B classes {by_classes}, fhirkit {by_kit}, neither {len(missed)}\n"
        + "".join(f"  neither: {name}\n" for name in missed)
    )
    # Task 26 + 35 = 61, Flag 26 + 11 = 37
    assert (len(COMMON + OF_TASK), len(COMMON + OF_FLAG), len(said)) == (61, 37, 98)
    assert by_classes > 0
    assert by_kit > 0


GOOD = {
    "Task as we write it": TASK,
    "Flag as we write it": FLAG,
    "Task closed by us": TASK
    | {
        "status": "completed",
        "statusReason": {"text": "change charted"},
        "executionPeriod": {"end": "2026-03-10"},
        "output": [{"type": {"text": "charted"}, "valueReference": {"reference": "Procedure/change-2"}}],
    },
    "Task with elements of others": TASK
    | {
        "contained": [{"resourceType": "Practitioner", "id": "p1"}],
        "extension": [{"url": "https://other.example/x", "extension": [{"url": "y", "valueBoolean": False}]}],
        "owner": {"reference": "https://server.example/fhir/Practitioner/1/_history/2", "display": "made up"},
        "requester": {"identifier": {"system": "urn:x", "value": "1"}},
        "relevantHistory": [{"reference": "Provenance/1"}],
        "restriction": {"repetitions": 2, "recipient": [{"reference": "#p1"}]},
        "input": [
            {"type": {"text": "a"}, "valueQuantity": {"value": 2.5, "unit": "cm"}},
            {"type": {"text": "b"}, "valueInteger": -3},
            {"type": {"text": "c"}, "valueUnsignedInt": 0},
            {"type": {"text": "d"}, "valueDate": "2026-03"},
            {"type": {"text": "e"}, "valueInstant": "2026-03-10T12:00:00-00:30"},
            {"type": {"text": "f"}, "valueCodeableConcept": {"text": "x"}},
            {"type": {"text": "g"}, "valueTime": "23:59:59"},
        ],
        "meta": {"profile": ["https://other.example/p", "https://other.example/q"], "_profile": [None, {"id": "x"}]},
        "_description": {"extension": [{"url": "https://other.example/x", "valueString": "y"}]},
    },
    "Flag ended by us": FLAG | {"status": "inactive", "extension": [{"url": "https://other.example/x", "valueCode": "a"}]},
    "Flag with day precision and an identifier by system only": FLAG
    | {"period": {"start": "2026-03-10", "end": "2026-03-10T00:00:00Z"}, "encounter": {"display": "the stay"}},
}


@pytest.mark.parametrize("name", list(GOOD))
def test_good_cases_pass_all_three(name):
    assert problems_of(GOOD[name], US) == ()
    assert validate_with_classes(GOOD[name]) == []
    assert fhirkit_says(GOOD[name]) == []


def test_all_problems_are_named_at_once_and_no_value_is_repeated():
    bad = TASK | {"status": "secret-a", "intent": "secret-b", "description": "", "for": {"reference": "Secret/c"}}
    problems = problems_of(bad, US)
    assert len(problems) == 4
    assert "secret" not in " ".join(problems).lower()
    assert "secret" not in " ".join(validate_with_classes(TASK | {"authoredOn": "secret"})).lower()


@pytest.mark.parametrize("resource", [None, [], "Task", {}, {"resourceType": "Basic"}, {"resourceType": ["Task"]}])
def test_only_what_we_write_can_be_checked(resource):
    assert len(problems_of(resource, US)) == 1


@pytest.mark.parametrize("resource", [{}, {"resourceType": "Basic"}, {"resourceType": ["Task"]}])
def test_the_classes_check_only_what_we_write(resource):
    expected = "resourceType: Task or Flag or Observation or Provenance or Device is expected"
    assert validate_with_classes(resource) == [expected]


def test_a_companion_must_not_be_empty_and_belongs_to_a_primitive():
    assert problems_of(TASK | {"_status": {}}, US) == ("Task._status: is empty; leave it out instead",)
    assert problems_of(TASK | {"_focus": {"id": "x"}}, US) == ("Task._focus: is not an element of this type",)


def test_a_required_primitive_may_be_said_by_its_companion_alone():
    # FHIR R4 json.html: a primitive without a value is written as its companion.
    unknown = {"extension": [{"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}]}
    without = {name: value for name, value in TASK.items() if name != "intent"}
    assert problems_of(without | {"_intent": unknown}, US) == ()


def paths(value, before=()):
    """Yield every path into a resource."""
    steps = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for name, one in steps:
        yield (*before, name)
        yield from paths(one, (*before, name))


SPOILT = [GONE, None, "", [], {}, "x", " ", "2026-02-30", "2026-03-10T12:00:00", 0, 1.5, True, ["x"], {"x": "y"}, [None], "Patient/1"]


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_what_ours_lets_pass_both_others_let_pass(data):
    good = GOOD[data.draw(st.sampled_from(sorted(GOOD)))]
    # What others contained in it is carried through and is theirs to keep right.
    ours = [path for path in paths(good) if path[0] != "contained"]
    path = data.draw(st.sampled_from(sorted(ours, key=str)))
    spoilt = put(good, path, data.draw(st.sampled_from(SPOILT)))
    if not problems_of(spoilt, US):
        assert validate_with_classes(spoilt) == []
        assert fhirkit_says(spoilt) == []
