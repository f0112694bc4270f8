"""The command that may write: sweep. I/O through run and the console only."""

from argparse import Namespace
from collections import Counter
from datetime import tzinfo

from rich.console import Console

from linedays.cli.commands import progress, times
from linedays.cli.tables import print_cautions, print_issues, print_json, print_tally, table
from linedays.core.changes import Held
from linedays.fhir.identity import Identity
from linedays.run.errors import NotAsWritten
from linedays.run.input import from_path
from linedays.run.listing import iso, listing
from linedays.run.plan import SweepPlan, plan_sweep
from linedays.run.settings import Settings, read_settings
from linedays.run.sweep import read_and_plan
from linedays.run.wiring import Wired, server_at, wire
from linedays.run.writing import SweepOutcome, apply_plan

MOST_ISSUES = 10


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
