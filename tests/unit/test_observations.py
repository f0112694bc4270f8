"""Observations charted in the reference way give the facts of the table in design section 7, and nothing else does.

Hazards named: H12 (text alone), H14 (a compromised dressing that is not raised), H28 (the protective age gate).
"""

from dataclasses import replace

import pytest

from linedays.core.model import FactKind, IssueKind
from linedays.core.moment import Precision, exactly
from linedays.fhir.observations import GestationNote, gestation_known
from linedays.fhir.reading import Ignored
from linedays.mapping.source_map import Answers
from support.charted import BASE, OWN, at, code, observation, read, reader, ref, stored

SEEN = exactly(at("2026-03-09T21:40:00Z"))
CONDITIONS = [
    "intact",
    "damp",
    "moisture-under",
    "loose",
    "soiled",
    "lifted",
    "bloody",
    "missing",
    "undated",
    "chg-pad-swollen",
]
SITE = [
    "redness",
    "swelling",
    "drainage",
    "tenderness",
    "pain",
    "warmth",
    "crepitus",
    "induration",
    "cord",
    "streak",
    "pus",
    "oozing",
    "old-blood",
    "bleeding-active",
    "bruising",
    "infiltration",
    "skin-damage",
    "exposed",
    "disconnected",
    "catheter-damaged",
    "displaced",
    "limb-swelling",
]


def fact(resource, by=None):
    found = read(resource, by)
    assert isinstance(found, tuple), found
    (one,) = found
    return one


def condition(word):
    return code(word, "dressing-condition")


@pytest.mark.parametrize("word", CONDITIONS)
def test_dressing_seen(word):
    charted = observation(
        valueCodeableConcept=condition(word),
        meta=stored("2026-03-09T21:50:00Z"),
        encounter=ref("Encounter/e1"),
        bodySite={"text": "Left arm"},
    )
    one = fact(charted)
    assert (one.kind, one.findings, one.value) == (FactKind.DRESSING_SEEN, (word,), None)
    assert (one.patient, one.source, one.device, one.encounter) == (
        "Patient/p",
        "Observation/o1",
        "Device/d",
        "Encounter/e1",
    )
    assert (one.happened, one.known, one.updated) == (SEEN, at("2026-03-09T21:45:00Z"), at("2026-03-09T21:50:00Z"))
    assert (one.site, one.side) == ("left arm", None)


@pytest.mark.parametrize("word", SITE)
def test_site_seen(word):
    one = fact(observation("site-assessment", valueCodeableConcept=code(word, "site-finding")))
    assert (one.kind, one.findings) == (FactKind.SITE_SEEN, (word,))


def test_site_seen_without_a_finding():
    one = fact(observation("site-assessment", valueCodeableConcept=code("none", "site-finding")))
    assert (one.kind, one.findings) == (FactKind.SITE_SEEN, ("none",))


def part(value, word="dressing-condition", **other):
    return {"code": code(word), "valueCodeableConcept": value} | other


def test_several_findings_stand_in_components():
    charted = observation(component=[part(condition("loose")), part(condition("damp")), part(condition("loose"))])
    assert fact(charted).findings == ("loose", "damp")


def test_value_and_components_count_together_and_no_finding_gives_way():
    values = [
        part(code("pain", "site-finding"), "site-assessment"),
        part(code("none", "site-finding"), "site-assessment"),
    ]
    charted = observation("site-assessment", valueCodeableConcept=code("redness", "site-finding"), component=values)
    assert fact(charted).findings == ("redness", "pain")


def test_component_that_answers_another_question_is_left_out():
    other = {"code": code("72514-3", "http://loinc.org"), "valueQuantity": {"value": 3}}
    assert fact(observation(component=[part(condition("loose")), other])).findings == ("loose",)


def test_component_with_another_code_but_a_known_finding_is_never_left_out():
    # H14
    charted = observation(
        valueCodeableConcept=condition("intact"), component=[part(condition("loose"), "site-assessment")]
    )
    assert fact(charted).findings == ("intact", "loose")


def test_component_that_answers_only_another_question_is_no_look_at_the_dressing():
    other = {"code": code("72514-3", "http://loinc.org"), "valueQuantity": {"value": 3}}
    assert read(observation(component=[other])) == Ignored("no-value-charted")


