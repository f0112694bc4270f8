"""The demo command: three sweeps over the made-up hospital, printed. I/O through run and the console only."""

from argparse import Namespace
from typing import Any

from rich.console import Console

from linedays.cli.commands import times
from linedays.cli.sweep_command import MOST_ISSUES
from linedays.cli.tables import print_cautions, print_issues, print_tally, table
from linedays.run.demo import (
    Step,
    bed_names,
    demo_hospital,
    ended_rows,
    flag_rows,
    moment_words,
    run_demo,
    with_demo_units,
)
from linedays.run.demo_hospital import hospital_resources
from linedays.run.demo_questions import Question, row_cells
from linedays.run.demo_story import HospitalStory, told_at
from linedays.run.figures import figure_rows, month_figures
from linedays.run.listing import listing
from linedays.run.settings import read_settings
from linedays.run.wiring import Wired, demo_server, identity_of, wait_until_interrupted, wire
from linedays.run.worklist import quiet_rows, worklist

MOST_ROWS = 4
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


def demo(arguments: Namespace, console: Console) -> int:
    """Sweep the made-up hospital three times and show what a nurse would see."""
    hospital = demo_hospital()
    wired = with_demo_units(wire(read_settings(hospital.story.zone, None, None)), hospital.story)
    at, _ = times(arguments, wired) if arguments.at else (told_at(hospital.story), None)
    identity = identity_of(wired.settings)
    beds = bed_names(hospital_resources(hospital.document, at))
    show = _Shown(console, wired, hospital.story)
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

    def __init__(self, console: Console, wired: Wired, story: HospitalStory) -> None:
        self._console, self._wired, self._story = console, wired, story
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
        self._questions(step.questions)
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

    def _questions(self, questions: tuple[Question, ...]) -> None:
        """Print what a nurse's system asks, as it is sent, and the first rows that come back."""
        for question in questions:
            count, shown = len(question.rows), question.rows[:MOST_ROWS]
            head = f"{question.asks} {count} open Task{'' if count == 1 else 's'}" if count else question.asks
            more = f", the first {len(shown)}" if count > len(shown) else ""
            self._console.print(f"{head}{more}", style="bold", soft_wrap=True)
            for sent in question.sent:
                self._console.print(f"  GET {sent}", style="dim", soft_wrap=True)
            if shown:
                cells = [row_cells(row, self._story) for row in shown]
                self._console.print(table("", ("urgency", "bed", "due at", "what, on which line, as charted"), cells))
            else:
                self._console.print(f"  {question.none}\n", soft_wrap=True)

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
        self._questions(step.questions)
