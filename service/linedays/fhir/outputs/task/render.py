"""A dressing site's state with its texts → the elements that we own of one of its Tasks. No I/O.

Nothing here depends on when it runs: there is no elapsed time, no "today" and no time of a run in it.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC
from typing import Any

from linedays.core.anchors import DRESSING_ITEM
from linedays.core.asked import (
    REMOVAL,
    began,
    cycle_of,
    deferred_until,
    first_finding,
    is_asked,
    lines_there,
    newest_known,
    only_looking,
    severity_of,
    task_priority,
)
from linedays.core.changes import Act
from linedays.core.compared import WantedTask
from linedays.core.concern import CONCERN_ITEM
from linedays.core.model import Allergy
from linedays.core.moment import Instant
from linedays.core.offers import is_raised
from linedays.core.own_tasks import removal_source
from linedays.core.states import AnchorBasis, ItemState, Priority, SiteFinding, SiteState, State
from linedays.fhir.elements import Resource, concept, moment_text, narrative, note, reference, tags, time_text
from linedays.fhir.identity import Identity, line_identifier, patient_of, software_reference, stem_of
from linedays.fhir.outputs.task.read import INPUTS, ITEMS, LOOKING, REMINDING, STATES, own_of

TASK_CODE = "http://hl7.org/fhir/CodeSystem/task-code"
KINDS, PERFORMERS = "dressing-kind", "performer"
_NEVER_ASKED = frozenset({State.PAUSED, State.NOT_REQUIRED, State.DEFERRED})
_LAST = {
    AnchorBasis.CHANGE: ("last-change", "dressing change charted"),
    AnchorBasis.INSERTION: ("dressing-started", "dressing put on at insertion or access"),
    AnchorBasis.LABEL: ("label-date", "date read from the label"),
    AnchorBasis.REPORTED: ("reported-change", "change reported by others"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TaskContent:
    """What a Task says: the state with the item it is about, and the texts, rendered and without a name in them.

    `steps` are the items that are done together with it, `allergies` what is charted of them. `who` may do it, `role`
    is the code of that, `owner` the team that it is put to. `reminder` words the Task where it only reminds of charting
    what was marked as done; `before` words the note on what a person did to the one before.
    """

    state: SiteState
    item: ItemState
    title: str
    reason: str
    notes: tuple[str, ...]
    who: str
    policy_hash: str
    reminder: Callable[[Instant], str]
    before: Callable[[Act], str]
    steps: tuple[ItemState, ...] = ()
    allergies: tuple[Allergy, ...] = ()
    role: str | None = None
    owner: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TaskBody:
    """The elements that we own of a Task as it asks, and how to make those of one that only reminds."""

    asking: Resource
    reminding: Callable[[Instant], Resource] = field(compare=False)
    before: Callable[[Act], str] = field(compare=False)


def wanted_task(content: TaskContent, identity: Identity) -> WantedTask | None:
    """Return the Task wanted for a site; None where its item is paused, deferred or not required."""
    state, item = content.state, content.item
    if item.state in _NEVER_ASKED:
        return None
    body = TaskBody(
        asking=render_task(content, identity),
        reminding=lambda at: _reminding(content, identity, at),
        before=content.before,
    )
    cycle = cycle_of(state, item)
    return WantedTask(
        item=_about(item),
        patient=patient_of(state),
        stem=_stem(state, item, cycle),
        state=item.state,
        severity=severity_of(state, item),
        priority=_priority(content),
        own=own_of(body.asking, identity),
        reminder_own=own_of(body.reminding(state.at), identity),
        body=body,
        anchor=cycle.anchor.source if cycle.anchor else None,
        since=began(state, item) if item == state.concern else cycle.anchor.at if cycle.anchor else None,
        found=newest_known(_findings_of(state, item)),
        deferred_until=deferred_until(item),
        asked=is_asked(state, item),
    )


def _findings_of(state: SiteState, item: ItemState) -> tuple[SiteFinding, ...]:
    """Return what was found that the Task speaks of: for the dressing and a removal also of the site beside it."""
    beside = state.concern.findings if state.concern and item.item in (DRESSING_ITEM, REMOVAL) else ()
    return (*item.findings, *beside)


def _about(item: ItemState) -> str:
    """Return the item that a Task is kept under: looking at a dressing or its site is one with changing it."""
    return item.item if item.item not in (DRESSING_ITEM, CONCERN_ITEM) else DRESSING_ITEM


def _stem(state: SiteState, item: ItemState, cycle: ItemState) -> str:
    if item.item == REMOVAL:
        return "|".join((state.site.key, REMOVAL, removal_source(state) or state.site.key))
    return stem_of(state, _about(item), cycle)


def _priority(content: TaskContent) -> Priority:
    """Return the highest priority of what is done together."""
    highest = task_priority(content.state, content.item)
    for step in content.steps:
        own = task_priority(content.state, step)
        highest = own if is_raised(own, highest) else highest
    return highest


def _reminding(content: TaskContent, identity: Identity, at: Instant) -> Resource:
    """Return the elements of a Task that only reminds of charting what was marked as done at a moment."""
    said = content.reminder(at)
    body = render_task(content, identity)
    # What was marked as done goes on to be named: the reminder is one about that.
    ours = [{"system": identity.codes + ITEMS, "code": code} for code in (REMINDING, _about(content.item))]
    body["code"] = {"coding": [*ours, {"system": TASK_CODE, "code": "fulfill"}], "text": said}
    body["description"] = f"{said} · {content.title}"
    body["text"] = narrative((said, content.title, content.reason, *content.notes))
    return body


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
        "priority": _priority(content).value,
        "code": _code(content, identity),
        "description": f"{content.title} · {content.reason}",
        "focus": reference("Device", _focus(state)),
        "for": reference("Patient", line.patient),
        "encounter": reference("Encounter", state.encounter) if state.encounter else None,
        "requester": software_reference(identity),
        "performerType": _performers(content, identity),
        "owner": {"reference": content.owner} if content.owner else None,
        "location": reference("Location", state.place) if state.place else None,
        "reasonCode": concept(identity.codes + STATES, severity_of(state, item).value, content.reason),
        "reasonReference": _reason_reference(state, item),
        "note": [note(text) for text in content.notes],
        "restriction": _restriction(state, item),
        "input": [*_inputs(state, item, identity), *_steps(content, identity), *_allergies(content, identity)],
    }
    return {name: value for name, value in elements.items() if value}


def _our_tags(policy_hash: str, identity: Identity) -> dict[str, str]:
    return {identity.codes + "tag": "derived", identity.codes + "policy": policy_hash}


def _code(content: TaskContent, identity: Identity) -> Resource:
    code = LOOKING if only_looking(content.state, content.item) else _about(content.item)
    ours = {"system": identity.codes + ITEMS, "code": code}
    return {"coding": [ours, {"system": TASK_CODE, "code": "fulfill"}], "text": content.title}


def _focus(state: SiteState) -> str:
    there = lines_there(state)
    line = next((each for each in there if each.key == state.site.key), there[0])
    names = (*line.names, line.start_source)
    for kind in ("Device/", "Procedure/"):
        for name in names:
            if name.startswith(kind):
                return name
    return line.key


def _performers(content: TaskContent, identity: Identity) -> list[Resource] | None:
    if content.role:
        return [concept(identity.codes + PERFORMERS, content.role, content.who)]
    return [{"text": content.who}] if content.who else None


def _reason_reference(state: SiteState, item: ItemState) -> dict[str, str] | None:
    if item.item == REMOVAL:
        found = removal_source(state)
        return {"reference": found} if found else None
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
    """Return what the clock counts from and when it is due; a look at the site has no due time of its own."""
    zone, found = state.zone or UTC, []
    if anchor := cycle_of(state, item).anchor:
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


def _allergies(content: TaskContent, identity: Identity) -> list[Resource]:
    """Return the entry that each charted group of allergies stands on, the first one of each."""
    if content.item.item == REMOVAL:
        return []
    first = {one.group: one.source for one in sorted(content.allergies, key=lambda one: one.source, reverse=True)}
    return [
        input_of(f"allergy-{group}", f"allergy: {group}", identity, valueReference={"reference": source})
        for group, source in sorted(first.items())
    ]


def _steps(content: TaskContent, identity: Identity) -> list[Resource]:
    """Return what is done together, each with its due time where it has one."""
    zone = content.state.zone or UTC
    return [
        input_of(f"step-{step.item}", step.item.replace("-", " "), identity, valueDateTime=time_text(step.due, zone))
        if step.due is not None
        else input_of(f"step-{step.item}", step.item.replace("-", " "), identity, valueBoolean=True)
        for step in content.steps
    ]


def input_of(code: str, text: str, identity: Identity, **value: object) -> Resource:
    """Return one entry of `input`, of a type of ours."""
    return {"type": concept(identity.codes + INPUTS, code, text), **value}