@pytest.mark.parametrize(
    "value",
    [
        {"valueCodeableConcept": condition("wobbly")},
        {"valueCodeableConcept": code("loose", "urn:x:other")},
        {"valueCodeableConcept": {"text": "loose"}},
        {"valueCodeableConcept": {}},
        {"valueString": "loose"},
        {"valueBoolean": False},
        {"valueQuantity": {"value": 0}},
        {"valueQuantity": {"unit": "x"}},
        {"component": [part(condition("loose")), part(condition("wobbly"))]},
        {"component": [part(condition("loose")), {"valueString": "very"}]},
        {"valueCodeableConcept": condition("intact"), "component": [part({"text": "not intact"})]},
    ],
)
def test_value_that_is_not_mapped_is_an_issue_and_never_intact(value):
    # H14; H12: text alone is no finding either
    found = read(observation(**value))
    assert (found.kind, found.source, found.patient) == (IssueKind.UNKNOWN_VALUE, "Observation/o1", "Patient/p")
    assert "look at the line" in found.text


@pytest.mark.parametrize("value", [{}, {"component": []}, {"component": [{"code": code("dressing-condition")}]}])
@pytest.mark.parametrize("word", ["dressing-condition", "site-assessment"])
def test_nothing_charted_is_nothing_seen(word, value):
    assert read(observation(word, **value)) == Ignored("no-value-charted")


@pytest.mark.parametrize("status", ["final", "amended", "corrected"])
def test_statuses_that_count(status):
    assert fact(observation(status=status, valueCodeableConcept=condition("loose"))).findings == ("loose",)


@pytest.mark.parametrize("status", ["registered", "preliminary", "unknown"])
def test_statuses_that_do_not_count_yet(status):
    assert read(observation(status=status, valueCodeableConcept=condition("loose"))) == Ignored("not-final")


@pytest.mark.parametrize("status", ["entered-in-error", "cancelled"])
def test_statuses_that_take_back(status):
    found = read(observation(status=status, meta=stored("2026-03-10T08:00:00Z", "2"), effectiveDateTime=None))
    (one,) = found.retracted
    assert (one.kind, one.source, one.known) == (FactKind.RETRACTED, "Observation/o1", at("2026-03-10T08:00:00Z"))


def test_taken_back_without_a_time_of_storing_is_known_since_it_was_issued():
    (one,) = read(observation(status="cancelled")).retracted
    assert (one.known, one.updated) == (at("2026-03-09T21:45:00Z"), None)


@pytest.mark.parametrize(
    ("word", "value", "rule"),
    [
        ("line-not-present", {"valueBoolean": False}, "line-said-to-be-present"),
        ("dressing-condition", {}, "no-value-charted"),
        ("dressing-label-date", {}, "no-value-charted"),
    ],
)
def test_later_version_that_says_nothing_takes_back_the_earlier_one(word, value, rule):
    found = read(observation(word, meta=stored("2026-03-10T08:00:00Z", "2"), **value))
    assert (found.rule, [one.kind for one in found.retracted]) == (rule, [FactKind.RETRACTED])


def test_later_version_with_a_value_that_is_not_mapped_takes_nothing_back():
    # H14: the finding that stood before goes on standing until somebody looks
    assert read(observation(valueString="?", meta=stored("2026-03-10T08:00:00Z", "2"))).kind is IssueKind.UNKNOWN_VALUE


@pytest.mark.parametrize(
    ("word", "kind"),
    [("dressing-label-date", FactKind.LABEL_DATE), ("dressing-change-reported", FactKind.CHANGE_REPORTED)],
)
def test_label_and_reported_dates_are_days_with_the_kind_as_component(word, kind):
    both = {"coding": [*code("d17", "urn:x:stock")["coding"], *code("chg-gel", "dressing-kind")["coding"]]}
    dressing = {"code": {"text": "dressing"}, "valueCodeableConcept": both}
    one = fact(observation(word, valueDateTime="2026-03-05", component=[{"valueBoolean": True}, dressing]))
    assert (one.kind, one.value, one.findings) == (kind, "chg-gel", ())
    # Berlin, UTC+1
    assert (one.happened.earliest, one.happened.latest) == (at("2026-03-04T23:00:00Z"), at("2026-03-05T22:59:59Z"))
    assert one.happened.precision is Precision.DAY
    assert one.known == at("2026-03-09T21:45:00Z")


@pytest.mark.parametrize("component", [[], [{"valueCodeableConcept": {"text": "gauze"}}], [{"valueString": "gauze"}]])
def test_label_without_a_coded_kind_has_none(component):
    assert fact(observation("dressing-label-date", valueDateTime="2026-03-05", component=component)).value is None


