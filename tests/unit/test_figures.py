"""The month's denominators by unit: rows for people, with the rule and what is not counted beside each figure.

Expected counts by hand: one snapshot a day at the facility's time in mappings/line_days.yaml; a patient counts in the
unit's patient days, and with a central line in place in its line days, at every snapshot of the stay (design 2.4).
"""

from typing import Any

import pytest

from linedays.core.count_rules import NoCountingRule
from linedays.run.derive import collect_all, derive
from linedays.run.figures import figure_rows, month_figures
from support.small_ward import AT, CALM, PLACES, WARD, as_input, device, instant, person, procedure, wired

Row = dict[str, Any]


def figures(resources: list[Row], at: int = AT) -> dict[str, Row]:
    collected = collect_all(as_input(resources), wired().instance)
    derivation = derive(collected, wired().instance, at=at, known_by=at)
    rows = figure_rows(month_figures(collected, derivation, wired().instance), derivation)
    return {row["unit"]: row for row in rows}


def test_one_patient_with_a_central_line() -> None:
    row = figures([*PLACES, *CALM])["Made-up Ward"]
    # Snapshots at 07:00 of 1 to 14 May: 14. Admitted on the 1st at 08:00: counted on 2 to 14 May, 13. Line placed on the
    # 2nd at 09:00: counted on 3 to 14 May, 12. 12 / 13 = 0.923.
    assert row["snapshots"] == "14 of 31"
    assert (row["line_days"], row["patient_days"], row["utilisation"]) == (12, 13, "0.92")
    assert (row["month"], row["unknown_kind"], row["not_counted"]) == ("2031-05", 0, "")
    assert "nhsn-denominator-snapshot" in row["rule"]


def test_patient_without_a_line_has_patient_days_too() -> None:
    with_other = figures([*PLACES, *CALM, *person("other")])["Made-up Ward"]
    alone = figures([*PLACES, *CALM])["Made-up Ward"]
    assert with_other["line_days"] == alone["line_days"]
    assert with_other["patient_days"] == 2 * alone["patient_days"]


def test_units_and_unclear_add_up_to_the_facility() -> None:
    rows = figures(WARD)
    total = rows.pop("facility total")
    assert "unit unclear" in rows
    for name in ("line_days", "patient_days"):
        assert total[name] == sum(row[name] for row in rows.values())


def test_unknown_kind_is_never_silently_in_or_out() -> None:
    strange = [*PLACES, *person("odd"), device("odd-line", "odd", "unknown"), procedure("insertion", "02 09:00", "odd", "odd-line")]
    row = figures(strange)["Made-up Ward"]
    assert row["line_days"] == 0
    assert row["unknown_kind"] == 12


def test_no_patient_days_no_utilisation() -> None:
    rows = figures([*PLACES, *CALM], instant("2031-05-01T08:30:00Z"))
    assert {row["utilisation"] for row in rows.values() if row["patient_days"] == 0} == {None}


def test_year_before_the_first_counting_rule_is_refused() -> None:
    with pytest.raises(NoCountingRule):
        figures([*PLACES, *CALM], instant("1990-05-14T10:00:00Z"))
