"""The made-up hospital on a FHIR server → three sweeps with something charted in between. I/O through ports only.

First sweep: what a nurse's system finds when it asks. Second: nothing is written. Then a nurse charts a change and a
removal and two patients change beds; the third shows Tasks and Flags ended, and a Task that went along.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from linedays.adapters.mapping_files import find_demo_hospital, read_documents
from linedays.adapters.server_starter import load_bundle
from linedays.core.moment import Instant
from linedays.core.policy import Policy, Source, UnitSettings, unit_settings
from linedays.fhir.identity import Identity
from linedays.mapping.documents import PolicyInvalid
from linedays.mapping.wording import time_words
from linedays.run.demo_hospital import hospital_resources, later_resources, moved_resources
from linedays.run.demo_questions import Asker, Question
from linedays.run.demo_story import HospitalStory, UnitStory, hospital_story, told_at
from linedays.run.plan import SweepPlan
from linedays.run.ports import FhirServer
from linedays.run.provenance import tracer
from linedays.run.rereading import read_ours
from linedays.run.sweep import read_and_plan
from linedays.run.wiring import Wired
from linedays.run.writing import SweepOutcome, apply_plan

AFTER_LATER_ENTRIES = 600
Resource = dict[str, Any]
_OF_THE_DEMO = Source(text="made up for the demo hospital")


class Reported(Protocol):
    """Something that shows each step of the demo as it ends."""

    def __call__(self, step: "Step", /) -> None:
        """Show one step."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One sweep of the demo: what it planned and did, what of ours then stands there, and what was asked about it."""

    number: int
    at: Instant
    plan: SweepPlan
    outcome: SweepOutcome
    ours: Mapping[str, Resource]
    questions: tuple[Question, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoHospital:
    """The hospital's file, checked, and the zone it stands in."""

    document: Mapping[str, Any]
    story: HospitalStory

    @property
    def zone(self) -> ZoneInfo:
        """The hospital's time zone."""
        return ZoneInfo(self.story.zone)


def demo_hospital(folder: Path | None = None) -> DemoHospital:
    """Read the hospital's file.

    Raises: DataNotFound, PolicyInvalid with the problems of the file.
    """
    documents = read_documents(find_demo_hospital(folder))
    found = documents.named("hospital.yaml")
    if found is None or not isinstance(found.data, dict):
        raise PolicyInvalid(documents.problems)
    return DemoHospital(document=found.data, story=hospital_story(found.data))


def with_demo_units(wired: Wired, story: HospitalStory) -> Wired:
    """Return the wiring with what the made-up units have settled added to the policy."""
    policy = wired.instance.policy
    units = tuple(_unit(policy, unit) for unit in story.units)
    return replace(wired, instance=replace(wired.instance, policy=replace(policy, units=(*policy.units, *units))))


def _unit(policy: Policy, told: UnitStory) -> UnitSettings:
    return replace(
        unit_settings(policy, None),
        unit=told.id,
        usual_dressing=told.usual_dressing,
        neonatal=told.neonatal,
        owner=f"CareTeam/{told.team}" if told.team is not None else None,
        source=_OF_THE_DEMO,
    )


def run_demo(
    server: FhirServer, hospital: DemoHospital, wired: Wired, identity: Identity, at: Instant | None, shown: Reported
) -> bool:
    """Load the hospital and sweep three times. Returns whether the second sweep wrote nothing.

    Raises: FhirUnavailable, FhirRejected.
    """
    start = told_at(hospital.story) if at is None else at
    load_bundle(server, hospital_resources(hospital.document, start))
    first = _step(1, server, wired, identity, start)
    shown(replace(first, questions=_asker(server, hospital, wired, identity, start).first(first.ours.values())))
    second = _step(2, server, wired, identity, start + 1)
    shown(second)
    load_bundle(server, [*later_resources(hospital.document, start), *moved_resources(hospital.document, start)])
    end = start + AFTER_LATER_ENTRIES
    third = _step(3, server, wired, identity, end)
    shown(replace(third, questions=_asker(server, hospital, wired, identity, end).after_moves()))
    return not second.plan.writes


def _asker(server: FhirServer, hospital: DemoHospital, wired: Wired, identity: Identity, at: Instant) -> Asker:
    return Asker(server=server, story=hospital.story, policy=wired.instance.policy, identity=identity, at=at)


def _step(number: int, server: FhirServer, wired: Wired, identity: Identity, at: Instant) -> Step:
    plan = read_and_plan(server, wired, identity, at=at)
    trace = tracer(plan, server, identity, wired.instance.policy.content_hash, wired.instance.zone)
    outcome = apply_plan(plan, server, identity, trace=trace)
    return Step(number=number, at=at, plan=plan, outcome=outcome, ours=read_ours(server, identity))


def flag_rows(ours: Mapping[str, Resource], status: str) -> list[tuple[str, ...]]:
    """Return the Flags of one status: what it says and since when, or until when."""
    flags = [one for one in ours.values() if one["resourceType"] == "Flag" and one["status"] == status]
    return sorted((str(flag["code"]["text"]), _span(flag["period"])) for flag in flags)


def _span(period: Mapping[str, str]) -> str:
    return " to ".join(period[name][:16].replace("T", " ") for name in ("start", "end") if name in period)


def ended_rows(before: Mapping[str, Resource], after: Mapping[str, Resource]) -> list[tuple[str, ...]]:
    """Return the Tasks that ended between two readings: how, why, and by which entry."""
    rows: list[tuple[str, ...]] = []
    for ref, task in after.items():
        if task["resourceType"] != "Task" or task["status"] == before.get(ref, task)["status"]:
            continue
        output = [one["valueReference"]["reference"] for one in task.get("output", []) if "valueReference" in one]
        why = task.get("statusReason", {}).get("text", "")
        rows.append((task["status"], task["code"]["text"], why, ", ".join(output)))
    return sorted(rows)


def bed_names(resources: Iterable[Resource]) -> dict[str, str]:
    """Return the names of beds by the id of their Location."""
    return {str(one["id"]): str(one.get("name", one["id"])) for one in resources if one["resourceType"] == "Location"}


def moment_words(at: Instant, zone: ZoneInfo) -> str:
    """Return a moment as the demo's headings say it."""
    return time_words(at, zone)
