"""Sentences, times and titles from the wording file, and each mistake in that file with its line.

Expected sentences are written by hand from mappings/outputs.yaml (design 2.6 gives their form).
"""

from zoneinfo import ZoneInfo

import pytest

from linedays.adapters.mapping_files import document_from_text, find_mappings
from linedays.core.moment import UTC, Instant, Precision
from linedays.core.policy import Policy
from linedays.core.states import ItemState, Priority, Reason, State
from linedays.mapping.documents import Documents, PolicyInvalid, Problem
from linedays.mapping.wording import (
    Wording,
    plain,
    sentence,
    time_words,
    title_words,
    wording_from_documents,
    words_for,
)
from support.small_ward import instant, wired

TEXT = (find_mappings(None) / "outputs.yaml").read_text(encoding="utf-8")
NEWFOUNDLAND = ZoneInfo("America/St_Johns")  # UTC−2:30 in March 2031


def wording() -> Wording:
    return wired().wording


def policy() -> Policy:
    return wired().instance.policy


def reason(code: str, **values: str | Instant) -> Reason:
    return Reason(code=code, values=tuple((name.rstrip("_"), value) for name, value in values.items()))


@pytest.mark.parametrize(
    ("precision", "said"),
    [
        (Precision.SECOND, "Wed 12 Mar 2031 21:40"),  # 00:10 UTC on the 13th less 2 h 30 min
        (Precision.DAY, "Wed 12 Mar 2031"),
        (Precision.MONTH, "Mar 2031"),
        (Precision.YEAR, "2031"),
    ],
)
def test_time_is_local_and_as_exact_as_charted(precision: Precision, said: str) -> None:
    assert time_words(instant("2031-03-13T00:10:00Z"), NEWFOUNDLAND, precision) == said


def test_day_of_the_month_has_no_leading_zero() -> None:
    assert time_words(instant("2031-03-04T05:06:00Z"), UTC) == "Tue 4 Mar 2031 05:06"


def test_sentence_names_rule_and_source() -> None:
    told = reason(
        "interval",
        basis="insertion",
        anchor=instant("2031-05-02T09:00:00Z"),
        precision="second",
        kind="gauze",
        due=instant("2031-05-04T09:00:00Z"),
        rule="dressing-gauze",
    )
    said = sentence(told, wording(), UTC)
    assert said.startswith("line placed Fri 2 May 2031 09:00, gauze; due Sun 4 May 2031 09:00 (")
    rule = next(rule for rule in policy().rules if rule.id == "dressing-gauze")
    assert f"({rule.text}: {rule.source.text}" in said
    assert sentence(told, wording(), UTC, "port-needle-change").startswith("port accessed Fri 2 May")
    assert sentence(told, wording(), UTC, "an-item-without-words-of-its-own") == said


def test_day_precision_holds_for_what_was_charted_and_not_for_what_was_computed() -> None:
    told = reason(
        "interval",
        basis="label",
        anchor=instant("2031-05-02T00:00:00Z"),
        precision="day",
        kind="transparent",
        due=instant("2031-05-09T00:00:00Z"),
        rule="not-a-rule",
    )
    assert (
        sentence(told, wording(), UTC)
        == "label dated Fri 2 May 2031, transparent dressing; due Fri 9 May 2031 00:00 (not-a-rule)"
    )


def test_findings_are_listed_in_words_with_what_was_charted_soon_after_a_change() -> None:
    told = reason("compromised", findings="loose damp", at=instant("2031-05-02T21:40:00Z"), precision="second", minutes="20")
    assert sentence(told, wording(), UTC) == (
        "dressing seen loose, damp Fri 2 May 2031 21:40 · due now by unit policy (change at once: CDC-2011, INS-2024) · "
        "charted 20 min after a change: if this was the state before, correct the time"
    )


def test_suggested_time_is_added() -> None:
    told = reason("paused", why="unstable", review=instant("2031-05-03T10:00:00Z"), suggested=instant("2031-05-02T22:00:00Z"))
    assert (
        sentence(told, wording(), UTC)
        == "paused (patient unstable), review Sat 3 May 2031 10:00 · suggested before Fri 2 May 2031 22:00"
    )


def test_value_that_is_not_there_leaves_its_place_empty() -> None:
    assert sentence(reason("unknown-coarse-date", from_=0, precision="year"), wording(), UTC).startswith(
        "a dressing date is charted only as 1970,"
    )
    assert plain("seen {seen}", wording(), UTC) == "seen "


def test_code_without_words_stands_for_itself() -> None:
    assert words_for("loose", wording()) == "loose"
    assert words_for("a-local-code", wording()) == "a-local-code"


