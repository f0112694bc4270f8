"""Our software as a Device. No I/O.

There is one for each identifier system. All else that we write refers to it by that identifier, which R4 allows
everywhere (`software_reference`). It is of no patient and carries our identifier, so it is never read as a line.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from linedays.fhir.elements import AUTHOR, Resource, narrative
from linedays.fhir.identity import Identity, is_ours, key_identifier, key_of, software_key

_TYPE = "linedays, software that reads charted vascular access lines"
_OWNED = ("status", "deviceName", "version", "type", "text")


def software_device(version: str, identity: Identity) -> Resource:
    """Return the Device that our software is.

    Source: FHIR R4 Device (http://hl7.org/fhir/R4/device.html).
    """
    return {
        "resourceType": "Device",
        "text": narrative((f"{_TYPE}, version {version}",)),
        "identifier": [key_identifier(software_key(identity), identity)],
        "status": "active",
        "deviceName": [{"name": AUTHOR, "type": "user-friendly-name"}],
        "type": {"text": _TYPE},
        "version": [{"value": version}],
    }


def software_of(resources: Iterable[Mapping[str, Any]], identity: Identity) -> Mapping[str, Any] | None:
    """Return our software's Device among resources; of several that carry its key the first by id."""
    key = software_key(identity)
    found = [
        one
        for one in resources
        if one.get("resourceType") == "Device" and is_ours(one, identity) and key_of(one, identity) == key
    ]
    return min(found, key=lambda one: str(one.get("id")), default=None)


def revised_software(resource: Mapping[str, Any], version: str, identity: Identity) -> Resource | None:
    """Return the Device with what it says of the software brought up to date; None where it says so already.

    A Device that a person marked as entered in error, or gave to a patient, is left alone.
    """
    wanted = software_device(version, identity)
    if resource.get("status") == "entered-in-error" or "patient" in resource or _says(resource) == _says(wanted):
        return None
    return {**resource, **{name: wanted[name] for name in _OWNED}}


def _says(resource: Mapping[str, Any]) -> tuple[object, ...]:
    versions = [one.get("value") for one in resource.get("version", [])]
    names = [(one.get("name"), one.get("type")) for one in resource.get("deviceName", [])]
    return resource.get("status"), versions, names, resource.get("type", {}).get("text")
