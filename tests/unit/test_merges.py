"""Links between Patient records become merges that hold by a moment, or issues that name both and move nothing.

Design 2.3.11; hazards H01 (wrong patient) and H37. Types of link: FHIR R4, link-type
(http://hl7.org/fhir/R4/codesystem-link-type.html): "replaced-by" says that this record is replaced by the other, "replaces"
the reverse; "refer" and "seealso" replace nothing.
"""

import pytest

from linedays.core.model import FactKind, IssueKind
from linedays.core.moment import Precision, exactly
from linedays.fhir.collected import Collected
from linedays.fhir.known_persons import facts_told, known_person, known_persons
from linedays.fhir.merges import Merges, joined, merges_known
from linedays.fhir.normalise import collect
from support.charted import (
    at,
    device,
    encounter,
    link,
    observation,
    person,
    procedure,
    raw,
    reader,
    ref,
    stored,
)

NOW = at("2026-03-12T12:00:00Z")


def collected(*resources) -> Collected:
    found = Collected(reader())
    for number, resource in enumerate(resources, 1):
        collect(found, raw(resource), f"some.ndjson:{number}")
    return found


def record(name, *links, **other):
    """Return a Patient; a link is ("replaced-by", "b")."""
    linked = [link(kind, f"Patient/{named}") for kind, named in links]
    return person(**({"id": name, "link": linked or None} | other))


def merges(*resources, by=NOW) -> Merges:
    found = collected(*resources)
    return merges_known(found.versions, found.persons, by)


def into(*resources, by=NOW) -> dict[str, str]:
    return {old[8:]: new[8:] for old, new in merges(*resources, by=by).into.items()}


def issues(*resources) -> list[tuple[str, IssueKind]]:
    return [(issue.source[8:], issue.kind) for issue in merges(*resources).issues]


@pytest.mark.parametrize(
    ("records", "expected"),
    [
        ([record("a", ("replaced-by", "b")), record("b")], {"a": "b"}),
        ([record("a"), record("b", ("replaces", "a"))], {"a": "b"}),
        ([record("a", ("replaced-by", "b")), record("b", ("replaces", "a"))], {"a": "b"}),
        ([record("a", ("replaced-by", "b")), record("b", ("replaced-by", "c")), record("c")], {"a": "c", "b": "c"}),
        ([record("a"), record("b"), record("c", ("replaces", "a"), ("replaces", "b"))], {"a": "c", "b": "c"}),
        # Two say that they replace it, and one of them was replaced by the other.
        ([record("a", ("replaced-by", "b")), record("b", ("replaced-by", "c")), record("c", ("replaces", "a"))], {"a": "c", "b": "c"}),
        ([record("a", ("seealso", "b"), ("refer", "b")), record("b")], {}),
        ([record("a", active=False), record("b")], {}),
    ],
)  # fmt: skip
@pytest.mark.parametrize("order", [1, -1])
def test_which_record_replaces_which(records, expected, order):
    assert into(*records[::order]) == expected
    assert issues(*records[::order]) == []


@pytest.mark.parametrize(
    ("records", "expected", "told", "names"),
    [
        ([record("a", ("replaced-by", "b")), record("b", ("replaced-by", "a"))], {}, ["a", "b"], "Patient/a, Patient/b"),
        ([record("a", ("replaced-by", "a"))], {}, ["a"], "Patient/a"),
        # What leads into the circle moves nowhere either.
        (
            [record("a", ("replaced-by", "b")), record("b", ("replaced-by", "a")), record("d", ("replaced-by", "a"))],
            {}, ["a", "b", "d"], "Patient/a, Patient/b",
        ),
        ([record("a", ("replaced-by", "gone"))], {}, ["a"], "Patient/gone"),
        ([record("b", ("replaces", "gone"))], {}, ["b"], "Patient/gone"),
        ([record("a", ("replaced-by", "b")), record("b", ("replaced-by", "gone"))], {"a": "b"}, ["b"], "Patient/gone"),
        ([record("a", ("replaced-by", "b"), ("replaced-by", "c")), record("b"), record("c")], {}, ["a"], "Patient/b, Patient/c"),
    ],
)  # fmt: skip
def test_link_that_cannot_be_followed_moves_nothing_and_names_both(records, expected, told, names):
    assert into(*records) == expected
    assert issues(*records) == [(name, IssueKind.NOT_MERGED) for name in told]
    assert all(names in issue.text and issue.used for issue in merges(*records).issues)


