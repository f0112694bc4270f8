"""Every resource read ends as used, as ignored by one named rule, or as an issue; none stops or spoils another.

reliability.md T13 and S4 (canary strings); design 2.3.12 (the three add up to what was read).
"""

import json
from collections import Counter

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linedays.core.model import FactKind, IssueKind
from linedays.core.moment import exactly
from linedays.fhir import normalise
from linedays.fhir.collected import Collected
from linedays.fhir.normalise import collect
from support.charted import (
    OWN,
    SCT,
    about,
    at,
    code,
    device,
    encounter,
    link,
    location,
    observation,
    person,
    procedure,
    raw,
    reader,
    recorded,
    ref,
    stored,
    use,
)

LOOSE = {"valueCodeableConcept": code("loose", "dressing-condition")}


def collected(*resources):
    found = Collected(reader())
    for number, resource in enumerate(resources, 1):
        collect(found, resource if isinstance(resource, bytes) else raw(resource), f"some.ndjson:{number}")
    return found


def sums(found):
    """Return read, and used + ignored + issues, of each type."""
    tally = found.tally
    ended: Counter[str] = Counter(tally.with_facts) + Counter(tally.context) + Counter(tally.issues)
    for (name, _), count in tally.ignored.items():
        ended[name] += count
    return dict(tally.read), dict(ended)


GESTATION = observation("gestational-age-at-birth", id="ga", valueQuantity={"value": 28, "code": "wk"})
ONE_OF_EACH = (
    procedure(),
    observation(**LOOSE),
    device(),
    use(),
    encounter(),
    person(),
    location(),
    GESTATION,
)


def test_each_type_goes_where_it_belongs():
    found = collected(*ONE_OF_EACH)
    assert sorted(fact.kind for fact in found.facts["Patient/p"]) == sorted(
        [FactKind.DRESSING_CHANGED, FactKind.DRESSING_SEEN, FactKind.DEVICE, FactKind.REMOVED]
    )
    assert [stay.id for stay in found.stays["Patient/p"]] == ["Encounter/e1"]
    assert list(found.persons) == ["Patient/p"]
    assert list(found.locations) == ["Location/ward"]
    assert [note.days for note in found.gestation["Patient/p"]] == [196]
    assert found.device_owner == {"Device/d": "Patient/p"}
    assert found.encounter_owner == {"Encounter/e1": "Patient/p"}
    assert found.only_if_line == {"DeviceUseStatement/u1"}
    assert found.issues == []
    read, ended = sums(found)
    assert read == ended == {
        "Procedure": 1, "Observation": 2, "Device": 1, "DeviceUseStatement": 1, "Encounter": 1, "Patient": 1, "Location": 1,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("given_bytes", "name", "source", "kind"),
    [
        (b"", "unreadable", "a resource in some.ndjson:1", IssueKind.BAD_JSON),
        (raw(procedure())[:80], "unreadable", "a resource in some.ndjson:1", IssueKind.BAD_JSON),
        (b"[1]", "unreadable", "a resource in some.ndjson:1", IssueKind.BAD_SHAPE),
        (b"{}", "unreadable", "a resource in some.ndjson:1", IssueKind.BAD_SHAPE),
        (raw(procedure(id=None)), "Procedure", "Procedure in some.ndjson:1", IssueKind.BAD_SHAPE),
        (raw(procedure(status="done")), "Procedure", "Procedure/p1", IssueKind.BAD_SHAPE),
        (b'{"resourceType": "Bundle", "id": "b", "entry": []}', "Bundle", "Bundle/b", IssueKind.BAD_SHAPE),
    ],
)
def test_what_cannot_be_read_is_an_issue_with_its_place(given_bytes, name, source, kind):
    found = collected(given_bytes, procedure())
    (issue,) = found.issues
    assert (issue.kind, issue.source, issue.used) == (kind, source, False)
    assert issue.text.endswith("; it was not used")
    assert found.tally.issues[name] == 1
    assert len(found.facts["Patient/p"]) == 1


def test_type_that_is_not_read_is_ignored_by_a_rule():
    found = collected({"resourceType": "Medication", "id": "m"})
    assert found.tally.ignored == {("Medication", "type-not-read"): 1}
    assert found.issues == []


