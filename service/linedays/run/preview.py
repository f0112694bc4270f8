"""A plan → the preview: how much would be written, and a short hash of exactly what. No I/O.

Two previews are equal where the same would be written; no time of a run is in it, so a dry run a minute later over the
same chart gives the same one. What the store knows is not in it either: what is held is shown beside it.
"""

import hashlib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import orjson

from linedays.core.changes import EndFlag
from linedays.fhir.identity import Identity, key_of
from linedays.run.plan import Planned

HASH_DIGITS = 16
_WRITTEN = re.compile(rf"(?P<creates>[0-9]+)-(?P<changes>[0-9]+)-(?P<hash>[0-9a-f]{{{HASH_DIGITS}}})")
_OF_THE_RUN = frozenset({"authoredOn", "lastModified"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Preview:
    """How many would be created and changed, and the hash of what would be sent."""

    creates: int
    changes: int
    digest: str

    def __str__(self) -> str:
        """Return it as it is printed, and given back with --expect."""
        return f"{self.creates}-{self.changes}-{self.digest}"


def preview_from_text(text: str) -> Preview | None:
    """Return a preview as it was printed; None where the text is none."""
    found = _WRITTEN.fullmatch(text)
    if found is None:
        return None
    return Preview(creates=int(found["creates"]), changes=int(found["changes"]), digest=found["hash"])


def preview_of(writes: Iterable[Planned], identity: Identity) -> Preview:
    """Return the preview of some writes, whatever their order; what our own check refuses is not among them."""
    sent = [each for each in writes if not each.problems]
    rows = sorted(_row(each, identity) for each in sent)
    creates = sum(each.creates for each in sent)
    digest = hashlib.sha256(b"\n".join(rows)).hexdigest()[:HASH_DIGITS]
    return Preview(creates=creates, changes=len(sent) - creates, digest=digest)


def _row(planned: Planned, identity: Identity) -> bytes:
    resource = planned.resource
    # What is not there yet has no id, and is known by its key.
    version = resource.get("meta", {}).get("versionId")
    name = key_of(resource, identity) if planned.creates else f"{resource['id']}@{version}"
    row = [type(planned.change).__name__, resource["resourceType"], name, _content(planned)]
    return orjson.dumps(row, option=orjson.OPT_SORT_KEYS)


def _content(planned: Planned) -> dict[str, Any]:
    content = {name: value for name, value in planned.resource.items() if name not in _OF_THE_RUN}
    if isinstance(planned.change, EndFlag) and planned.change.ended is None:
        # Nothing charted says when the condition ceased: its end is the time of this change.
        content["period"] = {name: value for name, value in content["period"].items() if name != "end"}
    return content
