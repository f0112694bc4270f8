"""Everything derived, and the Observations of ours that exist → what a sweep would write for analysts. No I/O.

Of each line in place its values at the daily snapshots of the look-back, and the state of its dressing at the instant
at which the present one began. Every Observation of ours in the look-back is looked at again at its own instant. A
patient's chart is the one already built; it is evaluated once more for each such instant, one patient after another.
"""

from collections.abc import Iterator, Mapping, Set
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from linedays.core.derived_values import DerivedValue
from linedays.core.model import Whereabouts
from linedays.core.moment import Instant, instant_of, local_date
from linedays.core.value_changes import (
    Correct,
    ExistingValue,
    Hand,
    Record,
    ValueChange,
    WantedValue,
    Withdraw,
    WithdrawReason,
    value_changes,
)
from linedays.fhir.identity import Identity, keys_in
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
from linedays.run.patient_values import PatientValues
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


@dataclass(frozen=True, slots=True, kw_only=True)
class ValuesPlan:
    """What to write, patient by patient, and which Observations of ours are in a form that cannot be read."""

    writes: Iterator[ValueWrite]
    unread: tuple[str, ...] = ()


def plan_values(
    derivation: Derivation,
    withdrawn: Set[str],
    existing: Mapping[str, Resource],
    instance: Instance,
    wording: Wording,
    identity: Identity,
) -> ValuesPlan:
    """Return what to write. `withdrawn` are the entries that were withdrawn, `existing` is all that is ours."""
    since = look_back_from(derivation.at, wording)
    if since is None:
        return ValuesPlan(writes=iter(()))
    stood = _stood(existing, identity, since, derivation.at)
    writer = _Writer(existing, instance, wording, identity)
    changes = _changes(derivation, withdrawn, stood, since, writer)
    return ValuesPlan(writes=map(writer.write, changes), unread=stood.unread)


def _changes(
    derivation: Derivation, withdrawn: Set[str], existing: "_Stood", since: Instant, writer: "_Writer"
) -> Iterator[ValueChange]:
    identity, instance, by_line = writer.identity, writer.instance, existing.by_line
    snapshots = snapshots_between(since, derivation.at, instance)
    for result in derivation.results:
        named = {name for state in result.states for one in state.site.timelines for name in one.line.names}
        stood = [found for name in sorted(named & by_line.keys()) for found in by_line.pop(name)]
        if stood or not _is_over(result, since, instance):
            at_instants = PatientValues(result, derivation, instance)
            values = at_instants.wanted(snapshots, since, stood)
            yield from value_changes(
                [wanted_value(one, words_compared(one, writer.wording), identity) for one in values],
                stood,
                name=identity.name,
                unwanted=WithdrawReason.NOTHING_TO_SAY,
                unreadable=existing.unreadable,
            )
    # What is left is about lines that are in no chart: it is withdrawn where the entry that made the line was.
    for line, stood in sorted(by_line.items()):
        if line in withdrawn:
            yield from value_changes((), stood, name=identity.name, unwanted=WithdrawReason.ENTRY_WITHDRAWN)


def snapshots_between(since: Instant, at: Instant, instance: Instance) -> tuple[Instant, ...]:
    """Return the daily snapshots after `since` and not later than `at`, in the facility's time."""
    day, last = local_date(since, instance.zone), local_date(at, instance.zone)
    days = [day + timedelta(days=number) for number in range((last - day).days + 1)]
    taken = (instant_of(each, instance.counting.snapshot_time, instance.zone) for each in days)
    return tuple(each for each in taken if since < each <= at)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stood:
    """The Observations of ours that count, by line; those that cannot be read, and the identifiers that they carry."""

    by_line: dict[str, list[ExistingValue]]
    unread: tuple[str, ...]
    unreadable: frozenset[str]


def _stood(existing: Mapping[str, Resource], identity: Identity, since: Instant, at: Instant) -> _Stood:
    by_line: dict[str, list[ExistingValue]] = {}
    unread: dict[str, frozenset[str]] = {}
    for ref in existing:
        if not ref.startswith(f"{VALUE_TYPE}/"):
            continue
        resource = existing[ref]
        read = read_value(resource, identity)
        if read is None:
            unread[ref] = keys_in(resource, identity)
        elif since < read.at <= at and read.hand is not Hand.GIVEN_UP:
            by_line.setdefault(read.line, []).append(read)
    return _Stood(by_line=by_line, unread=tuple(unread), unreadable=frozenset().union(*unread.values()))


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