def test_resource_may_be_large_and_not_larger(monkeypatch):
    row = raw(procedure())
    monkeypatch.setattr(normalise, "LARGEST_RESOURCE", len(row))
    found = collected(row, row + b" ")
    assert [issue.kind for issue in found.issues] == [IssueKind.TOO_LARGE]
    assert found.issues[0].source == "a resource in some.ndjson:2"
    assert (found.tally.read["Procedure"], found.tally.issues["unreadable"]) == (1, 1)


def test_limit_is_eight_million_bytes():
    assert normalise.LARGEST_RESOURCE == 8_000_000


def test_entries_of_a_page_need_not_be_copied_first():
    found = Collected(reader())
    collect(found, msgspec.Raw(raw(procedure())), "page 1")
    assert found.tally.with_facts == {"Procedure": 1}


def test_our_own_output_is_counted_and_never_input():
    ours = [{"system": OWN, "value": "x"}]
    found = collected(procedure(identifier=ours), observation(identifier=ours), device(identifier=ours))
    assert set(found.tally.ignored) == {(name, "own-output") for name in ("Procedure", "Observation", "Device")}
    assert dict(found.facts) == {}


class TestVersions:
    """A page may hand out a resource twice or in two versions, in any order (reliability.md section 2, paging)."""

    old, new = stored("2026-03-02T10:00:00Z", "1"), stored("2026-03-04T10:00:00Z", "2")

    def both_ways(self, first, second):
        return collected(first, second), collected(second, first)

    def test_the_person_stored_last_counts(self):
        for found in self.both_ways(person(meta=self.old), person(meta=self.new, birthDate="1961-04-02")):
            assert found.persons["Patient/p"].birth.earliest == at("1961-04-01T23:00:00Z")
            assert found.tally.context == {"Patient": 1}
            assert found.tally.ignored == {("Patient", "superseded-version"): 1}

    def test_the_same_person_twice_is_a_duplicate(self):
        found = collected(person(), person())
        assert found.tally.ignored == {("Patient", "duplicate"): 1}

    def test_the_location_stored_last_counts(self):
        for found in self.both_ways(location(meta=self.old), location(meta=self.new, name="Ward 7")):
            assert found.locations["Location/ward"].name == "Ward 7"
            assert found.tally.ignored == {("Location", "superseded-version"): 1}

    def test_the_owner_of_a_device_is_the_one_stored_last(self):
        for found in self.both_ways(device(meta=self.old), device(meta=self.new, patient=ref("Patient/q"))):
            assert found.device_owner == {"Device/d": "Patient/q"}

    def test_device_that_turned_out_to_be_no_line_is_none(self):
        for found in self.both_ways(device(meta=self.old), device(meta=self.new, type={"text": "pump"})):
            assert (found.device_owner, found.other_devices) == ({}, {"Device/d"})

    def test_device_that_turned_out_to_be_a_line_is_one(self):
        for found in self.both_ways(device(meta=self.old, type={"text": "?"}), device(meta=self.new)):
            assert (found.device_owner, found.other_devices) == ({"Device/d": "Patient/p"}, set())

    def test_the_owner_of_an_encounter_is_the_one_stored_last(self):
        for found in self.both_ways(encounter(meta=self.old), encounter(meta=self.new, subject=ref("Patient/q"))):
            assert found.encounter_owner == {"Encounter/e1": "Patient/q"}

    def test_every_version_of_a_stay_is_kept_for_the_moment_it_was_known(self):
        found = collected(encounter(meta=self.old), encounter(meta=self.new, status="entered-in-error"))
        assert [stay.status for stay in found.stays["Patient/p"]] == ["in-progress", "entered-in-error"]
        assert (found.tally.context, found.tally.ignored) == ({"Encounter": 1}, {("Encounter", "entered-in-error"): 1})

    def test_gestational_age_taken_back_is_kept_as_such(self):
        found = collected(GESTATION | {"meta": self.old}, GESTATION | {"meta": self.new, "status": "entered-in-error"})
        assert [note.days for note in found.gestation["Patient/p"]] == [196, None]
        assert found.tally.ignored == {("Observation", "entered-in-error"): 1}


