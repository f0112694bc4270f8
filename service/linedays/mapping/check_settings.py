"""The windows, units and limits of the policy files → values that cannot be meant. No I/O."""

from collections.abc import Iterator
from datetime import time
from itertools import pairwise

from linedays.core.moment import DAY, HOUR, MINUTE
from linedays.mapping.documents import Problem
from linedays.mapping.quantities import duration_in_words
from linedays.mapping.sections import Placed, Section, Sections
from linedays.mapping.shapes import LimitsShape, UnitShape, WindowShape

LONGEST_LEAD = 2 * DAY
LONGEST_QUIET = 12 * HOUR

# The least and the most that each limit can sensibly be: seconds, but for `ask` (days) and `neonate_corrected` (weeks).
_BOUNDS: dict[str, tuple[int, int, str]] = {
    "ask": (1, 7, "1 d to 7 d"),
    "after_change_hint": (0, 12 * HOUR, "0 min to 12 h"),
    "off_unit_back": (0, 12 * HOUR, "0 h to 12 h"),
    "off_unit_longest": (1, DAY, "up to 24 h"),
    "used_after_removal": (0, DAY, "0 min to 24 h"),
    "stay_gap": (0, 2 * DAY, "0 h to 48 h"),
    "neonate_corrected": (40, 60, "40 wk to 60 wk"),
}


def setting_problems(sections: Sections) -> Iterator[Problem]:
    """Yield every value of the windows, units and limits that cannot be meant."""
    yield from _windows(sections.windows)
    for unit in sections.units.items:
        yield from _shifts(unit)
    for limits in sections.limits.items:
        yield from _limits(limits)


def _windows(section: Section[WindowShape]) -> Iterator[Problem]:
    for entry in section.items:
        if not 0 < entry.value.lead <= LONGEST_LEAD:
            what = f"'lead' is {duration_in_words(entry.value.lead)}"
            yield entry.problem(what, f"more than 0 h, up to {duration_in_words(LONGEST_LEAD)}", "lead")
    for before, after in pairwise(section.items):
        if before.value.up_to is None or (after.value.up_to is not None and after.value.up_to <= before.value.up_to):
            yield after.problem("a window out of order", "up_to ascending, the one with null last", "up_to")
    if section.complete and section.items and section.items[-1].value.up_to is not None:
        yield section.items[-1].problem("no window for longer intervals", "a last window with up_to: null", "up_to")


def _shifts(entry: Placed[UnitShape]) -> Iterator[Problem]:
    shifts = entry.value.shifts
    starts = [_seconds(start) for start in shifts.starts]
    if any(later <= earlier for earlier, later in pairwise(starts)):
        yield entry.problem("shifts out of order or equal", "distinct times of day, ascending", "shifts", "starts")
        return
    shortest = min((later - earlier) % DAY or DAY for earlier, later in pairwise([*starts, starts[0] + DAY]))
    if shifts.change_margin * 2 >= shortest:
        what = f"'change_margin' is {duration_in_words(shifts.change_margin)}"
        yield entry.problem(what, "less than half of the shortest shift", "shifts", "change_margin")
    quiet = (_seconds(shifts.quiet_until) - _seconds(shifts.quiet_from)) % DAY
    if not 0 < quiet <= LONGEST_QUIET:
        what = f"quiet hours from {shifts.quiet_from:%H:%M} until {shifts.quiet_until:%H:%M}"
        yield entry.problem(what, "more than 0 h, up to 12 h", "shifts", "quiet_until")


def _seconds(clock: time) -> int:
    return clock.hour * HOUR + clock.minute * MINUTE


def _limits(entry: Placed[LimitsShape]) -> Iterator[Problem]:
    for name, (least, most, expected) in _BOUNDS.items():
        value: int = getattr(entry.value, name).value
        if not least <= value <= most:
            yield entry.problem(f"{name!r} is out of range", expected, name, "value")
    if entry.value.off_unit_back.value > entry.value.off_unit_longest.value:
        what = "'off_unit_back' is longer than 'off_unit_longest'"
        yield entry.problem(what, "at most that", "off_unit_back", "value")