@pytest.mark.parametrize("other", [None, "RelatedPerson/r", "#b"])
def test_link_to_what_is_no_patient(other):
    (issue,) = merges(person(link=[link("replaced-by", other)])).issues
    assert issue.kind is IssueKind.NOT_MERGED
    assert "what names no patient" in issue.text


@pytest.mark.parametrize("kind", [None, "replacedBy", "Sam Sample"])
def test_link_of_no_type_of_the_standard_moves_nothing_and_is_named(kind):
    found = merges(person(link=[link(kind, "Patient/b")]), record("b"))
    assert (found.into, [issue.kind for issue in found.issues]) == ({}, [IssueKind.UNKNOWN_VALUE])
    assert "Sam" not in found.issues[0].text


@pytest.mark.parametrize("order", [1, -1])
@pytest.mark.parametrize(
    ("by", "expected"),
    [
        ("2026-03-04T08:59:59Z", {}),
        ("2026-03-04T09:00:00Z", {"a": "b"}),
        ("2026-03-06T08:59:59Z", {"a": "b"}),
        ("2026-03-06T09:00:00Z", {}),
    ],
)
def test_merge_holds_from_when_it_was_stored_until_its_link_is_gone(by, expected, order):
    versions = [
        record("a", meta=stored("2026-03-01T09:00:00Z")),
        record("a", ("replaced-by", "b"), meta=stored("2026-03-04T09:00:00Z")),
        record("a", meta=stored("2026-03-06T09:00:00Z")),
        record("b", meta=stored("2026-03-01T09:00:00Z")),
    ]
    assert into(*versions[::order], by=at(by)) == expected


LINKED = (record("a", ("replaced-by", "b")), record("b"))


def test_without_a_merge_what_was_read_stays_the_same_value():
    found = collected(record("a"), device())
    assert joined(found, {}) is found


def test_everything_of_the_replaced_record_is_the_surviving_ones_and_nothing_read_is_changed():
    given = (
        *LINKED,
        device(patient=ref("Patient/a")),
        device(id="e", patient=ref("Patient/b")),
        procedure(subject=ref("Patient/a")),
        encounter(subject=ref("Patient/a")),
        procedure(id="p2", subject=ref("Patient/a"), performedDateTime="soon"),
        device(id="other", type=None),
        device(id="x", type={"coding": [{"system": "https://linedays.example/fhir/CodeSystem/line-kind", "code": "?"}]}, patient=None),
        procedure(id="p3", subject=ref("Patient/c"), performedDateTime="soon"),
    )  # fmt: skip
    before, found = collected(*given), collected(*given)
    whole = joined(found, merges(*LINKED).into)
    assert {fact.patient for fact in whole.facts["Patient/b"]} == {"Patient/b"}
    assert sorted(fact.kind for fact in whole.facts["Patient/b"]) == ["device", "device", "dressing-changed"]
    assert "Patient/a" not in whole.facts
    assert [stay.id for stay in whole.stays["Patient/b"]] == ["Encounter/e1"]
    assert whole.device_owner == {"Device/d": "Patient/b", "Device/e": "Patient/b"}
    assert whole.encounter_owner == {"Encounter/e1": "Patient/b"}
    assert [issue.patient for issue in whole.issues] == ["Patient/b", None, "Patient/c"]
    assert (found.facts, found.stays, found.issues) == (before.facts, before.stays, before.issues)


