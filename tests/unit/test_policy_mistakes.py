"""Every kind of mistake in a policy file is reported with its file and line, and with what was expected."""

from dataclasses import dataclass

import pytest

from support.policy_files import documents_with, line_of, problems_of, replaced, text_of

LINE_KINDS = "policy/line_kinds.yaml"
DRESSINGS = "policy/dressing_kinds.yaml"
RULES = "policy/dressing_rules.yaml"
FINDINGS = "policy/findings.yaml"
WINDOWS = "policy/windows.yaml"
UNITS = "policy/units.yaml"
LIMITS = "policy/limits.yaml"
EXAMPLES = "policy/examples/dressings.yaml"


@dataclass(frozen=True)
class Mistake:
    """One edit of one shipped file, and what the report must say: `marker` stands in the line that it names."""

    id: str
    file: str
    old: str
    new: str
    marker: str
    what: str
    expected: str


GAUZE = "  - id: dressing-gauze\n"
GAUZE_VALUE = """      - since: 2020-01-01
        interval: 2 d
        basis: elapsed
        grace: 0 h
        source: CDC-2011, Catheter Site Dressing Regimens rec. 6, Cat II; INS-2024 Std 39
"""
NEONATE_SEEN = "        seen_within: 24 h\n"

SLIPS_OF_YAML = (
    Mistake("no-stays-text", UNITS, "neonatal: false", "neonatal: no", "neonatal: no", "'neonatal' is 'no'", "true or false"),
    Mistake("octal-stays-text", FINDINGS, "[missing]", "[0123]", "[0123]", "'findings' is '0123'", "a list of codes"),
    Mistake("number-for-text", LINE_KINDS, "name: midline catheter", "name: 12", "name: 12", "'name' is 12", "the words shown"),
    Mistake("key-twice", RULES, "interval: 2 d", "interval: 2 d\n        interval: 7 d", "interval: 7 d", "'interval' a second time (first in line", "each key once"),
    Mistake("star-unquoted", UNITS, '- unit: "*"', "- unit: *", "- unit: *", "broken YAML", "valid YAML"),
    Mistake("tab", UNITS, "    usual_dressing", "\t usual_dressing", "\t usual_dressing", "a tab", "spaces"),
    Mistake("anchor", WINDOWS, "lead: 3 h", "lead: &short 3 h", "&short", "an anchor (&short)", "the value itself"),
    Mistake("alias", WINDOWS, "lead: 3 h", "lead: *short", "*short", "an alias (*short)", "the value itself"),
    Mistake("tag", WINDOWS, "lead: 3 h", "lead: !!int 3", "!!int", "a tag (tag:yaml.org,2002:int)", "plain YAML"),
    Mistake("second-document", WINDOWS, "windows:", "windows: []\n---\nwindows:", "---", "a second document", "one document per file"),
    Mistake("key-no-text", WINDOWS, "lead: 3 h", "7: 3 h", "7: 3 h", "a key that is not text", "a text key"),
    Mistake("no-value", WINDOWS, "lead: 3 h", "lead:", "lead:", "a key without a value", "a value, or null"),
    Mistake("bracket-open", FINDINGS, "[missing]", "[missing", "means: compromised", "broken YAML", "valid YAML"),
)

