"""Reading line_days.yaml: the shipped file holds, and every mistake is named with its line."""

from datetime import time

import pytest

from linedays.adapters.mapping_files import document_from_text, read_documents
from linedays.core.count_rules import Count, UnitBasis, kind_counting, place_class_of, time_rule
from linedays.core.model import FactKind, PlaceClass
from linedays.core.policy import LineKind, Source
from linedays.mapping.counting import counting_from_documents, kinds_that_differ
from linedays.mapping.documents import Documents, PolicyInvalid
from support.charted import CHARTED_KINDS
from support.counted_ward import COUNTING, MAPPINGS

ROLE = "http://terminology.hl7.org/CodeSystem/v3-RoleCode"
SHIPPED = (MAPPINGS / "line_days.yaml").read_text(encoding="utf-8")

SMALL = """\
snapshot: {time: "08:00", source: local policy, since: 2024-01-01}
day_numbers:
  - name: day-number
    version: "1"
    year: 2024
    eligible_from_day: 3
    eligible_days_after: 1
    access_facts: [inserted, used]
    source: a manual
denominators:
  - {name: snapshot, version: "1", year: 2024, include_not_accessed: false, source: a manual}
times:
  - {count: elapsed, name: elapsed, version: "1", year: 2024, units: charted, source: a manual}
  - {count: line-calendar, name: line-calendar, version: "1", year: 2024, units: charted, source: a manual}
  - {count: patient-calendar, name: patient-calendar, version: "1", year: 2024, units: charted, source: a manual}
  - {count: dwell, name: dwell, version: "1", year: 2024, units: null, source: a manual, from_memory: true}
kinds:
  - {group: central, central: true, codes: [picc], source: a manual, since: 2024-01-01}
tips:
  - {central: true, codes: [aorta], source: a manual, since: 2024-01-01}
location_classes:
  - {counts_as: inpatient, system: "urn:ward", codes: ["1"], source: a manual, since: 2024-01-01}
locations:
  - {counts_as: procedural, ids: [room-1], source: common practice, since: 2024-01-01}
"""


def parsed(text: str, file: str = "line_days.yaml"):
    problems: list = []
    document = document_from_text(text, file, problems)
    documents = Documents(documents=() if document is None else (document,), problems=tuple(problems))
    return counting_from_documents(documents)


def refused(text: str) -> list[str]:
    with pytest.raises(PolicyInvalid) as caught:
        parsed(text)
    return [str(problem) for problem in caught.value.problems]


def test_small_file_becomes_the_rules_it_states():
    found = parsed(SMALL)

    assert found.snapshot_time == time(8, 0)
    assert (found.day_numbers[0].eligible_from_day, found.day_numbers[0].eligible_days_after) == (3, 1)
    assert found.day_numbers[0].access_facts == (FactKind.INSERTED, FactKind.USED)
    assert (str(found.denominators[0].id), found.denominators[0].include_not_accessed) == ("snapshot 1 (2024)", False)
    assert [(rule.count, rule.units) for rule in found.times] == [
        (Count.ELAPSED, UnitBasis.CHARTED),
        (Count.LINE_CALENDAR, UnitBasis.CHARTED),
        (Count.PATIENT_CALENDAR, UnitBasis.CHARTED),
        (Count.DWELL, None),
    ]
    assert time_rule(found, Count.DWELL, 2024).source == Source(text="a manual", seen=False)
    assert (found.kinds[0].code, found.kinds[0].group, found.kinds[0].central) == ("picc", "central", True)
    assert found.kinds[0].source == Source(text="a manual", seen=True)
    assert (found.tips[0].code, found.tips[0].central) == ("aorta", True)


def test_location_is_classed_by_its_id_then_by_the_first_mapped_type():
    found = parsed(SMALL)

    assert place_class_of(found, "room-1", [("urn:ward", "1")]) is PlaceClass.PROCEDURAL
    assert place_class_of(found, "room-2", [("urn:ward", "2"), ("urn:ward", "1")]) is PlaceClass.INPATIENT
    assert place_class_of(found, "room-2", [("urn:other", "1")]) is None