def test_death_is_kept_with_its_stay():
    expired = code("exp", "http://terminology.hl7.org/CodeSystem/discharge-disposition")
    period = {"start": "2026-03-01T06:00:00Z", "end": "2026-03-12T10:00:00Z"}
    found = collected(encounter(status="finished", period=period, hospitalization={"dischargeDisposition": expired}))
    assert list(found.deaths.values()) == [exactly(at("2026-03-12T10:00:00Z"))]
    assert [stay.id for stay in found.deaths] == ["Encounter/e1"]


def test_part_that_cannot_be_read_is_an_issue_and_the_rest_is_used():
    found = collected(person(birthDate="?"), encounter(period={"start": "2026-03-01", "end": "?"}))
    assert [(issue.source, issue.used) for issue in found.issues] == [("Patient/p", True), ("Encounter/e1", True)]
    assert found.tally.context == {"Patient": 1, "Encounter": 1}


def test_stay_that_is_an_issue_or_ignored_is_counted():
    found = collected(encounter(subject=None), encounter(status="planned", period=None))
    assert (found.tally.issues, found.tally.ignored) == ({"Encounter": 1}, {("Encounter", "not-begun"): 1})


# --- whatever comes in any order -------------------------------------------------------------------------------------

TIMES = st.sampled_from(["2026-03-08T10:00:00Z", "2026-03-09", "2026-02-30", "2026-03-08T10:00:00", "", None])
METAS = st.sampled_from([None, stored("2026-03-08T11:00:00Z", "1"), stored("2026-03-09T11:00:00Z", "2"), stored("?")])
SUBJECTS = st.sampled_from([ref("Patient/p"), ref("Patient/q"), ref("Group/g"), {}, ref("#x")])
NAMED = st.sampled_from([None, [about("Device/d")], [about("Device/e", "implanted")], [about("Device/d", "explanted")]])
CODES = st.sampled_from(
    [
        code(word)
        for word in [
            "insertion",
            "removal",
            "dressing-change",
            "guidewire-exchange",
            "upkeep-paused",
            "glanced-at",
            "dressing-condition",
            "site-assessment",
            "dressing-label-date",
            "gestational-age-at-birth",
            "line-not-present",
        ]
    ]
    + [code("18949003", SCT), code("1", "urn:x:other"), {"text": "dressing"}, {}]
)
VALUES = st.sampled_from(
    [
        {},
        LOOSE,
        {"valueCodeableConcept": code("wobbly", "dressing-condition")},
        {"valueBoolean": True},
        {"valueDateTime": "2026-03-05"},
        {"valueQuantity": {"value": 28, "code": "wk"}},
    ]
)
PERIODS = st.sampled_from(
    [None, {}, {"start": "2026-03-01"}, {"start": "2026-03-02", "end": "2026-03-01"}, {"start": "?"}]
)
IDS = st.sampled_from(["a", "b"])
STATUS = st.sampled_from(
    [
        "completed",
        "not-done",
        "final",
        "preliminary",
        "entered-in-error",
        "active",
        "inactive",
        "in-progress",
        "finished",
        "x",
    ]
)
MIXED = st.one_of(
    st.builds(
        lambda i, s, m, c, t, p, d: procedure(id=i, status=s, meta=m, code=c, performedDateTime=t, subject=p, focalDevice=d),
        IDS, STATUS, METAS, CODES, TIMES, SUBJECTS, NAMED,
    ),
    st.builds(
        lambda i, s, m, c, t, p, v: observation(id=i, status=s, meta=m, code=c, effectiveDateTime=t, subject=p, **v),
        IDS, STATUS, METAS, CODES, TIMES, SUBJECTS, VALUES,
    ),
    st.builds(
        lambda i, s, m, p, k: device(id=i, status=s, meta=m, patient=p, type=k),
        st.sampled_from(["d", "e"]), STATUS, METAS, SUBJECTS,
        st.sampled_from([code("picc", "line-kind"), code("hickmann", "line-kind"), {"text": "pump"}, None]),
    ),
    st.builds(lambda i, s, m, p, t: use(id=i, status=s, meta=m, subject=p, timingPeriod=t), IDS, STATUS, METAS, SUBJECTS, PERIODS),
    st.builds(lambda i, s, m, p, t: encounter(id=i, status=s, meta=m, subject=p, period=t), IDS, STATUS, METAS, SUBJECTS, PERIODS),
    st.builds(lambda i, m, t: person(id=i, meta=m, birthDate=t), st.sampled_from(["p", "q"]), METAS, TIMES),
    st.builds(lambda i, m: location(i, meta=m), IDS, METAS),
    st.sampled_from([{"resourceType": "Medication", "id": "m"}, {"resourceType": "Bundle"}, {}, b"", b"nonsense", b"[]"]),
)  # fmt: skip


