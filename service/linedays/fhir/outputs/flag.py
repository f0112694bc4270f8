"""A condition that holds at a dressing site → its Flag, and a Flag of ours → what stands there. No I/O.

R4 Flag has no note, reason or detail of its own: the entry it stands on is in the standard extension `flag-detail`, and
why we ended it in one of ours. A Flag is ended, never deleted.
"""

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import Any, TypeAlias, assert_never

from linedays.core.asked import Holding, dressing_item
from linedays.core.changes import Create, EndFlag, Revise, Void
from linedays.core.compared import Condition, ExistingFlag, Phase, WantedFlag
from linedays.core.moment import Instant
from linedays.core.states import Priority, SiteState
from linedays.fhir.elements import (
    Resource,
    code_in,
    concept,
    instant_from,
    merged,
    narrative,
    reference,
    reference_name,
    tags,
    time_text,
)
from linedays.fhir.identity import (
    Identity,
    freed,
    key_identifier,
    key_of,
    line_identifier,
    line_of,
    patient_of,
    software_reference,
    stem_of,
)

FlagChange: TypeAlias = Revise | EndFlag | Void

CATEGORY = "http://terminology.hl7.org/CodeSystem/flag-category"
DETAIL = "http://hl7.org/fhir/StructureDefinition/flag-detail"
KINDS, ENDS = "flag-kind", "end-reason"
_ENDED = "flag-ended-because"
_OWNED = ("code", "text", "encounter", "extension")


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagContent:
    """What a Flag says: the state, the condition that holds, its text and the cautions, without a name in it."""

    state: SiteState
    holding: Holding
    text: str
    policy_hash: str
    cautions: tuple[str, ...] = ()


def wanted_flag(content: FlagContent, identity: Identity) -> WantedFlag:
    """Return the Flag wanted for a condition of a dressing site."""
    body = render_flag(content, identity)
    holding = content.holding
    return WantedFlag(
        stem=stem_of(content.state, holding.condition.value, dressing_item(content.state)),
        patient=patient_of(content.state),
        condition=holding.condition,
        since=holding.since,
        own=own_of(body, identity),
        body=body,
        found=holding.found,
        stat=_is_stat(content),
    )


def _is_stat(content: FlagContent) -> bool:
    concern = content.state.concern
    of_the_site = content.holding.condition is Condition.SITE_CONCERN
    return of_the_site and concern is not None and concern.priority is Priority.STAT


def render_flag(content: FlagContent, identity: Identity) -> Resource:
    """Return the elements that we own of a Flag, without its key and status.

    Source: FHIR R4 Flag (http://hl7.org/fhir/R4/flag.html).
    """
    state, holding = content.state, content.holding
    detail = {"url": DETAIL, "valueReference": {"reference": holding.finding.source}} if holding.finding else None
    elements: dict[str, Any] = {
        "meta": tags(None, {identity.codes + "tag": "derived", identity.codes + "policy": content.policy_hash}),
        "text": narrative((content.text, *content.cautions)),
        "extension": [detail] if detail else None,
        "identifier": [line_identifier(state.site.key, identity)],
        "category": [{"coding": [{"system": CATEGORY, "code": "safety"}]}],
        "code": concept(identity.codes + KINDS, holding.condition.value, content.text),
        "subject": reference("Patient", state.site.timelines[0].line.patient),
        "period": {"start": time_text(holding.since, state.zone or UTC)},
        "encounter": reference("Encounter", state.encounter) if state.encounter else None,
        "author": software_reference(identity),
    }
    return {name: value for name, value in elements.items() if value}


def own_of(resource: Mapping[str, Any], identity: Identity) -> Hashable:
    """Return the elements that we own of a Flag in comparable form."""
    code = resource.get("code", {})
    return (
        line_of(resource, identity),
        reference_name(resource.get("subject")),
        code_in(code, identity.codes + KINDS),
        code.get("text"),
        reference_name(resource.get("encounter")),
        instant_from(resource.get("period", {}).get("start")),
    )


