"""A dressing site's state with its texts → the elements that we own of its one Task. No I/O.

Nothing here depends on when it runs: there is no elapsed time, no "today" and no time of a run in it.
"""

from dataclasses import dataclass
from datetime import UTC
from typing import Any

from linedays.core.asked import (
    DRESSING,
    began,
    cycle_of,
    deferred_until,
    first_finding,
    is_asked,
    newest_known,
    only_looking,
    severity_of,
    task_priority,
)
from linedays.core.changes import WantedTask
from linedays.core.states import AnchorBasis, ItemState, SiteState, State
from linedays.fhir.elements import Resource, concept, moment_text, narrative, note, reference, tags, time_text
from linedays.fhir.identity import Identity, line_identifier, stem_of
from linedays.fhir.outputs.task.read import INPUTS, ITEMS, STATES, own_of

TASK_CODE = "http://hl7.org/fhir/CodeSystem/task-code"
KINDS = "dressing-kind"
_NEVER_ASKED = frozenset({State.PAUSED, State.NOT_REQUIRED, State.DEFERRED})
_LAST = {
    AnchorBasis.CHANGE: ("last-change", "dressing change charted"),
    AnchorBasis.INSERTION: ("dressing-started", "dressing put on at insertion or access"),
    AnchorBasis.LABEL: ("label-date", "date read from the label"),
    AnchorBasis.REPORTED: ("reported-change", "change reported by others"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TaskContent:
    """What a Task says: the state with the item it is about, and the texts, rendered and without a name in them."""

    state: SiteState
    item: ItemState
    title: str
    reason: str
    notes: tuple[str, ...]
    who: str
    policy_hash: str


def wanted_task(content: TaskContent, identity: Identity) -> WantedTask | None:
    """Return the Task wanted for a site; None where its item is paused, deferred or not required."""
    state, item = content.state, content.item
    if item.state in _NEVER_ASKED:
        return None
    body = render_task(content, identity)
    cycle = cycle_of(state, item)
    return WantedTask(
        stem=stem_of(state, DRESSING, cycle),
        state=item.state,
        severity=severity_of(state, item),
        priority=task_priority(state, item),
        own=own_of(body, identity),
        body=body,
        anchor=cycle.anchor.source if cycle.anchor else None,
        since=cycle.anchor.at if cycle.anchor else None,
        found=newest_known(item.findings),
        deferred_until=deferred_until(item),
        asked=is_asked(state, item),
    )


def render_task(content: TaskContent, identity: Identity) -> Resource:
    """Return the elements that we own of a Task, without identifier, status and times of writing.

    Source: FHIR R4 Task (http://hl7.org/fhir/R4/task.html).
    """
    state, item = content.state, content.item
    line = state.site.timelines[0].line
    elements: dict[str, Any] = {
        "meta": tags(None, _our_tags(content.policy_hash, identity)),
        "text": narrative((content.title, content.reason, *content.notes)),
        "instantiatesUri": identity.rules + item.rule if item.rule else None,
        "groupIdentifier": line_identifier(state.site.key, identity),
        "priority": task_priority(state, item).value,
        "code": _code(content, identity),
        "description": f"{content.title} · {content.reason}",
        "focus": reference("Device", _focus(state)),
        "for": reference("Patient", line.patient),
        "encounter": reference("Encounter", state.encounter) if state.encounter else None,
        "performerType": [{"text": content.who}] if content.who else None,
        "location": reference("Location", state.place) if state.place else None,
        "reasonCode": concept(identity.codes + STATES, severity_of(state, item).value, content.reason),
        "reasonReference": _reason_reference(item),
        "note": [note(text) for text in content.notes],
        "restriction": _restriction(state, item),
        "input": _inputs(state, cycle_of(state, item), identity),
    }
    return {name: value for name, value in elements.items() if value}


def _our_tags(policy_hash: str, identity: Identity) -> dict[str, str]:
    return {identity.codes + "tag": "derived", identity.codes + "policy": policy_hash}


def _code(content: TaskContent, identity: Identity) -> Resource:
    code = "dressing-check" if only_looking(content.state, content.item) else DRESSING
    ours = {"system": identity.codes + ITEMS, "code": code}
    return {"coding": [ours, {"system": TASK_CODE, "code": "fulfill"}], "text": content.title}


def _focus(state: SiteState) -> str:
    line = next((each.line for each in state.site.timelines if each.line.key == state.site.key), None)
    line = line or state.site.timelines[0].line
    names = (line.key, *line.aliases, line.start_source)
    for kind in ("Device/", "Procedure/"):
        for name in names:
            if name.startswith(kind):
                return name
    return line.key


def _reason_reference(item: ItemState) -> dict[str, str] | None:
    first = first_finding(item.findings)
    source = first.source if first else item.anchor.source if item.anchor else None
    return {"reference": source} if source else None


def _restriction(state: SiteState, item: ItemState) -> Resource | None:
    start, end = began(state, item), item.due
    if start is None:
        start = item.window_from if end is None or item.window_from is None else min(item.window_from, end)
    elif end is not None and (end < start or item.state is State.COMPROMISED):
        # Due now, or it became so after it had been due: the wanted period has no end; the due time stands in `input`.
        end = None
    bounds = {"start": start, "end": end}
    period = {name: time_text(at, state.zone or UTC) for name, at in bounds.items() if at is not None}
    return {"period": period} if period else None


def _inputs(state: SiteState, item: ItemState, identity: Identity) -> list[Resource]:
    zone, found = state.zone or UTC, []
    if anchor := item.anchor:
        code, text = _LAST[anchor.basis]
        found.append(input_of(code, text, identity, valueDateTime=moment_text(anchor.happened, zone)))
        found.append(input_of("counts-from", "counted from", identity, valueDateTime=time_text(anchor.at, zone)))
        found.append(input_of("anchor", "counted from entry", identity, valueReference={"reference": anchor.source}))
        if kind := anchor.dressing_kind:
            value = concept(identity.codes + KINDS, kind)
            found.append(input_of("dressing-kind", "dressing charted", identity, valueCodeableConcept=value))
    if item.due is not None:
        found.append(input_of("due", "due", identity, valueDateTime=time_text(item.due, zone)))
    return found


def input_of(code: str, text: str, identity: Identity, **value: object) -> Resource:
    """Return one entry of `input`, of a type of ours."""
    return {"type": concept(identity.codes + INPUTS, code, text), **value}
