"""A change to a Task → the Task to write; what others wrote into it is carried through. No I/O."""

from datetime import tzinfo
from typing import TypeAlias, assert_never

from linedays.core.changes import Act, Cancel, Complete, Create, Revise, Void
from linedays.core.moment import Instant
from linedays.fhir.elements import (
    OFFERED,
    Resource,
    code_in,
    concept,
    instant_from,
    is_our_note,
    merged,
    moment_text,
    note,
    tags,
    time_text,
)
from linedays.fhir.identity import Identity, freed, key_identifier
from linedays.fhir.outputs.task.read import (
    ABOUT_BEFORE,
    DECLINED,
    ENDS,
    INPUTS,
    ITEMS,
    MARKED,
    MARKED_AT,
    TAKEN,
    TAKEN_AT,
    WAITING,
    is_put_to_a_person,
)
from linedays.fhir.outputs.task.render import TASK_CODE, TaskBody, input_of

TaskChange: TypeAlias = Revise | Complete | Cancel | Void

OUTPUTS = "task-output"
_OWNED = (
    "groupIdentifier", "instantiatesUri", "code", "description", "focus", "encounter", "location", "restriction",
    "reasonCode", "reasonReference", "note", "input", "text",
)


def new_task(change: Create, identity: Identity, *, at: Instant, zone: tzinfo) -> Resource:
    """Return a Task to create: requested, a plan and never an order."""
    body = change.wanted.body
    assert isinstance(body, TaskBody)
    said = body.asking if change.marked is None else body.reminding(change.marked.at)
    return {
        "resourceType": "Task",
        **_about_before(said, change, body, identity, zone),
        "identifier": [key_identifier(change.identifier, identity), said["groupIdentifier"]],
        "status": "requested",
        "intent": "plan",
        "authoredOn": time_text(at, zone),
        "lastModified": time_text(at, zone),
    }


def _about_before(said: Resource, change: Create, body: TaskBody, identity: Identity, zone: tzinfo) -> Resource:
    """Add what a person did to the Task before this one."""
    if change.marked is not None:
        return {**said, "input": [*said.get("input", []), *_marked(change.marked, identity, zone)]}
    if change.declined is None:
        return said
    told = input_of(DECLINED, "offered again", identity, valueReference={"reference": change.declined.ref})
    return {
        **said,
        "input": [*said.get("input", []), told],
        "note": [note(body.before(change.declined), OFFERED), *said.get("note", [])],
    }


def _marked(act: Act, identity: Identity, zone: tzinfo) -> list[Resource]:
    return [
        input_of(MARKED, "marked as done", identity, valueReference={"reference": act.ref}),
        input_of(MARKED_AT, "marked as done at", identity, valueDateTime=time_text(act.at, zone)),
    ]


def changed_task(resource: Resource, change: TaskChange, identity: Identity, *, at: Instant, zone: tzinfo) -> Resource:
    """Return a Task with a change applied; everything that others wrote stays."""
    authored = instant_from(resource.get("authoredOn"))
    stamped = {**resource, "lastModified": time_text(max(at, authored or at), zone)}
    match change:
        case Revise():
            return _revised(stamped, change, identity, before=resource.get("lastModified"))
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


def _revised(resource: Resource, change: Revise, identity: Identity, *, before: object) -> Resource:
    body = change.wanted.body
    assert isinstance(body, TaskBody)
    ours: Resource = {**(body.reminding(_marked_at(resource, identity)) if change.reminds else body.asking)}
    hashes = {tag["system"]: tag["code"] for tag in ours["meta"]["tag"]}
    systems = {identity.codes + ITEMS, TASK_CODE}
    foreign = [one for one in resource.get("code", {}).get("coding", []) if one.get("system") not in systems]
    lists = {
        "note": [one for one in resource.get("note", []) if not is_our_note(one)] + ours.get("note", []),
        "input": _foreign_inputs(resource, identity) + _taken(resource, before, identity) + ours.get("input", []),
    }
    waiting = _may_say_who(resource)
    lists["performerType"] = (waiting and ours.get("performerType")) or resource.get("performerType")
    lists["owner"] = (waiting and not is_put_to_a_person(resource) and ours.get("owner")) or resource.get("owner")
    restriction = {name: value for name, value in resource.get("restriction", {}).items() if name != "period"}
    ours |= {
        "meta": tags(resource.get("meta"), hashes),
        "code": {**ours["code"], "coding": [*ours["code"]["coding"], *foreign]},
        "restriction": {**restriction, **ours.get("restriction", {})},
        "requester": resource.get("requester") or ours["requester"],
        "priority": change.priority.value if change.priority else resource.get("priority"),
        **lists,
    }
    return merged(resource, {name: value for name, value in ours.items() if value}, _OWNED)


def _taken(resource: Resource, before: object, identity: Identity) -> list[Resource]:
    """Return when somebody took a Task, before our change of it writes over that: R4 has no element for it."""
    system = identity.codes + INPUTS
    said = any(code_in(one.get("type"), system) == TAKEN_AT for one in resource.get("input", []))
    if said or resource.get("status") not in TAKEN or instant_from(before) is None:
        return []
    return [input_of(TAKEN_AT, "taken at", identity, valueDateTime=before)]


def _may_say_who(resource: Resource) -> bool:
    return resource.get("status") in WAITING


def _marked_at(resource: Resource, identity: Identity) -> Instant:
    """Return when the Task before was marked as done."""
    system = identity.codes + INPUTS
    marked = [one for one in resource.get("input", []) if code_in(one.get("type"), system) == MARKED_AT]
    found = [at for one in marked if (at := instant_from(one.get("valueDateTime"))) is not None]
    return found[0] if found else instant_from(resource.get("authoredOn")) or 0


def _foreign_inputs(resource: Resource, identity: Identity) -> list[Resource]:
    system = identity.codes + INPUTS
    return [
        one for one in resource.get("input", []) if code_in(one.get("type"), system) in (None, *ABOUT_BEFORE)
    ]
