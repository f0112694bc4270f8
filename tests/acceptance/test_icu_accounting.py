"""Every resource of the ICU data accounted for; nothing that only looks like a dressing change clears a line.

Source of the counts read: the data set's README and its code map (items.csv). Hazards H10 to H13: a change is used only
once it was entered and never where it is later than its own entry; wound, cap and tubing rows clear nothing.
"""

from collections import Counter

import pytest

from linedays.core.model import FactKind, IssueKind
from linedays.core.states import AnchorBasis
from support.icu_answers import DRESSING_CHANGES, charted_rows, items, line_moments, print_counts, slot_moments
from support.icu_chart import (
    ARRIVAL,
    DRESSING,
    INSERTION,
    SHIPPED,
    Reading,
    facts_on_lines,
    instance,
    slot_state_at,
    state_at,
    whole,
)

pytestmark = pytest.mark.icu

EVERY_READING = pytest.mark.parametrize("reading", [INSERTION, ARRIVAL, SHIPPED], ids=lambda reading: reading.name)

# The README: 26,161 Observations, 753 Procedures (271 line rows, 482 look-alikes, 3 line rows entered in error), 265
# Encounters, 24 Locations, 100 Patients.
READ = {"Encounter": 265, "Location": 24, "Observation": 26161, "Patient": 100, "Procedure": 753}
IGNORED = {
    ("Observation", "wound-or-other-dressing"): 4353,
    ("Observation", "insertion-date-repeated"): 3394,
    ("Observation", "cap-change"): 3344,
    ("Observation", "tubing-change"): 3296,
    ("Observation", "not-a-vascular-line"): 387,
    ("Observation", "exchange-date-repeated"): 161,
    ("Observation", "port-access-date-repeated"): 84,
    ("Observation", "reason-for-removal"): 57,
    ("Observation", "tip-culture"): 31,
    ("Procedure", "not-a-vascular-line"): 482,
    ("Procedure", "entered-in-error"): 3,
}


@EVERY_READING
def test_used_ignored_and_issues_add_up_to_what_was_read(reading: Reading):
    tally = whole(reading).tally

    print(f"\nresources, {reading.name}")
    for one in tally:
        ignored = ", ".join(f"{rule} {count}" for rule, count in one.ignored)
        print(f"  {one.name}: read {one.read} = used {one.used} + ignored {ignored or 0} + issues {one.issues}")
    assert {one.name: one.read for one in tally} == READ
    assert all(one.read == one.used + sum(count for _, count in one.ignored) + one.issues for one in tally)
    assert {(one.name, rule): count for one in tally for rule, count in one.ignored} == IGNORED
    assert {one.name: one.used for one in tally if one.name != "Observation"} == {
        "Encounter": 265,
        "Location": 24,
        "Patient": 100,
        "Procedure": 268,
    }


@EVERY_READING
def test_every_observation_that_is_not_used_says_why(reading: Reading):
    """The issues of the tally are the Observations that stand nowhere and are listed with a reason."""
    # A slot is made by the rows that are charted about it, also by one that names no date.
    standing = {fact.source for _, fact in facts_on_lines(reading)} | {
        name
        for result in whole(reading).results
        for site in result.chart.sites
        for timeline in site.timelines
        for name in (timeline.line.key, *timeline.line.aliases)
    }
    listed = {issue.source for issue in whole(reading).issues if not issue.used}
    (tally,) = [one for one in whole(reading).tally if one.name == "Observation"]
    entries = instance(reading).source_map.entries["Observation"]
    ignored = {row.source for row in charted_rows().values() if entries["urn:example:icu-items", row.item].ignored}

    left = set(charted_rows()) - standing - ignored
    assert len(left) == tally.issues
    assert left <= listed
    assert not listed & ignored


@EVERY_READING
def test_what_only_looks_like_a_dressing_change_clears_nothing(reading: Reading):
    """The code map calls them look-alikes, insertion dates, removal reasons and tip cultures."""
    clearing = Counter(
        charted_rows()[fact.source].meaning
        for _, fact in facts_on_lines(reading)
        if fact.kind is FactKind.DRESSING_CHANGED
    )
    standing = {fact.source for _, fact in facts_on_lines(reading)}
    look_alikes = Counter(
        items()[row.item]["category"]
        for row in charted_rows().values()
        if row.meaning in {"look-alike", "insertion-date", "removal-reason", "tip-culture"}
        and row.source not in standing
    )

    print_counts(
        f"rows that clear, {reading.name}", ("meaning",), Counter({(meaning,): n for meaning, n in clearing.items()})
    )
    # 11,625 look-alikes, 3,394 insertion dates, 57 removal reasons and 31 tip cultures: none of them on a line.
    assert look_alikes.total() == 11625 + 3394 + 57 + 31
    assert set(clearing) == DRESSING_CHANGES
    assert all(count > 1000 for count in clearing.values())


@EVERY_READING
def test_no_change_is_used_before_it_was_entered_nor_later_than_its_own_entry(reading: Reading):
    tolerance = instance(reading).source_map.charting.entry_tolerance
    states = [
        *(state_at(reading, record, at) for record, at in line_moments()),
        *(slot_state_at(reading, encounter, slot, at) for encounter, slot, at in slot_moments()),
    ]

    used = 0
    for state in states:
        for item in state.items:
            if item.item != DRESSING or item.anchor is None or item.anchor.basis is not AnchorBasis.CHANGE:
                continue
            row = charted_rows()[item.anchor.source]
            assert row.meaning in DRESSING_CHANGES
            assert row.value is not None
            assert row.issued <= state.at
            assert item.anchor.at == row.value <= row.issued + tolerance
            used += 1
    print(f"\nchanges that a clock counted from, {reading.name}: {used} of {len(states)} moments")
    assert len(states) == 987
    assert used > 800


# 93 rows are later than their own entry (79 of lines, 14 of numbered slots); what became of each.
LATER = {
    ("dressing-change", IssueKind.AFTER_OWN_ENTRY): 64,
    ("dressing-change", IssueKind.AFTER_REMOVAL): 8,
    ("dressing-change", IssueKind.BEFORE_INSERTION): 6,
    ("dressing-change", IssueKind.WHICH_LINE): 1,
    ("dressing-change-unknown-line", IssueKind.AFTER_OWN_ENTRY): 14,
}


def test_every_change_later_than_its_own_entry_is_listed_with_a_reason():
    rows = [
        row
        for row in charted_rows().values()
        if row.meaning in DRESSING_CHANGES and row.value is not None and row.value > row.issued
    ]
    standing = {fact.source for _, fact in facts_on_lines(INSERTION) if fact.kind is FactKind.DRESSING_CHANGED}
    kinds: dict[str, list[IssueKind]] = {}
    for issue in whole(INSERTION).issues:
        kinds.setdefault(issue.source, []).append(issue.kind)

    found = Counter((row.meaning, kind) for row in rows for kind in kinds.get(row.source, ["no reason"]))

    print_counts("changes later than their own entry", ("meaning", "reason"), found)
    assert not {row.source for row in rows} & standing
    assert len(rows) == 93
    assert found == LATER
