"""One pass: read ─► derive ─► what is wanted ─► reconcile with what exists ─► write.

I/O through the FhirServer port only.

Run again over the same facts, a sweep writes nothing.
"""

from typing import Any

import orjson

from linedays.adapters.bundles import bundle_entries
from linedays.core.moment import Instant
from linedays.fhir.identity import Identity, is_ours
from linedays.fhir.searches import OUTPUT_TYPES, carrying_identifier
from linedays.run.input import Progress, from_server
from linedays.run.plan import SweepPlan, not_looked_at, plan_sweep, without_lines
from linedays.run.ports import FhirServer
from linedays.run.wiring import Wired

Resource = dict[str, Any]


def read_and_plan(
    server: FhirServer, wired: Wired, identity: Identity, *, at: Instant, told: Progress | None = None
) -> SweepPlan:
    """Read a server and return what a sweep at a moment would write there; nothing is written."""
    ours = read_ours(server, identity)
    plan = plan_sweep(from_server(server, told), ours, wired.instance, wired.wording, identity, at=at)
    missing = [line for line in not_looked_at(plan) if _is_missing(server, line)]
    return without_lines(plan, missing, ours) if missing else plan


def _is_missing(server: FhirServer, line: str) -> bool:
    """Tell, by a direct read, whether the resource that a line is known by is not on the server (any more)."""
    resource_type, _, resource_id = line.partition("/")
    return bool(resource_id) and server.read(resource_type, resource_id) is None


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
