"""A FHIR server → what a sweep would write there: read ─► derive ─► what is wanted ─► reconcile with what exists.

I/O through the FhirServer port only, and it only reads; over the same facts and what was written for them, the plan is
empty.
"""

from dataclasses import replace

from linedays.core.moment import Instant
from linedays.fhir.identity import Identity
from linedays.run.input import Progress, from_server
from linedays.run.plan import SweepPlan, not_looked_at, plan_sweep, without_lines
from linedays.run.ports import FhirServer
from linedays.run.rereading import read_ours
from linedays.run.values import look_back_from
from linedays.run.wiring import Wired


def read_and_plan(
    server: FhirServer, wired: Wired, identity: Identity, *, at: Instant, told: Progress | None = None
) -> SweepPlan:
    """Read a server and return what a sweep at a moment would write there; nothing is written."""
    since = look_back_from(at, wired.wording)
    ours = read_ours(server, identity, since, values=since is not None, told=told)
    began = server.server_time
    plan = plan_sweep(from_server(server, told), ours, wired.instance, wired.wording, identity, at=at)
    plan = replace(plan, read_from=began)
    missing = [line for line in not_looked_at(plan) if _is_missing(server, line)]
    return without_lines(plan, missing, ours) if missing else plan


def _is_missing(server: FhirServer, line: str) -> bool:
    """Tell, by a direct read, whether the resource that a line is known by is not on the server (any more)."""
    resource_type, _, resource_id = line.partition("/")
    return bool(resource_id) and server.read(resource_type, resource_id) is None
