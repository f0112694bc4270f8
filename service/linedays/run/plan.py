"""Everything read → what a sweep would write, each resource checked as before sending. No I/O.

A plan can be decided anew for lines whose Tasks or Flags someone changed meanwhile: the facts stay, what exists is
taken afresh.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import tzinfo
from typing import Any

from linedays import __version__
from linedays.core.changes import Change, Create, EndReason, Held, Leave, LeaveReason, Write, is_write
from linedays.core.compared import Phase, SiteWanted
from linedays.core.evidence import withdrawn_sources
from linedays.core.holds import Hold, holding
from linedays.core.moment import Instant
from linedays.core.reconcile import reconcile
from linedays.core.value_changes import Correct, Record, ValueChange
from linedays.fhir.checks import problems_of, validate_with_classes
from linedays.fhir.collected import Collected
from linedays.fhir.elements import MISSHAPEN
from linedays.fhir.identity import Identity, keys_in, patient_of, software_key
from linedays.fhir.known_persons import facts_told
from linedays.fhir.outputs import changed, created, read_existing, ref_of
from linedays.fhir.outputs.software import revised_software, software_device, software_of
from linedays.mapping.wording import Wording
from linedays.run.derive import Derivation, Instance, collect_all, derive
from linedays.run.values import plan_values
from linedays.run.wanted import wanted_of

Resource = dict[str, Any]
_CANNOT_CHANGE = (
    "an element has another form than FHIR R4 gives it, so it cannot be brought up to date: correct it on the server"
)
# What people change, so that it is decided again where it changed meanwhile.
DECIDED_AGAIN = frozenset({"Task", "Flag"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """One write as it would be sent: the change, the resource, and why it may not be sent (empty: it may).

    `sources` are the charted entries it stands on, where the resource itself does not name them all.
    """

    change: Write | ValueChange
    resource: Resource
    problems: tuple[str, ...]
    sources: tuple[str, ...] = ()

    @property
    def how(self) -> str:
        """What is done, in one word: create, revise, end …"""
        return type(self.change).__name__.removesuffix("Flag").lower()

    @property
    def creates(self) -> bool:
        """True where the resource is not there yet: it is created unless one with its key exists."""
        return isinstance(self.change, Create | Record)


@dataclass(frozen=True, slots=True, kw_only=True)
class Decided:
    """What is to be written, what waits or is left as it is, and how many of ours are open."""

    writes: tuple[Planned, ...]
    held: tuple[Held, ...]
    left: tuple[Leave, ...]
    open_now: int
    unread: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Decider:
    """What is wanted at every dressing site at a moment, ready to be compared with what exists, as often as needed.

    `gone` are lines that no site speaks of, with the charted reason.
    What waits for one of the `holds` is never among the writes.
    """

    sites: tuple[SiteWanted, ...]
    identity: Identity
    at: Instant
    zone_of: Callable[[str], tzinfo]
    gone: Mapping[str, EndReason]
    holds: tuple[Hold, ...] = ()

    def decide(self, existing: Mapping[str, Resource], lines: frozenset[str] | None = None) -> Decided:
        """Return the decisions, given what of ours exists by `Type/id`; with `lines`, for their sites only."""
        sites = [site for site in self.sites if lines is None or lines.intersection(site.lines)]
        refs = [ref for ref in existing if ref.partition("/")[0] in DECIDED_AGAIN]
        read = {ref: read_existing(existing[ref], self.identity) for ref in refs}
        found = [one for one in read.values() if one is not None]
        unread = tuple(ref for ref, one in read.items() if one is None)
        taken = frozenset(key for ref in unread for key in keys_in(existing[ref], self.identity))
        changes = reconcile(sites, found, at=self.at, name=self.identity.name, gone=self.gone, taken=taken)
        planned = (self._planned(change, existing) for change in changes if is_write(change))
        return Decided(
            writes=_not_held(planned, self.holds),
            open_now=sum(one.phase is Phase.OPEN for one in found),
            held=tuple(change for change in changes if isinstance(change, Held)),
            left=tuple(change for change in changes if isinstance(change, Leave)),
            unread=unread,
        )

    def _planned(self, change: Change, existing: Mapping[str, Resource]) -> Planned:
        assert not isinstance(change, Held | Leave)
        if isinstance(change, Create):
            zone = self.zone_of(change.wanted.patient)
            resource = created(change, self.identity, at=self.at, zone=zone)
        else:
            ref = ref_of(change)
            assert ref is not None
            zone = self.zone_of(change.existing.patient)
            try:
                resource = changed(existing[ref], change, self.identity, at=self.at, zone=zone)
            except MISSHAPEN:
                return Planned(change=change, resource=existing[ref], problems=(_CANNOT_CHANGE,))
            return _checked(change, resource, self.identity, before=existing[ref])
        return _checked(change, resource, self.identity)


def _checked(
    change: Write | ValueChange,
    resource: Resource,
    identity: Identity,
    sources: tuple[str, ...] = (),
    before: Resource | None = None,
) -> Planned:
    problems = problems_before_sending(resource, identity)
    if problems and before is not None:
        # What others wrote into it is carried through; it stood there before and is no reason to leave a need untold.
        theirs = {_without_places(one) for one in problems_before_sending(before, identity)}
        problems = tuple(one for one in problems if _without_places(one) not in theirs)
    return Planned(change=change, resource=resource, problems=problems, sources=sources)


def problems_before_sending(resource: Resource, identity: Identity) -> tuple[str, ...]:
    """Return why a resource of ours may not be sent: what our own check finds, else what the classes say."""
    return problems_of(resource, identity) or tuple(validate_with_classes(resource))


def _without_places(problem: str) -> str:
    """Return a problem without the places in lists: what others wrote may stand in another place afterwards."""
    return re.sub(r"\[\d+\]|\.\d+(?=[.:])", "", problem)


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepPlan:
    """What a sweep found and would write. `read_from` is the server's time when the reading began, where it says so."""

    collected: Collected
    derivation: Derivation
    decider: Decider
    writes: tuple[Planned, ...]
    held: tuple[Held, ...]
    left: tuple[Leave, ...]
    open_now: int
    read_from: Instant | None = None
    unread: tuple[str, ...] = ()


