"""Every error that a person can do something about → the exit code that tells a script what kind it is. No I/O."""

from linedays.adapters.fhir_errors import FhirProblem
from linedays.adapters.mapping_files import DataNotFound
from linedays.adapters.resource_files import NothingToRead
from linedays.adapters.server_starter import ServerNotStarted
from linedays.core.count_rules import NoCountingRule
from linedays.core.denominator import SnapshotTimeUnclear
from linedays.mapping.documents import PolicyInvalid
from linedays.run.demo_story import StoryProblem
from linedays.run.explain_line import NoSuchLine
from linedays.run.settings import SettingMissing

USAGE, POLICY, SERVER = 2, 3, 4


class NotAsWritten(Exception):
    """What was asked for on the command line does not fit together."""


def exit_code_of(error: Exception) -> int | None:
    """Return the exit code of an error, or None where it is a fault of ours."""
    match error:
        case SettingMissing() | DataNotFound() | NothingToRead() | NoSuchLine() | NotAsWritten():
            return USAGE
        case PolicyInvalid() | NoCountingRule() | SnapshotTimeUnclear() | StoryProblem():
            return POLICY
        case FhirProblem() | ServerNotStarted():
            return SERVER
        case _:
            return None