def test_facts_told_of_a_person_are_those_of_all_its_records():
    found = collected(*LINKED, device(patient=ref("Patient/a")), procedure(id="x", subject=ref("Patient/b")))
    one = known_person("Patient/b", known_persons(found, NOW), ())
    assert [(fact.kind, fact.patient) for fact in facts_told(found, one)] == [
        (FactKind.DRESSING_CHANGED, "Patient/b"),
        (FactKind.DEVICE, "Patient/b"),
    ]


def survivor(*resources):
    """Return the surviving person b, and the issues of its merge."""
    people = known_persons(collected(*resources), NOW)
    return known_person("Patient/b", people, ()), people.issues


class TestPerson:
    """H37: what counts of a merged patient is taken afresh from its records."""

    def test_former_ids(self):
        found, told = survivor(*LINKED, record("c", ("replaced-by", "a")))
        assert (found.id, found.former_ids, told) == ("Patient/b", ("Patient/a", "Patient/c"), ())

    def test_its_own_birth_date_counts_and_one_that_differs_is_named(self):
        found, (issue,) = survivor(record("a", ("replaced-by", "b"), birthDate="2026-03-01"), record("b"))
        assert found.birth.latest == at("1960-04-02T22:59:59Z")
        assert (issue.kind, issue.source, issue.used) == (IssueKind.RECORDS_DISAGREE, "Patient/b", True)
        assert "Patient/a" in issue.text
        assert "birth dates differ" in issue.text
        assert "2026" not in issue.text

    @pytest.mark.parametrize("born", ["1960", "1960-04", "1960-04-02", None])
    def test_birth_dates_that_may_be_the_same_agree(self, born):
        assert survivor(record("a", ("replaced-by", "b"), birthDate=born), record("b"))[1] == ()

    @pytest.mark.parametrize("dates", [("1960-04-02", "2026-02-11"), ("2026-02-11", "1960-04-02")])
    def test_without_one_of_its_own_the_youngest_reading_counts(self, dates):
        # Design 2.2.2, protective gates.
        first, second = dates
        replaced = (
            record("a", ("replaced-by", "b"), birthDate=first),
            record("c", ("replaced-by", "b"), birthDate=second),
            record("d", ("replaced-by", "b"), birthDate=None),
        )
        found, told = survivor(*replaced, record("b", birthDate=None))
        assert (found.birth.earliest, found.birth.precision) == (at("2026-02-10T23:00:00Z"), Precision.DAY)
        assert told == ()

    def test_no_birth_date_anywhere(self):
        assert survivor(record("a", ("replaced-by", "b"), birthDate=None), record("b", birthDate=None))[0].birth is None

    def test_death_in_the_replaced_record_alone_closes_nothing_and_is_named(self):
        dead = record("a", ("replaced-by", "b"), deceasedDateTime="2026-03-03T04:00:00Z")
        found, (issue,) = survivor(dead, record("b"))
        assert found.died is None
        assert "a death is charted in the record that was replaced alone" in issue.text

    def test_death_in_both_or_in_the_surviving_one_counts(self):
        told = {"deceasedDateTime": "2026-03-03T04:00:00Z"}
        for replaced in (record("a", ("replaced-by", "b")), record("a", ("replaced-by", "b"), **told)):
            found, issues = survivor(replaced, record("b", **told))
            assert (found.died, issues) == (exactly(at("2026-03-03T04:00:00Z")), ())

    @pytest.mark.parametrize(
        ("weeks", "expected"),
        [({"b": 40, "a": 28}, 280), ({"a": 30, "c": 28}, 196), ({"c": 28}, 196), ({}, None)],
    )
    def test_gestational_age_is_its_own_else_the_youngest_reading(self, weeks, expected):
        notes = [
            observation(
                "gestational-age-at-birth",
                id=f"ga-{name}",
                subject=ref(f"Patient/{name}"),
                valueQuantity={"value": value, "code": "wk"},
            )
            for name, value in weeks.items()
        ]
        records = (record("a", ("replaced-by", "b")), record("b"), record("c", ("replaced-by", "b")))
        assert survivor(*records, *notes)[0].gestation_days == expected
