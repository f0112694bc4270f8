"""The commands that may write: sweep and demo. I/O through run and the console only."""

from argparse import Namespace
from collections import Counter
from datetime import tzinfo
from typing import Any

from rich.console import Console

from linedays.cli.commands import progress, times
from linedays.cli.tables import print_cautions, print_issues, print_json, print_tally, table
from linedays.core.changes import Held
from linedays.fhir.identity import Identity
from linedays.run.demo import (
    Step,
    bed_names,
    demo_hospital,
    ended_rows,
    flag_rows,
    moment_words,
    run_demo,
    task_rows,
    with_demo_units,
)
from linedays.run.demo_hospital import hospital_resources
from linedays.run.demo_story import told_at
from linedays.run.errors import NotAsWritten
from linedays.run.figures import figure_rows, month_figures
from linedays.run.input import from_path
from linedays.run.listing import iso, listing
from linedays.run.plan import SweepPlan, plan_sweep
from linedays.run.settings import Settings, read_settings
from linedays.run.sweep import read_and_plan
from linedays.run.wiring import Wired, demo_server, server_at, wait_until_interrupted, wire
from linedays.run.worklist import quiet_rows, worklist
from linedays.run.writing import SweepOutcome, apply_plan

MOST_ISSUES = 10
FIGURES = {
    "unit": "unit",
    "month": "month",
    "line_days": "line days",
    "patient_days": "patient days",
    "utilisation": "line days per patient day",
    "unknown_kind": "patient days, kind unknown",
    "not_counted": "not counted",
    "snapshots": "days taken",
}


def sweep(arguments: Namespace, console: Console) -> int:
    """Read, derive, and write or show what would be written."""
    if (arguments.path is None) == (arguments.fhir is None):
        raise NotAsWritten("say where to read from: either --from PATH or --fhir URL")
    if arguments.apply and arguments.fhir is None:
        raise NotAsWritten("--apply writes to a FHIR server: name it with --fhir URL")
    wired = wire(read_settings(arguments.zone, arguments.source, arguments.mappings))
    identity = identity_of(wired.settings)
    at, _ = times(arguments, wired)
    with progress("read") as told:
        if arguments.fhir is None:
            plan = plan_sweep(from_path(arguments.path, told), {}, wired.instance, wired.wording, identity, at=at)
            outcome = None
        else:
            with server_at(arguments.fhir) as server:
                plan = read_and_plan(server, wired, identity, at=at, told=told)
                outcome = apply_plan(plan, server, identity) if arguments.apply else None
    if arguments.format == "json":
        print_json(console, _as_json(plan, outcome, wired))
    else:
        _print(plan, outcome, wired, console)
    return int(bool(outcome.refused if outcome is not None else any(each.problems for each in plan.writes)))


def identity_of(settings: Settings) -> Identity:
    """Return the names under which this instance writes."""
    return Identity(system=settings.own_system, codes=settings.code_base)


def _rows(plan: SweepPlan) -> list[tuple[str, str, str, str]]:
    rows = []
    for each in plan.writes:
        resource = each.resource
        says = resource.get("description") or resource.get("code", {}).get("text", "")
        what = f"{resource['resourceType']} {type(each.change).__name__.lower()}"
        rows.append((what, resource.get("priority", ""), says, "; ".join(each.problems)))
    return sorted(rows)


def _print(plan: SweepPlan, outcome: SweepOutcome | None, wired: Wired, console: Console) -> None:
    derivation = plan.derivation
    head = "Would be written (dry run: nothing was; --apply writes)" if outcome is None else "Written"
    title = f"{head} · {iso(derivation.at, wired.instance.zone)} · policy {wired.instance.policy.content_hash}"
    console.print(table(title, ("what", "priority", "says", "not sent because"), _rows(plan)))
    console.print(f"{len(plan.writes)} writes, {len(plan.held)} held back, {len(plan.left)} left as they are")
    for words in _waiting(plan, wired):
        console.print(words, soft_wrap=True)
    if outcome is not None:
        console.print(table("Outcomes", ("write", "count"), sorted(outcome.counts.items())))
        for what, why in outcome.refused:
            console.print(f"{what}: {why}", soft_wrap=True)
    found = listing(derivation, wired.instance, wired.wording)
    print_tally(console, found["read"])
    print_issues(console, found["issues"], MOST_ISSUES)
    print_cautions(console, wired.wording.cautions)


def _waiting(plan: SweepPlan, wired: Wired) -> list[str]:
    zone = wired.instance.zone
    held = Counter(
        f"held back until {iso(change.until, zone)} (quiet hours, shift change or deferral)" for change in plan.held
    )
    left = Counter(f"left: {change.reason}" for change in plan.left)
    return [f"{count} {words}" for words, count in sorted({**held, **left}.items())]


