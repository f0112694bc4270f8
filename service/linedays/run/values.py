"""Everything derived, and the Observations of ours that exist → what a sweep would write for analysts. No I/O.

Of each line in place its values at the daily snapshots of the look-back, and the state of its dressing at the instant
at which the present one began. Every Observation of ours in the look-back is looked at again at its own instant. A
patient's chart is the one already built; it is evaluated once more for each such instant, one patient after another.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from linedays.core.derived_values import DerivedValue
from linedays.core.evidence import withdrawn_sources
from linedays.core.model import Fact, Whereabouts
from linedays.core.moment import Instant, instant_of, local_date
from linedays.core.value_changes import (
    Correct,
    ExistingValue,
    Record,
    ValueChange,
    WantedValue,
    Withdraw,
    WithdrawReason,
    value_changes,
)
from linedays.fhir.identity import Identity, is_ours
from linedays.fhir.outputs.observation import (
    ValueContent,
    corrected_value,
    new_value,
    read_value,
    wanted_value,
    withdrawn_value,
)
from linedays.fhir.searches import VALUE_TYPE
from linedays.mapping.wording import Wording
from linedays.run.derive import Derivation, Instance, PatientResult
from linedays.run.patient_values import PatientValues, line_names
from linedays.run.value_words import content_of, words_compared

Resource = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class ValueWrite:
    """One write: the change, the Observation as it would be sent, and the entries it stands on."""

    change: ValueChange
    resource: Resource
    sources: tuple[str, ...]


def look_back_from(at: Instant, wording: Wording) -> Instant | None:
    """Return the instant after which Observations are written and looked at again; None where none is written."""
    settled = wording.shape.observations
    return at - settled.look_back if settled.written else None


def plan_values(
    derivation: Derivation,
    facts: Mapping[str, Iterable[Fact]],
    existing: Mapping[str, Resource],
    instance: Instance,
    wording: Wording,
    identity: Identity,
) -> Iterator[ValueWrite]:
    """Yield what to write, patient by patient. `facts` is all that was read by patient, `existing` all that is ours."""
    since = look_back_from(derivation.at, wording)
    if since is None:
        return
    by_line = _by_line(existing, identity, since, derivation.at)
    snapshots = snapshots_between(since, derivation.at, instance)
    writer = _Writer(existing, instance, wording, identity)
    for result in derivation.results:
        named = {name for state in result.states for one in state.site.timelines for name in line_names(one.line)}
        stood = [found for name in sorted(named & by_line.keys()) for found in by_line.pop(name)]
        if stood or not _is_over(result, since, instance):
            at_instants = PatientValues(result, derivation, instance)
            values = at_instants.wanted(snapshots, since, stood)
            wanted = [wanted_value(one, words_compared(one, wording), identity) for one in values]
            changes = value_changes(wanted, stood, name=identity.name, unwanted=WithdrawReason.NOTHING_TO_SAY)
            yield from (writer.write(change) for change in changes)
    # What is left is about lines that are in no chart: it is withdrawn where the entry that made the line was.
    for line, stood in sorted(by_line.items()):
        for found in stood:
            if line in withdrawn_sources(facts.get(found.patient, ())):
                changes = value_changes((), [found], name=identity.name, unwanted=WithdrawReason.ENTRY_WITHDRAWN)
                yield from (writer.write(change) for change in changes)


def snapshots_between(since: Instant, at: Instant, instance: Instance) -> tuple[Instant, ...]:
    """Return the daily snapshots after `since` and not later than `at`, in the facility's time."""
    day, last = local_date(since, instance.zone), local_date(at, instance.zone)
    days = [day + timedelta(days=number) for number in range((last - day).days + 1)]
    taken = (instant_of(each, instance.counting.snapshot_time, instance.zone) for each in days)
    return tuple(each for each in taken if since < each <= at)


def _read(resource: Resource, identity: Identity) -> ExistingValue | None:
    """Return what stands in an Observation of ours; None where it is in a form that cannot be read."""
    try:
        return read_value(resource, identity) if is_ours(resource, identity) else None
    except (AttributeError, TypeError, KeyError, ValueError):
        return None


def _by_line(
    existing: Mapping[str, Resource], identity: Identity, since: Instant, at: Instant
) -> dict[str, list[ExistingValue]]:
    found: dict[str, list[ExistingValue]] = {}
    for ref in existing:
        resource = existing[ref] if ref.startswith(f"{VALUE_TYPE}/") else {}
        read = _read(resource, identity)
        if read is not None and since < read.at <= at:
            found.setdefault(read.line, []).append(read)
    return found


def _is_over(result: PatientResult, since: Instant, instance: Instance) -> bool:
    """Tell whether nothing can be said of a patient after an instant: every line, or the last stay, ended before it."""
    gap = instance.policy.limits.stay_gap
    ends = [timeline.line.end for state in result.states for timeline in state.site.timelines]
    if all(end is not None and end.latest <= since for end in ends):
        return all(state.whereabouts is Whereabouts.ENDED for state in result.states)
    stays = result.chart.stays
    return bool(stays) and all(stay.end is not None and stay.end + gap <= since for stay in stays)


@dataclass(frozen=True, slots=True)
class _Writer:
    """Makes an Observation of each change."""

    existing: Mapping[str, Resource]
    instance: Instance
    wording: Wording
    identity: Identity

    def write(self, change: ValueChange) -> ValueWrite:
        """Return a change as it would be sent."""
        match change:
            case Record():
                content = self._content(change.wanted)
                resource = new_value(change, content, self.identity)
            case Correct():
                content = self._content(change.wanted)
                resource = corrected_value(self.existing[change.ref], content, self.identity)
            case Withdraw():
                resource = withdrawn_value(self.existing[change.ref], change, self.identity)
                return ValueWrite(change=change, resource=resource, sources=())
        return ValueWrite(change=change, resource=resource, sources=content.value.sources)

    def _content(self, wanted: WantedValue | None) -> ValueContent:
        assert wanted is not None
        assert isinstance(wanted.content, DerivedValue)
        return content_of(wanted.content, self.instance.policy, self.wording)