@pytest.mark.parametrize("text", ["2026-02-30", "5 March", "2026-03-05T10:00:00"])
def test_label_date_that_cannot_be_read_is_an_issue(text):
    found = read(observation("dressing-label-date", valueDateTime=text))
    assert found.kind is IssueKind.BAD_TIME
    assert "valueDateTime" in found.text
    assert text not in found.text


@pytest.mark.parametrize(
    ("effective", "kind"),
    [
        ({"effectiveDateTime": None}, IssueKind.NO_TIME),
        ({"effectiveDateTime": None, "effectivePeriod": {"end": "2026-03-09T21:40:00Z"}}, IssueKind.NO_TIME),
        ({"effectiveDateTime": "2026-04-31"}, IssueKind.BAD_TIME),
        ({"effectiveDateTime": "2026-03-09T21:40:00"}, IssueKind.BAD_TIME),
    ],
)
def test_time_that_is_missing_or_wrong_is_an_issue(effective, kind):
    found = read(observation(valueCodeableConcept=condition("loose"), **effective))
    assert (found.kind, found.patient) == (kind, "Patient/p")


@pytest.mark.parametrize(
    "effective",
    [
        {"effectivePeriod": {"start": "2026-03-09T21:40:00Z", "end": "2026-03-09T22:00:00Z"}},
        {"effectiveInstant": "2026-03-09T21:40:00Z"},
    ],
)
def test_other_forms_of_effective(effective):
    assert (
        fact(observation(effectiveDateTime=None, valueCodeableConcept=condition("damp"), **effective)).happened == SEEN
    )


@pytest.mark.parametrize(
    ("word", "value", "kind"),
    [
        ("exit-site-healed", True, FactKind.SITE_HEALED),
        ("exit-site-healed", False, FactKind.SITE_NOT_HEALED),
        ("line-not-present", True, FactKind.LINE_NOT_PRESENT),
    ],
)
def test_truth_values(word, value, kind):
    assert fact(observation(word, valueBoolean=value)).kind is kind


def test_line_said_to_be_present_is_no_fact():
    assert read(observation("line-not-present", valueBoolean=False)) == Ignored("line-said-to-be-present")


@pytest.mark.parametrize("word", ["exit-site-healed", "line-not-present"])
def test_truth_that_is_not_told_as_such(word):
    assert read(observation(word)) == Ignored("no-value-charted")
    for value in ({"valueString": "yes"}, {"valueCodeableConcept": {"text": "no"}}):
        assert read(observation(word, **value)).kind is IssueKind.UNKNOWN_VALUE


@pytest.mark.parametrize(
    ("value", "word"),
    [
        ({"valueCodeableConcept": code("superior-vena-cava", "tip-location")}, "superior-vena-cava"),
        (
            {
                "valueCodeableConcept": {
                    "coding": [{"system": "urn:x:a", "code": "1"}, *code("axillary-vein", "tip-location")["coding"]]
                }
            },
            "axillary-vein",
        ),
        ({"valueString": "superior vena cava"}, None),
        ({"valueCodeableConcept": {"text": "superior-vena-cava"}}, None),
        ({}, None),
    ],
)
def test_tip_by_code_and_never_by_text(value, word):
    one = fact(observation("tip-location", **value))
    assert (one.kind, one.value) == (FactKind.TIP, word)


@pytest.mark.parametrize("kind", ["continuous", "intermittent", "blood", "lipid", "parenteral-nutrition", "propofol"])
def test_infusion_by_code(kind):
    one = fact(observation("infusion-start", valueCodeableConcept=code(kind, "infusion-kind")))
    assert (one.kind, one.value) == (FactKind.INFUSION_STARTED, kind)


@pytest.mark.parametrize("word", ["infusion-start", "tip-location"])
def test_coded_value_that_is_not_mapped_is_an_issue(word):
    assert (
        read(observation(word, valueCodeableConcept=code("elsewhere", "urn:x:other"))).kind is IssueKind.UNKNOWN_VALUE
    )


@pytest.mark.parametrize("word", ["external-length", "arm-circumference"])
def test_measurements_are_facts(word):
    assert fact(observation(word, valueQuantity={"value": 4, "code": "cm"})).kind is FactKind.MEASURED