def plan_sweep(
    resources: Iterable[tuple[str, bytes]],
    existing: Mapping[str, Resource],
    instance: Instance,
    wording: Wording,
    identity: Identity,
    *,
    at: Instant,
) -> SweepPlan:
    """Return what a sweep at a moment would write, given everything read and what of ours exists by `Type/id`."""
    collected = collect_all(resources, instance)
    derivation = derive(collected, instance, at=at, known_by=at)
    sites = tuple(
        site
        for result in derivation.results
        for site in wanted_of(
            result, facts_told(collected, result.chart.person), instance.policy, wording, identity
        )
    )
    withdrawn = withdrawn_sources(fact for facts in collected.facts.values() for fact in facts)
    decider = Decider(
        sites=sites,
        identity=identity,
        at=at,
        zone_of=_zones(derivation, instance.zone),
        gone=dict.fromkeys(withdrawn, EndReason.LINE_WITHDRAWN),
    )
    decided = decider.decide(existing)
    planned = plan_values(derivation, withdrawn, existing, instance, wording, identity)
    values = [_checked(each.change, each.resource, identity, each.sources) for each in planned.writes]
    return SweepPlan(
        collected=collected,
        derivation=derivation,
        decider=decider,
        writes=_in_order((*_software(existing, identity), *values), decided),
        held=decided.held,
        left=decided.left,
        open_now=decided.open_now,
        unread=(*decided.unread, *planned.unread),
    )


def not_looked_at(plan: SweepPlan) -> tuple[str, ...]:
    """Return the lines that something of ours is open for and that no site of the plan speaks of."""
    left = {change.existing.line for change in plan.left if change.reason is LeaveReason.NOT_EVALUATED}
    return tuple(sorted(left))


def without_lines(plan: SweepPlan, missing: Iterable[str], existing: Mapping[str, Resource]) -> SweepPlan:
    """Return a plan in which what is open for these lines is ended: each was looked for by itself and is not there."""
    gone = {**plan.decider.gone, **dict.fromkeys(missing, EndReason.GONE_FROM_CHART)}
    decider = replace(plan.decider, gone=gone)
    decided = decider.decide(existing)
    beside = [each for each in plan.writes if each.resource["resourceType"] not in DECIDED_AGAIN]
    return replace(plan, decider=decider, writes=_in_order(beside, decided), held=decided.held, left=decided.left)


def _in_order(beside: Iterable[Planned], decided: Decided) -> tuple[Planned, ...]:
    """Return what others refer to first, what nobody waits for last."""
    found = list(beside)
    software = [each for each in found if each.resource["resourceType"] == "Device"]
    return (*software, *decided.writes, *(each for each in found if each not in software))


def without_held(plan: SweepPlan, holds: tuple[Hold, ...]) -> SweepPlan:
    """Return a plan without what is held, nor is that among the writes when lines of it are decided anew."""
    return replace(plan, writes=_not_held(plan.writes, holds), decider=replace(plan.decider, holds=holds))


def _not_held(writes: Iterable[Planned], holds: tuple[Hold, ...]) -> tuple[Planned, ...]:
    held_by = holding(holds)
    return tuple(each for each in writes if held_by(each.change) is None)


def _software(existing: Mapping[str, Resource], identity: Identity) -> tuple[Planned, ...]:
    """Return what is to be written of the Device that our software is."""
    stands = software_of((existing[ref] for ref in existing if ref.startswith("Device/")), identity)
    if stands is None:
        return (_checked(Record(key=software_key(identity)), software_device(__version__, identity), identity),)
    revised = revised_software(stands, __version__, identity)
    ref = f"Device/{stands.get('id')}"
    return () if revised is None else (_checked(Correct(ref=ref), revised, identity),)


def _zones(derivation: Derivation, zone: tzinfo) -> Callable[[str], tzinfo]:
    found = {
        patient_of(state): state.zone for result in derivation.results for state in result.states
    }
    return lambda patient: found.get(patient) or zone
