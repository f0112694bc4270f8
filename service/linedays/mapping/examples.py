"""The worked examples of the policy files → input for the core, and what came out beside what was expected. No I/O.

One example of the files states what was charted and what must come out at several moments; each moment becomes one
`Example`. Its patient lies in one unit all the time and has one line.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from linedays.core.charting import ChartingRules
from linedays.core.evaluate import evaluate_chart
from linedays.core.model import Fact, PatientInput, Person, Place, PlaceClass, PlaceSpan, Stay
from linedays.core.moment import DAY, HOUR, Instant, Moment, moment_from_text
from linedays.core.policy import Policy
from linedays.core.states import ItemState, State
from linedays.core.timeline import build_chart
from linedays.mapping.documents import Documents, PolicyInvalid, Problem
from linedays.mapping.example_shapes import ExampleShape, FactShape, PersonShape
from linedays.mapping.sections import Placed, sections_from_documents

PATIENT = "Patient/example"
INSERTION = "Procedure/ins"
PLACE = "Location/example"


@dataclass(frozen=True, slots=True, kw_only=True)
class Example:
    """What was charted about one line, and what must come out for one item at one moment."""

    id: str
    rule: str
    item: str
    unit: str
    patient: PatientInput
    at: Instant
    state: State
    due: Instant | None
    file: str
    line: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ExampleResult:
    """What came out for one example; `problem` is None where it is what was expected."""

    example: Example
    state: State | None
    due: Instant | None
    problem: Problem | None


def examples_from_documents(documents: Documents, zone: tzinfo) -> tuple[Example, ...]:
    """Return the worked examples of the files under policy/, in their order.

    Units: `zone` gives the calendar day of a date without a time.
    Raises: PolicyInvalid, where an entry cannot be read.
    """
    sections, problems = sections_from_documents(documents.under("policy"))
    if problems:
        raise PolicyInvalid(problems)
    items = {rule.id: rule.item for rule in sections.rules.values}
    return tuple(
        example
        for entry in sections.examples.items
        for example in _examples(entry, items.get(entry.value.rule, ""), zone)
    )


def run_examples(examples: Iterable[Example], policy: Policy, zone: tzinfo) -> tuple[ExampleResult, ...]:
    """Evaluate every example under a policy, known by the moment it asks about.

    Units: `zone` is that of the instance; it places shifts and calendar days.
    """
    return tuple(_run(example, policy, zone) for example in examples)


def _examples(entry: Placed[ExampleShape], item: str, zone: tzinfo) -> Iterable[Example]:
    shape = entry.value
    patient = _patient_input(shape, zone)
    due = _moment(shape.due, zone).earliest if shape.due is not None else None
    for index, expected in enumerate(shape.expect):
        yield Example(
            id=f"{shape.id}-{index + 1}",
            rule=shape.rule,
            item=item,
            unit=shape.unit,
            patient=patient,
            at=_moment(expected.at, zone).earliest,
            state=expected.state,
            due=due,
            file=entry.document.file,
            line=entry.document.line((*entry.path, "expect", index)),
        )


def _patient_input(shape: ExampleShape, zone: tzinfo) -> PatientInput:
    facts = tuple(_fact(fact, index, shape.line_kind, zone) for index, fact in enumerate(shape.facts))
    # The patient was there before anything was charted, so that no example hangs on its admission.
    admitted = min(fact.happened.earliest for fact in facts) - HOUR
    stay = Stay(
        id="Encounter/example",
        top="Encounter/example",
        status="in-progress",
        encounter_class="IMP",
        start=admitted,
        end=None,
        known=admitted,
        places=(PlaceSpan(place=PLACE, start=admitted),),
    )
    return PatientInput(person=_person(shape.patient, zone), facts=facts, stays=(stay,))


def _person(shape: PersonShape | None, zone: tzinfo) -> Person:
    if shape is None:
        return Person(id=PATIENT)
    gestation = shape.gestation // DAY if shape.gestation is not None else None
    return Person(id=PATIENT, birth=_moment(shape.born, zone), gestation_days=gestation)


def _fact(shape: FactShape, index: int, line_kind: str, zone: tzinfo) -> Fact:
    happened = _moment(shape.when, zone)
    known = _moment(shape.known, zone) if shape.known is not None else happened
    return Fact(
        kind=shape.what,
        patient=PATIENT,
        source=f"Procedure/f{index}" if index else INSERTION,
        happened=happened,
        known=known.earliest,
        part_of=INSERTION if index else None,
        line_kind=None if index else line_kind,
        value=shape.dressing or shape.part,
        findings=tuple(shape.findings),
    )


def _moment(text: str, zone: tzinfo) -> Moment:
    moment = moment_from_text(text, zone)
    assert isinstance(moment, Moment), "the shape has checked that the text can be read"
    return moment


def _run(example: Example, policy: Policy, zone: tzinfo) -> ExampleResult:
    chart = build_chart(example.patient, ChartingRules(), known_by=example.at)
    place = Place(id=PLACE, unit=example.unit, name="example", place_class=PlaceClass.INPATIENT)
    sites = evaluate_chart(chart, policy, {PLACE: place}, at=example.at, zone=zone)
    found = [item for site in sites for item in site.items if item.item == example.item]
    one = found[0] if len(found) == 1 else None
    return ExampleResult(
        example=example,
        state=one.state if one is not None else None,
        due=one.due if one is not None else None,
        problem=_problem(example, one),
    )


def _problem(example: Example, found: ItemState | None) -> Problem | None:
    if found is None:
        came = f"no state of {example.item}"
    elif found.state is not example.state:
        came = f"the state {found.state.value!r}"
    elif found.due != example.due:
        came = f"the due time {_time(found.due)}"
    else:
        return None
    expected = f"{example.state.value!r}, due {_time(example.due)}"
    what = f"example {example.id!r} of rule {example.rule!r} gives {came}"
    return Problem(file=example.file, line=example.line, what=what, expected=expected)


def _time(at: Instant | None) -> str:
    return "never" if at is None else f"{datetime.fromtimestamp(at, UTC):%Y-%m-%dT%H:%M:%SZ}"
