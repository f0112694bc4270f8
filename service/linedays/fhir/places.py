"""Location records → places with the unit that owns them, what they are to the counting, and their zone. No I/O.

Of a Location only what is needed is kept: it stays for as long as the reading lasts.
"""

from collections.abc import Callable, Mapping
from datetime import tzinfo

from msgspec import Struct

from linedays.core.count_rules import CountingRules, place_class_of
from linedays.core.model import Issue, IssueKind, Place
from linedays.fhir.reading import type_and_id
from linedays.fhir.records import Location

TIMEZONE = "http://hl7.org/fhir/StructureDefinition/timezone"
_INSIDE_A_UNIT = frozenset({"bd", "ro"})
_HIGHEST = 12


class LocationRead(Struct, frozen=True, gc=False, kw_only=True):
    """What a Location says of itself: `part_of` is `Type/id` of the one above it, `zone` the name of its time zone."""

    id: str
    name: str
    types: tuple[tuple[str, str], ...]
    inside_a_unit: bool
    part_of: str | None
    zone: str | None


def location_of(record: Location) -> LocationRead:
    """Return what is needed of a Location."""
    above = record.part_of.reference if record.part_of else None
    physical = record.physical_type.coding if record.physical_type else ()
    return LocationRead(
        id=record.id,
        name=record.name or record.id,
        types=tuple(
            (coding.system, coding.code)
            for concept in record.type
            for coding in concept.coding
            if coding.system is not None and coding.code is not None
        ),
        inside_a_unit=any(each.code in _INSIDE_A_UNIT for each in physical),
        part_of=type_and_id(above) if above else None,
        zone=next((extension.value_code for extension in record.extension if extension.url == TIMEZONE), None),
    )


def places_of(
    read: Mapping[str, LocationRead], counting: CountingRules, zone_of: Callable[[str], tzinfo | None]
) -> tuple[dict[str, Place], tuple[Issue, ...]]:
    """Return every Location as a place: its unit is the nearest one from it upwards that is no bed or room.

    What it is to the counting, and its zone, are its own or those of the nearest Location above it that says so. A
    Location that nobody classed is left out, with an issue: who is there is counted as "unit unclear".
    """
    places: dict[str, Place] = {}
    issues: list[Issue] = []
    for source, location in read.items():
        line = _upwards(location, read)
        classes = [place_class_of(counting, each.id, each.types) for each in line]
        place_class = next((found for found in classes if found is not None), None)
        if place_class is None:
            text = "a Location of no class that is mapped (inpatient, outpatient, procedural): add it to line_days.yaml"
            issues.append(Issue(kind=IssueKind.UNKNOWN_CODE, source=source, text=text, used=True))
            continue
        unit = next((each for each in line if not each.inside_a_unit), location)
        zones = (zone_of(each.zone) for each in line if each.zone is not None)
        places[source] = Place(
            id=source,
            unit=f"Location/{unit.id}",
            name=unit.name,
            place_class=place_class,
            zone=next((zone for zone in zones if zone is not None), None),
        )
    return places, tuple(issues)


def _upwards(location: LocationRead, read: Mapping[str, LocationRead]) -> list[LocationRead]:
    line: list[LocationRead] = []
    above: LocationRead | None = location
    while above is not None and above not in line and len(line) < _HIGHEST:
        line.append(above)
        above = read.get(above.part_of) if above.part_of is not None else None
    return line
