"""The rules of the policy files → problems inside one rule: its dates, its quantities, its words. No I/O."""

import re
from collections.abc import Iterator
from itertools import pairwise
from typing import assert_never

from linedays.core.moment import DAY, HOUR
from linedays.core.policy import Basis, NotRequiredWhen
from linedays.mapping.documents import Problem
from linedays.mapping.quantities import duration_in_words
from linedays.mapping.sections import Placed, Sections
from linedays.mapping.shapes import (
    AnyRuleShape,
    IntervalShape,
    IntervalValue,
    NotRequiredShape,
    SeenShape,
    Shape,
    Sourced,
)

PRACTICE = "common practice, no source"
LONGEST_INTERVAL_DAYS = 31
LONGEST_SEEN = 7 * DAY
LONGEST_INCISION = 90 * DAY

# What we write informs; these words would make it an order.
ORDERS = re.compile(r"\b(remove|re-site|replace|start|stop|give|must)\b", re.IGNORECASE)

_PLACEHOLDER = {"interval": "{interval}", "seen": "{seen_within}", "not-required": "{incision}"}


def rule_problems(sections: Sections) -> Iterator[Problem]:
    """Yield every problem that lies inside one entry: sources of all sections, dates and quantities of rules."""
    for entry in sections.rules.items:
        yield from _dates(entry)
        yield from _text(entry)
        for index, value in enumerate(entry.value.values):
            yield from _source(entry, value, "values", index)
            yield from _quantities(entry, index)
    for kind in sections.line_kinds.items:
        yield from _source(kind, kind.value)
    for row in sections.findings.items:
        yield from _source(row, row.value)
    for window in sections.windows.items:
        yield from _source(window, window.value)
    for unit in sections.units.items:
        yield from _source(unit, unit.value)
    for limits in sections.limits.items:
        for name in type(limits.value).model_fields:
            yield from _source(limits, getattr(limits.value, name), name)


def _dates(entry: Placed[AnyRuleShape]) -> Iterator[Problem]:
    values = entry.value.values
    for index, value in enumerate(values):
        if value.until is not None and value.until <= value.since:
            yield entry.problem(f"'until' is {value.until}", f"a day after {value.since}", "values", index, "until")
    for index, (earlier, later) in enumerate(pairwise(values)):
        inside = ("values", index + 1, "since")
        if later.since <= earlier.since:
            yield entry.problem(f"'since' is {later.since}", f"a day after {earlier.since}", *inside)
        elif earlier.until is not None and later.since > earlier.until:
            what = f"no value from {earlier.until} until {later.since}"
            yield entry.problem(what, f"since: {earlier.until}", *inside)
        elif earlier.until is not None and later.since < earlier.until:
            what = f"two values from {later.since} until {earlier.until}"
            yield entry.problem(what, f"since: {earlier.until}", *inside)


def _text(entry: Placed[AnyRuleShape]) -> Iterator[Problem]:
    text, own = entry.value.text, _PLACEHOLDER[entry.value.kind]
    rest = text.replace(own, "")
    if "{" in rest or "}" in rest or re.search(r"[0-9]", rest):
        # A number in words would stay as it is when the value changes.
        yield entry.problem(f"'text' is {text!r}", f"no number, and no placeholder but {own}", "text")
    if found := ORDERS.search(text):
        yield entry.problem(f"'text' says {found.group()!r}", "words that inform and do not order", "text")


def _source(entry: Placed[Shape], value: Sourced, *inside: str | int) -> Iterator[Problem]:
    if value.source.startswith(PRACTICE) and value.from_memory:
        expected = "no from_memory, or a published source"
        yield entry.problem(f"'from_memory' with {PRACTICE!r}", expected, *inside, "from_memory")


def _quantities(entry: Placed[AnyRuleShape], index: int) -> Iterator[Problem]:
    rule = entry.value
    match rule:
        case IntervalShape():
            yield from _interval(entry, rule.values[index], index)
        case SeenShape():
            seen = rule.values[index].seen_within
            if not HOUR <= seen <= LONGEST_SEEN:
                expected = f"1 h to {duration_in_words(LONGEST_SEEN)}"
                what = f"'seen_within' is {duration_in_words(seen)}"
                yield entry.problem(what, expected, "values", index, "seen_within")
        case NotRequiredShape():
            incision = rule.values[index].incision
            if incision > (LONGEST_INCISION if rule.when is NotRequiredWhen.PORT_NOT_ACCESSED else 0):
                expected = f"0 d, or up to {duration_in_words(LONGEST_INCISION)} with when: port not accessed"
                what = f"'incision' is {duration_in_words(incision)}"
                yield entry.problem(what, expected, "values", index, "incision")
        case _:
            assert_never(rule)


def _interval(entry: Placed[AnyRuleShape], value: IntervalValue, index: int) -> Iterator[Problem]:
    inside = ("values", index)
    if not 1 <= value.interval <= LONGEST_INTERVAL_DAYS:
        what = f"'interval' is {value.interval} d"
        yield entry.problem(what, f"1 d to {LONGEST_INTERVAL_DAYS} d", *inside, "interval")
    elif value.grace >= value.interval * DAY:
        what = f"'grace' is {duration_in_words(value.grace)}"
        yield entry.problem(what, "a grace shorter than the interval", *inside, "grace")
    if value.grace and value.basis is Basis.CALENDAR:
        what = "'grace' on a calendar interval"
        yield entry.problem(what, "grace: 0 h, and the unit's cutoff instead", *inside, "grace")
