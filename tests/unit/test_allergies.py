"""AllergyIntolerance entries become groups of allergies that stand by a moment; no entry is lost, and no text decides.

Design 2.2.4 and 2.7.5 (known times), section 4 ("nothing charted: ask" is not "none"); hazards H02, H37. Statuses: FHIR R4,
AllergyIntolerance, "Terminology Bindings" (http://hl7.org/fhir/R4/allergyintolerance.html); that an absent status counts
as standing is this project's own choice: to lose an allergy is the dangerous side.
"""

import pytest

from linedays.core.model import Allergy, IssueKind
from linedays.fhir.allergies import CLINICAL, VERIFICATION, AllergiesKnown, AllergyNote, allergies_known
from linedays.fhir.collected import Collected
from linedays.fhir.normalise import collect
from linedays.fhir.reading import Ignored
from support.charted import SCT, allergy, at, code, raw, read, reader, ref, stored

MODIFIER = {"modifierExtension": [{"url": "https://chart.hospital.example/not"}]}
SECRET = "Sam Sample is allergic to made-up things"
NOW = at("2026-03-12T12:00:00Z")


def note(resource, **reading) -> AllergyNote:
    found = read(resource, **reading)
    assert isinstance(found, AllergyNote), found
    return found


def collected(*resources) -> Collected:
    found = Collected(reader())
    for number, resource in enumerate(resources, 1):
        collect(found, raw(resource), f"some.ndjson:{number}")
    return found


def known(*resources, by=NOW, merged=None) -> AllergiesKnown:
    return allergies_known(collected(*resources).allergies, by, merged or {})


def groups(*resources, by=NOW) -> list[str]:
    return [one.group for one in known(*resources, by=by).of.get("Patient/p", ())]


@pytest.mark.parametrize(
    "group", ["chlorhexidine", "adhesive", "iodine", "alcohol", "latex", "other", "none-known"]
)
def test_group_is_what_the_map_says_of_the_code(group):
    found = note(allergy(group))
    assert (found.groups, found.issues, found.ignored) == ((group,), (), None)
    assert (found.patient, found.source, found.known) == ("Patient/p", "AllergyIntolerance/a1", at("2026-03-02T08:00:00Z"))


def test_allergy_of_a_person():
    assert known(allergy()).of == {
        "Patient/p": (
            Allergy(group="chlorhexidine", source="AllergyIntolerance/a1", known=at("2026-03-02T08:00:00Z")),
        )
    }


@pytest.mark.parametrize(
    ("clinical", "verification", "ignored"),
    [
        ("active", "confirmed", None),
        ("active", "unconfirmed", None),
        (None, None, None),
        ("active", None, None),
        (None, "confirmed", None),
        ("inactive", "confirmed", "allergy-inactive"),
        ("resolved", None, "allergy-resolved"),
        ("active", "refuted", "allergy-refuted"),
        (None, "refuted", "allergy-refuted"),
        (None, "entered-in-error", "entered-in-error"),
        ("resolved", "entered-in-error", "entered-in-error"),
    ],
)
def test_entry_counts_unless_it_is_over_refuted_or_in_error(clinical, verification, ignored):
    charted = allergy(
        clinicalStatus=code(clinical, CLINICAL) if clinical else None,
        verificationStatus=code(verification, VERIFICATION) if verification else None,
    )
    found = note(charted)
    assert (found.ignored, found.issues) == (ignored, ())
    assert found.groups == (("chlorhexidine",) if ignored is None else ())
    tally = collected(charted).tally
    assert dict(tally.read) == {"AllergyIntolerance": 1}
    assert dict(tally.context) == ({"AllergyIntolerance": 1} if ignored is None else {})
    assert dict(tally.ignored) == ({} if ignored is None else {("AllergyIntolerance", ignored): 1})