def _detail(resource: Mapping[str, Any]) -> str | None:
    found = [one for one in resource.get("extension", []) if one.get("url") == DETAIL]
    return reference_name(found[0].get("valueReference")) if found else None


def read_flag(resource: Mapping[str, Any], identity: Identity) -> ExistingFlag | None:
    """Return what stands in a Flag of ours; None where it is not ours or does not say what it is about."""
    key, line = key_of(resource, identity), line_of(resource, identity)
    code = code_in(resource.get("code"), identity.codes + KINDS)
    if key is None or line is None or code not in set(Condition):
        return None
    period = resource.get("period", {})
    updated = instant_from(resource.get("meta", {}).get("lastUpdated"))
    since = instant_from(period.get("start"))
    start = since if since is not None else updated or 0
    return ExistingFlag(
        ref=f"Flag/{resource.get('id')}",
        identifier=key,
        line=line,
        patient=reference_name(resource.get("subject")) or "",
        phase=_phase(resource, identity),
        condition=Condition(code),
        since=start,
        modified=instant_from(period.get("end")) or updated or start,
        stored=updated,
        own=own_of(resource, identity),
        finding=_detail(resource),
    )


def _phase(resource: Mapping[str, Any], identity: Identity) -> Phase:
    match resource.get("status"):
        case "active":
            return Phase.OPEN
        case "entered-in-error":
            return Phase.VOID
        case _:
            by_us = any(one.get("url") == identity.extensions + _ENDED for one in resource.get("extension", []))
            return Phase.ENDED_BY_US if by_us else Phase.ENDED_BY_A_PERSON


def new_flag(change: Create, identity: Identity) -> Resource:
    """Return a Flag to create."""
    assert isinstance(change.wanted.body, dict)
    body: Resource = change.wanted.body
    identifiers = [key_identifier(change.identifier, identity), *body["identifier"]]
    return {"resourceType": "Flag", **body, "identifier": identifiers, "status": "active"}


def changed_flag(resource: Resource, change: FlagChange, identity: Identity, *, at: Instant, zone: tzinfo) -> Resource:
    """Return a Flag with a change applied; everything that others wrote stays."""
    match change:
        case Revise():
            return _revised(resource, change, identity)
        case EndFlag():
            because = concept(identity.codes + ENDS, change.reason.value, change.reason.value.replace("-", " "))
            extension = {"url": identity.extensions + _ENDED, "valueCodeableConcept": because}
            end = max(at if change.ended is None else change.ended, change.existing.since)
            return {
                **resource,
                "status": "inactive",
                "period": {**resource.get("period", {}), "end": time_text(end, zone)},
                "extension": [*resource.get("extension", []), extension],
            }
        case Void():
            identifiers = freed(resource["identifier"], change.existing.ref, identity)
            return {**resource, "status": "entered-in-error", "identifier": identifiers}
        case _:
            assert_never(change)


def _revised(resource: Resource, change: Revise, identity: Identity) -> Resource:
    assert isinstance(change.wanted.body, dict)
    ours: Resource = {**change.wanted.body}
    hashes = {tag["system"]: tag["code"] for tag in ours["meta"]["tag"]}
    system = identity.codes + KINDS
    codings = [one for one in resource.get("code", {}).get("coding", []) if one.get("system") != system]
    extensions = [one for one in resource.get("extension", []) if one.get("url") != DETAIL]
    line = ours["identifier"][0]
    kept = [one for one in resource["identifier"] if {**one, "value": None} != {**line, "value": None}]
    ours |= {
        "meta": tags(resource.get("meta"), hashes),
        "identifier": [*kept, line],
        "category": resource.get("category") or ours["category"],
        "code": {**ours["code"], "coding": [*ours["code"]["coding"], *codings]},
        "extension": [*extensions, *ours.get("extension", [])],
        "period": {**resource.get("period", {}), **ours["period"]},
        "author": resource.get("author") or ours["author"],
    }
    return merged(resource, {name: value for name, value in ours.items() if value}, _OWNED)
