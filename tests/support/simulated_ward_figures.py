"""What is counted in a simulated week. No I/O."""

from collections import Counter
from dataclasses import dataclass, field
from statistics import median

from support.simulated_ward_people import BEDS, BEDS_IN_UNIT, BEDS_TO_A_NURSE, WEEK_DAYS


@dataclass(slots=True)
class Figures:
    """What a week came to: Tasks per nurse and shift, by priority and reason, avoidable ones by kind, how they ended."""

    per_nurse: Counter[tuple[int, int, int]] = field(default_factory=Counter)
    priorities: Counter[str] = field(default_factory=Counter)
    reasons: Counter[str] = field(default_factory=Counter)
    avoidable: Counter[str] = field(default_factory=Counter)
    ended: Counter[str] = field(default_factory=Counter)
    first_sweep: int = 0
    after_discharge: int = 0
    sweeps: int = 0
    writes: int = 0
    lines: list[int] = field(default_factory=list)
    beds_taken: list[int] = field(default_factory=list)
    beds_with_line: list[int] = field(default_factory=list)
    overdue_checked: int = 0
    quieted: int = 0
    second_runs: int = 0
    open_early: set[str] = field(default_factory=set)
    asked_checked: int = 0

    @property
    def total(self) -> int:
        return sum(self.per_nurse.values())

    def spread(self) -> list[int]:
        """Return the number of new Tasks of every nurse and shift, those without any among them, in order."""
        blocks = sum(-(-beds // BEDS_TO_A_NURSE) for beds in (BEDS_IN_UNIT,) * (BEDS // BEDS_IN_UNIT))
        shifts = 2 * WEEK_DAYS
        found = sorted(self.per_nurse.values())
        return [0] * (blocks * shifts - len(found)) + found

    def percentile(self, percent: int) -> int:
        """Return the smallest number that at least so many in a hundred nurses and shifts do not exceed."""
        spread = self.spread()
        return spread[-(-percent * len(spread) // 100) - 1]

    @property
    def median(self) -> float:
        return float(median(self.spread()))