@pytest.mark.parametrize("element", ["clinicalStatus", "verificationStatus"])
@pytest.mark.parametrize(
    "status", [code("gone", CLINICAL), code("resolved", "urn:x"), {"text": "resolved"}, {}, code("refuted", CLINICAL)]
)
def test_status_that_is_none_of_the_standard_ends_no_allergy_and_is_named(element, status):
    found = note(allergy(**{element: status}))
    assert found.groups == ("chlorhexidine",)
    (issue,) = found.issues
    assert (issue.kind, issue.used, issue.patient) == (IssueKind.UNKNOWN_VALUE, True, "Patient/p")
    assert element in issue.text


@pytest.mark.parametrize(
    ("element", "system", "codes"),
    [("clinicalStatus", CLINICAL, ["resolved", "active"]), ("verificationStatus", VERIFICATION, ["refuted", "confirmed"])],
)
def test_entry_whose_statuses_contradict_each_other_counts(element, system, codes):
    both = {"coding": [{"system": system, "code": one} for one in codes]}
    assert note(allergy(**{element: both})).ignored is None


def test_inactive_and_resolved_together_are_over():
    # Source: FHIR R4, allergyintolerance-clinical: resolved is a kind of inactive.
    both = {"coding": [{"system": CLINICAL, "code": one} for one in ("resolved", "inactive")]}
    assert note(allergy(clinicalStatus=both)).ignored == "allergy-inactive"


@pytest.mark.parametrize(
    ("charted", "shown"),
    [
        (code("900001", SCT), "the code '900001'"),
        (code("peanut", "allergen"), "the code 'peanut'"),
        ({"text": "chlorhexidine"}, "an entry without a code"),
        ({}, "an entry without a code"),
        (None, "an entry without a code"),
        (code(SECRET, "urn:x"), "a code"),
        (code("chlorhexidine", "urn:x"), "the code 'chlorhexidine'"),
    ],
)
def test_entry_that_nobody_understands_is_an_allergy_to_something_else_and_named(charted, shown):
    found = note(allergy(None, code=charted))
    assert found.groups == ("other",)
    (issue,) = found.issues
    assert (issue.kind, issue.used, issue.source) == (IssueKind.UNKNOWN_CODE, True, "AllergyIntolerance/a1")
    assert issue.text == f"{shown}: allergy not understood: look; map it in the source map"


def test_category_of_what_is_not_understood_is_told():
    found = note(allergy(None, code={"text": SECRET}, category=["food", None, SECRET, "biologic"]))
    assert "(charted as food, biologic)" in found.issues[0].text
    assert SECRET not in found.issues[0].text


def substance(*words):
    return [{"substance": code(word, "allergen") if word else {"text": "swab"}, "severity": "mild"} for word in words]


@pytest.mark.parametrize(
    ("word", "reaction", "expected", "understood"),
    [
        ("adhesive", substance("chlorhexidine"), ("adhesive", "chlorhexidine"), True),
        ("adhesive", substance("adhesive", None), ("adhesive",), True),
        ("adhesive", [{}, {"description": "rash"}], ("adhesive",), True),
        (None, substance("chlorhexidine"), ("chlorhexidine",), True),
        (None, substance(None), ("other",), False),
        ("swab", substance("chlorhexidine"), ("chlorhexidine", "other"), False),
        ("none-known", substance("chlorhexidine"), ("chlorhexidine", "other"), False),
        ("none-known", substance(None), ("other",), False),
        ("none-known", [{"description": "rash"}], ("none-known",), True),
    ],
)
def test_substances_of_reactions_count_too(word, reaction, expected, understood):
    found = note(allergy(word, reaction=reaction))
    assert found.groups == expected
    assert [issue.kind for issue in found.issues] == ([] if understood else [IssueKind.UNKNOWN_CODE])


def test_code_of_two_systems_and_none_beside_something():
    two = {"coding": [{"system": SCT, "code": "900001"}, *code("latex", "allergen")["coding"]]}
    assert note(allergy(None, code=two)).groups == ("latex",)
    both = {"coding": [*code("none-known", "allergen")["coding"], *code("latex", "allergen")["coding"]]}
    assert note(allergy(None, code=both)).groups == ("latex", "other")


