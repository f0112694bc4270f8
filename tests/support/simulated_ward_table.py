"""The figures of simulated weeks → one table in plain text, a column for each week. No I/O."""

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from typing import TypeVar

from support.simulated_ward_figures import Figures
from support.simulated_ward_people import BEDS, BEDS_TO_A_NURSE
from support.simulated_ward_watching import Week

T = TypeVar("T")
MEDIAN_BAR, PERCENTILE_BAR = 1, 3


def table(weeks: dict[str, Week]) -> str:
    """Return the table: what the ward was, new Tasks per nurse and shift, avoidable ones, how Tasks ended, what nurses did."""
    found = list(weeks.values())
    figures = [week.figures for week in found]
    rows: list[tuple[str, Sequence[object]]] = [
        ("first day · seed", list(weeks)),
        (f"beds taken, of {BEDS} (mean)", [_mean(one.beds_taken) for one in figures]),
        ("beds with a line (mean)", [_mean(one.beds_with_line) for one in figures]),
        ("lines in place (mean)", [_mean(one.lines) for one in figures]),
        ("sweeps · writes", [f"{one.sweeps} · {one.writes}" for one in figures]),
        (f"NEW TASKS PER NURSE AND 12-HOUR SHIFT ({BEDS_TO_A_NURSE} beds in a block to a nurse)", ()),
        (f"median (bar {MEDIAN_BAR})", [f"{one.median:g}" for one in figures]),
        (f"95th percentile (bar {PERCENTILE_BAR})", [one.percentile(95) for one in figures]),
        ("most", [max(one.spread()) for one in figures]),
        ("nurses and shifts · of them with any", [_shifts(one) for one in figures]),
        ("mean of those with any", [f"{one.total / max(1, len(one.per_nurse)):.2f}" for one in figures]),
        ("new Tasks in all · of them at the first sweep", [f"{one.total} · {one.first_sweep}" for one in figures]),
        *_counted("priority", figures, lambda one: one.priorities),
        *_counted("says", figures, lambda one: one.reasons),
        ("AVOIDABLE NEW TASKS (H30)", ()),
        ("in all", [sum(one.avoidable.values()) for one in figures]),
        *_counted("", figures, lambda one: one.avoidable),
        ("created within 4 h after the stay ended", [one.after_discharge for one in figures]),
        ("kept open for a time that has not begun", [len(one.open_early) for one in figures]),
        ("HOW TASKS ENDED", ()),
        *_counted("", figures, lambda one: one.ended),
        ("WHAT NURSES DID WITH THEM", ()),
        *_counted("", found, lambda one: one.nurses.did),
        ("CHECKED: line and sweep where something was asked", [one.asked_checked for one in figures]),
        ("line and sweep where the dressing was overdue", [one.overdue_checked for one in figures]),
        ("line and sweep quieted by a person's no", [one.quieted for one in figures]),
        ("second runs", [one.second_runs for one in figures]),
    ]
    return "\n".join(_line(name, cells) for name, cells in rows)


def _counted(name: str, of: Sequence[T], counts: Callable[[T], Counter[str]]) -> list[tuple[str, Sequence[object]]]:
    each = [counts(one) for one in of]
    keys = sorted(set().union(*each), key=lambda key: (-sum(one[key] for one in each), key))
    return [(f"  {name} {key}".rstrip() if name else f"  {key}", [one[key] for one in each]) for key in keys]


def _line(name: str, cells: Iterable[object]) -> str:
    return f"{name:<86}" + "".join(f"{cell!s:>16}" for cell in cells)


def _mean(numbers: Sequence[int]) -> str:
    return f"{sum(numbers) / len(numbers):.1f}"


def _shifts(figures: Figures) -> str:
    return f"{len(figures.spread())} · {len(figures.per_nurse)}"
