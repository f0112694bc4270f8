"""Says what to ask a FHIR server as values: searches, not calls. No I/O.

Every function here is pure; `adapters.fhir_server` sends the searches, and the reader filters the answers again,
because servers may ignore a parameter silently.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime

from linedays.core.moment import Instant

Params = tuple[tuple[str, str], ...]

# What is charted about lines, and where the patients are. Order: places and people before what is charted on them.
INPUT_TYPES = (
    "Location",
    "Patient",
    "AllergyIntolerance",
    "Encounter",
    "Device",
    "DeviceUseStatement",
    "Procedure",
    "Observation",
)
# What we write into the worklist and the chart, and people change there. Provenance is written and never asked for.
VALUE_TYPE = "Observation"
OUTPUT_TYPES = ("Task", "Flag", VALUE_TYPE, "Device")
# Ids of one search go into one address: some servers and proxies cut addresses at 2,000 characters.
_IDS_PER_SEARCH = 40
# The same for names of lines, each with our identifier system before it.
_LINES_PER_SEARCH = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """One search: a resource type and its parameters in order (a name may repeat, then both must hold)."""

    resource_type: str
    params: Params = ()


def everything_of(resource_type: str) -> Search:
    """Return the search for all resources of a type."""
    return Search(resource_type=resource_type)


def changed_since(resource_type: str, since: Instant) -> Search:
    """Return the search for what was stored or changed at or after an instant of the *server's* clock.

    Source: FHIR R4, search, _lastUpdated (http://hl7.org/fhir/R4/search.html#lastUpdated).
    """
    return Search(resource_type=resource_type, params=(("_lastUpdated", f"ge{instant_text(since)}"),))


def input_searches(since: Instant | None = None) -> tuple[Search, ...]:
    """Return one search per input type: all of it, or what changed since."""
    if since is None:
        return tuple(everything_of(resource_type) for resource_type in INPUT_TYPES)
    return tuple(changed_since(resource_type, since) for resource_type in INPUT_TYPES)


def carrying_identifier(resource_type: str, system: str, value: str = "") -> Search:
    """Return the search for resources with an identifier of a system, or with exactly this one.

    Without a value the parameter is `system|`, which R4 reads as any value of the system.
    Source: FHIR R4, search, token (http://hl7.org/fhir/R4/search.html#token).
    """
    return Search(resource_type=resource_type, params=(("identifier", f"{escaped(system)}|{escaped(value)}"),))


def about_lines(system: str, lines: Iterable[str]) -> tuple[Search, ...]:
    """Return the searches for every Task and Flag of ours about these lines, a few lines each.

    A Task names its line in `groupIdentifier`, a Flag, which has none, among its identifiers.
    Source: FHIR R4 Task and Flag, search parameters (http://hl7.org/fhir/R4/task.html#search, flag.html#search).
    """
    groups = _in_groups(lines, _LINES_PER_SEARCH)
    return tuple(
        Search(
            resource_type=name,
            params=((parameter, ",".join(f"{escaped(system)}|{escaped(line)}" for line in some)),),
        )
        for name, parameter in (("Task", "group-identifier"), ("Flag", "identifier"))
        for some in groups
    )


def values_since(system: str, since: Instant) -> Search:
    """Return the search for Observations with an identifier of a system that are about an instant or a later one.

    Source: FHIR R4, search, date and its prefixes (http://hl7.org/fhir/R4/search.html#date).
    """
    (of_system,) = carrying_identifier(VALUE_TYPE, system).params
    return Search(resource_type=VALUE_TYPE, params=(of_system, ("date", f"ge{instant_text(since)}")))


def of_patients(resource_type: str, patients: Iterable[str]) -> tuple[Search, ...]:
    """Return the searches for what is about these patients (ids without `Patient/`), a few dozen ids each."""
    return tuple(
        Search(resource_type=resource_type, params=(("patient", ",".join(f"Patient/{one}" for one in some)),))
        for some in _in_groups(patients)
    )


def by_ids(resource_type: str, ids: Iterable[str]) -> tuple[Search, ...]:
    """Return the searches for these ids, a few dozen each."""
    return tuple(Search(resource_type=resource_type, params=(("_id", ",".join(some)),)) for some in _in_groups(ids))


def if_none_exist(system: str, value: str) -> str:
    """Return the condition of a conditional create: no resource with this identifier."""
    return f"identifier={escaped(system)}|{escaped(value)}"


def escaped(text: str) -> str:
    r"""Return a parameter value with the characters that separate values escaped.

    Source: FHIR R4, search, "escaping search parameters" (http://hl7.org/fhir/R4/search.html#escaping).
    """
    for character in "\\,|$":
        text = text.replace(character, f"\\{character}")
    return text


def instant_text(at: Instant) -> str:
    """Return an instant as FHIR text in UTC."""
    return datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _in_groups(ids: Iterable[str], size: int = _IDS_PER_SEARCH) -> tuple[tuple[str, ...], ...]:
    whole = tuple(sorted(set(ids)))
    return tuple(whole[start : start + size] for start in range(0, len(whole), size))
