"""Each of the 440 charted findings, end to end: on which line, seen when, known when, and what it makes of the dressing.

Source of the answers: compromised.csv of the data set (reading rule 10 of its README). What clears a finding: a change
after it or in the same minute (common practice, no source); which changes were known by when follows reading rules 2
to 4, worked out here from the charted rows.
"""

from collections import Counter
from dataclasses import dataclass
from functools import cache

import pytest

from linedays.core.findings import classify
from linedays.core.model import Fact, FactKind, Issue, IssueKind, Timeline, Whereabouts
from linedays.core.moment import HOUR, MINUTE, is_local_midnight
from linedays.core.policy import FindingClass
from support.icu_answers import Record, Row, answers, in_place, instant, print_counts, records, usable_changes
from support.icu_chart import (
    ARRIVAL,
    INSERTION,
    NEW_YORK,
    SHIPPED,
    Reading,
    facts_on_lines,
    instance,
    names,
    state_at,
    whole,
)

pytestmark = pytest.mark.icu

COMPROMISED, CONCERN, ROW_ONLY = "compromised", "site concern", "row only"
WHICH_LINE, NO_LINE = "which line?", "no line"
# Active bleeding is a site concern as well; it stands in the row of the compromised ones.
PLACE_OF_CLASS = {
    FindingClass.COMPROMISED: COMPROMISED,
    FindingClass.BOTH: COMPROMISED,
    FindingClass.CONCERN: CONCERN,
    FindingClass.ROW_ONLY: ROW_ONLY,
}
PLACE_OF_ISSUE = {
    IssueKind.WHICH_LINE: WHICH_LINE,
    IssueKind.NO_LINE: NO_LINE,
    IssueKind.BEFORE_INSERTION: NO_LINE,
    IssueKind.AFTER_REMOVAL: NO_LINE,
}


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding of the answers. `record` is None where no line, or more than one, was in place."""

    source: str
    word: str
    seen: int
    known: int
    link: str
    record: Record | None
    next_entered: int | None


@cache
def findings() -> tuple[Finding, ...]:
    return tuple(
        Finding(
            source=f"Observation/{row['observation_id']}",
            word=row["finding"],
            seen=instant(row["seen_at"]),
            known=instant(row["known_at"]),
            link=row["link"],
            record=records()[f"Procedure/{row['procedure_id']}"] if row["procedure_id"] else None,
            next_entered=instant(row["next_change_entered"]) if row["next_change_entered"] else None,
        )
        for row in answers("compromised.csv")
    )


def on_one_line() -> list[tuple[Finding, Record]]:
    return [(finding, finding.record) for finding in findings() if finding.record is not None]


def where_charted(reading: Reading, finding: Finding) -> list[Issue | tuple[Timeline, Fact]]:
    """Return every place where a finding came out: lines it stands on and issues it is."""
    return [*lines_by_source(reading).get(finding.source, ()), *issues_by_source(reading).get(finding.source, ())]


@cache
def lines_by_source(reading: Reading) -> dict[str, list[tuple[Timeline, Fact]]]:
    found: dict[str, list[tuple[Timeline, Fact]]] = {}
    for timeline, fact in facts_on_lines(reading):
        if fact.kind in (FactKind.DRESSING_SEEN, FactKind.SITE_SEEN):
            found.setdefault(fact.source, []).append((timeline, fact))
    return found


@cache
def issues_by_source(reading: Reading) -> dict[str, list[Issue]]:
    found: dict[str, list[Issue]] = {}
    for issue in whole(reading).issues:
        found.setdefault(issue.source, []).append(issue)
    return found


def place(reading: Reading, finding: Finding) -> str:
    """Say in which one row a finding stands, after comparing its line and its two times with the answers."""
    (one,) = where_charted(reading, finding)
    if isinstance(one, Issue):
        return PLACE_OF_ISSUE[one.kind]
    timeline, fact = one
    assert finding.record is not None, f"{finding.source} is on {timeline.line.key}"
    assert finding.record.key in names(timeline)
    assert (fact.happened.earliest, fact.known) == (finding.seen, finding.known)
    # The map as shipped reads midnight as "some time that day", also where it is the hour of a round.
    assert fact.happened.is_exact or (reading is SHIPPED and is_local_midnight(finding.seen, NEW_YORK))
    (word,) = fact.findings
    policy = instance(reading).policy
    meanings = {meaning.code: meaning for meaning in policy.findings}
    return PLACE_OF_CLASS[classify(word, meanings, policy.units[0].blood_rule, None)]


PLACES = {
    ("bleeding", "one-line", COMPROMISED): 98,
    ("bleeding", "ambiguous", WHICH_LINE): 2,
    ("bleeding", "no-line-in-place", NO_LINE): 2,
    ("bruising", "one-line", ROW_ONLY): 13,
    ("bruising", "no-line-in-place", NO_LINE): 1,
    ("infiltration", "one-line", CONCERN): 3,
    ("infiltration", "no-line-in-place", NO_LINE): 3,
    ("not-occlusive", "one-line", COMPROMISED): 75,
    ("not-occlusive", "ambiguous", WHICH_LINE): 1,
    ("not-occlusive", "no-line-in-place", NO_LINE): 1,
    ("old-blood", "one-line", COMPROMISED): 43,
    ("old-blood", "ambiguous", WHICH_LINE): 3,
    ("old-blood", "no-line-in-place", NO_LINE): 2,
    ("oozing", "one-line", COMPROMISED): 150,
    ("oozing", "no-line-in-place", NO_LINE): 4,
    ("pain", "one-line", CONCERN): 5,
    ("redness", "one-line", CONCERN): 31,
    ("redness", "no-line-in-place", NO_LINE): 3,
}


@pytest.mark.parametrize("reading", [INSERTION, ARRIVAL, SHIPPED], ids=lambda reading: reading.name)
def test_each_finding_is_in_exactly_one_row(reading: Reading):
    found = Counter((finding.word, finding.link, place(reading, finding)) for finding in findings())

    print_counts(f"compromised.csv, {reading.name}", ("finding", "answer", "row"), found)
    assert found == PLACES
    assert found.total() == 440


def changes_on(record: Record) -> list[Row]:
    """Return the changes that fit this line and no other: those that can clear anything on it."""
    return [
        row
        for row in usable_changes(record.patient, record.kind)
        if row.value is not None and in_place(row.patient, row.kind, row.value) == [record]
    ]


def minute(at: int) -> int:
    return at // MINUTE


def is_cleared(finding: Finding, record: Record, at: int) -> bool:
    """Work out from the charted rows whether a change known by then clears a finding; the insertion is one too."""
    dressed = [
        row.value for row in changes_on(record) if row.issued <= at and row.value is not None and row.value <= at
    ]
    return any(minute(change) >= minute(finding.seen) for change in (*dressed, record.start))


def shown_at(finding: Finding, record: Record, at: int) -> tuple[str, ...]:
    """Return how a finding is shown at a moment: on the dressing, as a concern, both or not at all."""
    state = state_at(INSERTION, record.key, at)
    if state.whereabouts is Whereabouts.ENDED:
        return ("line out",)
    shown = [COMPROMISED for item in state.items for one in item.findings if one.source == finding.source]
    return (
        *shown,
        *(CONCERN for one in (state.concern.findings if state.concern else ()) if one.source == finding.source),
    )


SHOWS = {
    "not-occlusive": (COMPROMISED,),
    "oozing": (COMPROMISED,),
    "old-blood": (COMPROMISED,),
    "bleeding": (COMPROMISED, CONCERN),
    "redness": (CONCERN,),
    "infiltration": (CONCERN,),
    "pain": (CONCERN,),
    "bruising": (),
}


def test_each_finding_is_shown_when_it_becomes_known_unless_a_change_had_cleared_it():
    found: Counter[tuple[str, str, str]] = Counter()
    for finding, record in on_one_line():
        at = max(finding.seen, finding.known)
        told = "cleared by then" if is_cleared(finding, record, at) else "stands"
        shown = shown_at(finding, record, at)
        found[finding.word, told, " and ".join(shown) or "not shown"] += 1
        if shown == ("line out",):
            assert at >= record.end
        elif told == "stands":
            assert shown == SHOWS[finding.word]
        else:
            # A change clears what makes the dressing compromised; a concern stands until the site is looked at again.
            assert shown == tuple(one for one in SHOWS[finding.word] if one == CONCERN)

    print_counts("findings at the moment they become known", ("finding", "worked out", "shown as"), found)
    assert found == {
        ("bleeding", "stands", "compromised and site concern"): 89,
        ("bleeding", "cleared by then", "site concern"): 9,
        ("bruising", "stands", "not shown"): 13,
        ("infiltration", "stands", "site concern"): 2,
        ("infiltration", "stands", "line out"): 1,
        ("not-occlusive", "stands", "compromised"): 72,
        ("not-occlusive", "cleared by then", "not shown"): 3,
        ("old-blood", "stands", "compromised"): 41,
        ("old-blood", "cleared by then", "not shown"): 2,
        ("oozing", "stands", "compromised"): 142,
        ("oozing", "stands", "line out"): 1,
        ("oozing", "cleared by then", "not shown"): 7,
        ("pain", "stands", "site concern"): 5,
        ("redness", "stands", "site concern"): 30,
        ("redness", "cleared by then", "site concern"): 1,
    }


def test_a_finding_stands_until_the_next_change_is_entered():
    """Asked one second before the next change of the answers was entered, and at that second."""
    found: Counter[tuple[str, str]] = Counter()
    for finding, record in on_one_line():
        entered = finding.next_entered
        if COMPROMISED not in SHOWS[finding.word] or entered is None:
            continue
        if entered >= record.end:
            found["line out by then", "line out by then"] += 1
            continue
        pair = []
        for at in (entered - 1, entered):
            stands = at >= finding.known and not is_cleared(finding, record, at)
            assert (COMPROMISED in shown_at(finding, record, at)) == stands
            pair.append("stands" if stands else "not known yet" if at < finding.known else "cleared")
        found[pair[0], pair[1]] += 1

    print_counts("compromised findings around the entry of the next change", ("a second before", "at the entry"), found)
    assert found == {
        ("stands", "cleared"): 205,
        ("not known yet", "cleared"): 6,
        ("cleared", "cleared"): 9,
        ("line out by then", "line out by then"): 18,
    }


def test_a_finding_of_the_same_minute_as_a_change_was_there_before_it():
    found: Counter[str] = Counter()
    for finding, record in on_one_line():
        together = [row for row in changes_on(record) if minute(row.value) == minute(finding.seen)]
        if not together:
            continue
        entered = max(min(row.issued for row in together), finding.known, finding.seen)
        assert entered < record.end
        assert COMPROMISED not in shown_at(finding, record, entered)
        found[finding.word] += 1

    print_counts("findings of the same minute as a change", ("finding",), Counter({(k,): n for k, n in found.items()}))
    assert found == {"bleeding": 5, "not-occlusive": 2, "oozing": 4}


def test_a_finding_within_an_hour_after_a_change_stands_and_says_how_soon():
    found: Counter[str] = Counter()
    for finding, record in on_one_line():
        soon = [row for row in changes_on(record) if 0 < minute(finding.seen) - minute(row.value) <= HOUR // MINUTE]
        if not soon or COMPROMISED not in SHOWS[finding.word]:
            continue
        latest = max(row.value for row in soon)
        entered = max(min(row.issued for row in soon if row.value == latest), finding.known, finding.seen)
        state = state_at(INSERTION, record.key, entered)
        (shown,) = [one for item in state.items for one in item.findings if one.source == finding.source]
        minutes = minute(finding.seen) - minute(latest)
        assert shown.minutes_after_change == minutes
        (reason,) = [
            one for item in state.items for one in (item.reason, *item.beside) if one.code.startswith("compromised")
        ]
        assert int(dict(reason.values)["minutes"]) <= minutes
        found[finding.word] += 1

    print_counts("findings within 60 min after a change", ("finding",), Counter({(k,): n for k, n in found.items()}))
    assert found == {"bleeding": 7, "not-occlusive": 4, "old-blood": 1, "oozing": 5}
