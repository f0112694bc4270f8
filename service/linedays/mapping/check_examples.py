"""The worked examples of the policy files → rules that are not shown on both sides of their threshold. No I/O."""

from collections.abc import Iterator
from datetime import UTC

from linedays.core.model import FactKind
from linedays.core.moment import Moment, local_date, moment_from_text
from linedays.core.policy import NotRequiredWhen
from linedays.core.states import State
from linedays.mapping.build import span_of
from linedays.mapping.documents import Problem
from linedays.mapping.example_shapes import ExampleShape
from linedays.mapping.sections import Placed, Sections
from linedays.mapping.shapes import AnyRuleShape, IntervalShape, NotRequiredShape

EVERY_STATE = frozenset(State)
IN_TIME = frozenset({State.NOT_DUE, State.WINDOW_OPEN, State.DUE})


def example_problems(sections: Sections) -> Iterator[Problem]:
    """Yield every example whose parts do not fit, and every value of a rule without an example on either side."""
    for entry in sections.examples.items:
        yield from _facts(entry)
    if sections.examples.complete:
        for rule in sections.rules.items:
            yield from _sides_not_shown(rule, sections)


def _facts(entry: Placed[ExampleShape]) -> Iterator[Problem]:
    example = entry.value
    if example.facts[0].what not in (FactKind.INSERTED, FactKind.PRESENT):
        yield entry.problem("the first fact makes no line", "what: inserted, or what: present", "facts", 0, "what")
    for index, fact in enumerate(example.facts):
        if fact.dressing is not None and fact.part is not None:
            what = "both 'dressing' and 'part'"
            yield entry.problem(what, "the one that the fact is about", "facts", index, "part")
    for index, expected in enumerate(example.expect):
        if not moment_of(expected.at).is_exact:
            yield entry.problem("'at' is a whole day", "a time with its offset", "expect", index, "at")
    if example.due is not None and not moment_of(example.due).is_exact:
        yield entry.problem("'due' is a whole day", "a time with its offset", "due")


def moment_of(text: str) -> Moment:
    """Return the moment of a text that the shape has checked; a day is read as UTC has it."""
    moment = moment_from_text(text, UTC)
    assert isinstance(moment, Moment)
    return moment


def _sides_not_shown(rule: Placed[AnyRuleShape], sections: Sections) -> Iterator[Problem]:
    for index in range(len(rule.value.values)):
        since, until = span_of(rule.value, index)
        states = {
            expected.state
            for example in sections.examples.values
            if example.rule == rule.value.id
            for expected in example.expect
            if since <= (day := local_date(moment_of(expected.at).earliest, UTC)) and (until is None or day < until)
        }
        for side, wanted in _sides(rule.value):
            if not states & wanted:
                what = f"rule {rule.value.id!r} has no worked example {side} from {since}"
                words = " or ".join(state.value for state in State if state in wanted)
                expected = f"an example with rule: {rule.value.id} and the state {words}"
                yield rule.problem(what, expected, "values", index)


def _sides(rule: AnyRuleShape) -> tuple[tuple[str, frozenset[State]], ...]:
    if isinstance(rule, NotRequiredShape):
        met = ("where its condition holds", frozenset({State.NOT_REQUIRED}))
        unmet = ("where its condition does not hold", EVERY_STATE - {State.NOT_REQUIRED})
        return (met,) if rule.when is NotRequiredWhen.ALWAYS else (met, unmet)
    late = State.OVERDUE if isinstance(rule, IntervalShape) else State.UNKNOWN
    return ("before its threshold", IN_TIME), ("after its threshold", frozenset({late}))