SLIPS_OF_SHAPE = (
    Mistake("unknown-key", RULES, "interval: 2 d", "intervall: 2 d", "intervall", "unknown key 'intervall'", "interval, basis, grace"),
    Mistake("missing-key", LINE_KINDS, "    may_go_home: false\n", "", "- code: nontunnelled-cvc", "no 'may_go_home'", "true or false"),
    Mistake("no-unit", RULES, "interval: 2 d", "interval: 2", "interval: 2", "'interval' is 2 without a unit", "such as 7 d"),
    Mistake("no-unit-hours", UNITS, "change_margin: 30 min", "change_margin: 30", "change_margin: 30", "is 30 without a unit", "15 min"),
    Mistake("unknown-unit", RULES, "interval: 2 d", "interval: 2 days", "2 days", "has the unknown unit 'days'", "such as 7 d"),
    Mistake("unit-glued", RULES, "interval: 2 d", "interval: 2d", "interval: 2d", "'interval' is '2d'", "such as 7 d"),
    Mistake("half-a-day", RULES, "interval: 2 d", "interval: 36 h", "interval: 36 h", "not a whole number of days", "such as 7 d"),
    Mistake("half-a-week", LIMITS, "value: 44 wk", "value: 310 d", "310 d", "not a whole number of weeks", "such as 44 wk"),
    Mistake("duration-true", WINDOWS, "lead: 3 h", "lead: true", "lead: true", "'lead' is True", "a duration with its unit"),
    Mistake("no-source", FINDINGS, "    source: LHSC critical-care procedure (gel pad boggy or swollen)\n", "", "- findings: [chg-pad-swollen]", "no 'source'", "common practice, no source"),
    Mistake("empty-source", FINDINGS, "source: LHSC critical-care procedure (gel pad boggy or swollen)", 'source: ""', 'source: ""', "'source' is ''", "the published source"),
    Mistake("no-date", WINDOWS, "    since: 2020-01-01\n", "", "- up_to: 2 d", "no 'since'", "the first day it holds"),
    Mistake("no-such-day", WINDOWS, "since: 2020-01-01", "since: 2020-02-30", "2020-02-30", "a day that does not exist", "such as 2024-01-31"),
    Mistake("no-date-form", WINDOWS, "since: 2020-01-01", "since: 1.1.2020", "1.1.2020", "not a date", "such as 2024-01-31"),
    Mistake("no-such-time", UNITS, '"22:00"', '"24:00"', '"24:00"', "'24:00', not a time of day", '"07:00"'),
    Mistake("number-time", UNITS, '"22:00"', "22", "quiet_from: 22", "22, not a time of day", '"07:00"'),
    Mistake("unknown-word", RULES, "basis: elapsed", "basis: hours", "basis: hours", "'basis' is 'hours'", "elapsed, calendar"),
    Mistake("unknown-kind", RULES, "kind: interval", "kind: weekly", "kind: weekly", "'kind' is 'weekly'", "interval, seen, not-required"),
    Mistake("no-kind", RULES, "  - id: dressing-transparent\n    kind: interval\n", "  - id: dressing-transparent\n", "- id: dressing-transparent", "no 'kind'", "interval, seen, not-required"),
    Mistake("one-code-no-list", RULES, "line_kinds: [peripheral-iv]", "line_kinds: peripheral-iv", "line_kinds: peripheral-iv", "'line_kinds' is 'peripheral-iv'", "any, a list of codes"),
    Mistake("all-but-and-more", RULES, "    line_kinds:\n      all_but: [peripheral-iv]\n", "    line_kinds:\n      all_but: [peripheral-iv]\n      but: [picc]\n", "line_kinds:", "'line_kinds' is {", "any, a list of codes"),
    Mistake("empty-list", RULES, "line_kinds: [peripheral-iv]", "line_kinds: []", "line_kinds: []", "not a list of codes", "any, a list of codes"),
    Mistake("list-of-numbers", RULES, "line_kinds: [peripheral-iv]", "line_kinds: [1]", "line_kinds: [1]", "not a list of codes", "any, a list of codes"),
    Mistake("code-twice-in-list", RULES, "line_kinds: [peripheral-iv]", "line_kinds: [picc, picc]", "[picc, picc]", "names a code twice", "any, a list of codes"),
    Mistake("no-values", WINDOWS, "  - up_to: 2 d\n    lead: 3 h\n    source: common practice, no source\n    since: 2020-01-01\n", "  - 2 d\n", "- 2 d", "the entry is '2 d'", "the keys source"),
    Mistake("fact-no-mapping", EXAMPLES, "      - {what: inserted, when: 2024-03-01T10:00:00Z, dressing: transparent}\n", "      - inserted\n", "- inserted", "the entry is 'inserted'", "the keys what, when"),
    Mistake("unknown-section", WINDOWS, "windows:", "window:", "window:", "unknown section 'window'", "sections: staff, line_kinds"),
    Mistake("section-no-list", WINDOWS, text_of(WINDOWS), "windows: 3 h\n", "windows: 3 h", "'windows' is '3 h'", "a list of entries"),
    Mistake("file-no-mapping", WINDOWS, text_of(WINDOWS), "- 3 h\n", "- 3 h", "the file is ['3 h']", "sections: staff, line_kinds"),
    Mistake("limit-missing", LIMITS, "  stay_gap: ", "  stay_gaps: ", "limits:", "no 'stay_gap'", "value, source and since"),
    Mistake("limit-no-unit", LIMITS, "value: 60 min", "value: 60", "value: 60", "'value' is 60 without a unit", "a duration with its unit"),
    Mistake("time-no-offset", EXAMPLES, "at: 2024-03-11T14:29:59Z", "at: 2024-03-11T14:29:59", "at: 2024-03-11T14:29:59,", "without its offset", "with its offset"),
    Mistake("time-number", EXAMPLES, "when: 2024-03-01T10:00:00Z", "when: 2024", "when: 2024,", "'when' is 2024", "with its offset"),
    Mistake("unknown-state", EXAMPLES, "state: window open", "state: fine", "state: fine", "'state' is 'fine'", "one of: not required, paused"),
    Mistake("unknown-fact", EXAMPLES, "what: inserted", "what: dressed", "what: dressed", "'what' is 'dressed'", "inserted"),
)

