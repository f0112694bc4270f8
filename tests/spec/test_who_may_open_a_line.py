"""Whoever may do the upkeep of a line stands on every Task about it: a dialysis catheter is not the ward nurse's.

Source: design 2.6 (`performerType` from the policy) and hazard H29; who does what is common practice, no source.
"""

from typing import Any

import pytest

from support.small_ward import AT, PLACES, device, line, look, memory_server, person, planned, procedure, wired

KINDS = {kind.code: kind for kind in wired().instance.policy.line_kinds}
DIALYSIS = {"dialysis-nontunnelled", "dialysis-tunnelled"}


def charts(kind: str) -> list[dict[str, Any]]:
    """Return patients with a line of a kind in every state that a Task is written for."""
    overdue = [*person("over"), *line("over-line", "over", "04 09:00", kind=kind)]
    loose = [*person("loose"), *line("loose-line", "loose", "13 09:00", kind=kind), look("loose", "14 09:40", "loose", "loose-line")]
    red = [
        *person("red"),
        *line("red-line", "red", "13 09:00", kind=kind),
        look("redness", "14 09:30", "red", "red-line", code="site-assessment"),
    ]
    undated = [*person("undated"), device("undated-line", "undated", kind)]
    gone = [
        *person("gone"),
        *line("gone-line", "gone", "13 09:00", kind=kind),
        look("gone", "14 09:20", "gone", "gone-line", code="line-not-present")
        | {"valueBoolean": True, "valueCodeableConcept": None},
    ]
    used = [
        *person("used"),
        *line("used-line", "used", "13 09:00", kind=kind),
        procedure("removal", "14 07:00", "used", "used-line"),
        procedure("line-access", "14 09:00", "used", "used-line"),
    ]
    found = [*PLACES, *overdue, *loose, *red, *undated, *gone, *used]
    return [{name: value for name, value in one.items() if value is not None} for one in found]


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_task_names_who_does_the_upkeep_of_that_kind(kind: str) -> None:
    plan = planned(memory_server(charts(kind)), AT)
    tasks = [each.resource for each in plan.writes if each.resource["resourceType"] == "Task"]
    codes = {task["code"]["coding"][0]["code"] for task in tasks}
    assert {"dressing-check", "chart-the-removal"} <= codes, "every kind has a site to look at and a removal to chart"
    for task in tasks:
        (who,) = task["performerType"]
        assert who["text"] == KINDS[kind].who
        assert [one["code"] for one in who["coding"]] == ["dialysis" if kind in DIALYSIS else "nursing"]
