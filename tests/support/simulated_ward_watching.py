"""Steps of a simulated week → what was written against the hand-written rules, and the figures of the week.

One step: the ward lives on, one sweep reads and writes, what came of it is checked, the nurses see it. `wrong` holds
every breach, by rule; `Figures` what is counted. A sweep is made every half hour, and at the quarter hour between where
anything but an "intact" was charted meanwhile.
"""

from collections import Counter, defaultdict
from datetime import date, datetime
from enum import StrEnum
from typing import Any

from linedays.run.input import from_server
from linedays.run.plan import SweepPlan, plan_sweep
from linedays.run.rereading import read_ours
from linedays.run.writing import apply_plan
from support.memory_fhir_server import MemoryFhirServer
from support.simulated_ward import Ward
from support.simulated_ward_charting import HOUR, MINUTE, StayChart, local, start_of_day
from support.simulated_ward_figures import Figures
from support.simulated_ward_nurses import OPEN, Nurses, line_id, severity
from support.simulated_ward_people import TrueLine
from support.simulated_ward_rules import (
    INTERVAL,
    PLACED,
    Asked,
    anchor_of,
    asked_of,
    is_quiet,
    is_silent,
    put_off_until,
    quieted_until,
    window_of,
)
from support.small_ward import IDENTITY, wired

Resource = dict[str, Any]
STEP = 15 * MINUTE
SWEEPS_TO_A_SECOND_RUN = 40
AT_ANY_HOUR = ("asap", "stat")
PRIORITIES = {"routine": 0, "urgent": 1, "asap": 2, "stat": 3}

_CHARTED = {
    "as it was": "charted later",
    "other time": "charted for another time",
    "wrong": "charted for an impossible time",
    "never": "never charted",
}


def instant(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp())


def code_of(resource: Resource) -> str:
    return resource["code"]["coding"][0]["code"]


def of_dressing(task: Resource) -> bool:
    """Tell whether a Task is that of the dressing: to change it, to look at it, or to chart that it was changed."""
    codes = {one["code"] for one in task["code"]["coding"]}
    return not codes & {"port-needle-change", "chart-the-removal"}


def begins(task: Resource) -> int:
    """Return when the time begins that a Task asks for; 0 where it does not say."""
    start = task.get("restriction", {}).get("period", {}).get("start")
    return instant(start) if start else 0


def flagged(flag: Resource) -> str:
    """Return the line that a Flag of ours is about."""
    return flag["identifier"][-1]["value"].removeprefix("Device/")


class Rule(StrEnum):
    """What is held at every step; the value says it and names the section of the design."""

    TAKEN = "every write is accepted"
    A_PLAN = "a Task is a plan, authored at the sweep (2.6)"
    QUIET_HOURS = "nothing but asap and stat from 22:00 to 06:00 (2.5, 2.7.1)"
    SHIFT_CHANGE = "nothing but asap and stat within 30 min of a shift change (2.5, 2.7.1)"
    WINDOW = "a Task only within its window (2.5)"
    SAYS_THE_STATE = "a Task says what the chart says (2.5)"
    ASAP = "asap where a finding stands and nobody saw it intact since, else not (2.5)"
    NO_RAISE = "no priority but asap and stat is raised in silent hours (2.5)"
    LOWERED = "only asap is lowered, and to routine (2.7.14)"
    A_NO = "what a person declined is not offered again before its time (2.6)"
    PUT_OFF = "charted as not done holds back offers (2.7.3)"
    ONE_OPEN = "at most one open Task per line, one active Flag per line and condition (2.6)"
    FLAG_OF_OVERDUE = "every overdue line has its Flag (2.6, 2.7.1)"
    ASKED = "what the chart asks for has an open Task, or a person's no holds (2.5, 2.6)"
    AT_ONCE = "compromised is raised at once, at any hour (2.5)"
    SECOND_RUN = "a second run over the same chart writes nothing (2.6, 6)"


