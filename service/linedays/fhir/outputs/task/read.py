"""A Task of ours as it stands on the server → what reconcile needs to know of it. No I/O."""

from collections.abc import Hashable, Mapping
from typing import Any

from linedays.core.anchors import DRESSING_ITEM
from linedays.core.changes import EndReason
from linedays.core.compared import ExistingTask, Phase, Severity
from linedays.core.moment import Instant
from linedays.core.states import Priority
from linedays.fhir.elements import (
    Resource,
    code_in,
    comparable,
    instant_from,
    is_from_a_person,
    is_our_note,
    reference_name,
)
from linedays.fhir.identity import Identity, key_of, line_of

ITEMS, STATES, INPUTS, ENDS = "upkeep-item", "upkeep-state", "task-input", "end-reason"
WAITING = frozenset({"requested", "received"})
OPEN = WAITING | {"draft", "accepted", "ready", "in-progress", "on-hold"}
LOOKING, REMINDING = "dressing-check", "chart-the-change"
# What is written once about what a person did; it stays, whatever the Task says later.
DECLINED, MARKED, MARKED_AT, TAKEN_AT = "declined-before", "marked-done", "marked-done-at", "taken-at"
ABOUT_BEFORE = frozenset({DECLINED, MARKED, MARKED_AT, TAKEN_AT})
TAKEN = frozenset({"accepted", "ready", "in-progress", "on-hold"})


_TEAMS = ("Organization/", "CareTeam/", "HealthcareService/")


def own_of(resource: Mapping[str, Any], identity: Identity) -> Hashable:
    """Return the elements that we own of a Task in comparable form.

    Priority is compared apart. The policy's hash, the narrative and the performer type are written along with a
    change, but are no reason for one.
    """
    inputs = _our_inputs(resource, identity)
    codes = _item_codes(resource, identity)
    return (
        line_of(resource, identity),
        reference_name(resource.get("for")),
        codes,
        code_in(resource.get("reasonCode"), identity.codes + STATES),
        tuple(reference_name(resource.get(name)) for name in ("focus", "encounter", "location", "reasonReference")),
        comparable(resource.get("restriction", {}).get("period", {})),
        # What a reminder says holds the time at which something was marked as done: it is no reason for a change.
        None if REMINDING in codes else resource.get("description"),
        resource.get("instantiatesUri"),
        tuple(one.get("text") for one in resource.get("note", []) if is_our_note(one)),
        tuple(sorted((code, comparable(value)) for code, value in inputs.items() if code not in ABOUT_BEFORE)),
    )


def _our_inputs(resource: Mapping[str, Any], identity: Identity) -> dict[str, Resource]:
    found: dict[str, Resource] = {}
    for one in resource.get("input", []):
        code = code_in(one.get("type"), identity.codes + INPUTS)
        if code is not None:
            found[code] = {name: _ours(value, identity) for name, value in one.items() if name.startswith("value")}
    return found


def _ours(value: Any, identity: Identity) -> Any:
    """Leave out of a concept what others have said beside our coding."""
    if not isinstance(value, Mapping) or "coding" not in value:
        return value
    return {"coding": [one for one in value["coding"] if str(one.get("system")).startswith(identity.codes)]}


def _item_codes(resource: Mapping[str, Any], identity: Identity) -> frozenset[str]:
    codings = resource.get("code", {}).get("coding", [])
    return frozenset(str(one.get("code")) for one in codings if one.get("system") == identity.codes + ITEMS)


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
    codes = _item_codes(resource, identity)
    phase = _phase(resource, status, identity)
    return ExistingTask(
        ref=f"Task/{resource.get('id')}",
        identifier=key,
        line=line,
        patient=reference_name(resource.get("for")) or "",
        phase=phase,
        waiting=status in WAITING,
        touched=_is_touched(resource, status),
        priority=_priority(resource),
        severity=_severity(resource, identity),
        authored=authored,
        modified=_modified(resource, updated, authored),
        stored=updated,
        own=own_of(resource, identity),
        item=next((code for code in sorted(codes - {LOOKING, REMINDING})), DRESSING_ITEM),
        since=instant_from(resource.get("restriction", {}).get("period", {}).get("start")),
        anchor=anchor,
        counts_from=instant_from(inputs.get("counts-from", {}).get("valueDateTime")),
        finding=stands_on if stands_on != anchor else None,
        done=status == "completed" and phase is Phase.ENDED_BY_A_PERSON,
        reminds=REMINDING in codes,
        marked=instant_from(inputs.get(MARKED_AT, {}).get("valueDateTime")) if REMINDING in codes else None,
        said=_said(resource, identity) if phase is Phase.ENDED_BY_A_PERSON else None,
    )


def _modified(resource: Mapping[str, Any], updated: Instant | None, authored: Instant) -> Instant:
    """Return when a Task was last changed, as it says itself."""
    said = instant_from(resource.get("lastModified"))
    if updated is None:
        return authored if said is None else said
    # Some systems change a Task without touching this element: then it still says when we wrote it.
    untouched = said == authored and resource.get("status") not in WAITING
    return max(updated, authored) if said is None or untouched else said


def _said(resource: Mapping[str, Any], identity: Identity) -> str | None:
    """Return the reason that a person gave for ending a Task."""
    reason = resource.get("statusReason")
    if not isinstance(reason, Mapping) or code_in(reason, identity.codes + ENDS):
        return None
    displays = (one.get("display") for one in reason.get("coding", []))
    return reason.get("text") or next((text for text in displays if text), None)


def _phase(resource: Mapping[str, Any], status: str, identity: Identity) -> Phase:
    if status in OPEN:
        return Phase.OPEN
    if status == "entered-in-error":
        return Phase.VOID
    by_us = code_in(resource.get("statusReason"), identity.codes + ENDS)
    # What was marked as done and never charted counts as a person's no.
    return Phase.ENDED_BY_US if by_us and by_us != EndReason.NOT_CONFIRMED else Phase.ENDED_BY_A_PERSON


def _is_touched(resource: Mapping[str, Any], status: str) -> bool:
    noted = any(is_from_a_person(one) for one in resource.get("note", []))
    return status not in (*WAITING, "draft") or is_put_to_a_person(resource) or noted


def is_put_to_a_person(resource: Mapping[str, Any]) -> bool:
    """Tell whether a Task is put to somebody, not to a team or nobody: then a person did that."""
    owner = resource.get("owner")
    return owner is not None and not (reference_name(owner) or "").startswith(_TEAMS)


def _priority(resource: Mapping[str, Any]) -> Priority:
    found = resource.get("priority")
    return Priority(found) if found in set(Priority) else Priority.ROUTINE


def _severity(resource: Mapping[str, Any], identity: Identity) -> Severity | None:
    code = code_in(resource.get("reasonCode"), identity.codes + STATES)
    return Severity(code) if code in set(Severity) else None
