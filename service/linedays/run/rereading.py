"""Names of lines → what of ours stands there now. I/O through the FhirServer port only.

What others may have changed meanwhile is read afresh before it is decided again; every answer is filtered again here.
"""

from collections.abc import Iterable
from typing import Any

import orjson

from linedays.adapters.bundles import bundle_entries
from linedays.adapters.fhir_errors import FhirRejected
from linedays.fhir.identity import Identity, is_ours, line_of
from linedays.fhir.searches import OUTPUT_TYPES, Search, about_lines, carrying_identifier
from linedays.run.ports import FhirServer

Resource = dict[str, Any]


def read_ours(server: FhirServer, identity: Identity) -> dict[str, Resource]:
    """Return every Task and Flag of ours that a server holds, by `Type/id`. What is not ours is passed over."""
    return _found(server, (carrying_identifier(name, identity.system) for name in OUTPUT_TYPES), identity)


def read_lines(
    server: FhirServer, identity: Identity, lines: frozenset[str], refs: Iterable[str]
) -> dict[str, Resource]:
    """Return every Task and Flag of ours about these lines, by `Type/id`.

    `refs` are those known by name: they are read one by one, because what a search finds may be a moment old.
    Raises: FhirUnavailable, FhirRejected.
    """
    try:
        found = _found(server, about_lines(identity.system, lines), identity)
    except FhirRejected:
        # Not every server searches Tasks by group; the search by which the sweep began works.
        found = read_ours(server, identity)
    for ref in sorted(set(refs)):
        raw = server.read(*ref.split("/"))
        found.pop(ref, None)
        if raw is not None:
            found[ref] = orjson.loads(raw)
    return {ref: one for ref, one in found.items() if is_ours(one, identity) and line_of(one, identity) in lines}


def _found(server: FhirServer, searches: Iterable[Search], identity: Identity) -> dict[str, Resource]:
    found: dict[str, Resource] = {}
    for search in searches:
        for page in server.read_pages(search):
            for raw in bundle_entries(page) or ():
                resource = orjson.loads(raw)
                if resource.get("resourceType") == search.resource_type and is_ours(resource, identity):
                    found[f"{search.resource_type}/{resource.get('id')}"] = resource
    return found