@pytest.mark.parametrize(
    ("code", "expected"),
    # Codes: HL7 v3 RoleCode. Classes: NHSN ch. 4, inpatient locations, from memory; the rest common practice.
    [
        ("ICU", PlaceClass.INPATIENT),
        ("HU", PlaceClass.INPATIENT),
        ("ER", PlaceClass.OUTPATIENT),
        ("CATH", PlaceClass.PROCEDURAL),
        ("HD", PlaceClass.PROCEDURAL),
        ("HOSP", None),
    ],
)
def test_shipped_location_classes(code, expected):
    assert place_class_of(COUNTING, "any", [(ROLE, code)]) is expected


def test_shipped_file_names_every_line_kind_of_the_reference_charting():
    assert [kind for kind in CHARTED_KINDS if kind_counting(COUNTING, kind) is None] == []
    assert COUNTING.day_numbers[0].eligible_from_day == 3
    assert COUNTING.denominators[0].include_not_accessed is True


LINE = "line_days.yaml:{}: "

MISTAKES = [
    # (what stands in the small file, what is written instead, the whole problem)
    pytest.param(
        'time: "08:00"',
        "time: 8",
        LINE.format(1) + "'time' is 8, not a time of day — expected a time of day in quotes, such as \"07:00\"",
        id="time without quotes",
    ),
    pytest.param(
        'time: "08:00"',
        'time: "8 am"',
        LINE.format(1) + "'time' is '8 am', not a time of day — expected a time of day in quotes, such as \"07:00\"",
        id="no time",
    ),
    pytest.param(
        ", since: 2024-01-01}\nday",
        "}\nday",
        LINE.format(1) + "no 'since' — expected the first day it holds, such as 2024-01-31",
        id="no date",
    ),
    pytest.param(
        "    year: 2024\n",
        "    year: soon\n",
        LINE.format(5) + "'year' is 'soon' — expected the first year in which the rule holds, such as 2024",
        id="no year",
    ),
    pytest.param(
        "    year: 2024\n",
        "    year: 24\n",
        LINE.format(5) + "'year' is 24 — expected the first year in which the rule holds, such as 2024",
        id="short year",
    ),
    pytest.param(
        '    version: "1"\n',
        "    version: 1\n",
        LINE.format(4) + "'version' is 1 — expected a version in quotes, such as \"1\"",
        id="version without quotes",
    ),
    pytest.param(
        "    source: a manual\n",
        "",
        LINE.format(3)
        + "no 'source' — expected the published source (document, year, section) or \"common practice, no source\"",
        id="no source",
    ),
    pytest.param(
        "[inserted, used]",
        "[inserted, removed]",
        LINE.format(8)
        + "removed is no access to a line — expected one of: inserted, used, port-accessed, infusion-started",
        id="no access",
    ),
    pytest.param(
        "[inserted, used]",
        "[inserted, usd]",
        LINE.format(8)
        + "'access_facts' is 'usd' — expected a list of: inserted, used, port-accessed, infusion-started",
        id="misspelt fact",
    ),
    pytest.param(
        "include_not_accessed: false",
        "include_not_accessed: no",
        LINE.format(11) + "'include_not_accessed' is 'no' — expected true or false",
        id="no is not false",
    ),
    pytest.param(
        "include_not_accessed: false",
        "include: false, include_not_accessed: false",
        LINE.format(11)
        + "unknown key 'include' — expected one of: name, version, year, source, from_memory, include_not_accessed",
        id="unknown key",
    ),
    pytest.param(
        "units: null",
        "units: charted",
        LINE.format(16) + "'units' of dwell is charted — expected null for dwell, and only for dwell",
        id="dwell by unit",
    ),
    pytest.param(
        'name: elapsed, version: "1", year: 2024, units: charted',
        'name: elapsed, version: "1", year: 2024, units: null',
        LINE.format(13) + "'units' of elapsed is null — expected null for dwell, and only for dwell",
        id="elapsed by no unit",
    ),
    pytest.param(
        "count: dwell,",
        "count: elapsed,",
        LINE.format(12) + "no rule of dwell — expected a rule of each count",
        id="a count is missing",
    ),
    pytest.param(
        "codes: [picc]",
        "codes: [picc, midline, picc]",
        LINE.format(18) + "picc a second time — expected each once (first in line 18)",
        id="kind twice",
    ),
    pytest.param(
        "codes: [aorta]",
        "codes: [aorta, aorta]",
        LINE.format(20) + "aorta a second time — expected each once (first in line 20)",
        id="tip twice",
    ),
    pytest.param(
        'codes: ["1"]',
        'codes: ["1", "1"]',
        LINE.format(22) + "urn:ward|1 a second time — expected each once (first in line 22)",
        id="location type twice",
    ),
    pytest.param(
        "ids: [room-1]",
        "ids: [room-1, room-1]",
        LINE.format(24) + "room-1 a second time — expected each once (first in line 24)",
        id="location twice",
    ),
    pytest.param(
        "counts_as: procedural",
        "counts_as: theatre",
        LINE.format(24) + "'counts_as' is 'theatre' — expected one of: inpatient, outpatient, procedural",
        id="no class",
    ),
    pytest.param(
        "tips:\n",
        "tops:\n",
        LINE.format(19)
        + "unknown section 'tops' — expected sections: snapshot, day_numbers, denominators, times, kinds, tips, location_classes, locations",
        id="unknown section",
    ),
    pytest.param(
        "tips:\n", "tops:\n", LINE.format(1) + "no section 'tips' — expected a section tips", id="missing section"
    ),
    pytest.param(
        "codes: [picc]",
        "codes: []",
        LINE.format(18) + "'codes' is [] — expected a list of codes, each once",
        id="no codes",
    ),
]


