"""Every element of what we write is written or its absence explained in mappings/outputs.yaml.

The list of elements is that of the R4B classes of fhir.resources (HL7's own lists; R4 and R4B name the same elements for
these resources). `id` and what the server sets itself are left to the server.
"""

from typing import Any

import pytest
from fhir.resources.R4B.flag import Flag
from fhir.resources.R4B.task import Task

from linedays.core.changes import Act, Complete, Create, EndReason
from linedays.core.compared import WantedFlag, WantedTask
from linedays.core.moment import exactly
from linedays.core.states import State
from linedays.fhir.outputs import changed, created, read_existing
from linedays.fhir.outputs.flag import wanted_flag
from linedays.fhir.outputs.task import wanted_task
from support.small_ward import wired
from support.task_board import BERLIN, NOON, US, Condition, content, finding, flag_content, item, site

OF_THE_SERVER = {"id", "resourceType", "resource_type", "fhir_comments"}
STATE = site(item(State.COMPROMISED, findings=(finding("loose", "Observation/loose-1", NOON - 600),)), NOON)


def written(wanted: WantedTask | WantedFlag) -> dict[str, Any]:
    create = Create(wanted=wanted, identifier="k", declined=Act(ref="Task/0", at=NOON - 60))
    return {**created(create, US, at=NOON, zone=BERLIN), "id": "1"}


def task_elements() -> set[str]:
    wanted = wanted_task(content(STATE, STATE.items[0], owner="CareTeam/made-up", role="nursing"), US)
    assert wanted is not None
    task = written(wanted)
    existing = read_existing(task, US)
    assert existing is not None
    done = Complete(existing=existing, reason=EndReason.CHANGED, output="Procedure/x", happened=exactly(NOON))  # type: ignore[arg-type]
    return set(task) | set(changed(task, done, US, at=NOON, zone=BERLIN))


def flag_elements() -> set[str]:
    return set(written(wanted_flag(flag_content(STATE, Condition.COMPROMISED), US)))


@pytest.mark.parametrize(("model", "elements"), [(Task, task_elements), (Flag, flag_elements)])
def test_every_element_is_written_or_its_absence_explained(model: Any, elements: Any) -> None:
    of_the_standard = {field.alias or name for name, field in model.model_fields.items()}
    of_the_standard = {name for name in of_the_standard if not name.startswith("_")} - OF_THE_SERVER
    absent = wired().wording.shape.absent[model.__name__]
    assert of_the_standard == elements() - OF_THE_SERVER | set(absent)
    assert not set(absent) & elements(), "what is written needs no excuse"