@given(st.lists(MIXED, max_size=25))
def test_used_ignored_and_issues_add_up_to_what_was_read(resources):
    found = collected(*resources)
    read, ended = sums(found)
    assert sum(read.values()) == len(resources)
    assert read == ended
    assert sum(found.tally.issues.values()) == sum(not issue.used for issue in found.issues)


@given(st.lists(MIXED, max_size=12).flatmap(lambda rows: st.tuples(st.just(rows), st.permutations(rows))))
def test_facts_do_not_depend_on_the_order_of_reading(both):
    one, other = (collected(*rows) for rows in both)
    assert {patient: Counter(facts) for patient, facts in one.facts.items()} == {
        patient: Counter(facts) for patient, facts in other.facts.items()
    }
    assert one.tally.read == other.tally.read
    assert one.tally.with_facts == other.tally.with_facts


# --- no value of a patient's data in an issue ------------------------------------------------------------------------

CANARY = "Sam Sample 19610402"
WHOLE = (
    procedure(
        meta=stored("2026-03-08T10:20:00Z", "2"),
        extension=recorded("2026-03-08T10:10:00Z"),
        encounter=ref("Encounter/e1"),
        bodySite=[{"coding": [{"system": "urn:x:s", "code": "1"}], "text": "left arm"}],
        usedCode=[code("gauze", "dressing-kind")],
        usedReference=[ref("Device/x")],
        partOf=[ref("Procedure/in")],
        statusReason=code("refused", "not-done-reason"),
        performedPeriod={"start": "2026-03-08", "end": "2026-03-09"},
        identifier=[{"system": "urn:x:rows", "value": "1"}],
        focalDevice=[about("Device/d", "manipulated")],
    ),
    observation(
        meta=stored("2026-03-08T10:20:00Z", "2"),
        encounter=ref("Encounter/e1"),
        bodySite={"text": "left arm"},
        focus=[ref("Device/d")],
        valueString="x",
        valueDateTime="2026-03-05",
        valueQuantity={"value": 1, "code": "cm", "unit": "cm"},
        component=[{"code": code("dressing-condition"), **LOOSE, "valueString": "x"}],
        effectivePeriod={"start": "2026-03-08"},
        **LOOSE,
    ),
    GESTATION,
    observation("dressing-label-date", valueDateTime="2026-03-05"),
    device(identifier=[{"system": "urn:x:rows", "value": "1"}], parent=ref("Device/x")),
    use(meta=stored("2026-03-10T09:40:00Z")),
    encounter(
        partOf=ref("Encounter/top"),
        location=[
            {"location": ref("Location/a"), "status": "active", "period": {"start": "2026-03-02", "end": "2026-03-03"}}
        ],
        period={"start": "2026-03-01", "end": "2026-03-12"},
        hospitalization={"dischargeDisposition": {"coding": [{"system": "urn:x:d", "code": "exp"}]}},
    ),
    person(deceasedDateTime="2026-03-09", meta=stored("2026-03-09T05:00:00Z")),
)


def spoilt(value, replacement):
    """Yield copies of a value in each of which one leaf is replaced; the type of a resource is left as it is."""
    if isinstance(value, dict):
        for key, inner in value.items():
            if key != "resourceType":
                yield from ({**value, key: new} for new in spoilt(inner, replacement))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from ([*value[:index], new, *value[index + 1 :]] for new in spoilt(inner, replacement))
    else:
        yield replacement


