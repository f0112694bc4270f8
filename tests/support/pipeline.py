"""Turns a folder of resources charted in the reference way into the pipeline's own answers, by the shipped mappings. Reads files."""

from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

from linedays.adapters.resource_files import resources_in
from linedays.core.counted import CountBasis, counted_patient
from linedays.core.day_numbers import line_day_numbers
from linedays.core.model import FactKind, Timeline
from linedays.core.moment import UTC, Instant, Moment, moment_from_text
from linedays.run.derive import Derivation, Instance, derive_all
from linedays.run.settings import CODE_BASE, OWN_SYSTEM, SOURCE, Settings
from linedays.run.wiring import wire
from support.generator import ZONE


@cache
def instance(zone: str = ZONE) -> Instance:
    settings = Settings(zone=ZoneInfo(zone), source=SOURCE, mappings=None, own_system=OWN_SYSTEM, code_base=CODE_BASE)
    return wire(settings).instance


def instant(text: str) -> Instant:
    moment = moment_from_text(text, UTC)
    assert isinstance(moment, Moment)
    return moment.earliest


def derived(folder: Path, at: str) -> Derivation:
    return derive_all(resources_in(folder), instance(), at=instant(at), known_by=instant(at))


def device_of(timeline: Timeline) -> str:
    names = (timeline.line.key, *timeline.line.aliases)
    return next(name for name in names if name.startswith("Device/"))


def latest_changes(folder: Path, at: str) -> dict[str, int]:
    """Return the latest dressing change of each Device that has one, from the facts that stand."""
    found: dict[str, int] = {}
    for result in derived(folder, at).results:
        for timeline in (timeline for site in result.chart.sites for timeline in site.timelines):
            changes = [fact.happened.earliest for fact in timeline.facts if fact.kind is FactKind.DRESSING_CHANGED]
            if changes:
                found[device_of(timeline)] = max(changes)
    return found


def central_days(folder: Path, at: str, zone: str) -> dict[str, int]:
    """Return the number of calendar days on which each patient's line day number counted a central line."""
    settled = instance(zone)
    derivation = derived(folder, at)
    basis = CountBasis(
        counting=settled.counting,
        day_rule=settled.counting.day_numbers[-1],
        places=derivation.places,
        rulings=(),
        zone=settled.zone,
        known_by=derivation.known_by,
        stay_gap=settled.policy.limits.stay_gap,
    )
    found: dict[str, int] = {}
    for result in derivation.results:
        days = line_day_numbers(counted_patient(result.chart, basis), at=derivation.at)
        counted = {day.day for day in days if day.number is not None}
        if counted:
            found[result.chart.person.id] = len(counted)
    return found
