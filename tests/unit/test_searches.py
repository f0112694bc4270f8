"""Searches as values. Source: FHIR R4, search (http://hl7.org/fhir/R4/search.html)."""

import pytest

from linedays.fhir.searches import INPUT_TYPES, Search, about_lines, changed_since, input_searches

# 2026-03-08T09:05:00Z: 20,520 days after 1970-01-01 and 9 h 5 min.
SINCE = 20_520 * 86_400 + 9 * 3_600 + 5 * 60


def test_everything_is_one_search_a_type():
    assert [search.resource_type for search in input_searches()] == list(INPUT_TYPES)
    assert all(search.params == () for search in input_searches())


@pytest.mark.parametrize("name", INPUT_TYPES)
def test_what_changed_is_asked_by_the_time_it_was_stored(name):
    assert changed_since(name, SINCE) == Search(
        resource_type=name, params=(("_lastUpdated", "ge2026-03-08T09:05:00Z"),)
    )
    assert changed_since(name, SINCE) in input_searches(SINCE)


def test_lines_are_asked_about_by_group_for_tasks_and_by_identifier_for_flags_a_dozen_at_a_time():
    lines = [f"Device/{number:02}" for number in range(13)]
    found = about_lines("https://a.example/b", reversed([*lines, *lines]))
    assert [(one.resource_type, one.params[0][0], one.params[0][1].count("|")) for one in found] == [
        ("Task", "group-identifier", 12), ("Task", "group-identifier", 1), ("Flag", "identifier", 12), ("Flag", "identifier", 1),
    ]  # fmt: skip
    assert found[1].params == (("group-identifier", "https://a.example/b|Device/12"),)
    assert found[0].params[0][1].startswith("https://a.example/b|Device/00,https://a.example/b|Device/01,")