class Week:
    """A week of sweeps over a ward, watched."""

    def __init__(self, seed: int, first_day: date) -> None:
        self.server = MemoryFhirServer(now=0)
        self.ward = Ward(seed, first_day, self.server)
        self.nurses = Nurses(self.ward, seed)
        self.wired = wired("Europe/Berlin")
        self.figures = Figures()
        self.wrong: dict[Rule, list[str]] = defaultdict(list)
        self.declined: dict[str, tuple[int, str, str]] = {}
        self.seen: set[str] = set()
        self.at = self.ward.first_sweep

    def live(self) -> "Week":
        """Live through the whole week."""
        while self.at < self.ward.end:
            self.ward.live_until(self.at)
            if self.ward.is_news or self.at % (2 * STEP) == 0:
                self.sweep()
            self.at += STEP
        self.at -= STEP
        self._count_ends()
        return self

    def sweep(self) -> None:
        """Make one sweep, check what it wrote, and show it to the nurses."""
        self.ward.is_news = False
        before = read_ours(self.server, IDENTITY)
        self._people_ended(before)
        plan = self._planned(before)
        for what, why in apply_plan(plan, self.server, IDENTITY).refused:
            self._break(Rule.TAKEN, f"{what}: {why}")
        self.figures.sweeps += 1
        self.figures.writes += len(plan.writes)
        after = read_ours(self.server, IDENTITY)
        tasks = {ref: one for ref, one in after.items() if ref.startswith("Task/")}
        opened = {ref: one for ref, one in tasks.items() if one["status"] in OPEN}
        made = {ref: one for ref, one in tasks.items() if ref not in before}
        raised = self._raised(before, tasks)
        for ref, task in sorted(made.items()):
            self._check_created(ref, task)
            self._count_created(task)
        self._check_duplicates(after)
        self._check_asked(opened, after)
        last = self.at + 2 * STEP >= self.ward.end
        if last or self.figures.sweeps % SWEEPS_TO_A_SECOND_RUN == 0:
            self._second_run(after)
        self._census()
        ripe = {ref: one for ref, one in opened.items() if begins(one) <= self.at}
        self.nurses.respond(self.at, ripe, set(made) | raised)

    def _planned(self, ours: dict[str, Resource]) -> SweepPlan:
        wired = self.wired
        return plan_sweep(from_server(self.server), ours, wired.instance, wired.wording, IDENTITY, at=self.at)

    def _break(self, rule: Rule, what: str) -> None:
        self.wrong[rule].append(f"{local(self.at):%a %d %H:%M} {what}")

    # --- what people did to Tasks

    def _people_ended(self, ours: dict[str, Resource]) -> None:
        for ref, task in ours.items():
            if not ref.startswith("Task/") or task["status"] in OPEN or ref in self.seen:
                continue
            self.seen.add(ref)
            by_us = task.get("statusReason", {}).get("coding")
            if not by_us and task["status"] != "entered-in-error" and of_dressing(task):
                self.declined[line_id(task)] = (instant(task["lastModified"]), severity(task), task["status"])

    def _no_until(self, line: str, asked: Asked) -> int:
        if line not in self.declined:
            return 0
        when, bad, _ = self.declined[line]
        return quieted_until(asked, bad, when)

    # --- rules

    def _raised(self, before: dict[str, Resource], tasks: dict[str, Resource]) -> set[str]:
        found = set()
        for ref, task in tasks.items():
            if ref not in before:
                continue
            now, then = task["priority"], before[ref]["priority"]
            if PRIORITIES[now] > PRIORITIES[then]:
                found.add(ref)
                if is_silent(self.at) and now not in AT_ANY_HOUR:
                    self._break(Rule.NO_RAISE, f"{ref} from {then} to {now}")
            if PRIORITIES[now] < PRIORITIES[then] and (then, now) != ("asap", "routine"):
                self._break(Rule.LOWERED, f"{ref} from {then} to {now}")
        return found

    def _check_created(self, ref: str, task: Resource) -> None:
        line = self.ward.lines[line_id(task)]
        said, priority = severity(task), task["priority"]
        what = f"{ref} {line.id} {said} {priority}"
        if task["intent"] != "plan" or instant(task["authoredOn"]) != self.at:
            self._break(Rule.A_PLAN, what)
        if priority not in AT_ANY_HOUR and is_silent(self.at):
            self._break(Rule.QUIET_HOURS if is_quiet(self.at) else Rule.SHIFT_CHANGE, what)
        if not of_dressing(task):
            return
        asked = asked_of(line.chart, self._stay_as_asked(line), self.at)
        if asked is None:
            self._break(Rule.WINDOW, what)
            return
        if said != asked.severity:
            self._break(Rule.SAYS_THE_STATE, f"{what}: {asked}")
        if (priority == "asap") != asked.at_any_hour:
            self._break(Rule.ASAP, f"{what}: {asked}")
        if self._no_until(line.id, asked) > self.at:
            self._break(Rule.A_NO, f"{what}: {self.declined[line.id]}")
        if priority not in AT_ANY_HOUR and put_off_until(line.chart, self.at) > self.at:
            self._break(Rule.PUT_OFF, what)

    def _stay_as_asked(self, line: TrueLine) -> StayChart:
        """Return the stay; within 4 h after its end as if it went on: it may be a conversion (2.3.9). These are counted."""
        stay = line.patient.stay
        if stay.ended is None or stay.dead or self.at >= stay.ended + 4 * HOUR:
            return stay
        self.figures.after_discharge += 1
        return StayChart()

    def _check_duplicates(self, ours: dict[str, Resource]) -> None:
        opened = [one for one in _of(ours, "Task") if one["status"] in OPEN]
        tasks = Counter((line_id(one), "dressing" if of_dressing(one) else code_of(one)) for one in opened)
        flags = Counter((flagged(one), code_of(one)) for one in _of(ours, "Flag") if one["status"] == "active")
        for key, number in [*tasks.items(), *flags.items()]:
            if number > 1:
                self._break(Rule.ONE_OPEN, f"{key}: {number}")

    def _check_asked(self, opened: dict[str, Resource], ours: dict[str, Resource]) -> None:
        tasks = {line_id(one): one for one in opened.values() if of_dressing(one)}
        self.figures.open_early |= {ref for ref, one in opened.items() if begins(one) > self.at}
        overdue = {
            flagged(one)
            for one in _of(ours, "Flag")
            if one["status"] == "active" and code_of(one) == "dressing-overdue"
        }
        for line in self.ward.lines.values():
            asked = asked_of(line.chart, line.patient.stay, self.at)
            if asked is None:
                continue
            self.figures.asked_checked += 1
            if asked.due is not None and self.at > asked.due:
                self.figures.overdue_checked += 1
                if line.id not in overdue:
                    self._break(Rule.FLAG_OF_OVERDUE, f"{line.id} {asked}")
            task = tasks.get(line.id)
            if task is None and not self._may_wait(line, asked):
                self._break(Rule.ASKED, f"{line.id} {asked}")
            if task is not None and asked.at_any_hour and task["priority"] not in AT_ANY_HOUR:
                self._break(Rule.AT_ONCE, f"{line.id} {asked}")

    def _may_wait(self, line: TrueLine, asked: Asked) -> bool:
        if self._no_until(line.id, asked) > self.at:
            self.figures.quieted += 1
            return True
        return not asked.at_any_hour and (is_silent(self.at) or put_off_until(line.chart, self.at) > self.at)

    def _second_run(self, ours: dict[str, Resource]) -> None:
        self.figures.second_runs += 1
        for one in self._planned(ours).writes:
            self._break(Rule.SECOND_RUN, f"{type(one.change).__name__} {one.resource['resourceType']}")

    # --- figures

    def _census(self) -> None:
        here = [one for one in self.ward.beds.values() if one is not None]
        lines = [[line for line in one.lines if line.out is None] for one in here]
        self.figures.beds_taken.append(len(here))
        self.figures.beds_with_line.append(sum(map(bool, lines)))
        self.figures.lines.append(sum(map(len, lines)))

    def _count_created(self, task: Resource) -> None:
        line = self.ward.lines[line_id(task)]
        figures = self.figures
        figures.per_nurse[self.ward.nurse_of(line, self.at)] += 1
        figures.first_sweep += self.at == self.ward.first_sweep
        figures.priorities[task["priority"]] += 1
        figures.reasons[severity(task)] += 1
        if kind := self._avoidable(line, severity(task)):
            figures.avoidable[kind] += 1

    def _avoidable(self, line: TrueLine, said: str) -> str | None:
        """Return why a Task asks for what is not needed in truth; None where it is needed (H30)."""
        if line.patient.gone:
            return "the patient had left"
        if line.out is not None:
            return "the line was out, removal not charted yet"
        put_on, kind = line.changed
        needed = self.at >= window_of(put_on + INTERVAL[kind], INTERVAL[kind])
        if line.loose is not None or said in ("site-concern", "stat") or needed:
            return None
        anchor = anchor_of(line.chart, self.at)
        if anchor is None:
            return "date not charted, label dated: only to look" if line.label_dated else None
        if start_of_day(put_on) > anchor.happened or said == "compromised":
            return f"changed in truth, {_CHARTED[line.charted_how]}"
        if anchor.kind is None and anchor.what in PLACED:
            return "kind of the first dressing not charted: asked at 48 h"
        if anchor.kind is None:
            return "kind of dressing not charted at a change: only to look"
        return "a shift early: charted for an earlier hour, or a label without an hour"

    def _count_ends(self) -> None:
        for task in _of(read_ours(self.server, IDENTITY), "Task"):
            by_us = task.get("statusReason", {}).get("coding")
            if task["status"] in OPEN:
                self.figures.ended["still open"] += 1
            elif by_us:
                self.figures.ended[f"{task['status']} by the service: {by_us[0]['code']}"] += 1
            else:
                self.figures.ended[f"{task['status']} by a person"] += 1


def _of(ours: dict[str, Resource], kind: str) -> list[Resource]:
    return [one for ref, one in ours.items() if ref.startswith(f"{kind}/")]


