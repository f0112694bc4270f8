"""A Task of ours as it stands on the server → what reconcile needs to know of it. No I/O."""

from collections.abc import Hashable, Mapping
from typing import Any

from linedays.core.changes import ExistingTask, Phase, Severity
from linedays.core.states import Priority
from linedays.fhir.elements import Resource, code_in, comparable, instant_from, is_our_note, reference_name
from linedays.fhir.identity import Identity, key_of, line_of

ITEMS, STATES, INPUTS, ENDS = "upkeep-item", "upkeep-state", "task-input", "end-reason"
WAITING = frozenset({"requested", "received"})
OPEN = WAITING | {"draft", "accepted", "ready", "in-progress", "on-hold"}
DECLINED = "declined-before"


def own_of(resource: Mapping[str, Any], identity: Identity) -> Hashable:
    """Return the elements that we own of a Task in comparable form.

    Priority is compared apart. The policy's hash, the narrative and the performer type are written along with a
    change, but are no reason for one.
    """
    inputs = _our_inputs(resource, identity)
    return (
        line_of(resource, identity),
        code_in(resource.get("code"), identity.codes + ITEMS),
        code_in(resource.get("reasonCode"), identity.codes + STATES),
        tuple(reference_name(resource.get(name)) for name in ("focus", "encounter", "location", "reasonReference")),
        comparable(resource.get("restriction", {}).get("period", {})),
        (resource.get("description"), resource.get("instantiatesUri")),
        tuple(one.get("text") for one in resource.get("note", []) if is_our_note(one)),
        tuple(sorted((code, comparable(value)) for code, value in inputs.items() if code != DECLINED)),
    )


def _our_inputs(resource: Mapping[str, Any], identity: Identity) -> dict[str, Resource]:
    found: dict[str, Resource] = {}
    for one in resource.get("input", []):
        code = code_in(one.get("type"), identity.codes + INPUTS)
        if code is not None:
            found[code] = {name: value for name, value in one.items() if name.startswith("value")}
    return found


def read_task(resource: Mapping[str, Any], identity: Identity) -> ExistingTask | None:
    """Return what stands in a Task of ours; None where it is not ours or does not say which line it is about."""
    key, line = key_of(resource, identity), line_of(resource, identity)
    if key is None or line is None:
        return None
    inputs = _our_inputs(resource, identity)
    anchor = reference_name(inputs.get("anchor", {}).get("valueReference"))
    stands_on = reference_name(resource.get("reasonReference"))
    updated = instant_from(resource.get("meta", {}).get("lastUpdated"))
    authored = instant_from(resource.get("authoredOn")) or updated or 0
    status = str(resource.get("status"))
    return ExistingTask(
        ref=f"Task/{resource.get('id')}",
        identifier=key,
        line=line,
        patient=reference_name(resource.get("for")) or "",
        phase=_phase(resource, status, identity),
        waiting=status in WAITING,
        touched=_is_touched(resource, status),
        priority=_priority(resource),
        severity=_severity(resource, identity),
        authored=authored,
        modified=instant_from(resource.get("lastModified")) or updated or authored,
        own=own_of(resource, identity),
        since=instant_from(resource.get("restriction", {}).get("period", {}).get("start")),
        anchor=anchor,
        counts_from=instant_from(inputs.get("counts-from", {}).get("valueDateTime")),
        finding=stands_on if stands_on != anchor else None,
    )


def _phase(resource: Mapping[str, Any], status: str, identity: Identity) -> Phase:
    if status in OPEN:
        return Phase.OPEN
    if status == "entered-in-error":
        return Phase.VOID
    by_us = code_in(resource.get("statusReason"), identity.codes + ENDS)
    return Phase.ENDED_BY_US if by_us else Phase.ENDED_BY_A_PERSON


def _is_touched(resource: Mapping[str, Any], status: str) -> bool:
    noted = any(not is_our_note(one) for one in resource.get("note", []))
    return status not in (*WAITING, "draft") or "owner" in resource or noted


def _priority(resource: Mapping[str, Any]) -> Priority:
    found = resource.get("priority")
    return Priority(found) if found in set(Priority) else Priority.ROUTINE


def _severity(resource: Mapping[str, Any], identity: Identity) -> Severity | None:
    code = code_in(resource.get("reasonCode"), identity.codes + STATES)
    return Severity(code) if code in set(Severity) else None
