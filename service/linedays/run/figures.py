"""A derivation → the month's denominators by unit, as tables and files print them. No I/O."""

from collections.abc import Callable
from datetime import date
from typing import Any

from linedays.core.count_rules import rule_in_year
from linedays.core.counted import CountBasis, counted_patient
from linedays.core.denominator import PatientDay, month_snapshots, patient_days
from linedays.core.model import PatientChart, Timeline, Whereabouts
from linedays.core.moment import Instant, local_date
from linedays.core.presence import whereabouts
from linedays.core.rule_book import rule_book
from linedays.core.unit_figures import UnitFigure, unit_figures
from linedays.core.watch import watch_at
from linedays.fhir.collected import Collected
from linedays.run.derive import Derivation, Instance, charts_of

Json = dict[str, Any]


def month_figures(collected: Collected, derivation: Derivation, instance: Instance) -> tuple[UnitFigure, ...]:
    """Return the denominators of the month asked about, for every unit, "unit unclear" and the facility.

    Patients without a line count too: they have patient days.
    Raises: SnapshotTimeUnclear, NoCountingRule.
    """
    month = local_date(derivation.at, instance.zone)
    basis = basis_of(derivation, instance, month)
    snapshots = month_snapshots(month, basis)
    rows: list[PatientDay] = []
    for chart in charts_of(collected, derivation):
        rows.extend(patient_days(counted_patient(chart, basis), snapshots, _where(chart, derivation, instance)))
    return unit_figures(rows, snapshots)


def basis_of(derivation: Derivation, instance: Instance, day: date) -> CountBasis:
    """Return what everything is counted by, as known by the derivation's moment of knowledge."""
    return CountBasis(
        counting=instance.counting,
        day_rule=rule_in_year(instance.counting.day_numbers, day.year),
        places=derivation.places,
        rulings=(),
        zone=instance.zone,
        known_by=derivation.known_by,
        stay_gap=instance.policy.limits.stay_gap,
    )


def _where(
    chart: PatientChart, derivation: Derivation, instance: Instance
) -> Callable[[Timeline, Instant], Whereabouts]:
    """Return what tells where a line of a patient is at an instant."""
    policy = instance.policy

    def where(timeline: Timeline, at: Instant) -> Whereabouts:
        watch = watch_at(chart.stays, derivation.places, at, policy.limits.stay_gap)
        return whereabouts(timeline, watch, chart.person, rule_book(policy), at)

    return where


def figure_rows(figures: tuple[UnitFigure, ...], derivation: Derivation) -> list[Json]:
    """Return the figures as rows: one word for each, and the rule, the moments and what is not in them beside it."""
    names = {place.unit: place.name for place in derivation.places.values()}
    return [
        {
            "unit": names.get(figure.unit or "", figure.unit or str(figure.scope)),
            "month": figure.month,
            "line_days": figure.line_days,
            "patient_days": figure.patient_days,
            "utilisation": None if figure.utilisation is None else f"{figure.utilisation:.2f}",
            "unknown_kind": figure.unknown_kind,
            "not_counted": ", ".join(f"{where} {count}" for where, count in figure.not_counted if count),
            "snapshots": f"{figure.days_taken} of {figure.days_in_month}",
            "rule": "; ".join(str(rule) for rule in figure.stamp.rules),
        }
        for figure in figures
    ]
