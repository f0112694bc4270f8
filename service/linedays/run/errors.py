"""Every error that a person can do something about → the exit code that tells a script what kind it is. No I/O."""

from linedays.adapters.fhir_errors import FhirProblem
from linedays.adapters.mapping_files import DataNotFound
from linedays.adapters.resource_files import NothingToRead
from linedays.adapters.server_starter import ServerNotStarted
from linedays.adapters.store_values import StoreUnavailable, StoreUnusable
from linedays.core.count_rules import NoCountingRule
from linedays.core.denominator import SnapshotTimeUnclear
from linedays.mapping.documents import PolicyInvalid
from linedays.run.demo_story import StoryProblem
from linedays.run.explain_line import NoSuchLine
from linedays.run.settings import SettingMissing

USAGE, POLICY, SERVER, LOOK_FIRST = 2, 3, 4, 5


class NotAsWritten(Exception):
    """What was asked for on the command line does not fit together."""


class WriterBusy(Exception):
    """Another process is the writer of this record system."""


class StaleWriter(Exception):
    """This process is no longer the writer of this record system; nothing more may be sent."""


class PreviewMoved(Exception):
    """What would be written is not what was looked at."""


def exit_code_of(error: Exception) -> int | None:
    """Return the exit code of an error, or None where it is a fault of ours."""
    match error:
        case SettingMissing() | DataNotFound() | NothingToRead() | NoSuchLine() | NotAsWritten() | StoreUnusable():
            return USAGE
        case PolicyInvalid() | NoCountingRule() | SnapshotTimeUnclear() | StoryProblem():
            return POLICY
        case FhirProblem() | ServerNotStarted() | WriterBusy() | StaleWriter() | StoreUnavailable():
            return SERVER
        case PreviewMoved():
            return LOOK_FIRST
        case _:
            return None