REFERENCES = (
    Mistake("staff", LINE_KINDS, "who: dialysis", "who: dialyses", "who: dialyses", "unknown staff 'dialyses'", "nursing, dialysis"),
    Mistake("line-kind", RULES, "line_kinds: [peripheral-iv]", "line_kinds: [peripheral-iv, pic]", "[peripheral-iv, pic]", "unknown line kind 'pic'", "picc"),
    Mistake("dressing-kind", RULES, "dressing_kinds: [chg-transparent, chg-gel, chg-disc]", "dressing_kinds: [chg-transparent, chg-gel, chg-disc, chg]", "chg-disc, chg]", "unknown dressing kind 'chg'", "chg-gel"),
    Mistake("usual-dressing", UNITS, "usual_dressing: null", "usual_dressing: film", "usual_dressing: film", "unknown dressing kind 'film'", "transparent"),
    Mistake("first-dressing", UNITS, "first_dressing: null", "first_dressing: film", "first_dressing: film", "unknown dressing kind 'film'", "transparent"),
    Mistake("example-line-kind", EXAMPLES, "line_kind: midline", "line_kind: midlin", "line_kind: midlin", "unknown line kind 'midlin'", "midline"),
    Mistake("example-unit", EXAMPLES, "line_kind: midline", "unit: east\n    line_kind: midline", "unit: east", "unknown unit 'east'", "*"),
    Mistake("example-dressing", EXAMPLES, "dressing: chg-gel", "dressing: gel", "dressing: gel", "unknown dressing kind 'gel'", "chg-gel"),
    Mistake("example-finding", "policy/examples/neonates.yaml", "findings: [intact]", "findings: [whole]", "[whole]", "unknown finding 'whole'", "intact"),
    Mistake("example-part", "policy/examples/ports.yaml", "what: port-deaccessed, when: 2024-03-05T09:00:00Z", "what: part-changed, part: needle, when: 2024-03-05T09:00:00Z", "part: needle", "unknown item 'needle'", "port-needle-change"),
    Mistake("finding-twice", FINDINGS, "[missing]", "[missing, bruising]", "- findings: [bruising]", "'bruising' a second time (first at policy/findings.yaml:", "each one in one entry"),
    Mistake("dressing-kind-twice", DRESSINGS, "  - code: other", "  - code: gauze\n  - code: other", None, "'gauze' a second time", "each one in one entry"),
    Mistake("rule-units-star", RULES, "    units: any\n", '    units: ["*"]\n', 'units: ["*"]', "'units' names what it leaves out", "any, or a list of units"),
    Mistake("no-star", UNITS, '- unit: "*"', "- unit: east", "- unit: east", "no units entry for every unit", 'unit: "*"'),
    Mistake("dressing-and-never", RULES, "line_kinds: [intraosseous]", "line_kinds: [intraosseous, midline]", None, "'dressing-intraosseous' says it is never asked for", "dressing: false"),
    Mistake("no-dressing-no-rule", RULES, "line_kinds: [umbilical-venous, umbilical-arterial]", "line_kinds: [umbilical-venous]", None, "'umbilical-arterial' has no dressing and no rule says so", "when: always"),
    Mistake("rule-for-no-dressing", RULES, "line_kinds: [peripheral-iv]", "line_kinds: [peripheral-iv, intraosseous]", "[peripheral-iv, intraosseous]", "'intraosseous' has no dressing", "dressing: true"),
)

