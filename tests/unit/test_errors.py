"""Every error that a person can do something about has the exit code that the help names; ours has none."""

from datetime import date, time

import pytest

from linedays.adapters.fhir_errors import FhirRejected, FhirUnavailable, SearchIgnored
from linedays.adapters.mapping_files import DataNotFound
from linedays.adapters.resource_files import NothingToRead
from linedays.adapters.server_starter import ServerNotStarted
from linedays.adapters.store_values import StoreUnavailable, StoreUnusable
from linedays.cli.arguments import EXIT_CODES
from linedays.core.count_rules import NoCountingRule
from linedays.core.denominator import SnapshotTimeUnclear
from linedays.mapping.documents import PolicyInvalid
from linedays.run.demo_story import StoryProblem
from linedays.run.errors import NotAsWritten, PreviewMoved, StaleWriter, WriterBusy, exit_code_of
from linedays.run.explain_line import NoSuchLine
from linedays.run.settings import SettingMissing

USAGE, POLICY, SERVER, LOOK_FIRST = 2, 3, 4, 5


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (SettingMissing(""), USAGE),
        (DataNotFound(""), USAGE),
        (NothingToRead(""), USAGE),
        (NoSuchLine(""), USAGE),
        (NotAsWritten(""), USAGE),
        (PolicyInvalid(()), POLICY),
        (NoCountingRule(""), POLICY),
        (SnapshotTimeUnclear(time(2, 30), (date(2031, 3, 9),)), POLICY),
        (StoryProblem(""), POLICY),
        (FhirUnavailable(""), SERVER),
        (FhirRejected(""), SERVER),
        (SearchIgnored("Device", ("patient",)), SERVER),
        (ServerNotStarted(""), SERVER),
        (WriterBusy(""), SERVER),
        (StaleWriter(""), SERVER),
        (StoreUnavailable(""), SERVER),
        (StoreUnusable(""), USAGE),
        (PreviewMoved(""), LOOK_FIRST),
    ],
    ids=lambda told: type(told).__name__ if isinstance(told, Exception) else "",
)
def test_exit_code(error: Exception, code: int) -> None:
    assert exit_code_of(error) == code
    assert f"\n  {code}  " in EXIT_CODES


@pytest.mark.parametrize("error", [ValueError("x"), KeyError("x"), AssertionError("x"), OSError("x")])
def test_fault_of_ours_has_none(error: Exception) -> None:
    assert exit_code_of(error) is None