@pytest.mark.parametrize(("stands", "written", "problem"), MISTAKES)
def test_mistake_is_refused_with_its_line(stands, written, problem):
    assert SMALL.count(stands) == 1

    assert problem in refused(SMALL.replace(stands, written))


def test_every_problem_is_told_at_once():
    wrong = (
        SMALL.replace("eligible_from_day: 3", "eligible_from_day: 0")
        .replace("[aorta]", "[Aorta]")
        .replace("false", "perhaps")
    )

    assert [problem.split(": ")[0] for problem in refused(wrong)] == [
        "line_days.yaml:6",
        "line_days.yaml:11",
        "line_days.yaml:20",
    ]


@pytest.mark.parametrize(
    ("section", "instead"),
    [
        ("tips", "tips: []\n"),
        ("tips", "tips: aorta\n"),
        ("kinds", "kinds: null\n"),
        ("denominators", "denominators: {year: 2024}\n"),
    ],
)
def test_section_that_is_no_list_of_entries_is_refused(section, instead):
    lines = SMALL.splitlines(keepends=True)
    start = lines.index(f"{section}:\n")
    text = "".join([*lines[:start], instead, *lines[start + 2 :]])

    assert [problem for problem in refused(text) if "expected a list of entries" in problem]


def test_same_year_twice_is_refused():
    rule = SMALL[SMALL.index("  - name: day-number") : SMALL.index("denominators:")]

    assert refused(SMALL.replace("denominators:\n", rule + "denominators:\n")) == [
        LINE.format(12) + "the year 2024 a second time — expected each once (first in line 5)"
    ]


def test_file_that_is_no_keys_and_values_is_refused():
    assert refused("- a list\n")[0] == LINE.format(1) + ("no section 'day_numbers' — expected a section day_numbers")
    assert any("the file is ['a list']" in problem for problem in refused("- a list\n"))


def test_missing_file_and_broken_file_say_so():
    with pytest.raises(PolicyInvalid, match=r"line_days\.yaml:1: no such file — expected the counting rules"):
        counting_from_documents(Documents(documents=()))
    assert refused("kinds: [\n")[0].startswith("line_days.yaml:2: broken YAML")


def test_shipped_file_is_read_without_problems():
    assert [one for one in read_documents(MAPPINGS).problems if one.file == "line_days.yaml"] == []
    assert parsed(SHIPPED) == COUNTING


def kind(code: str, central: bool | None) -> LineKind:
    return LineKind(
        code=code,
        name=code,
        central=central,
        may_go_home=False,
        dressing=True,
        who="nurse",
        source=Source(text="a manual"),
    )


def test_policy_and_counting_rules_must_say_alike_what_is_central():
    policy = [
        kind("picc", True),
        kind("midline", None),
        kind("arterial", True),
        kind("unknown", False),
        kind("novel", True),
    ]

    assert [(problem.what, problem.expected) for problem in kinds_that_differ(COUNTING, policy)] == [
        ("central of the line kind 'midline' is false", "null, as in the policy"),
        ("central of the line kind 'arterial' is false", "true, as in the policy"),
        ("central of the line kind 'unknown' is null", "false, as in the policy"),
        ("no line kind 'novel'", "every line kind of the policy"),
    ]
