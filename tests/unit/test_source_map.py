"""A source map is refused with every mistake named by file and line (design section 4), and read as written."""

from dataclasses import dataclass

import pytest

from linedays.adapters.mapping_files import document_from_text
from linedays.core.charting import PresenceStart
from linedays.core.model import FactKind
from linedays.mapping.documents import Documents, PolicyInvalid
from linedays.mapping.source_map import Answers, TimeFrom, source_map_from_documents
from support.charted import ACTION, BASE, SCT
from support.policy_files import line_of, replaced, text_of

REFERENCE, ICU = "sources/reference.yaml", "sources/icu-presence.yaml"


def documents(text, file=REFERENCE):
    problems = []
    document = document_from_text(text, file, problems)
    return Documents(documents=(document,) if document else (), problems=tuple(problems))


def problems(text, file=REFERENCE):
    with pytest.raises(PolicyInvalid) as raised:
        source_map_from_documents(documents(text, file), file[8:-5])
    return raised.value.problems


@pytest.fixture(scope="module")
def reference():
    return source_map_from_documents(documents(text_of(REFERENCE)), "reference")


@pytest.fixture(scope="module")
def icu():
    return source_map_from_documents(documents(text_of(ICU), ICU), "icu-presence")


@dataclass(frozen=True)
class Mistake:
    """One edit of the reference map, and what the report must say: `marker` stands in the line that it names."""

    id: str
    old: str
    new: str
    marker: str
    what: str
    expected: str


CHANGE = "  - {resource: Procedure, system: charting, codes: [dressing-change], fact: dressing-changed}\n"
SEEN = "  - {resource: Observation, system: charting, codes: [dressing-condition], fact: dressing-seen, answers: dressing}\n"
PART = "codes: [connector-change], fact: part-changed, item: connector-change}"

