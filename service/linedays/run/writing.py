"""A plan → writes on the record system, and what came of each. I/O through the FhirServer port only.

Nothing is sent that our own check refuses: it is counted and shown. A write that fails stops no other.
"""

from collections import Counter
from dataclasses import dataclass, field
from typing import Protocol

from linedays.adapters.fhir_errors import FhirRejected, Written
from linedays.core.changes import Create
from linedays.fhir.identity import Identity, key_of
from linedays.fhir.searches import if_none_exist
from linedays.run.plan import Planned, SweepPlan
from linedays.run.ports import FhirServer


class Told(Protocol):
    """Something that is told how far the writing is."""

    def __call__(self, count: int, /) -> None:
        """Take the number of writes sent so far."""


@dataclass(slots=True)
class SweepOutcome:
    """What came of the writes, by outcome; `refused` says why something was not sent or not taken."""

    counts: Counter[str] = field(default_factory=Counter)
    refused: list[tuple[str, str]] = field(default_factory=list)


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
