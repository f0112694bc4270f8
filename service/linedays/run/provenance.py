"""What was written in a sweep → its Provenance, with the versions of its sources. I/O through the FhirServer port only.

The reader keeps no version of what it read: that would cost memory for every fact. The few sources that a batch names
are looked at once more, and a version is named only where it was stored before the reading began: it is the one read.
"""

from collections.abc import Iterable, Sequence
from datetime import tzinfo
from typing import Any

from linedays.adapters.bundles import entries_of, resource_from
from linedays.core.moment import Instant
from linedays.fhir.elements import instant_from
from linedays.fhir.identity import Identity, software_reference
from linedays.fhir.outputs.provenance import Target, Writing, provenance_of, sources_in
from linedays.fhir.searches import by_ids
from linedays.run.input import Progress
from linedays.run.plan import Planned, SweepPlan
from linedays.run.ports import FhirServer
from linedays.run.sending import Trace, Traced

Resource = dict[str, Any]


def provenance_of_writes(
    written: Sequence[tuple[str, Planned]],
    identity: Identity,
    software: Resource,
    *,
    at: Instant,
    policy_hash: str,
    zone: tzinfo,
    versions: dict[str, str] | None = None,
) -> Resource:
    """Return the one Provenance of a batch of writes, at least one.

    Shape: each write with the reference it is stored under, `Type/id` or, better, `Type/id/_history/version`.
    """
    writing = Writing(software=software, at=at, zone=zone, policy_hash=policy_hash)
    return provenance_of([_target(ref, each) for ref, each in written], identity, writing, versions or {})


def tracer(
    plan: SweepPlan,
    server: FhirServer,
    identity: Identity,
    policy_hash: str,
    zone: tzinfo,
    told: Progress | None = None,
) -> Trace:
    """Return what makes the Provenance of each batch of a plan. The sources are looked at for it; `told` is told so.

    Raises: FhirUnavailable, FhirRejected, where the versions of the sources cannot be read.
    """
    before = plan.read_from
    versions = {} if before is None else source_versions(server, sources_of_writes(plan.writes), before, told)

    def trace(written: Sequence[Traced]) -> Resource | None:
        return provenance_of_writes(
            [(one.reference, one.planned) for one in written],
            identity,
            software_reference(identity),
            at=plan.derivation.at,
            policy_hash=policy_hash,
            zone=zone,
            versions=versions,
        )

    return trace


def sources_of_writes(planned: Iterable[Planned]) -> tuple[str, ...]:
    """Return the entries that writes stand on, as `Type/id`, each once and in order."""
    return tuple(sorted({name for each in planned for name in sources_in(_target("", each))}))


def source_versions(
    server: FhirServer, names: Iterable[str], before: Instant, told: Progress | None = None
) -> dict[str, str]:
    """Return the versions of resources by `Type/id`, of those that were stored before an instant of the server's clock.

    Raises: FhirUnavailable, FhirRejected.
    """
    ids: dict[str, list[str]] = {}
    for name in names:
        kind, _, key = name.partition("/")
        ids.setdefault(kind, []).append(key)
    found: dict[str, str] = {}
    for search in (search for kind in sorted(ids) for search in by_ids(kind, ids[kind])):
        for page in server.read_pages(search):
            for raw in entries_of(page, search.resource_type):
                resource = resource_from(raw)
                version = _version_before(resource.get("meta"), before)
                if version is not None:
                    found[f"{resource.get('resourceType')}/{resource.get('id')}"] = version
            if told is not None:
                told(len(found))
    return found


def _version_before(meta: object, before: Instant) -> str | None:
    """Return the version that a meta names, where it was stored before an instant; None where it does not say so."""
    if not isinstance(meta, dict) or "versionId" not in meta:
        return None
    stored = instant_from(meta.get("lastUpdated"))
    return str(meta["versionId"]) if stored is not None and stored < before else None


def _target(ref: str, planned: Planned) -> Target:
    return Target(ref=ref, resource=planned.resource, created=planned.creates, sources=planned.sources)
