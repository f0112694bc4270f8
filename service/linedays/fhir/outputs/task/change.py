"""A change to a Task → the Task to write; what others wrote into it is carried through. No I/O."""

from datetime import tzinfo
from typing import TypeAlias, assert_never

from linedays.core.changes import Cancel, Complete, Create, Revise, Void
from linedays.core.moment import Instant
from linedays.fhir.elements import (
    Resource,
    code_in,
    concept,
    instant_from,
    is_our_note,
    merged,
    moment_text,
    tags,
    time_text,
)
from linedays.fhir.identity import Identity, freed, key_identifier
from linedays.fhir.outputs.task.read import DECLINED, ENDS, INPUTS, ITEMS, WAITING
from linedays.fhir.outputs.task.render import TASK_CODE, input_of

TaskChange: TypeAlias = Revise | Complete | Cancel | Void

OUTPUTS = "task-output"
_OWNED = (
    "groupIdentifier", "instantiatesUri", "code", "description", "focus", "encounter", "location", "restriction",
    "reasonCode", "reasonReference", "note", "input", "text",
)


def new_task(change: Create, identity: Identity, *, at: Instant, zone: tzinfo) -> Resource:
    """Return a Task to create: requested, a plan and never an order."""
    assert isinstance(change.wanted.body, dict)
    body: Resource = change.wanted.body
    declined = {
        "input": [
            *body.get("input", []),
            input_of(DECLINED, "offered again", identity, valueReference={"reference": change.declined}),
        ]
    }
    return {
        "resourceType": "Task",
        **body,
        **(declined if change.declined else {}),
        "identifier": [key_identifier(change.identifier, identity)],
        "status": "requested",
        "intent": "plan",
        "authoredOn": time_text(at, zone),
        "lastModified": time_text(at, zone),
    }


def changed_task(resource: Resource, change: TaskChange, identity: Identity, *, at: Instant, zone: tzinfo) -> Resource:
    """Return a Task with a change applied; everything that others wrote stays."""
    authored = instant_from(resource.get("authoredOn"))
    stamped = {**resource, "lastModified": time_text(max(at, authored or at), zone)}
    match change:
        case Revise():
            return _revised(stamped, change, identity)
        case Complete():
            kind = concept(identity.codes + OUTPUTS, "charted", "charted entry")
            output = {"type": kind, "valueReference": {"reference": change.output}}
            done = moment_text(change.happened, zone)
            return {
                **_ended(stamped, "completed", change, identity),
                **_execution(resource, done, change.happened.latest),
                "output": [*resource.get("output", []), output],
            }
        case Cancel():
            return _ended(stamped, "cancelled", change, identity)
        case Void():
            identifiers = freed(resource["identifier"], change.existing.ref, identity)
            return {**stamped, "status": "entered-in-error", "identifier": identifiers}
        case _:
            assert_never(change)


def _ended(resource: Resource, status: str, change: Complete | Cancel, identity: Identity) -> Resource:
    text = change.reason.value.replace("-", " ")
    reason = concept(identity.codes + ENDS, change.reason.value, text)
    return {**resource, "status": status, "statusReason": reason}


def _execution(resource: Resource, end: str, latest: Instant) -> Resource:
    period = resource.get("executionPeriod", {})
    start = instant_from(period.get("start"))
    # A person's own start stays; an end before it would contradict it.
    return {} if start is not None and start > latest else {"executionPeriod": {**period, "end": end}}


def _revised(resource: Resource, change: Revise, identity: Identity) -> Resource:
    assert isinstance(change.wanted.body, dict)
    ours: Resource = {**change.wanted.body}
    hashes = {tag["system"]: tag["code"] for tag in ours["meta"]["tag"]}
    systems = {identity.codes + ITEMS, TASK_CODE}
    foreign = [one for one in resource.get("code", {}).get("coding", []) if one.get("system") not in systems]
    lists = {
        "note": [one for one in resource.get("note", []) if not is_our_note(one)] + ours.get("note", []),
        "input": _foreign_inputs(resource, identity) + ours.get("input", []),
        "performerType": ours.get("performerType") if _may_say_who(resource) else resource.get("performerType"),
    }
    restriction = {name: value for name, value in resource.get("restriction", {}).items() if name != "period"}
    ours |= {
        "meta": tags(resource.get("meta"), hashes),
        "code": {**ours["code"], "coding": [*ours["code"]["coding"], *foreign]},
        "restriction": {**restriction, **ours.get("restriction", {})},
        "for": resource.get("for"),
        "priority": change.priority.value if change.priority else resource.get("priority"),
        **lists,
    }
    return merged(resource, {name: value for name, value in ours.items() if value}, _OWNED)


def _may_say_who(resource: Resource) -> bool:
    return resource.get("status") in WAITING


def _foreign_inputs(resource: Resource, identity: Identity) -> list[Resource]:
    system = identity.codes + INPUTS
    return [
        one for one in resource.get("input", []) if code_in(one.get("type"), system) in (None, DECLINED)
    ]