FIT = (
    Mistake("overlap", RULES, "dressing_kinds: [silicone-border, tissue-adhesive]", "dressing_kinds: [silicone-border, tissue-adhesive, gauze]", "- id: dressing-gauze", "rule 'dressing-gauze' overlaps rule 'dressing-silicone-or-adhesive' for gauze on nontunnelled-cvc", "exactly one rule"),
    Mistake("gap-age", RULES, "dressing_kinds: [gauze]\n    age: any", "dressing_kinds: [gauze]\n    age: older", None, "no rule of dressing-change for gauze on nontunnelled-cvc", "exactly one rule"),
    Mistake("gap-kind", RULES, "dressing_kinds: [silicone-border, tissue-adhesive]", "dressing_kinds: [silicone-border]", None, "no rule of dressing-change for tissue-adhesive on", "exactly one rule"),
    Mistake("gap-line-kind", RULES, "line_kinds: [peripheral-iv]", "line_kinds: [picc]", None, "no rule of dressing-change for transparent on peripheral-iv, older, from 2020-01-01", "exactly one rule"),
    Mistake("gap-start", RULES, GAUZE_VALUE, GAUZE_VALUE.replace("2020-01-01", "2021-01-01"), None, "no rule of dressing-change for gauze on", "exactly one rule"),
    Mistake("waived-twice", RULES, "line_kinds: [intraosseous]", "line_kinds: [intraosseous, umbilical-venous]", "- id: dressing-intraosseous", "rule 'dressing-intraosseous' says the same as rule 'dressing-umbilical' for umbilical-venous", "one rule for each line kind"),
    Mistake("dates-descend", RULES, GAUZE_VALUE, GAUZE_VALUE + GAUZE_VALUE.replace("2020-01-01", "2019-01-01"), "since: 2019-01-01", "'since' is 2019-01-01", "a day after 2020-01-01"),
    Mistake("dates-gap", RULES, GAUZE_VALUE, GAUZE_VALUE.replace("2020-01-01", "2020-01-01\n        until: 2025-01-01") + GAUZE_VALUE.replace("2020-01-01", "2025-02-01"), "since: 2025-02-01", "no value from 2025-01-01 until 2025-02-01", "since: 2025-01-01"),
    Mistake("dates-overlap", RULES, GAUZE_VALUE, GAUZE_VALUE.replace("2020-01-01", "2020-01-01\n        until: 2025-01-01") + GAUZE_VALUE.replace("2020-01-01", "2024-12-01"), "since: 2024-12-01", "two values from 2024-12-01 until 2025-01-01", "since: 2025-01-01"),
    Mistake("until-before-since", RULES, GAUZE_VALUE, GAUZE_VALUE.replace("2020-01-01", "2020-01-01\n        until: 2019-01-01"), "until: 2019-01-01", "'until' is 2019-01-01", "a day after 2020-01-01"),
    Mistake("ends-without-successor", RULES, GAUZE_VALUE, GAUZE_VALUE.replace("2020-01-01", "2020-01-01\n        until: 2025-01-01"), None, "neonate, from 2025-01-01", "exactly one rule"),
    Mistake("interval-zero", RULES, "interval: 2 d", "interval: 0 d", "interval: 0 d", "'interval' is 0 d", "1 d to 31 d"),
    Mistake("interval-long", RULES, "interval: 2 d", "interval: 70 d", "interval: 70 d", "'interval' is 70 d", "1 d to 31 d"),
    Mistake("grace-long", RULES, "grace: 0 h", "grace: 7 d", "grace: 7 d", "'grace' is 7 days", "shorter than the interval"),
    Mistake("grace-calendar", RULES, "basis: elapsed\n        grace: 0 h", "basis: calendar\n        grace: 2 h", "grace: 2 h", "'grace' on a calendar interval", "cutoff"),
    Mistake("seen-long", RULES, "seen_within: 24 h", "seen_within: 30 d", "seen_within: 30 d", "'seen_within' is 30 days", "1 h to 7 days"),
    Mistake("incision-long", RULES, "incision: 14 d", "incision: 140 d", "incision: 140 d", "'incision' is 140 days", "up to 90 days"),
    Mistake("incision-no-port", RULES, "incision: 0 d", "incision: 1 d", "incision: 1 d", "'incision' is 1 day", "0 d, or up to"),
    Mistake("number-in-text", RULES, 'text: "gauze dressing: every {interval}"', 'text: "gauze dressing: every 2 days"', "every 2 days", "'text' is 'gauze dressing: every 2 days'", "no number"),
    Mistake("wrong-placeholder", RULES, 'text: "gauze dressing: every {interval}"', 'text: "gauze dressing: every {time}"', "{time}", "'text' is", "{interval}"),
    Mistake("text-orders", RULES, 'text: "gauze dressing: every {interval}"', 'text: "replace gauze every {interval}"', "replace gauze", "'text' says 'replace'", "inform"),
    Mistake("practice-from-memory", FINDINGS, "source: common practice, no source", "source: common practice, no source\n    from_memory: true", "from_memory: true", "'from_memory' with", "a published source"),
    Mistake("lead-zero", WINDOWS, "lead: 3 h", "lead: 0 h", "lead: 0 h", "'lead' is 0 h", "more than 0 h"),
    Mistake("windows-order", WINDOWS, "up_to: 2 d", "up_to: null", "up_to: null        #", "a window out of order", "the one with null last"),
    Mistake("windows-end", WINDOWS, "up_to: null ", "up_to: 5 d ", "up_to: 5 d", "no window for longer intervals", "up_to: null"),
    Mistake("shifts-equal", UNITS, '["07:00", "19:00"]', '["07:00", "07:00"]', '["07:00", "07:00"]', "shifts out of order or equal", "distinct"),
    Mistake("margin-long", UNITS, "change_margin: 30 min", "change_margin: 6 h", "change_margin: 6 h", "'change_margin' is 6 h", "half of the shortest shift"),
    Mistake("quiet-empty", UNITS, 'quiet_until: "06:00"', 'quiet_until: "22:00"', 'quiet_until: "22:00"', "quiet hours from 22:00 until 22:00", "up to 12 h"),
    Mistake("quiet-day", UNITS, 'quiet_until: "06:00"', 'quiet_until: "21:00"', 'quiet_until: "21:00"', "quiet hours from 22:00 until 21:00", "up to 12 h"),
    Mistake("limit-range", LIMITS, "value: 48 h", "value: 48 d", "value: 48 d", "'ask' is out of range", "1 d to 7 d"),
    Mistake("back-longer", LIMITS, "value: 1 h", "value: 5 h", "value: 5 h", "'off_unit_back' is longer", "at most that"),
    Mistake("example-no-line", EXAMPLES, "what: inserted", "what: dressing-seen", "what: dressing-seen", "the first fact makes no line", "what: inserted"),
    Mistake("example-two-values", EXAMPLES, "dressing: transparent}", "dressing: transparent, part: port-needle-change}", "part: port-needle-change", "both 'dressing' and 'part'", "the one"),
    Mistake("example-at-day", EXAMPLES, "at: 2024-03-05T14:30:00Z", "at: 2024-03-05", "at: 2024-03-05,", "'at' is a whole day", "with its offset"),
    Mistake("example-due-day", EXAMPLES, "due: 2024-03-04T09:00:00Z ", "due: 2024-03-04 ", "due: 2024-03-04 ", "'due' is a whole day", "with its offset"),
)


def _told(mistake: Mistake):
    text = replaced(mistake.file, (mistake.old, mistake.new))
    problems = problems_of(documents_with({mistake.file: text}))
    fitting = [problem for problem in problems if mistake.what in problem.what]
    assert fitting, "\n".join(str(problem) for problem in problems) or "no problem was told"
    return text, problems, fitting


@pytest.mark.parametrize("mistake", [*SLIPS_OF_YAML, *SLIPS_OF_SHAPE, *REFERENCES, *FIT], ids=lambda m: m.id)
def test_policy_mistake_is_told_with_file_line_and_expectation(mistake):
    text, _, fitting = _told(mistake)
    assert any(mistake.expected in problem.expected for problem in fitting), fitting
    if mistake.marker is not None:
        assert (mistake.file, line_of(text, mistake.marker, text_of(mistake.file).index(mistake.old))) in [(p.file, p.line) for p in fitting]


@pytest.mark.parametrize("mistake", [*SLIPS_OF_YAML, *SLIPS_OF_SHAPE], ids=lambda m: m.id)
def test_policy_slip_in_one_place_brings_no_problem_of_another_place(mistake):
    _, problems, _ = _told(mistake)
    assert {problem.file for problem in problems} == {mistake.file}
