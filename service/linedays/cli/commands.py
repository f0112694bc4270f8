"""The commands that only read: lines, explain, policy. I/O through run and the console only."""

from argparse import Namespace
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from typing import TypeAlias

from rich.console import Console
from rich.progress import Progress, SpinnerColumn, TextColumn

from linedays.cli.arguments import CAUTION
from linedays.cli.tables import (
    print_cautions,
    print_dwell,
    print_explanation,
    print_issues,
    print_json,
    print_tally,
    print_worklist,
    table,
)
from linedays.core.moment import Instant, TimeProblem, moment_from_text
from linedays.core.states import State
from linedays.run.check_policy import checked_policy, shown_policy
from linedays.run.derive import Derivation, derive_all
from linedays.run.errors import NotAsWritten
from linedays.run.explain_line import explanation
from linedays.run.input import from_path, from_server
from linedays.run.listing import listing
from linedays.run.settings import read_settings
from linedays.run.wiring import Wired, machine_clock, server_at, wire
from linedays.run.worklist import worklist

Answer: TypeAlias = int
MOST_ISSUES = 20


def lines(arguments: Namespace, console: Console) -> Answer:
    """Print every line and dressing site."""
    wired = wire(read_settings(arguments.zone, arguments.source, arguments.mappings))
    derivation = derived(arguments, wired)
    if arguments.format == "json":
        print_json(console, listing(derivation, wired.instance, wired.wording))
        return 0
    rows = worklist(derivation, wired.instance.policy, wired.wording, wired.settings.zone)
    quiet = (str(State.NOT_DUE), str(State.NOT_REQUIRED))
    shown = rows if arguments.all else [row for row in rows if row.state not in quiet]
    found = listing(derivation, wired.instance, wired.wording)
    title = (
        f"{found['at']}, as known by {found['known_by']} · policy {found['policy']} · source map {found['source_map']}"
    )
    print_worklist(console, shown, title)
    ended = [line for line in found["lines"] if line["whereabouts"] != "in place"]
    if not arguments.all:
        console.print(f"{len(rows) - len(shown)} more items not due or not required (--all lists them)")
    print_dwell(console, found["lines"], arguments.all)
    console.print(f"{len(ended)} lines are not in place: {_counted(line['whereabouts'] for line in ended)}")
    print_tally(console, found["read"])
    print_issues(console, found["issues"], MOST_ISSUES)
    print_cautions(console, found["cautions"])
    return 0


def _counted(words: Iterable[str]) -> str:
    counts = Counter(words)
    return ", ".join(f"{word} {count}" for word, count in sorted(counts.items())) or "none"


def explain(arguments: Namespace, console: Console) -> Answer:
    """Print one line's timeline and how its items came to their states."""
    wired = wire(read_settings(arguments.zone, arguments.source, arguments.mappings))
    found = explanation(derived(arguments, wired), arguments.line, wired.instance, wired.wording)
    if arguments.format == "json":
        print_json(console, found)
    else:
        print_explanation(console, found)
    return 0


def policy(arguments: Namespace, console: Console) -> Answer:
    """Check the policy, or show it."""
    return _check(arguments, console) if arguments.action == "check" else _show(arguments, console)


def _check(arguments: Namespace, console: Console) -> Answer:
    checked = checked_policy(arguments.mappings)
    if arguments.format == "json":
        data = {
            "folder": str(checked.folder),
            "policy": checked.policy_hash,
            "problems": [str(problem) for problem in checked.problems],
            "examples": len(checked.results),
            "examples_failed": [str(problem) for problem in checked.failed],
        }
        print_json(console, data)
    else:
        for problem in (*checked.problems, *checked.failed):
            console.print(str(problem), soft_wrap=True)
        held = len(checked.results) - len(checked.failed)
        console.print(
            f"{checked.folder}: policy {checked.policy_hash or 'not valid'}, {len(checked.problems)} problems, "
            f"{held} of {len(checked.results)} worked examples came out as written",
            soft_wrap=True,
        )
    return 3 if checked.problems else int(bool(checked.failed))


def _show(arguments: Namespace, console: Console) -> Answer:
    policy_hash, rules = shown_policy(arguments.mappings)
    if arguments.format == "json":
        print_json(console, {"policy": policy_hash, "rules": [asdict(rule) for rule in rules]})
        return 0
    for group in dict.fromkeys(rule.group for rule in rules):
        rows = ((r.name, r.applies_to, r.says, r.who, r.since, r.source) for r in rules if r.group == group)
        console.print(table(group, ("name", "for", "rule", "who", "since", "source"), rows))
    console.print(f"policy {policy_hash}")
    console.print(CAUTION)
    return 0


def derived(arguments: Namespace, wired: Wired) -> Derivation:
    """Read the input of a command and derive it, with progress on the error stream."""
    at, known_by = times(arguments, wired)
    with progress("read") as told, _resources(arguments, told) as resources:
        return derive_all(resources, wired.instance, at=at, known_by=known_by)


@contextmanager
def _resources(arguments: Namespace, told: Callable[[int], None]) -> Iterator[Iterator[tuple[str, bytes]]]:
    if (arguments.path is None) == (arguments.fhir is None):
        raise NotAsWritten("say where to read from: either a file or folder, or --fhir URL")
    if arguments.path is not None:
        yield from_path(arguments.path, told)
        return
    with server_at(arguments.fhir) as server:
        yield from_server(server, told)


def times(arguments: Namespace, wired: Wired) -> tuple[Instant, Instant]:
    """Return the two instants of an evaluation; what is not said is this moment.

    Raises: NotAsWritten where a time cannot be read.
    """
    at = _time(arguments.at, "--at", wired) if arguments.at else machine_clock().now()
    known_by = getattr(arguments, "known_by", None)
    return at, _time(known_by, "--known-by", wired) if known_by else at


def _time(text: str, name: str, wired: Wired) -> Instant:
    told = moment_from_text(text, wired.settings.zone, local_if_no_offset=True)
    if isinstance(told, TimeProblem):
        raise NotAsWritten(f"{name} {text!r} is {told}: write it as 2031-03-12T21:50 or 2031-03-12T21:50:00-02:30")
    return told.earliest


@contextmanager
def progress(verb: str) -> Iterator[Callable[[int], None]]:
    """Show on the error stream how many resources were read, while it is a terminal."""
    console = Console(stderr=True)
    with Progress(SpinnerColumn(), TextColumn("{task.description}"), console=console, transient=True) as bar:
        task = bar.add_task(f"{verb} 0 resources", total=None)

        def told(count: int) -> None:
            bar.update(task, description=f"{verb} {count:,} resources")

        yield told
