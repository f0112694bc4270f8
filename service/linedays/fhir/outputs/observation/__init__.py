"""The Observation of a derived value: rendered, read back and changed. No I/O.

Only elements that we own are compared and replaced. Which elements of R4 Observation are left out, and why, stands in
mappings/outputs.yaml under `observations`.
"""

from linedays.fhir.outputs.observation.change import corrected_value, new_value, withdrawn_value
from linedays.fhir.outputs.observation.read import own_of, read_value
from linedays.fhir.outputs.observation.render import ValueContent, render_value, wanted_value

__all__ = [
    "ValueContent",
    "corrected_value",
    "new_value",
    "own_of",
    "read_value",
    "render_value",
    "wanted_value",
    "withdrawn_value",
]
