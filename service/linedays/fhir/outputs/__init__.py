"""The kinds of output, one module each, and the one registry of them: read-back and writing by kind. No I/O.

A module owns three things that change together: how its resource is rendered, how it is read back, how it is changed.
"""

from collections.abc import Mapping
from datetime import UTC, tzinfo
from typing import Any, TypeAlias, assert_never

from linedays.core.asked import is_between_stays, is_kept
from linedays.core.changes import Cancel, Complete, Create, EndFlag, Revise, Void, Write
from linedays.core.compared import Existing, ExistingTask, SiteWanted, WantedFlag, WantedTask
from linedays.core.evidence import evidence_of
from linedays.core.model import Stay
from linedays.core.moment import Instant
from linedays.core.policy import Shifts
from linedays.core.states import SiteState
from linedays.core.value_changes import Correct, Record, ValueChange, Withdraw
from linedays.fhir.elements import MISSHAPEN, Resource
from linedays.fhir.identity import Identity, is_ours, patient_of
from linedays.fhir.outputs.flag import changed_flag, new_flag, read_flag
from linedays.fhir.outputs.task import changed_task, new_task, read_task

Alteration: TypeAlias = Revise | Complete | Cancel | EndFlag | Void


def read_existing(resource: Mapping[str, Any], identity: Identity) -> Existing | None:
    """Return what stands in a Task or Flag of ours; None for everything else, and where it cannot be read."""
    if not is_ours(resource, identity) or not isinstance(resource.get("status"), str):
        return None
    try:
        match resource.get("resourceType"):
            case "Task":
                return read_task(resource, identity)
            case "Flag":
                return read_flag(resource, identity)
            case _:
                return None
    except MISSHAPEN:
        return None


def created(change: Create, identity: Identity, *, at: Instant, zone: tzinfo) -> Resource:
    """Return the resource to create."""
    if isinstance(change.wanted, WantedTask):
        return new_task(change, identity, at=at, zone=zone)
    return new_flag(change, identity)


def changed(resource: Resource, change: Alteration, identity: Identity, *, at: Instant, zone: tzinfo) -> Resource:
    """Return an existing resource with a change applied; the one given stays as it is."""
    match change:
        case Complete() | Cancel():
            return changed_task(resource, change, identity, at=at, zone=zone)
        case EndFlag():
            return changed_flag(resource, change, identity, at=at, zone=zone)
        case Revise() | Void():
            if isinstance(change.existing, ExistingTask):
                return changed_task(resource, change, identity, at=at, zone=zone)
            return changed_flag(resource, change, identity, at=at, zone=zone)
        case _:
            assert_never(change)


def ref_of(change: Write | ValueChange) -> str | None:
    """Return `Type/id` of what a change alters; None for one that creates."""
    match change:
        case Create() | Record():
            return None
        case Correct() | Withdraw():
            return change.ref
        case _:
            return change.existing.ref


def site_wanted(
    state: SiteState,
    written: tuple[WantedTask | WantedFlag, ...],
    *,
    shifts: Shifts,
    stays: tuple[Stay, ...] = (),
    withdrawn: frozenset[str] = frozenset(),
    joined: frozenset[str] = frozenset(),
    former: frozenset[str] = frozenset(),
) -> SiteWanted:
    """Return all that reconcile needs of one dressing site: what is wanted there and what was charted about it.

    `withdrawn` are the resources whose entry was withdrawn (core.evidence.withdrawn_sources); `joined` the items whose
    steps stand in the Task of another; `former` other records of the same patient, as `Patient/id`.
    """
    return SiteWanted(
        patient=patient_of(state),
        lines=_names_of(state),
        tasks=tuple(one for one in written if isinstance(one, WantedTask)),
        flags=tuple(one for one in written if isinstance(one, WantedFlag)),
        evidence=evidence_of(state, stays=stays, withdrawn=withdrawn),
        shifts=shifts,
        zone=state.zone or UTC,
        kept=is_kept(state),
        joined=joined,
        between_stays=is_between_stays(state),
        former=former,
    )


def _names_of(state: SiteState) -> tuple[str, ...]:
    """Return the keys under which something may have been written for a dressing site.

    The other names of a line are among them: where only the newest version of a record can be read, an edit of it may
    let another resource of the line become the one known first.
    """
    lines = [timeline.line for timeline in state.site.timelines]
    others = [alias for line in lines for alias in line.aliases]
    return tuple(dict.fromkeys((state.site.key, *(line.key for line in lines), *others)))