@pytest.mark.parametrize(
    ("item", "state", "code", "title"),
    [
        ("dressing-change", State.OVERDUE, "interval", "Dressing change overdue"),
        ("dressing-change", State.WINDOW_OPEN, "interval", "Dressing change coming due"),
        ("dressing-change", State.DUE, "due-undated", "Dressing change due"),
        ("dressing-change", State.COMPROMISED, "compromised", "Dressing compromised"),
        ("dressing-change", State.UNKNOWN, "unknown-no-date", "Dressing date unknown: look at the dressing and its label"),
        ("dressing-change", State.UNKNOWN, "unknown-not-seen", "Dressing not charted as seen: look at the dressing"),
        ("site-assessment", State.DUE, "site-concern", "Site concern: look at the site"),
    ],
)
def test_title_is_by_reason_where_it_says_more_else_by_state(item: str, state: State, code: str, title: str) -> None:
    told = ItemState(item=item, site="x", state=state, priority=Priority.URGENT, reason=Reason(code=code))
    assert title_words(told, wording()) == title


def problems(text: str) -> tuple[Problem, ...]:
    found: list[Problem] = []
    document = document_from_text(text, "outputs.yaml", found)
    documents = Documents(documents=() if document is None else (document,), problems=tuple(found))
    with pytest.raises(PolicyInvalid) as refused:
        wording_from_documents(documents, policy())
    return refused.value.problems


def line_of(marker: str) -> int:
    return TEXT[: TEXT.index(marker)].count("\n") + 1


def without(line: str) -> str:
    assert line in TEXT
    return TEXT.replace(line, "", 1)


MISTAKES = {
    "place that nothing fills": (
        TEXT.replace("paused ({why})", "paused ({wy})"),
        "nothing is called {wy}",
        line_of("  paused: "),
    ),
    "place that nothing fills in a short text": (
        TEXT.replace('intact {seen}"\nnot', 'intact {sen}"\nnot'),
        "nothing is called {sen}",
        line_of("\nseen: ") + 1,
    ),
    "reason without a sentence": (
        without("  label-undated: label undated\n"),
        "no sentence for the reason 'label-undated'",
        line_of("reasons:"),
    ),
    "state without a title": (
        without("    overdue: Dressing change overdue\n"),
        "no title for dressing-change that is overdue",
        line_of("titles:") + 1,
    ),
    "item without titles": (
        without('  site-assessment:\n    due: "Site concern: look at the site"\n'),
        "no title for site-assessment that is due",
        line_of("titles:"),
    ),
    "state of a part without a title": (
        without('  overdue: "{what} overdue"\n'),
        "no title for a part that is overdue",
        line_of("title_part:"),
    ),
    "title for no state": (
        TEXT.replace("    overdue: Dressing", "    very late: x\n    overdue: Dressing"),
        "nothing is called 'very late'",
        line_of("    overdue: Dressing"),
    ),
    "basis without words": (TEXT.replace(", label: label dated", "", 1), "no words for the basis 'label'", line_of("basis:") + 1),
    "no words for the dressing's clock": (
        TEXT.replace("basis:\n  dressing-change:", "basis:\n  other:"),
        "no words for dressing-change",
        line_of("basis:"),
    ),
    "unknown key": (TEXT + "\nfootnote: x\n", "footnote", TEXT.count("\n") + 2),
    "written neither true nor false": (TEXT.replace("written: true", "written: yes"), "'written' is 'yes'", line_of("  written: ")),
    "look back without a unit": (TEXT.replace("look_back: 2 d", "look_back: 2"), "'look_back' is 2 without a unit", line_of("  look_back: ")),
    "look back without a source": (
        without("  source: common practice, no source\n"), "no 'source'", line_of("observations:\n  written")
    ),
    "unknown key about observations": (
        TEXT.replace("  written: true\n", "  written: true\n  often: true\n"), "unknown key 'often'", line_of("  written: ") + 1
    ),
    "no section about observations": (TEXT[: TEXT.index("\nobservations:")], "no 'observations'", 1),
    "value without a title": (
        without("    dwell: Time since the line was placed\n"), "no words for 'dwell'", line_of("  titles:\n    line-day")
    ),
    "title of no value": (
        TEXT.replace("    dwell: Time", "    dwel: x\n    dwell: Time"), "nothing is called 'dwel'", line_of("    dwell: Time")
    ),
    "place in a note that nothing fills": (
        TEXT.replace("day 1 was {from}", "day 1 was {form}"), "nothing is called {form}", line_of("    line-day-number: \"day 1")
    ),
    "no cautions": (TEXT.replace("cautions:\n  - ", "cautions: []\nx_cautions:\n  - "), "", line_of("cautions:")),
}


@pytest.mark.parametrize("name", MISTAKES)
def test_each_mistake_is_told_with_its_line(name: str) -> None:
    text, what, line = MISTAKES[name]
    found = [problem for problem in problems(text) if what in problem.what and problem.line == line]
    assert found, problems(text)
    assert str(found[0]).startswith(f"outputs.yaml:{line}: ")


def test_all_mistakes_are_told_at_once() -> None:
    text = without("  label-undated: label undated\n").replace("    overdue: Dressing change overdue\n", "")
    assert len(problems(text)) == 2


def test_missing_and_unreadable_file_are_told() -> None:
    with pytest.raises(PolicyInvalid, match=r"outputs\.yaml:1: no wording file"):
        wording_from_documents(Documents(documents=()), policy())
    assert problems("cautions: [") != ()