def _as_json(plan: SweepPlan, outcome: SweepOutcome | None, wired: Wired) -> dict[str, object]:
    zone = wired.instance.zone
    return {
        "at": iso(plan.derivation.at, zone),
        "policy": wired.instance.policy.content_hash,
        "applied": outcome is not None,
        "writes": [
            {"change": type(each.change).__name__.lower(), "resource": each.resource, "problems": list(each.problems)}
            for each in plan.writes
        ],
        "held": [_held(change, zone) for change in plan.held],
        "left": [{"ref": change.existing.ref, "reason": str(change.reason)} for change in plan.left],
        "outcomes": dict(outcome.counts) if outcome is not None else None,
        "refused": [list(pair) for pair in outcome.refused] if outcome is not None else None,
        "cautions": list(wired.wording.cautions),
    }


def _held(change: Held, zone: tzinfo) -> dict[str, str]:
    return {"until": iso(change.until, zone), "state": str(change.wanted.state)}


def demo(arguments: Namespace, console: Console) -> int:
    """Sweep the made-up hospital three times and show what a nurse would see."""
    hospital = demo_hospital()
    wired = with_demo_units(wire(read_settings(hospital.story.zone, None, None)), hospital.story)
    at, _ = times(arguments, wired) if arguments.at else (told_at(hospital.story), None)
    identity = identity_of(wired.settings)
    beds = bed_names(hospital_resources(hospital.document, at))
    show = _Shown(console, wired, beds)
    with demo_server(arguments.fhir) as server:
        console.print(
            f"{hospital.story.name}, a made-up hospital: {len(beds)} places on a FHIR R4 server on this machine"
        )
        calm = run_demo(server, hospital, wired, identity, at, show)
        print_cautions(console, wired.wording.cautions)
        if arguments.keep:
            console.print(f"The server stays up at {server.base_url} until Ctrl-C", soft_wrap=True)
            wait_until_interrupted()
    return 0 if calm else 1


class _Shown:
    """Prints each step of the demo."""

    def __init__(self, console: Console, wired: Wired, beds: dict[str, str]) -> None:
        self._console, self._wired, self._beds = console, wired, beds
        self._before: dict[str, dict[str, Any]] = {}

    def __call__(self, step: Step) -> None:
        """Print one sweep."""
        zone = self._wired.settings.zone
        writes = ", ".join(f"{count} {what}" for what, count in sorted(step.outcome.counts.items())) or "nothing"
        self._console.rule(f"Sweep {step.number} · {moment_words(step.at, zone)}")
        self._console.print(f"written: {writes}", soft_wrap=True)
        for what, why in step.outcome.refused:
            self._console.print(f"{what}: {why}", soft_wrap=True)
        if step.number == 1:
            self._first(step)
        elif step.number == 3:
            self._third(step)
        self._before = dict(step.ours)

    def _first(self, step: Step) -> None:
        columns = ("priority", "bed", "what and why", "due")
        self._console.print(table("What a nurse would see: open Tasks", columns, task_rows(step.ours, self._beds)))
        self._console.print(table("Flags on the chart", ("flag", "since"), flag_rows(step.ours, "active")))
        self._not_asked(step)
        figures = month_figures(step.plan.collected, step.plan.derivation, self._wired.instance)
        rows = figure_rows(figures, step.plan.derivation)
        cells = ([row[name] for name in FIGURES] for row in rows)
        self._console.print(table("Line days of the month so far", FIGURES.values(), cells))
        for rule in sorted({row["rule"] for row in rows}):
            self._console.print(f"Counted by {rule}\n", soft_wrap=True)
        found = listing(step.plan.derivation, self._wired.instance, self._wired.wording)
        print_tally(self._console, found["read"])
        print_issues(self._console, found["issues"], MOST_ISSUES)

    def _not_asked(self, step: Step) -> None:
        """Print what no Task asks for, and why: each reason other than a clock that has not run down, once."""
        wired = self._wired
        rows = worklist(step.plan.derivation, wired.instance.policy, wired.wording, wired.settings.zone)
        quiet, plain = quiet_rows(rows)
        shown = ((row.state, row.unit, row.line, row.why) for row in quiet)
        self._console.print(table("Not asked now, and why", ("state", "unit", "line", "why"), shown))
        self._console.print(f"{plain} more are not due yet (`linedays lines --all` lists every one)")

    def _third(self, step: Step) -> None:
        rows = ended_rows(self._before, step.ours)
        self._console.print(table("Tasks that ended", ("status", "what", "why", "by entry"), rows))
        self._console.print(table("Flags that ended", ("flag", "from, to"), flag_rows(step.ours, "inactive")))
