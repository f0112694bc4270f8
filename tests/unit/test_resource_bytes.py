"""The bytes of one resource of ours, as a server gave them: what is told of one whose bytes are not all text.

Source: RFC 8259 section 8.1 (JSON between systems is UTF-8); that servers send other bytes is common practice, no source.
"""

import orjson
import pytest

from linedays.adapters.bundles import resource_from
from linedays.fhir.outputs import read_existing
from support.small_ward import IDENTITY
from support.written_resources import TASK

WHOLE = orjson.dumps({**TASK, "id": "t-1"})


def test_bytes_that_are_text_are_read_whole() -> None:
    assert resource_from(WHOLE) == {**TASK, "id": "t-1"}


def test_of_bytes_that_are_no_text_only_the_names_are_kept() -> None:
    found = resource_from(WHOLE.replace(b"requested", b"reque\xe4ted"))
    assert found == {name: TASK[name] for name in ("resourceType", "identifier", "groupIdentifier")} | {"id": "t-1"}
    assert read_existing(found, IDENTITY) is None


@pytest.mark.parametrize("raw", [b"", b"{", b'{"id": "\xe4"', b"[1]", b'["\xe4"]', b"7"])
def test_what_is_no_resource_at_all_is_told_as_nothing(raw: bytes) -> None:
    assert resource_from(raw) == {}