@pytest.mark.parametrize(
    "replacement", [CANARY, [CANARY], {"x": CANARY}, 17, None, True, "x" * 100_000, "1961-04-02T99:00"]
)
def test_no_value_that_was_charted_comes_back_in_an_issue(replacement):
    count = 0
    for resource in WHOLE:
        for bad in spoilt(resource, replacement):
            found = collected(bad)
            count += 1
            read, ended = sums(found)
            assert read == ended
            for issue in found.issues:
                assert CANARY not in issue.text
                assert "1961" not in issue.text
                assert len(issue.text) < 200
                assert "\n" not in issue.text
                if bad.get("id") == resource["id"]:
                    assert CANARY not in issue.source
    assert count > 100


def test_leaves_that_are_left_out_are_never_fatal():
    for resource in WHOLE:
        for key in resource:
            left = {name: value for name, value in resource.items() if name != key}
            read, ended = sums(collected(json.dumps(left).encode()))
            assert read == ended


@pytest.mark.parametrize(
    "resource",
    [
        procedure(colour=1),
        observation(**LOOSE, colour=1),
        device(colour=1),
        encounter(colour=1),
        person(colour=1),
        location(colour=1),
        use(colour=1),
    ],
)
def test_unknown_element_of_what_is_used_is_an_issue_beside_it(resource):
    found = collected(resource)
    name = resource["resourceType"]
    assert [(issue.kind, issue.source, issue.used) for issue in found.issues] == [
        (IssueKind.UNKNOWN_ELEMENT, f"{name}/{resource['id']}", True)
    ]
    assert found.issues[0].text.startswith("passed over, as FHIR R4 does not know it here: colour; correct")
    assert sums(found) == ({name: 1}, {name: 1})
    assert found.tally.with_facts[name] + found.tally.context[name] == 1


def test_unknown_element_of_what_is_an_issue_anyway_is_named_too():
    found = collected(procedure(colour=1, performedDateTime=None))
    assert [(issue.kind, issue.used) for issue in found.issues] == [
        (IssueKind.NO_TIME, False),
        (IssueKind.UNKNOWN_ELEMENT, False),
    ]
    assert sums(found) == ({"Procedure": 1}, {"Procedure": 1})


@pytest.mark.parametrize(
    ("resource", "rule"),
    [
        (observation(valuecodeableConcept=code("loose", "dressing-condition")), "no-value-charted"),
        (procedure(code=None, Code=code("dressing-change"), focalDevice=None), "code-not-mapped"),
        (device(type=None, Type=code("picc", "line-kind")), "not-a-line"),
        (procedure(status="preparation", colour=1), "not-completed"),
        (use(status="active", colour=1), "use-not-ended"),
    ],
)
def test_unknown_element_is_named_where_it_may_be_why_nothing_was_said(resource, rule):
    found = collected(resource)
    assert found.tally.ignored[resource["resourceType"], rule] == 1
    assert [issue.kind for issue in found.issues] == [IssueKind.UNKNOWN_ELEMENT]


@pytest.mark.parametrize("odd", [{"colour": 1}, {"modifierExtension": [{"url": "urn:x"}]}])
@pytest.mark.parametrize(
    ("resource", "rule"),
    [
        (procedure(code=code("1", SCT), focalDevice=None), "code-not-mapped"),
        (observation(code=code("1", SCT)), "code-not-mapped"),
        (device(type=code("1", SCT)), "not-a-line"),
        (procedure(identifier=[{"system": OWN, "value": "1"}]), "own-output"),
        (device(type=None, identifier=[{"system": OWN, "value": "1"}]), "own-output"),
    ],
)
def test_what_is_passed_over_by_its_own_code_is_nobodys_concern(resource, rule, odd):
    found = collected(resource | odd)
    assert dict(found.tally.ignored) == {(resource["resourceType"], rule): 1}
    assert found.issues == []


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_unknown_element_of_a_person_is_named_whichever_version_comes_first(order):
    both = (
        person(meta=stored("2026-03-01T00:00:00Z")),
        person(meta=stored("2026-03-02T00:00:00Z"), deceasedDatetime="2026-03-02T00:00:00Z"),
    )
    found = collected(*(both[number] for number in order))
    assert [(issue.kind, issue.patient) for issue in found.issues] == [(IssueKind.UNKNOWN_ELEMENT, "Patient/p")]


