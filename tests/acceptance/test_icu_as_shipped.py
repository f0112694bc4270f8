"""The ICU data by the map as shipped: arrival, midnight as a day, 60 min tolerance, records joined over up to 4 h.

There are no answers for this reading; what must hold in any reading is shown here (nothing is called not due without
a dated fact), and what it makes of the records and checks is printed beside the answers.
"""

from collections import Counter
from datetime import datetime
from itertools import pairwise

import pytest

from linedays.core.charting import PresenceStart
from linedays.core.moment import HOUR, MINUTE
from linedays.core.states import ItemState, SiteState, State
from linedays.mapping.source_map import TimeFrom
from linedays.run.derive import derive
from support.icu_answers import (
    DRESSING_CHANGES,
    answers,
    charted_rows,
    instant,
    line_moments,
    print_confusion,
    records,
    slot_moments,
)
from support.icu_chart import (
    DRESSING,
    GAUZE,
    INSERTION,
    NEW_YORK,
    SHIPPED,
    collected,
    dressing_of,
    instance,
    names,
    slot_state_at,
    state_at,
    whole,
)

pytestmark = pytest.mark.icu

RUNNING = frozenset({State.NOT_DUE, State.WINDOW_OPEN, State.DUE, State.OVERDUE})


def test_what_the_map_as_shipped_settles():
    shipped = instance(SHIPPED).source_map

    assert shipped.midnight_is_day == {TimeFrom.VALUE}
    assert shipped.charting.presence_start is PresenceStart.ARRIVAL
    assert (shipped.charting.entry_tolerance, shipped.charting.join_gap) == (60 * MINUTE, 4 * HOUR)


def local(at: int) -> str:
    return datetime.fromtimestamp(at, NEW_YORK).strftime("%Y-%m-%d %H:%M")


def test_records_that_are_joined():
    """The README names one line split in two records: stay 298685, one ends 20:58, the next begins 20:58."""
    joined = {}
    for result in whole(SHIPPED).results:
        for timeline in (one for site in result.chart.sites for one in site.timelines):
            parts = sorted(
                (records()[name] for name in names(timeline) if name in records()), key=lambda one: one.start
            )
            if len(parts) > 1:
                joined[parts[0].stay, parts[0].kind] = parts

    print("\nrecords read as one line")
    for (stay, kind), parts in sorted(joined.items()):
        print(f"  stay {stay}, {kind}: " + ", then ".join(f"{local(one.start)} to {local(one.end)}" for one in parts))
    gaps = {
        name: [(after.start - before.end) // MINUTE for before, after in pairwise(parts)]
        for name, parts in joined.items()
    }
    assert gaps == {
        ("298685", "multi-lumen-cvc"): [0],
        # 20:54 to 21:00, and 10:41 to 14:00: 3 h 19 min.
        ("298685", "piv-20g"): [6],
        ("210989", "arterial"): [199],
    }
    assert len(lines_of_records()) == 268 - 3


def lines_of_records() -> set[str]:
    return {
        timeline.line.key
        for result in whole(SHIPPED).results
        for site in result.chart.sites
        for timeline in site.timelines
        if timeline.line.key in records()
    }


def test_daily_checks_beside_the_answers():
    rows = [
        (row, state_at(SHIPPED, f"Procedure/{row['procedure_id']}", instant(row["check_at"]), GAUZE))
        for row in answers("overdue_timeline.csv")
    ]

    found = print_confusion(
        "overdue at 48 h (1) against the state shown, as shipped",
        ((row["overdue_2d_arrival_rule"], dressing_of(state).state.value) for row, state in rows),
    )
    assert found.total() == 361
    assert found["1", State.OVERDUE] > 0
    assert found["0", State.NOT_DUE] > 0
    why = Counter(
        why_otherwise(f"Procedure/{row['procedure_id']}", dressing_of(state))
        for row, state in rows
        if (row["overdue_2d_arrival_rule"] == "1") is not is_overdue(dressing_of(state), state.at)
        and dressing_of(state).anchor is not None
    )
    assert why == {"entered 2 min before the time charted for": 1, "overlaps another line": 1}


def is_overdue(item: ItemState, at: int) -> bool:
    return item.overdue_from is not None and item.overdue_from <= at


def why_otherwise(record: str, item: ItemState) -> str:
    if records()[record].ambiguous:
        return "overlaps another line"
    row = charted_rows()[item.anchor.source]
    return f"entered {(row.value - row.issued) // MINUTE} min before the time charted for"


def test_no_clock_runs_without_a_dated_change():
    states = [
        *(state_at(SHIPPED, record, at) for record, at in line_moments()),
        *(slot_state_at(SHIPPED, encounter, slot, at) for encounter, slot, at in slot_moments()),
    ]

    found: Counter[State] = Counter()
    for state in states:
        for item in state.items:
            if item.state in RUNNING or (item.item == DRESSING and item.due is not None):
                assert item.anchor is not None, f"{item.state} without a dated fact: {item}"
                row = charted_rows()[item.anchor.source]
                assert row.meaning in DRESSING_CHANGES
                assert row.value is not None
                # A date charted at 00:00 is some time that day: its earliest reading is that 00:00.
                assert item.anchor.at == row.value
                found[item.state] += 1
    print(f"\nclocks that run, as shipped: {dict(found)} of {len(states)} moments")
    assert found[State.NOT_DUE] > 0
    assert found[State.OVERDUE] > 0


@pytest.mark.parametrize("reading", [INSERTION, SHIPPED], ids=lambda reading: reading.name)
def test_one_line_asked_about_alone_comes_out_as_in_the_whole(reading):
    """What the other tests of the ICU data ask of one line at a time is what the whole derivation says of it."""
    last: dict[str, tuple[str, int]] = {}
    for record, at in line_moments():
        last[records()[record].patient] = (record, at)
    sampled = sorted(last.values())[::6]

    compared = 0
    for record, at in sampled:
        together = derive(collected(reading), instance(reading), at=at, known_by=at)
        (found,) = [
            state
            for result in together.results
            for state in result.states
            if any(record in names(timeline) for timeline in state.site.timelines)
        ]
        assert isinstance(found, SiteState)
        assert found == state_at(reading, record, at)
        compared += 1
    print(f"\nlines compared with the whole, {reading.name}: {compared}")
    assert compared >= 5
