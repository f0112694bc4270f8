"""One patient's chart and any instant → the values to say of it then, and which of them should stand. No I/O."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from linedays.core.asked import dressing_item
from linedays.core.central import Central
from linedays.core.count_rules import Count, NoCountingRule, time_rule
from linedays.core.counted import CountedPatient, counted_patient
from linedays.core.day_numbers import line_day_numbers
from linedays.core.derived_values import Counts, DerivedValue, ValueKind
from linedays.core.evaluate import evaluate_chart
from linedays.core.model import Line
from linedays.core.moment import Instant, local_date
from linedays.core.state_began import state_began
from linedays.core.states import ItemState, SiteState
from linedays.core.value_changes import ExistingValue
from linedays.core.values_at import leading_line, values_of
from linedays.run.derive import Derivation, Instance, PatientResult
from linedays.run.figures import basis_of

LineAndKind = tuple[str, ValueKind]


@dataclass(slots=True)
class PatientValues:
    """One patient's states and values at any instant; each instant is evaluated once."""

    result: PatientResult
    derivation: Derivation
    instance: Instance
    _states: dict[Instant, tuple[SiteState, ...]] = field(default_factory=dict)
    _counted: dict[int, CountedPatient | None] = field(default_factory=dict)
    _values: dict[Instant, dict[LineAndKind, DerivedValue]] = field(default_factory=dict)

    def wanted(
        self, snapshots: Iterable[Instant], since: Instant, stood: Iterable[ExistingValue]
    ) -> tuple[DerivedValue, ...]:
        """Return every value that should stand: at the snapshots, where a state began, and where one stands already."""
        found = {(*place, at): value for at in snapshots for place, value in self.values(at).items()}
        for at, line in self.begun(since):
            self._take(found, line, ValueKind.UPKEEP_STATE, at)
        keys = {name: line.key for line in self._lines() for name in line.names}
        for one in stood:
            self._take(found, keys[one.line], one.kind, one.at)
        return tuple(found.values())

    def _take(
        self, found: dict[tuple[str, ValueKind, Instant], DerivedValue], line: str, kind: ValueKind, at: Instant
    ) -> None:
        value = self.values(at).get((line, kind))
        if value is not None:
            found[line, kind, at] = value

    def values(self, at: Instant) -> dict[LineAndKind, DerivedValue]:
        """Return everything to say of an instant, by line and kind."""
        if at not in self._values:
            counts, stays = self.counts(at), self.result.chart.stays
            values = [one for state in self._at(at) for one in values_of(state, counts, stays)]
            self._values[at] = {(one.line.key, one.kind): one for one in values}
        return self._values[at]

    def _at(self, at: Instant) -> tuple[SiteState, ...]:
        if at == self.derivation.at:
            return self.result.states
        if at not in self._states:
            instance, chart = self.instance, self.result.chart
            self._states[at] = evaluate_chart(
                chart, instance.policy, self.derivation.places, at=at, zone=instance.zone
            )
        return self._states[at]

    def _lines(self) -> Iterator[Line]:
        for state in self.result.states:
            for timeline in state.site.timelines:
                yield timeline.line

    def begun(self, since: Instant) -> Iterator[tuple[Instant, str]]:
        """Yield when the present state of each dressing began, with the line that carries it then."""
        for number, state in enumerate(self.result.states):
            item = dressing_item(state)
            if item is None:
                continue

            def state_at(at: Instant, number: int = number) -> ItemState | None:
                return dressing_item(self._at(at)[number])

            began = state_began(state, item, since, state_at)
            if began is not None:
                yield began, leading_line(self._at(began)[number]).key

    def counts(self, at: Instant) -> Counts:
        """Return what the counting says of the patient at an instant."""
        instance, known_by = self.instance, self.derivation.known_by
        day = local_date(at, instance.zone)
        rule = time_rule(instance.counting, Count.DWELL, day.year)
        counted = self._counted_in(at)
        if counted is None:
            return Counts(dwell_rule=rule, known_by=known_by, zone=instance.zone)
        numbers = (one for one in line_day_numbers(counted, at=at) if one.day == day)
        unclear = (line for line in counted.lines if line.centrality.central is Central.UNKNOWN)
        return Counts(
            dwell_rule=rule,
            known_by=known_by,
            zone=instance.zone,
            numbers={key: number for number in numbers for key in number.lines},
            unclear=frozenset(line.timeline.line.key for line in unclear),
        )

    def _counted_in(self, at: Instant) -> CountedPatient | None:
        """Return what the counts of a year begin with; None where no line may count, or the year has no rule."""
        day = local_date(at, self.instance.zone)
        if day.year not in self._counted:
            try:
                counted = counted_patient(self.result.chart, basis_of(self.derivation, self.instance, day))
            except NoCountingRule:
                self._counted[day.year] = None
            else:
                counts = any(line.centrality.central is not Central.NO for line in counted.lines)
                self._counted[day.year] = counted if counts else None
        return self._counted[day.year]