@pytest.mark.parametrize(
    ("named", "line"),
    [
        ({"device": ref("Device/d")}, "Device/d"),
        ({"device": None, "focus": [ref("Device/d")]}, "Device/d"),
        ({"device": None, "focus": [ref("Encounter/e"), ref("Device/d")]}, "Device/d"),
        ({"device": None, "focus": [ref("https://chart.hospital.example/fhir/Device/d/_history/2")]}, "Device/d"),
        # FHIR R4, Observation: focus is what it is about, device the instrument it was taken with
        ({"device": ref("Device/tape"), "focus": [ref("Device/d")]}, "Device/d"),
        ({"device": ref("Device/d"), "focus": [ref("Encounter/e")]}, "Device/d"),
        ({"device": None, "focus": [ref("Encounter/e")]}, None),
        ({"device": ref("#d")}, None),
        ({"device": None}, None),
    ],
)
def test_line_by_focus_or_device(named, line):
    assert fact(observation(valueCodeableConcept=condition("loose"), **named)).device == line


@pytest.mark.parametrize("subject", [None, {}, ref("Device/d"), ref("Group/b"), ref("#p")])
def test_without_a_patient_it_is_an_issue(subject):
    assert read(observation(subject=subject)).kind is IssueKind.NO_PATIENT


def test_unknown_code_of_our_system_is_an_issue_and_any_other_is_not():
    found = read(observation("dressing-glanced-at", subject=None))
    assert (found.kind, found.patient) == (IssueKind.UNKNOWN_CODE, None)
    assert read(observation(code=code("8867-4", "http://loinc.org"))) == Ignored("code-not-mapped")
    assert read(observation(code={"text": "dressing loose"})) == Ignored("code-not-mapped")
    # a Procedure's code is none of an Observation's
    assert read(observation("dressing-change")).kind is IssueKind.UNKNOWN_CODE


def test_our_own_output_is_never_input():
    assert read(observation(identifier=[{"system": OWN, "value": "x"}])) == Ignored("own-output")


class TestGestation:
    """Gestational age at birth (design 2.7.19), and that the youngest reading counts (design 2.2.2, H28)."""

    @pytest.mark.parametrize(
        ("quantity", "days"),
        [
            ({"value": 40, "code": "wk"}, 280),
            ({"value": 28, "unit": "weeks"}, 196),
            ({"value": 203, "code": "d"}, 203),
            # 28 weeks and 6 days are 202 d; 28.857 × 7 = 201.999: the younger reading
            ({"value": 28.857, "code": "wk"}, 201),
            ({"value": 15, "code": "wk"}, 105),
            ({"value": 50, "code": "wk"}, 350),
        ],
    )
    def test_in_weeks_or_days(self, quantity, days):
        note = read(
            observation("gestational-age-at-birth", valueQuantity=quantity, meta=stored("2026-03-09T22:00:00Z"))
        )
        assert note == GestationNote(
            "Patient/p", "Observation/o1", days, at("2026-03-09T21:45:00Z"), at("2026-03-09T22:00:00Z")
        )

    @pytest.mark.parametrize(
        "value",
        [
            {},
            {"valueString": "28 weeks"},
            {"valueQuantity": {"value": 28}},
            {"valueQuantity": {"value": 28, "code": "mo"}},
            {"valueQuantity": {"code": "wk"}},
            {"valueQuantity": {"value": -28, "code": "wk"}},
            {"valueQuantity": {"value": 104, "code": "d"}},
            {"valueQuantity": {"value": 28, "code": "d"}},
            {"valueQuantity": {"value": 280, "code": "wk"}},
            {"valueQuantity": {"value": 1e308, "code": "wk"}},
        ],
    )
    def test_what_can_be_no_age_is_an_issue(self, value):
        assert read(observation("gestational-age-at-birth", **value)).kind is IssueKind.UNKNOWN_VALUE

    @pytest.mark.parametrize(
        ("status", "rule"),
        [("entered-in-error", "entered-in-error"), ("cancelled", "entered-in-error"), ("preliminary", "not-final")],
    )
    def test_taken_back(self, status, rule):
        charted = observation("gestational-age-at-birth", status=status, meta=stored("2026-03-10T08:00:00Z"))
        note = read(charted)
        assert (note.days, note.taken_back, note.known) == (None, rule, at("2026-03-10T08:00:00Z"))
        assert read(charted | {"meta": {}}).known == at("2026-03-09T21:45:00Z")

    def note(self, source, days, known, updated=None):
        return GestationNote("Patient/p", source, days, known, updated)

    def test_the_last_known_counts(self):
        first, second = self.note("Observation/a", 200, 10), self.note("Observation/b", 210, 20)
        for notes in ([first, second], [second, first]):
            assert gestation_known(notes, 5) is None
            assert gestation_known(notes, 15) == 200
            assert gestation_known(notes, 25) == 210

    def test_one_taken_back_does_not_count_from_then_on(self):
        said, taken_back = self.note("Observation/a", 200, 10, 10), self.note("Observation/a", None, 30, 30)
        for notes in ([said, taken_back], [taken_back, said]):
            assert gestation_known(notes, 29) == 200
            assert gestation_known(notes, 30) is None

    def test_no_note_is_none(self):
        assert gestation_known([], 100) is None


