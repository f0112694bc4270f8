"""Unusual numbers of creates and of endings by absence wait for a person; what is compromised or stat never does.

Source: design 2.6: "Creates held when > max(20, 3 × the median of the last sweeps of that kind), absence-closes when >
max(5, 20 %); compromised and stat are never held". Which sweeps count is in `tests/contract`.
"""

from typing import Any

import pytest

from linedays.core.changes import Cancel, Complete, Create, EndFlag, EndReason, Write
from linedays.core.compared import Condition, ExistingFlag, ExistingTask, Phase, Severity, WantedFlag, WantedTask
from linedays.core.holds import Guarded, Hold, Kind, counts_of, holding, holds_on, is_absence_close
from linedays.core.moment import UTC, Moment, moment_from_text
from linedays.core.states import Priority, State

NOTHING_KNOWN: dict[Kind, tuple[int, ...]] = {}
MOMENT = moment_from_text("2031-05-14T10:00:00Z", UTC)
assert isinstance(MOMENT, Moment)


def new_task(n: int, priority: Priority = Priority.URGENT) -> Create:
    wanted = WantedTask(
        item="dressing-change", patient="p", stem=f"t{n}", state=State.OVERDUE, severity=Severity.OVERDUE,
        priority=priority, own=n, reminder_own=n, body={},
    )  # fmt: skip
    return Create(wanted=wanted, identifier=f"t{n}")


def new_flag(n: int, condition: Condition = Condition.OVERDUE) -> Create:
    return Create(wanted=WantedFlag(patient="p", stem=f"f{n}", condition=condition, since=0, own=n, body={}), identifier=f"f{n}")


def task(n: int) -> ExistingTask:
    return ExistingTask(
        ref=f"Task/{n}", identifier=f"t{n}", line=f"Device/{n}", patient="p", phase=Phase.OPEN, waiting=True, touched=False,
        priority=Priority.URGENT, severity=Severity.OVERDUE, authored=0, modified=0, own=n, item="dressing-change",
    )  # fmt: skip


def flag(n: int) -> ExistingFlag:
    return ExistingFlag(
        ref=f"Flag/{n}", identifier=f"f{n}", line=f"Device/{n}", patient="p", phase=Phase.OPEN,
        condition=Condition.OVERDUE, since=0, modified=0, own=n,
    )  # fmt: skip


def gone_task(n: int) -> Cancel:
    return Cancel(existing=task(n), reason=EndReason.GONE_FROM_CHART)


def gone_flag(n: int) -> EndFlag:
    return EndFlag(existing=flag(n), reason=EndReason.GONE_FROM_CHART)


def held(changes: list[Write], usual: Any = NOTHING_KNOWN, open_now: int = 0, *released: Guarded) -> list[tuple[Any, ...]]:
    holds = holds_on(changes, usual, open_now=open_now, released=frozenset(released))
    return [(hold.what, hold.kind, hold.count, hold.limit) for hold in holds]


@pytest.mark.parametrize(
    ("last", "limit"),
    [
        ((), 20),
        ((0, 0, 0), 20),
        ((6,), 20),  # 3 × 6 = 18
        ((7,), 21),
        ((1, 9, 100), 27),  # the middle one, whatever the order
        ((100, 1, 9), 27),
        ((7, 8), 22),  # 3 × 7.5 = 22.5
        ((0, 0, 0, 50), 20),
    ],
)
@pytest.mark.parametrize(("make", "kind"), [(new_task, Kind.TASK), (new_flag, Kind.FLAG)])
def test_creates_of_a_kind_are_held_above_the_limit_only(make: Any, kind: Kind, last: tuple[int, ...], limit: int) -> None:
    for count in (limit - 1, limit):
        assert held([make(n) for n in range(count)], {kind: last}) == []
    above = [make(n) for n in range(limit + 1)]
    assert held(above, {kind: last}) == [(Guarded.CREATES, kind, limit + 1, limit)]


def test_kinds_are_counted_apart_and_by_their_own_history() -> None:
    changes = [new_task(n) for n in range(30)] + [new_flag(n) for n in range(30)]
    assert held(changes, {Kind.TASK: (10,), Kind.FLAG: (9,)}) == [(Guarded.CREATES, Kind.FLAG, 30, 27)]