MISTAKES = (
    Mistake("unknown-key", "times:\n", "tims:\n", "tims:", "unknown key 'tims'", "name, title, systems, charting"),
    Mistake("missing-section", "permanent_identifiers: [https://linedays.example/fhir/device-label]\n", "", "# The reference", "no 'permanent_identifiers'", "identifier systems"),
    Mistake("missing-known", "  encounter: [updated, happened]\n", "", "known:", "no 'encounter'", "a list of updated, happened"),
    Mistake("known-empty", "device: [updated, happened]", "device: []", "device: []", "'device' is []", "a list of updated, happened"),
    Mistake("known-of-another", "procedure: [recorded, updated, happened]", "procedure: [issued]", "procedure: [issued]", "is 'issued'", "a list of recorded, updated, happened"),
    Mistake("duration-bare", "join_gap: 4 h", "join_gap: 4", "join_gap: 4", "'join_gap' is 4 without a unit", "such as 7 d"),
    Mistake("start-word", "presence_start: arrival", "presence_start: maybe", "presence_start", "'presence_start' is 'maybe'", "arrival, insertion"),
    Mistake(
        "midnight-element",
        "midnight_is_day: []",
        "midnight_is_day: [noon]",
        "midnight_is_day: [noon]",
        "'midnight_is_day' is 'noon'",
        "a list of performed, effective, value",
    ),
    Mistake("offset-word", "without_offset: issue", "without_offset: utc", "without_offset: utc", "'without_offset' is 'utc'", "issue or local"),
    Mistake("device-entry", CHANGE, CHANGE.replace("Procedure", "Device"), "resource: Device", "'resource' is 'Device'", "Procedure or Observation"),
    Mistake("unknown-fact", "fact: removed}", "fact: gone}", "fact: gone", "no fact named 'gone' for Procedure", "one of: removed"),
    Mistake("fact-of-ours", "fact: removed}", "fact: retracted}", "fact: retracted", "no fact named 'retracted'", "one of: removed"),
    Mistake("finding-of-a-procedure", CHANGE, CHANGE.replace("dressing-changed", "dressing-seen, answers: dressing"), "codes: [dressing-change]", "no fact named 'dressing-seen' for Procedure", "one of: removed"),
    Mistake("gestation-of-a-procedure", "fact: removed}", "fact: gestation}", "fact: gestation", "no fact named 'gestation' for Procedure", "ignore"),
    Mistake("presence-of-an-observation", "fact: tip}", "fact: present}", "fact: present", "no fact named 'present' for Observation", "gestation"),
    Mistake("answers-nowhere", "answers: dressing}", "answers: bandage}", "answers: bandage", "no answers named 'bandage'", "one of: dressing, site"),
    Mistake("finding-without-answers", SEEN, SEEN.replace(", answers: dressing", ""), "codes: [dressing-condition]", "a finding without `answers`", "one of: dressing, site"),
    Mistake("ignored-without-why", "fact: removed}", "fact: ignore}", "fact: ignore", "an ignored code without `why`", "a short name of the rule"),
    Mistake("part-without-item", PART, PART.replace(", item: connector-change", ""), "codes: [connector-change]", "a changed part without `item`", "the upkeep item"),
    Mistake("procedure-effective", CHANGE, CHANGE.replace("}", ", time: effective}"), "time: effective", "a Procedure has no 'effective' time", "performed"),
    Mistake("procedure-value", CHANGE, CHANGE.replace("}", ", time: value}"), CHANGE[:60], "a Procedure has no 'value' time", "performed"),
    Mistake("observation-performed", SEEN, SEEN.replace("}", ", time: performed}"), "time: performed", "an Observation has no performed time", "effective or value"),
    Mistake("time-word", CHANGE, CHANGE.replace("}", ", time: soon}"), "time: soon", "'time' is 'soon'", "performed, effective or value"),
    Mistake("observation-only-with-line", SEEN, SEEN.replace("}", ", only_with_line: true}"), SEEN[:60], "only_with_line on an Observation", "a Procedure"),
    Mistake("only-with-line-word", "only_with_line: true", "only_with_line: yes", "only_with_line: yes", "'only_with_line' is 'yes'", "true or false"),
    Mistake("procedure-makes-line", CHANGE, CHANGE.replace("}", ", makes_line: true, slot: a}"), "makes_line: true", "a line made by charting without", "an Observation and its slot"),
    Mistake("makes-line-without-slot", SEEN, SEEN.replace("}", ", makes_line: true}"), SEEN[:60], "a line made by charting without", "an Observation and its slot"),
    Mistake("no-codes", "codes: [removal]", "codes: []", "codes: []", "'codes' is []", "a list of codes"),
    Mistake("number-as-code", 'codes: ["18949003"]', "codes: [18949003]", "codes: [18949003]", "is 18949003", "in quotes where they are numbers"),
    Mistake("code-twice", CHANGE, CHANGE + CHANGE.replace("changed", "reinforced"), "fact: dressing-reinforced", "the code 'dressing-change' a second time (first in line ", "each once"),
    Mistake("system-nowhere", CHANGE, CHANGE.replace("system: charting", "system: chartin"), "system: chartin,", "no system named 'chartin'", "one of: charting, line-kind"),
    Mistake("system-of-kinds-nowhere", "{system: not-done-reason", "{system: reason", "{system: reason", "no system named 'reason'", "or a URL"),
    Mistake("system-of-actions-nowhere", "{system: device-action", "{system: action", "{system: action", "no system named 'action'", "or a URL"),
    Mistake("kind-twice", "intraosseous, unknown]", "picc, unknown]", "- system: line-kind", "the code 'picc' a second time", "each once"),
    Mistake("reason-twice", "[off-unit, refused, unstable, other]", "[off-unit, off-unit]", "{system: not-done", "the code 'off-unit' a second time", "each once"),
    Mistake("finding-twice", "codes: {none: \"-\"}", "codes: {pus: \"-\"}", "- system: site-finding", "the code 'pus' a second time", "each once"),
    Mistake("site-twice", "  - {charted: \"24028007\", side: right}\n", "  - {charted: \"7771000.\", side: right}\n", "7771000.", "the site '7771000.' a second time", "each once"),
    Mistake("answers-twice", "  - name: site\n", "  - name: dressing\n", "  - name: dressing\n    coded:\n      - system: site", "the answers 'dressing' a second time", "each once"),
    Mistake("side-word", "side: left", "side: up", "side: up", "'side' is 'up'", "left or right"),
    Mistake("pair-of-three", "[[introducer, pulmonary-artery]]", "[[introducer, pulmonary-artery, picc]]", "shared_dressing", "3 kinds", "two line kinds"),
    Mistake("number-in-words", "  - name: site\n", "  - name: site\n    number: {one: intact}\n", "number: {one", "'one' is no number", 'such as "0"'),
    Mistake("number-infinite", "  - name: site\n", "  - name: site\n    number: {\"inf\": intact}\n", "number: {", "'inf' is no number", 'such as "0"'),
    Mistake("number-twice", "  - name: site\n", "  - name: site\n    number: {\"1\": intact, \"1.0\": loose}\n", "number: {", "'1.0' is the same number as '1'", "each once"),
    Mistake("text-twice", "  - name: site\n", "  - name: site\n    text: {WNL: \"-\", \"wnl \": pain}\n", "text: {", "the answer 'wnl ' a second time", "each once"),
    Mistake("empty-word", "  - name: site\n", "  - name: site\n    text: {WNL: \"\"}\n", "text: {", "'WNL' is ''", "a value"),
    Mistake("allergy-group", "[chlorhexidine, adhesive,", "[chlorexidine, adhesive,", "system: allergen", "no group of allergies named 'chlorexidine'", "one of: chlorhexidine, adhesive, iodine, alcohol, latex, other, none-known, or one in `allergy_groups`"),
    Mistake("allergy-twice", "latex, other, none-known]", "latex, latex]", "system: allergen", "the code 'latex' a second time", "each once"),
    Mistake("allergy-known", "allergy_intolerance: [recorded, updated]", "allergy_intolerance: [happened]", "allergy_intolerance: [h", "is 'happened'", "a list of recorded, updated"),
    Mistake("broken-yaml", "systems:\n", "systems: [\n", "line-kind: https", "broken YAML", "valid YAML"),
)  # fmt: skip


