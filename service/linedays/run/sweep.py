"""One pass: read ─► derive ─► what is wanted ─► reconcile with what exists ─► write.

I/O through the FhirServer port only.

A dry run does everything but the last step. Every resource is checked before it is sent; what fails is not sent, is
counted and shown. Run again over the same facts, a sweep writes nothing.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import Any, Protocol

import orjson

from linedays.adapters.bundles import bundle_entries
from linedays.adapters.fhir_errors import FhirRejected, Written
from linedays.core.changes import Change, Create, Held, Leave, Write, is_write
from linedays.core.moment import Instant
from linedays.core.reconcile import reconcile
from linedays.fhir.checks import problems_of, validate_with_classes
from linedays.fhir.collected import Collected
from linedays.fhir.identity import Identity, is_ours, key_of
from linedays.fhir.outputs import changed, created, read_existing, ref_of
from linedays.fhir.searches import OUTPUT_TYPES, carrying_identifier, if_none_exist
from linedays.mapping.wording import Wording
from linedays.run.derive import Derivation, Instance, collect_all, derive
from linedays.run.ports import FhirServer
from linedays.run.wanted import wanted_of

Resource = dict[str, Any]


class Told(Protocol):
    """Something that is told how far the writing is."""

    def __call__(self, count: int, /) -> None:
        """Take the number of writes sent so far."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """One write as it would be sent: the change, the resource, and why it may not be sent (empty: it may)."""

    change: Write
    resource: Resource
    problems: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepPlan:
    """What a sweep found and would write."""

    collected: Collected
    derivation: Derivation
    writes: tuple[Planned, ...]
    held: tuple[Held, ...]
    left: tuple[Leave, ...]


@dataclass(slots=True)
class SweepOutcome:
    """What came of the writes, by outcome; `refused` says why something was not sent or not taken."""

    counts: Counter[str] = field(default_factory=Counter)
    refused: list[tuple[str, str]] = field(default_factory=list)


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
    sites = [
        site
        for result in derivation.results
        for site in wanted_of(result, collected.facts[result.chart.person.id], instance.policy, wording, identity)
    ]
    standing = [found for found in (read_existing(one, identity) for one in existing.values()) if found is not None]
    changes = reconcile(sites, standing, at=at, name=identity.name)
    zones = _zones(derivation, instance.zone)
    return SweepPlan(
        collected=collected,
        derivation=derivation,
        writes=tuple(_planned(change, existing, identity, at, zones) for change in changes if is_write(change)),
        held=tuple(change for change in changes if isinstance(change, Held)),
        left=tuple(change for change in changes if isinstance(change, Leave)),
    )


def _zones(derivation: Derivation, zone: tzinfo) -> Callable[[str], tzinfo]:
    found = {
        state.site.timelines[0].line.patient: state.zone for result in derivation.results for state in result.states
    }
    return lambda patient: found.get(patient) or zone


def _planned(
    change: Change, existing: Mapping[str, Resource], identity: Identity, at: Instant, zones: Callable[[str], tzinfo]
) -> Planned:
    assert not isinstance(change, Held | Leave)
    if isinstance(change, Create):
        body = change.wanted.body
        subject = body.get("for") or body.get("subject") if isinstance(body, dict) else None
        resource = created(change, identity, at=at, zone=zones(str((subject or {}).get("reference"))))
    else:
        ref = ref_of(change)
        assert ref is not None
        resource = changed(existing[ref], change, identity, at=at, zone=zones(change.existing.patient))
    problems = problems_of(resource, identity) or tuple(validate_with_classes(resource))
    return Planned(change=change, resource=resource, problems=problems)


def read_ours(server: FhirServer, identity: Identity) -> dict[str, Resource]:
    """Return every Task and Flag of ours that a server holds, by `Type/id`. What is not ours is passed over."""
    found: dict[str, Resource] = {}
    for name in OUTPUT_TYPES:
        for page in server.read_pages(carrying_identifier(name, identity.system)):
            for raw in bundle_entries(page) or ():
                resource = orjson.loads(raw)
                if resource.get("resourceType") == name and is_ours(resource, identity):
                    found[f"{name}/{resource.get('id')}"] = resource
    return found


def apply_plan(plan: SweepPlan, server: FhirServer, identity: Identity, told: Told | None = None) -> SweepOutcome:
    """Send the writes of a plan, one after another; a write that fails stops no other.

    Raises: FhirUnavailable, where the server cannot be reached; what was written stays and is found by the next sweep.
    """
    outcome = SweepOutcome()
    for count, planned in enumerate(plan.writes, 1):
        what = f"{planned.resource['resourceType']} {type(planned.change).__name__.lower()}"
        if planned.problems:
            outcome.counts[f"{what}: not sent"] += 1
            outcome.refused.append((what, "; ".join(planned.problems)))
        else:
            _send(planned, what, server, identity, outcome)
        if told is not None:
            told(count)
    return outcome


def _send(planned: Planned, what: str, server: FhirServer, identity: Identity, outcome: SweepOutcome) -> None:
    try:
        if isinstance(planned.change, Create):
            key = key_of(planned.resource, identity)
            assert key is not None
            result = server.create(planned.resource, if_none_exist(identity.system, key)).result
        else:
            version = planned.resource.get("meta", {}).get("versionId")
            result = server.update(planned.resource, version).result
    except FhirRejected as rejected:
        outcome.counts[f"{what}: rejected"] += 1
        outcome.refused.append((what, str(rejected)))
        return
    outcome.counts[f"{what}: {result.value}"] += 1
    if result in (Written.SEVERAL, Written.CONFLICT):
        outcome.refused.append(
            (what, "someone else changed it meanwhile; the next sweep reads it again and decides anew")
        )
