"""A Task of a dressing site: rendered, read back and changed. No I/O.

Only elements that we own are compared and replaced.
"""

from linedays.fhir.outputs.task.change import TaskChange, changed_task, new_task
from linedays.fhir.outputs.task.read import own_of, read_task
from linedays.fhir.outputs.task.render import TaskContent, render_task, wanted_task

__all__ = [
    "TaskChange",
    "TaskContent",
    "changed_task",
    "new_task",
    "own_of",
    "read_task",
    "render_task",
    "wanted_task",
]
