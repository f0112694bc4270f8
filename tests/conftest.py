"""What holds for every test: deterministic Hypothesis runs, a check of all that is written, a loud word about what did not run."""

import os

import pytest
from hypothesis import HealthCheck, settings

from support.icu_data import icu_data_is_there
from support.written_log import WrittenPlugin

settings.register_profile("calm", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("calm")

_LEFT_OUT: list[str] = []


def pytest_configure(config: pytest.Config) -> None:
    """Let everything that the run writes be checked."""
    config.pluginmanager.register(WrittenPlugin(), "written")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what needs the open ICU data where it is not there, unless this is a check that may not do without."""
    if icu_data_is_there() or os.environ.get("CI"):
        return
    left_out = [item for item in items if item.get_closest_marker("icu")]
    if left_out:
        _LEFT_OUT.extend(item.nodeid for item in left_out)
        items[:] = [item for item in items if not item.get_closest_marker("icu")]
        config.hook.pytest_deselected(items=left_out)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say what was left out, where nobody can miss it."""
    if _LEFT_OUT:
        terminalreporter.section("NOT RUN", red=True, bold=True)
        terminalreporter.line(
            f"{len(_LEFT_OUT)} tests against the open ICU data did NOT run: it is neither at ../shared/data/icu-lines nor "
            "where LINEDAYS_ICU_DATA points. They are the ones that check the derivation on real charting.",
            red=True,
        )
