"""An Observation of ours as it stands on the server → what is needed to know of it. No I/O."""

from collections.abc import Hashable, Mapping
from typing import Any

from linedays.core.derived_values import ValueKind
from linedays.core.value_changes import WITHOUT_KEY, ExistingValue, Hand
from linedays.fhir.elements import MISSHAPEN, code_in, instant_from, reference_name
from linedays.fhir.identity import Identity, key_of, line_of

KINDS, STATES, ENDS = "derived", "upkeep-state", "end-reason"
ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
WITHDRAWN = "observation-withdrawn-because"
HOUR_DIGITS = 4
_OURS = frozenset({"final", "corrected"})


def own_of(resource: Mapping[str, Any], identity: Identity) -> Hashable:
    """Return the elements that we own of an Observation in comparable form.

    Title, method, notes, `partOf`, narrative and the policy's hash are written along with a change, but are no reason
    for one.
    """
    about = resource.get("device") or next(iter(resource.get("focus", [])), None)
    return (
        code_in(resource.get("code"), identity.codes + KINDS),
        instant_from(resource.get("effectiveDateTime")),
        reference_name(resource.get("subject")),
        reference_name(resource.get("encounter")),
        reference_name(about),
        tuple(sorted(str(reference_name(one)) for one in resource.get("derivedFrom", []))),
        said_by(resource, identity),
    )


def said_by(resource: Mapping[str, Any], identity: Identity) -> Hashable:
    """Return the value, or why there is none, in comparable form."""
    quantity = resource.get("valueQuantity", {})
    state = resource.get("valueCodeableConcept", {})
    value = quantity.get("value")
    number = None if value is None else round(float(value), HOUR_DIGITS)
    return (
        (number, quantity.get("code"), quantity.get("comparator")),
        instant_from(resource.get("valueDateTime")),
        (code_in(state, identity.codes + STATES), state.get("text")),
        code_in(resource.get("dataAbsentReason"), ABSENT),
    )


def read_value(resource: Mapping[str, Any], identity: Identity) -> ExistingValue | None:
    """Return what stands in an Observation of ours; None where it is not one, or cannot be read."""
    try:
        return _read(resource, identity)
    except MISSHAPEN:
        return None


def _read(resource: Mapping[str, Any], identity: Identity) -> ExistingValue | None:
    key, line = key_of(resource, identity), line_of(resource, identity)
    code = code_in(resource.get("code"), identity.codes + KINDS)
    at = instant_from(resource.get("effectiveDateTime"))
    if key is None or line is None or at is None or code not in set(ValueKind):
        return None
    return ExistingValue(
        ref=f"Observation/{resource.get('id')}",
        identifier=key,
        line=line,
        kind=ValueKind(code),
        at=at,
        patient=reference_name(resource.get("subject")) or "",
        hand=_hand(resource, _because(resource, identity)),
        own=own_of(resource, identity),
    )


def _because(resource: Mapping[str, Any], identity: Identity) -> str | None:
    of_ours = [one for one in resource.get("extension", []) if one.get("url") == identity.extensions + WITHDRAWN]
    return code_in(of_ours[0].get("valueCodeableConcept"), identity.codes + ENDS) if of_ours else None


def _hand(resource: Mapping[str, Any], because: str | None) -> Hand:
    """Say whose the last word was: any status but those that we set, or one without our reason, is a person's."""
    status = resource.get("status")
    if because in WITHOUT_KEY:
        return Hand.GIVEN_UP
    if because is not None and status == "entered-in-error":
        return Hand.WITHDRAWN
    return Hand.OURS if because is None and status in _OURS else Hand.A_PERSONS