@pytest.mark.parametrize("mistake", MISTAKES, ids=[mistake.id for mistake in MISTAKES])
def test_every_mistake_is_reported_with_file_and_line(mistake):
    text = replaced(REFERENCE, (mistake.old, mistake.new))
    found = [one for one in problems(text) if mistake.what in one.what]
    assert found, problems(text)
    assert {one.file for one in found} == {REFERENCE}
    assert line_of(text, mistake.marker, text.find(mistake.new)) in {one.line for one in found}, (found, mistake.marker)
    assert all(mistake.expected in one.expected for one in found), found


def test_hospital_may_name_further_groups_of_allergies():
    text = replaced(
        REFERENCE,
        ("allergies:\n", "allergy_groups: [silicone]\nallergies:\n"),
        ("  - {system: allergen, same:", '  - {system: sct, codes: {"900001": silicone}}\n  - {system: allergen, same:'),
    )
    assert source_map_from_documents(documents(text), "reference").allergies[SCT, "900001"] == "silicone"


def test_several_mistakes_of_fit_are_reported_at_once():
    text = replaced(
        REFERENCE,
        ("fact: removed}", "fact: gone}"),
        ("answers: dressing}", "answers: bandage}"),
        ("[[introducer, pulmonary-artery]]", "[[introducer]]"),
        (CHANGE, CHANGE + CHANGE),
    )
    assert sorted(one.what.split(" (")[0] for one in problems(text)) == [
        "1 kinds",
        "no answers named 'bandage'",
        "no fact named 'gone' for Procedure",
        "the code 'dressing-change' a second time",
    ]


def test_several_mistakes_of_shape_are_reported_at_once():
    text = replaced(
        REFERENCE, ("midnight_is_day: []", "midnight_is_day: [noon]"), ("join_gap: 4 h", "join_gap: 4"), ("title:", "titel:")
    )
    assert len(problems(text)) == 4  # the title counts twice: an unknown key, and a missing one


def test_map_that_is_a_list_or_nothing_is_refused():
    for text in ("- a\n- b\n", "name\n", ""):
        assert problems(text)


def test_unknown_name_says_which_maps_there_are():
    with pytest.raises(PolicyInvalid) as raised:
        source_map_from_documents(documents(text_of(REFERENCE)), "elsewhere")
    (one,) = raised.value.problems
    assert (one.file, one.what, one.expected) == (
        "sources/elsewhere.yaml",
        "there is no such source map",
        "one of: reference",
    )
    with pytest.raises(PolicyInvalid, match="expected a file in sources/"):
        source_map_from_documents(Documents(documents=()), "elsewhere")


