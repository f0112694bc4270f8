"""Identifiers against RFC 9562 (UUID version 5) and design section 2.6."""

import hashlib
import uuid

import pytest

from linedays.core.states import State
from linedays.fhir.identity import Identity, anchor_name, freed, is_ours, key_of, line_of, stem_of
from support.task_board import LINE, NOON, US, anchor, at, item, line, site

KEY = {"use": "official", "system": US.system, "value": "k-1"}
OF_LINE = {"use": "secondary", "system": US.system, "value": LINE}
FOREIGN = {"system": "https://other.example/ids", "value": "x"}


def by_hand(namespace: bytes, name: str) -> uuid.UUID:
    """Return a version 5 UUID by the steps of RFC 9562, section 5.5: SHA-1 of namespace and name, version, variant."""
    digest = bytearray(hashlib.sha1(namespace + name.encode()).digest()[:16])
    digest[6] = digest[6] & 0x0F | 0x50
    digest[8] = digest[8] & 0x3F | 0x80
    return uuid.UUID(bytes=bytes(digest))


def test_the_value_is_a_version_5_uuid_in_the_namespace_of_our_system():
    url_namespace = uuid.UUID("6ba7b811-9dad-11d1-80b4-00c04fd430c8").bytes  # RFC 9562, section 6.6
    ours = by_hand(url_namespace, "https://linedays.example/fhir/identifier").bytes
    expected = by_hand(ours, "Device/picc-1|dressing-change|Procedure/change-1|0")
    assert US.name("Device/picc-1|dressing-change|Procedure/change-1", 0) == str(expected)


def test_another_number_line_or_system_gives_another_value():
    values = {US.name("a|b|c", 0), US.name("a|b|c", 1), US.name("a|b|d", 0), Identity(system="urn:x").name("a|b|c", 0)}
    assert len(values) == 4


def test_the_stem_names_line_item_and_anchor_entry():
    state = site(item(State.OVERDUE), NOON)
    assert stem_of(state, "dressing-change", state.items[0]) == "Device/picc-1|dressing-change|Procedure/change-1"


def test_due_state_priority_kind_policy_and_the_anchors_time_are_not_in_the_stem():
    first = item(State.OVERDUE)
    moved = anchor("Procedure/change-1", at("2026-03-04 10:00"), dressing_kind="gauze")
    second = item(State.COMPROMISED, anchor=moved, due=None, rule="other", priority=None)
    state = site(first, NOON)
    assert stem_of(state, "dressing-change", first) == stem_of(state, "dressing-change", second)


def test_without_an_anchor_the_start_of_the_line_names_the_cycle_else_none():
    unknown = item(State.UNKNOWN)
    assert anchor_name(site(unknown, NOON), unknown) == "Procedure/insertion-1"
    assert anchor_name(site(None, NOON), None) == "Procedure/insertion-1"
    bare = site(unknown, NOON, lines=(line(start_source=""),))
    assert anchor_name(bare, unknown) == "none"


@pytest.mark.parametrize(
    ("resource", "ours"),
    [
        ({"identifier": [KEY]}, True),
        ({"identifier": [FOREIGN, KEY]}, True),
        ({"identifier": [FOREIGN]}, False),
        ({"identifier": [{"system": US.system}]}, False),
        ({"identifier": KEY}, False),
        ({"identifier": ["text", None]}, False),
        ({}, False),
    ],
)
def test_only_what_carries_our_system_is_ours(resource, ours):
    assert is_ours(resource, US) is ours


def test_key_and_line_are_told_apart():
    flag = {"identifier": [FOREIGN, OF_LINE, KEY]}
    assert (key_of(flag, US), line_of(flag, US)) == ("k-1", LINE)
    task = {"identifier": [KEY], "groupIdentifier": {"system": US.system, "value": LINE}}
    assert (key_of(task, US), line_of(task, US)) == ("k-1", LINE)
    other = {"identifier": [OF_LINE], "groupIdentifier": FOREIGN}
    assert (key_of(other, US), line_of(other, US)) == (None, LINE)
    assert line_of({"identifier": [KEY]}, US) is None


def test_a_freed_identifier_keeps_everything_but_our_key():
    assert freed([FOREIGN, OF_LINE, KEY], "Task/7", US) == [
        FOREIGN, OF_LINE, {"use": "old", "system": US.system, "value": "k-1-duplicate-7"},
    ]
