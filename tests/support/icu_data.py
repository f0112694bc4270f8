"""Finds the open ICU data set beside the checkout; its own README says what it is and under which licence."""

import os
from pathlib import Path

import pytest

VARIABLE = "LINEDAYS_ICU_DATA"
BESIDE = Path(__file__).resolve().parents[3] / "shared" / "data" / "icu-lines"


def icu_folder() -> Path:
    """Return the folder of the data set; a test that needs it fails where it is missing."""
    folder = Path(os.environ[VARIABLE]) if VARIABLE in os.environ else BESIDE
    if not (folder / "expected" / "line_day_totals.csv").is_file():
        pytest.fail(
            "the open ICU data set is not there. Put it beside the checkout as shared/data/icu-lines, or name its folder "
            f'in the environment variable {VARIABLE}. To leave these tests out on purpose: pytest -m "not icu"',
            pytrace=False,
        )
    return folder


def icu_data_is_there() -> bool:
    """Tell whether the data set is where it is looked for; one that was named by hand has to be there."""
    return VARIABLE in os.environ or (BESIDE / "expected" / "line_day_totals.csv").is_file()