class TestReference:
    """Spot checks against design section 7, one for each part of the map."""

    def test_charting(self, reference):
        assert (reference.name, reference.charting.entry_tolerance, reference.charting.join_gap) == (
            "reference",
            900,
            4 * 3600,
        )
        assert reference.charting.presence_start is PresenceStart.ARRIVAL
        assert reference.charting.shared_dressing == (("introducer", "pulmonary-artery"),)
        assert (reference.midnight_is_day, reference.local_if_no_offset) == (frozenset(), False)

    def test_known_times_in_the_order_of_design_2_2_4(self, reference):
        assert reference.known == {
            "Procedure": ("recorded", "updated", "happened"),
            "Observation": ("issued", "updated", "happened"),
            "Device": ("updated", "happened"),
            "DeviceUseStatement": ("recorded-on", "updated", "happened"),
            "Encounter": ("updated", "happened"),
            "Patient": ("updated", "happened"),
            "AllergyIntolerance": ("recorded", "updated"),
        }

    @pytest.mark.parametrize(
        ("resource", "word", "fact"),
        [
            ("Procedure", "insertion", FactKind.INSERTED),
            ("Procedure", "removal", FactKind.REMOVED),
            ("Procedure", "dressing-change", FactKind.DRESSING_CHANGED),
            ("Procedure", "guidewire-exchange", FactKind.EXCHANGED_OUT),
            ("Procedure", "upkeep-paused", FactKind.PAUSED),
            ("Procedure", "line-access", FactKind.USED),
            ("Observation", "dressing-label-date", FactKind.LABEL_DATE),
            ("Observation", "dressing-change-reported", FactKind.CHANGE_REPORTED),
            ("Observation", "dressing-condition", FactKind.DRESSING_SEEN),
            ("Observation", "site-assessment", FactKind.SITE_SEEN),
            ("Observation", "exit-site-healed", FactKind.SITE_HEALED),
            ("Observation", "line-not-present", FactKind.LINE_NOT_PRESENT),
            ("Observation", "tip-location", FactKind.TIP),
            ("Observation", "external-length", FactKind.MEASURED),
        ],
    )
    def test_entries(self, reference, resource, word, fact):
        assert reference.entries[resource][BASE + "charting", word].fact is fact

    def test_times_of_entries(self, reference):
        observed = reference.entries["Observation"]
        assert observed[BASE + "charting", "dressing-label-date"].time is TimeFrom.VALUE
        assert observed[BASE + "charting", "dressing-condition"].time is TimeFrom.EFFECTIVE
        assert reference.entries["Procedure"][BASE + "charting", "removal"].time is TimeFrom.PERFORMED

    def test_general_dressing_change_needs_a_line_and_makes_no_system_known(self, reference):
        assert reference.entries["Procedure"][SCT, "18949003"].only_with_line
        assert SCT not in reference.systems
        assert SCT not in reference.kind_systems
        assert reference.systems == {BASE + "charting"}
        assert reference.kind_systems == {BASE + "line-kind"}

    def test_codes(self, reference):
        assert reference.line_kinds[BASE + "line-kind", "picc"] == "picc"
        assert reference.line_kinds[SCT, "52124006"] == "unknown"
        assert len([1 for system, _ in reference.line_kinds if system == BASE + "line-kind"]) == 16
        assert len(reference.dressing_kinds) == 11
        assert len(reference.infusion_kinds) == 6
        assert reference.tip_locations[BASE + "tip-location", "superior-vena-cava"] == "superior-vena-cava"
        assert set(reference.reasons.values()) == {"off-unit", "refused", "unstable", "other"}
        assert (reference.implanted, reference.explanted) == ({(ACTION, "implanted")}, {(ACTION, "explanted")})
        assert (reference.sites["7771000"], reference.sites["24028007"]) == ((None, "left"), (None, "right"))

    def test_answers(self, reference):
        found = reference.entries["Observation"][BASE + "charting", "site-assessment"].answers
        assert found.coded[BASE + "site-finding", "none"] == "-"
        assert found.coded[BASE + "site-finding", "pus"] == "pus"
        assert (len(found.coded), found.text, found.number) == (23, {}, {})


class TestIcu:
    """Spot checks against items.csv and the README of the open ICU data set."""

    def test_presence_and_columns(self, icu):
        system = "urn:example:icu-items"
        line = icu.entries["Procedure"][system, "224264"]
        assert (line.fact, line.line_kind, line.slot) == (FactKind.PRESENT, "picc", "picc")
        column = icu.entries["Observation"][system, "224186"]
        assert (column.fact, column.time, column.slot) == (FactKind.DRESSING_CHANGED, TimeFrom.VALUE, "picc")
        slot = icu.entries["Observation"][system, "5684"]
        assert (slot.makes_line, slot.line_kind) == (True, "unknown")
        assert icu.entries["Observation"][system, "224183"].ignored == "cap-change"
        assert (icu.midnight_is_day, icu.known["Procedure"]) == ({TimeFrom.VALUE}, ("happened",))
        assert icu.systems == {system}

    def test_states(self, icu):
        sealed = icu.entries["Observation"]["urn:example:icu-items", "227358"].answers
        assert sealed == Answers(coded={}, text={}, number={1.0: "intact", 0.0: "loose"})
        site = icu.entries["Observation"]["urn:example:icu-items", "224188"].answers
        assert (site.text["wnl"], site.text["old blood"], site.text["ecchymotic"]) == ("-", "old-blood", "bruising")


def test_systems_may_be_urls_and_a_gap_may_be_none():
    text = replaced(REFERENCE, (CHANGE, CHANGE.replace("charting", "urn:x:own")), ("join_gap: 4 h", "join_gap: null"))
    found = source_map_from_documents(documents(text), "reference")
    assert found.entries["Procedure"]["urn:x:own", "dressing-change"].fact is FactKind.DRESSING_CHANGED
    assert found.charting.join_gap is None
    assert "urn:x:own" in found.systems