def test_codes_are_those_of_the_map():
    by = reader(allergies={(SCT, "900001"): "silicone"})
    assert note(allergy(None, code=code("900001", SCT)), by=by).groups == ("silicone",)


@pytest.mark.parametrize("patient", [None, {}, ref("Group/g"), ref("#p")])
def test_entry_of_no_patient_is_an_issue_unless_it_does_not_count(patient):
    assert read(allergy(patient=patient)).kind is IssueKind.NO_PATIENT
    wrong = allergy(patient=patient, verificationStatus=code("entered-in-error", VERIFICATION))
    assert read(wrong) == Ignored("entered-in-error")
    assert dict(collected(allergy(patient=patient)).tally.issues) == {"AllergyIntolerance": 1}
    assert dict(collected(wrong).tally.ignored) == {("AllergyIntolerance", "entered-in-error"): 1}


class TestModifier:
    """What may reverse an entry never loses it. Source: FHIR R4B, BackboneElement.modifierExtension."""

    @pytest.mark.parametrize(
        ("charted", "expected"),
        [
            (allergy(), ["chlorhexidine"]),
            (allergy(clinicalStatus=code("resolved", CLINICAL)), ["chlorhexidine"]),
            (allergy(verificationStatus=code("refuted", VERIFICATION)), ["chlorhexidine"]),
            (allergy(verificationStatus=code("entered-in-error", VERIFICATION)), ["chlorhexidine"]),
            (allergy("none-known"), ["other"]),
        ],
    )
    def test_entry_counts_whatever_its_status_and_none_is_not_believed(self, charted, expected):
        assert groups(charted | MODIFIER) == expected
        found = collected(charted | MODIFIER)
        (issue,) = found.issues
        assert (issue.kind, issue.used, issue.patient) == (IssueKind.MODIFIED, True, "Patient/p")
        assert found.tally.read == found.tally.context == {"AllergyIntolerance": 1}

    def test_so_does_one_with_a_modifier_in_a_reaction(self):
        assert groups(allergy(reaction=[{"substance": code("latex", "allergen")} | MODIFIER])) == ["chlorhexidine", "latex"]

    def test_element_that_the_standard_does_not_know_is_named_and_the_rest_counts(self):
        found = collected(allergy(colour=1))
        assert [(issue.kind, issue.used) for issue in found.issues] == [(IssueKind.UNKNOWN_ELEMENT, True)]
        assert groups(allergy(colour=1)) == ["chlorhexidine"]

    def test_null_in_a_list_of_categories_is_in_order(self):
        # Source: FHIR R4, JSON: a null stands where an element of a list of primitives has only an extension.
        charted = allergy(category=[None, "food"], _category=[{"extension": [{"url": "urn:x", "valueCode": "x"}]}, None])
        assert (groups(charted), collected(charted).issues) == (["chlorhexidine"], [])


FIRST = allergy(meta=stored("2026-03-02T08:00:00Z", "1"))


def later(version="2", when="2026-03-05T09:00:00Z", **other):
    return allergy(**({"meta": stored(when, version)} | other))