def test_many_unknown_elements_are_named_in_few_words():
    found = collected(procedure(**{f"colour{letter}": 1 for letter in "abcdefghij"}))
    (issue,) = found.issues
    assert "coloura, colourb, colourc, colourd, coloure and 5 more;" in issue.text


def test_of_a_location_only_what_is_read_is_kept():
    one = location(name="Ward 7", text={"status": "generated", "div": "x" * 100_000})
    found = collected(one, location(name="Ward 7", telecom=[{"value": "7"}]))
    assert found.tally.ignored == {("Location", "duplicate"): 1}
    assert len(repr(found.locations)) < 500


MODIFIER = {"modifierExtension": [{"url": "https://chart.hospital.example/not"}]}


@pytest.mark.parametrize("resource", [procedure(), observation(**LOOSE), use()])
def test_what_a_modifier_may_reverse_is_not_used(resource):
    found = collected(resource | MODIFIER)
    (issue,) = found.issues
    assert (issue.kind, issue.used, issue.patient) == (IssueKind.MODIFIED, False, "Patient/p")
    assert "modifierExtension" in issue.text
    assert not any(found.facts.values())
    assert sums(found) == ({resource["resourceType"]: 1}, {resource["resourceType"]: 1})


@pytest.mark.parametrize("resource", [procedure(), observation(**LOOSE), use()])
def test_nor_is_what_an_earlier_version_said(resource):
    later = resource | MODIFIER | {"meta": stored("2026-03-11T00:00:00Z", "2")}
    found = collected(resource, later)
    assert [fact.kind for fact in found.facts["Patient/p"]][-1] is FactKind.RETRACTED
    assert sums(found)[0] == sums(found)[1]


@pytest.mark.parametrize("resource", [procedure(), observation(**LOOSE), use(), device()])
def test_what_was_entered_in_error_is_withdrawn_with_or_without_a_modifier(resource):
    wrong = resource | {"status": "entered-in-error", "meta": stored("2026-03-11T00:00:00Z", "2")}
    plain, modified = collected(resource, wrong), collected(resource, wrong | MODIFIER)
    assert modified.facts == plain.facts
    assert modified.tally.ignored == plain.tally.ignored


@pytest.mark.parametrize("resource", [device(), encounter(), person(), location()])
def test_line_stay_person_and_place_are_read_as_they_stand(resource):
    plain, modified = collected(resource), collected(resource | MODIFIER)
    (issue,) = modified.issues
    assert (issue.kind, issue.used) == (IssueKind.MODIFIED, True)
    assert (modified.facts, modified.stays, modified.persons) == (plain.facts, plain.stays, plain.persons)
    assert modified.locations == plain.locations
    assert modified.tally == plain.tally


def test_device_that_a_modifier_may_reverse_ends_no_line():
    assert [fact.kind for fact in collected(device(status="inactive") | MODIFIER).facts["Patient/p"]] == [FactKind.DEVICE]


def test_person_that_a_modifier_may_reverse_is_joined_with_no_other():
    # H01: what may say "not replaced" moves nothing to another patient.
    linked = person(link=[link("replaced-by", "Patient/q")])
    (version,) = collected(linked).versions["Patient/p"]
    assert version.links == (("replaced-by", "Patient/q"),)
    for modified in (linked | MODIFIER, person(link=[link("replaced-by", "Patient/q") | MODIFIER])):
        assert collected(modified).versions == {}


@pytest.mark.parametrize(
    ("resource", "kind"),
    [(procedure(performedDateTime=None), IssueKind.NO_TIME), (procedure(subject=ref("Group/g")), IssueKind.NO_PATIENT)],
)
def test_what_is_an_issue_anyway_is_one_issue_beside_a_modifier(resource, kind):
    found = collected(resource | MODIFIER)
    assert [issue.kind for issue in found.issues] == [kind]
    assert sums(found) == ({"Procedure": 1}, {"Procedure": 1})


def test_modifier_and_unknown_element_of_one_resource_are_both_named():
    found = collected(procedure(colour=1) | MODIFIER)
    assert [(issue.kind, issue.used) for issue in found.issues] == [
        (IssueKind.MODIFIED, False),
        (IssueKind.UNKNOWN_ELEMENT, False),
    ]
