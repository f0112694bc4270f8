"""Names of lines → what of ours stands there now. I/O through the FhirServer port only.

What others may have changed meanwhile is read afresh before it is decided again; every answer is filtered again here.
"""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from linedays.adapters.bundles import entries_of, resource_from
from linedays.adapters.fhir_errors import FhirRejected
from linedays.core.moment import Instant
from linedays.fhir.identity import Identity, is_ours, line_of
from linedays.fhir.searches import OUTPUT_TYPES, VALUE_TYPE, Search, about_lines, carrying_identifier, values_since
from linedays.run.input import Progress
from linedays.run.ports import FhirServer

Resource = dict[str, Any]


class Kept(Mapping[str, Resource]):
    """Resources by `Type/id`, kept as the bytes they came in and decoded when asked for: a fraction of the memory."""

    def __init__(self) -> None:
        self._raw: dict[str, bytes] = {}

    def keep(self, ref: str, raw: bytes) -> None:
        """Keep one resource; the last of several under one name counts."""
        self._raw[ref] = raw

    def __getitem__(self, ref: str) -> Resource:
        return resource_from(self._raw[ref])

    def __iter__(self) -> Iterator[str]:
        return iter(self._raw)

    def __len__(self) -> int:
        return len(self._raw)


def read_ours(
    server: FhirServer,
    identity: Identity,
    since: Instant | None = None,
    *,
    values: bool = True,
    told: Progress | None = None,
) -> Kept:
    """Return everything of ours that a server holds, by `Type/id`. What is not ours is passed over.

    Of Observations those about an instant from `since` on (None: all of them), and none without `values`.
    """
    searches = [carrying_identifier(name, identity.system) for name in OUTPUT_TYPES if name != VALUE_TYPE]
    if values:
        of_all = carrying_identifier(VALUE_TYPE, identity.system)
        searches.append(of_all if since is None else values_since(identity.system, since))
    return _found(server, searches, identity, told)


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
        found = read_ours(server, identity, values=False)
    stand = dict(found)
    for ref in sorted(set(refs)):
        raw = server.read(*ref.split("/"))
        stand.pop(ref, None)
        if raw is not None:
            stand[ref] = resource_from(raw)
    return {ref: one for ref, one in stand.items() if is_ours(one, identity) and line_of(one, identity) in lines}


def _found(
    server: FhirServer, searches: Iterable[Search], identity: Identity, told: Progress | None = None
) -> Kept:
    found = Kept()
    for search in searches:
        for page in server.read_pages(search):
            for raw in entries_of(page, search.resource_type):
                resource = resource_from(raw)
                if resource.get("resourceType") == search.resource_type and is_ours(resource, identity):
                    found.keep(f"{search.resource_type}/{resource.get('id')}", raw)
            if told is not None:
                told(len(found))
    return found