class TestKnown:
    @pytest.mark.parametrize(("by", "expected"), [("2026-03-02T07:59:59Z", []), ("2026-03-02T08:00:00Z", ["chlorhexidine"])])
    def test_entry_is_seen_from_when_it_was_recorded(self, by, expected):
        found = known(allergy(), by=at(by))
        assert [one.group for one in found.of.get("Patient/p", ())] == expected
        assert dict(found.ignored) == ({} if expected else {("AllergyIntolerance", "not-known-yet"): 1})

    def test_without_a_recorded_date_from_when_it_was_stored_and_without_that_always(self):
        charted = allergy(recordedDate=None, meta=stored("2026-03-04T10:00:00Z"))
        assert groups(charted, by=at("2026-03-04T09:59:59Z")) == []
        assert groups(charted, by=at("2026-03-04T10:00:00Z")) == ["chlorhexidine"]
        assert groups(allergy(recordedDate=None), by=0) == ["chlorhexidine"]

    @pytest.mark.parametrize("order", [1, -1])
    def test_resolved_later_stands_until_that_was_stored(self, order):
        # The recordedDate is that of the first version, so it says nothing of the second (design 2.7.5).
        versions = [FIRST, later(clinicalStatus=code("resolved", CLINICAL))][::order]
        assert groups(*versions, by=at("2026-03-05T08:59:59Z")) == ["chlorhexidine"]
        assert groups(*versions, by=at("2026-03-05T09:00:00Z")) == []
        before = known(*versions, by=at("2026-03-05T08:59:59Z")).ignored
        after = known(*versions).ignored
        assert (dict(before), dict(after)) == ({}, {("AllergyIntolerance", "superseded-version"): 1})

    def test_code_corrected_later(self):
        versions = [FIRST, later(code=code("latex", "allergen"))]
        assert groups(*versions, by=at("2026-03-05T08:59:59Z")) == ["chlorhexidine"]
        assert groups(*versions, by=at("2026-03-05T09:00:00Z")) == ["latex"]
        assert dict(known(*versions, by=at("2026-03-05T08:59:59Z")).ignored) == {("AllergyIntolerance", "not-known-yet"): 1}
        assert dict(known(*versions).ignored) == {("AllergyIntolerance", "superseded-version"): 1}

    def test_version_with_an_entry_time_of_its_own_is_known_from_then(self):
        versions = [FIRST, later(code=code("latex", "allergen"), recordedDate="2026-03-05T07:00:00Z")]
        assert groups(*versions, by=at("2026-03-05T06:59:59Z")) == ["chlorhexidine"]
        assert groups(*versions, by=at("2026-03-05T07:00:00Z")) == ["latex"]

    def test_version_that_leaves_it_as_it_was_keeps_its_first_known_time(self):
        touched = later(recordedDate="2026-03-05T07:00:00Z", note=[{"text": SECRET}])
        (one,) = known(FIRST, touched).of["Patient/p"]
        assert one.known == at("2026-03-02T08:00:00Z")
        assert dict(known(FIRST, touched).ignored) == {("AllergyIntolerance", "superseded-version"): 1}

    def test_copy_is_counted_as_one(self):
        assert groups(FIRST, FIRST) == ["chlorhexidine"]
        assert dict(known(FIRST, FIRST).ignored) == {("AllergyIntolerance", "duplicate"): 1}

    def test_entry_moved_to_another_patient_is_that_ones_alone(self):
        # H37: not another person's allergy.
        found = known(FIRST, later(patient=ref("Patient/q")))
        assert list(found.of) == ["Patient/q"]

    def test_issue_of_a_version_that_does_not_hold_is_not_told(self):
        wrong = allergy(None, code=code("peanut", "allergen"), meta=stored("2026-03-02T08:00:00Z", "1"))
        assert known(wrong, later()).issues == ()
        assert [issue.kind for issue in known(wrong).issues] == [IssueKind.UNKNOWN_CODE]

    def test_in_order_of_group_and_source(self):
        told = [allergy("latex", id="b"), allergy("adhesive", id="c"), allergy("adhesive", id="a")]
        assert [(one.group, one.source[-1]) for one in known(*told).of["Patient/p"]] == [
            ("adhesive", "a"), ("adhesive", "c"), ("latex", "b"),
        ]  # fmt: skip


def test_allergies_of_a_replaced_record_are_the_surviving_ones_but_not_its_none():
    found = known(allergy(), allergy("none-known", id="a2"), merged={"Patient/p": "Patient/q"})
    assert [(patient, [one.group for one in told]) for patient, told in found.of.items()] == [("Patient/q", ["chlorhexidine"])]