@pytest.mark.parametrize(
    "one",
    [new_task(99, Priority.ASAP), new_task(99, Priority.STAT), new_flag(99, Condition.COMPROMISED)],
    ids=["asap", "stat", "compromised"],
)
def test_compromised_and_stat_neither_count_nor_wait(one: Create) -> None:
    make = new_task if isinstance(one.wanted, WantedTask) else new_flag
    usual: list[Write] = [make(n) for n in range(20)]
    assert held([*usual, one]) == []
    assert held([one] * 500) == []
    flood = [*usual, make(20), one]
    held_by = holding(holds_on(flood, NOTHING_KNOWN, open_now=0))
    assert [change for change in flood if held_by(change) is None] == [one]


@pytest.mark.parametrize("priority", [Priority.ROUTINE, Priority.URGENT])
def test_every_other_priority_counts(priority: Priority) -> None:
    assert len(held([new_task(n, priority) for n in range(21)])) == 1


@pytest.mark.parametrize("condition", [one for one in Condition if one is not Condition.COMPROMISED])
def test_every_other_condition_counts(condition: Condition) -> None:
    assert len(held([new_flag(n, condition) for n in range(21)])) == 1


@pytest.mark.parametrize(
    ("open_now", "limit"), [(0, 5), (5, 5), (25, 5), (29, 5), (30, 6), (34, 6), (35, 7), (1000, 200)]
)
def test_endings_by_absence_are_held_above_the_limit_only(open_now: int, limit: int) -> None:
    gone: list[Write] = [gone_task(n) if n % 2 else gone_flag(n) for n in range(limit + 1)]
    assert held(gone[: limit - 1], NOTHING_KNOWN, open_now) == []
    assert held(gone[:limit], NOTHING_KNOWN, open_now) == []
    assert held(gone, NOTHING_KNOWN, open_now) == [(Guarded.CLOSES, None, limit + 1, limit)]


def test_endings_with_evidence_never_wait() -> None:
    charted: list[Write] = [
        *(Cancel(existing=task(n), reason=EndReason.LINE_OUT) for n in range(100)),
        *(Complete(existing=task(n), reason=EndReason.CHANGED, output="Procedure/1", happened=MOMENT) for n in range(100)),
        *(EndFlag(existing=flag(n), reason=EndReason.STAY_OVER) for n in range(100)),
    ]
    assert not any(map(is_absence_close, charted))
    assert held(charted) == []
    assert is_absence_close(gone_task(1))
    assert is_absence_close(gone_flag(1))


def test_what_a_person_lets_through_is_not_held_and_the_other_is() -> None:
    changes: list[Write] = [*(new_task(n) for n in range(21)), *(gone_flag(n) for n in range(6))]
    assert len(held(changes)) == 2
    assert held(changes, NOTHING_KNOWN, 0, Guarded.CREATES) == [(Guarded.CLOSES, None, 6, 5)]
    assert held(changes, NOTHING_KNOWN, 0, Guarded.CLOSES) == [(Guarded.CREATES, Kind.TASK, 21, 20)]
    assert held(changes, NOTHING_KNOWN, 0, *Guarded) == []


def test_all_of_a_held_kind_wait_and_nothing_else() -> None:
    holds = (Hold(what=Guarded.CREATES, kind=Kind.TASK, count=21, limit=20), Hold(what=Guarded.CLOSES, kind=None, count=6, limit=5))
    held_by = holding(holds)
    assert held_by(new_task(1)) is holds[0]
    assert held_by(gone_task(1)) is holds[1]
    assert held_by(gone_flag(1)) is holds[1]
    assert held_by(new_flag(1)) is None
    assert held_by(Cancel(existing=task(1), reason=EndReason.LINE_OUT)) is None
    assert holding(())(new_task(1)) is None


def test_counts_are_by_group_and_kind() -> None:
    changes: list[Write] = [new_task(1), new_task(2), new_flag(1), gone_task(3), gone_flag(4), gone_flag(5), new_task(6, Priority.STAT)]
    assert counts_of(changes) == {
        (Guarded.CREATES, Kind.TASK): 2,
        (Guarded.CREATES, Kind.FLAG): 1,
        (Guarded.CLOSES, Kind.TASK): 1,
        (Guarded.CLOSES, Kind.FLAG): 2,
    }