class TestColumns:
    """A system that charts in columns: the date of the last change stands in the value, again and again (ICU data set)."""

    SYSTEM = "urn:x:i"

    @pytest.fixture
    def by(self):
        shipped = reader().source_map.entries["Observation"]
        label = shipped[BASE + "charting", "dressing-label-date"]
        seen = shipped[BASE + "charting", "dressing-condition"]
        column = replace(label, fact=FactKind.DRESSING_CHANGED, line_kind="picc", slot="picc")
        slot = replace(column, line_kind="unknown", slot="slot-1", makes_line=True)
        words = Answers(coded={}, text={"loose": "loose", "wnl": "-"}, number={0.0: "loose", 1.0: "intact"})
        state = replace(seen, answers=words, line_kind="picc", slot="picc")
        part_changed = replace(seen, fact=FactKind.PART_CHANGED, answers=None, item="connector-change")
        entries = {
            "1": column,
            "2": slot,
            "3": state,
            "4": part_changed,
            "5": replace(state, fact=None, ignored="cap-change"),
        }
        return reader(
            entries={"Procedure": {}, "Observation": {(self.SYSTEM, key): entry for key, entry in entries.items()}}
        )

    def charted(self, word, **other):
        return observation(code=code(word, self.SYSTEM), device=None, **other)

    def test_change_happened_when_the_value_says(self, by):
        one = fact(self.charted("1", valueDateTime="2026-03-05T08:00:00Z"), by)
        assert (one.kind, one.line_kind, one.slot, one.device) == (FactKind.DRESSING_CHANGED, "picc", "picc", None)
        assert (one.happened, one.known) == (exactly(at("2026-03-05T08:00:00Z")), at("2026-03-09T21:45:00Z"))

    def test_column_without_a_value_says_nothing(self, by):
        assert read(self.charted("1"), by) == Ignored("no-value-charted")

    def test_slot_is_there_because_it_is_charted_about(self, by):
        there, changed = read(self.charted("2", valueDateTime="2026-03-05T08:00:00Z"), by)
        assert (there.kind, there.slot, there.line_kind) == (FactKind.CHARTED, "slot-1", "unknown")
        assert there.happened == exactly(at("2026-03-09T21:45:00Z"))
        assert changed.kind is FactKind.DRESSING_CHANGED

    def test_slot_without_a_value_is_there_all_the_same(self, by):
        (there,) = read(self.charted("2"), by)
        assert (there.kind, there.known) == (FactKind.CHARTED, at("2026-03-09T21:45:00Z"))

    @pytest.mark.parametrize(
        ("value", "findings"),
        [
            ({"valueQuantity": {"value": 0}}, ("loose",)),
            ({"valueQuantity": {"value": 1.0}}, ("intact",)),
            ({"valueString": " Loose "}, ("loose",)),
            ({"valueString": "WNL"}, ("none",)),
            ({"valueCodeableConcept": {"text": "LOOSE"}}, ("loose",)),
        ],
    )
    def test_states_by_number_and_by_the_words_the_map_lists(self, by, value, findings):
        assert fact(self.charted("3", **value), by).findings == findings

    @pytest.mark.parametrize(
        "value", [{"valueQuantity": {"value": 2}}, {"valueString": "loosish"}, {"valueString": ""}]
    )
    def test_any_other_number_or_word_is_an_issue(self, by, value):
        assert read(self.charted("3", **value), by).kind is IssueKind.UNKNOWN_VALUE

    def test_part_changed_names_its_item(self, by):
        assert fact(self.charted("4"), by).value == "connector-change"

    def test_code_listed_as_ignored_is_counted_by_its_rule(self, by):
        assert read(self.charted("5", subject=None), by) == Ignored("cap-change")
