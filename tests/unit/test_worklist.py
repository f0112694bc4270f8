"""The rows of the worklist: order, words, what is shown, and entries that fit more than one line.

Expected rows are written by hand from the ward's stories in tests/support/small_ward.py. Source of the order: design 2.5
(priorities) and 2.3.3 (an ambiguous entry clears none of the lines, and each is shown as "which line?").
"""

from typing import Any

import pytest

from linedays.core.moment import UTC
from linedays.run.demo_hospital import hospital_resources
from linedays.run.demo_story import told_at
from linedays.run.worklist import Row, why_words, worklist
from support.small_ward import (
    AT,
    CALM,
    PLACES,
    WARD,
    derived,
    device,
    hospital,
    line,
    look,
    person,
    procedure,
    wired,
    wired_demo,
)
from support.values import replace

NECK = {"bodySite": [{"text": "internal-jugular"}]}


def rows(resources: list[dict[str, Any]], at: int = AT) -> tuple[Row, ...]:
    return worklist(derived(resources, at), wired().instance.policy, wired().wording, wired().settings.zone)


def test_most_urgent_first() -> None:
    # asap before urgent before nothing asked; of the urgent ones in order of state, then of due time.
    found = [(row.state, row.patient.removeprefix("Patient/")) for row in rows(WARD)]
    assert found == [
        ("compromised", "loose"),
        ("overdue", "over"),
        ("unknown", "undated"),
        ("site concern", "red"),
        ("not due", "calm"),
        ("not due", "red"),
    ]


def test_of_two_overdue_ones_the_longer_overdue_comes_first() -> None:
    found = rows([*PLACES, *person("a"), *line("a-picc", "a", "06 09:00"), *person("b"), *line("b-picc", "b", "05 09:00")])
    assert [row.patient for row in found] == ["Patient/b", "Patient/a"]


def test_row_says_what_when_where_and_why() -> None:
    row = rows(WARD)[1]
    assert (row.what, row.due, row.unit) == ("Dressing change", "Tue 13 May 2031 09:00", "Made-up Ward")
    assert row.line == "basilic peripherally inserted central catheter"
    assert row.why.startswith("dressing changed Tue 6 May 2031 09:00, transparent dressing; due Tue 13 May 2031 09:00 (")


def test_compromised_is_due_now_and_keeps_its_clock_beside_it() -> None:
    row = rows(WARD)[0]
    assert row.due == "now"
    first, *others = row.why.split(" · ")
    assert first == "dressing seen loose Wed 14 May 2031 09:40"
    assert any(words.startswith("dressing changed Tue 13 May 2031 09:00") for words in others)


def test_not_due_says_before_when_and_when_last_seen() -> None:
    # 20 May 09:00 less 12 h is 19 May 21:00; the latest shift start before is 19:00 (design 2.5, common practice).
    (row,) = rows([*PLACES, *CALM])
    assert row.why.startswith("not due before Mon 19 May 2031 19:00 · dressing last changed or seen intact Wed 14 May 2031 02:10 · ")


def test_never_seen_intact_is_said() -> None:
    ((state,),) = (result.states for result in derived([*PLACES, *CALM]).results)
    (item,) = state.items
    unseen = replace(item, last_seen_intact=None)
    for site in (replace(state, items=(unseen,)), replace(state, items=())):
        said = why_words(site, unseen, wired().wording, UTC)
        assert " · dressing not charted as changed or seen intact · " in said


def test_unit_and_state_that_are_not_charted_are_said() -> None:
    (row,) = rows([one for one in CALM if one["resourceType"] != "Encounter"])
    assert row.unit == "unit not charted"


def test_line_that_is_out_has_no_row() -> None:
    assert rows([*PLACES, *CALM, procedure("removal", "14 08:00", "calm", "calm-picc")]) == ()


def test_lines_under_one_dressing_are_one_row() -> None:
    sheath = line("two-introducer", "two", "13 09:00", kind="introducer")
    through = [device("two-pac", "two", "pulmonary-artery") | {"parent": {"reference": "Device/two-introducer"}}]
    found = rows([*PLACES, *person("two"), *sheath, *through])
    (row,) = [row for row in found if row.what == "Dressing change"]
    assert " + " in row.line


def pair(*entries: dict[str, Any]) -> list[dict[str, Any]]:
    """Return a patient with two lines of one kind at one site, and entries that name neither."""
    lines = [
        one | (NECK if one["resourceType"] == "Procedure" else {})
        for name in ("pair-1", "pair-2")
        for one in line(name, "pair", "13 09:00", kind="nontunnelled-cvc")
    ]
    return [*PLACES, *person("pair"), *lines, *entries]


def unlinked(finding: str, at: str) -> dict[str, Any]:
    return look(finding, at, "pair", None) | {"bodySite": {"text": "internal-jugular"}}


@pytest.mark.parametrize(
    ("count", "said"),
    [(1, "1 entry may be about this line: which line? link the device"),
     (2, "2 entries may be about this line: which line? link the device")],
)  # fmt: skip
def test_entry_that_fits_two_lines_stands_on_both_and_as_a_row_of_its_own(count: int, said: str) -> None:
    found = rows(pair(*[unlinked("loose", f"14 09:{number}0") for number in range(count)]))
    own = [row for row in found if row.state == "not due"]
    assert len(own) == 2
    assert all(said in row.why for row in own)
    (which,) = [row for row in found if row.state == "which line?"]
    assert which.line.count("internal-jugular central venous catheter") == 2
    assert " or " in which.line
    assert "Observation/pair-loose-14-0900" in which.why
    assert (which.what, which.due, which.unit) == ("Say which line an entry is about", "", "Made-up Ward")


def test_which_line_comes_after_overdue_and_before_unknown() -> None:
    found = rows([*pair(unlinked("loose", "14 09:00")), *[one for one in WARD if one not in PLACES]])
    states = list(dict.fromkeys(row.state for row in found))
    assert states == ["compromised", "overdue", "which line?", "unknown", "site concern", "not due"]


def test_many_entries_are_one_row_that_names_the_first_three() -> None:
    found = rows(pair(*[unlinked("loose", f"14 09:{number}0") for number in range(5)]))
    (which,) = [row for row in found if row.state == "which line?"]
    assert which.why.count("Observation/") == 3
    assert which.why.endswith(" …)")


def test_linked_entry_is_no_question() -> None:
    found = rows(pair(look("intact", "14 09:00", "pair", "pair-1")))
    assert [row.state for row in found] == ["not due", "not due"]
    assert not [row for row in found if "which line" in row.why]


def test_question_about_lines_that_are_out_is_not_shown() -> None:
    out = [procedure("removal", "14 09:30", "pair", name) for name in ("pair-1", "pair-2")]
    assert rows(pair(unlinked("loose", "14 09:00"), *out)) == ()


def test_question_stays_while_one_of_the_lines_is_in() -> None:
    out = procedure("removal", "14 09:30", "pair", "pair-1")
    found = rows(pair(unlinked("loose", "14 09:00"), out))
    assert [row.state for row in found] == ["which line?", "not due"]


def test_rows_are_the_same_whatever_the_order_of_the_input() -> None:
    assert rows(list(reversed(WARD))) == rows(WARD)


def test_demo_hospital_asks_which_line_of_one_patient_only() -> None:
    start = told_at(hospital().story)
    settled = wired_demo()
    derivation = derived(list(hospital_resources(hospital().document, start)), start, settled=settled)
    found = worklist(derivation, settled.instance.policy, settled.wording, settled.settings.zone)
    assert [row.patient for row in found if row.state == "which line?"] == ["Patient/bellrope"]
