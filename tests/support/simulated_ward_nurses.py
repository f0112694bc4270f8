"""Open Tasks → what made-up nurses do with them, and when: changes, looks at labels, noes, Tasks accepted and left.

How often is common practice, no source. Acts through the ward (what is true, what is charted) and, as any person's
program would, by updates of Tasks on the server.
"""

from collections import Counter
from dataclasses import dataclass
from random import Random
from typing import Any

import orjson

from support.simulated_ward import Ward
from support.simulated_ward_charting import HOUR, MINUTE, local, start_of_day, text
from support.simulated_ward_people import TrueLine
from support.simulated_ward_rules import INTERVAL, PLACED, anchor_of, next_shift, shift_of, window_of

Resource = dict[str, Any]
OPEN = frozenset({"draft", "requested", "received", "accepted", "ready", "in-progress", "on-hold"})


@dataclass(frozen=True, slots=True)
class Ways:
    """How nurses answer Tasks. Source of every figure: common practice, no source."""

    rejected: float = 0.05
    accepted_and_left: float = 0.08
    refused_by_patient: float = 0.04
    accepted_first: float = 0.25
    left_by_night: float = 0.60
    at_the_end_of_the_shift: float = 0.25
    waits_for_dialysis: float = 0.50
    kind_added: float = 0.60
    first_kind_added: float = 0.40
    goes_by_a_fresh_label: float = 0.70
    completed_by_hand: float = 0.60


WAYS = Ways()


def severity(task: Resource) -> str:
    """Return how bad the state was that a Task of ours was written for, as its reason code says."""
    return task["reasonCode"]["coding"][0]["code"]


def line_id(task: Resource) -> str:
    return task["groupIdentifier"]["value"].removeprefix("Device/")


class Nurses:
    """The nurses of a ward; `did` counts what they did."""

    def __init__(self, ward: Ward, seed: int) -> None:
        self.ward = ward
        self.random = Random(f"nurses/{seed}")
        self.did: Counter[str] = Counter()
        self._busy: dict[str, int] = {}

    def respond(self, at: int, opened: dict[str, Resource], fresh: set[str]) -> None:
        """Plan an answer to what is fresh (created or raised), and an hour into a shift to everything still open."""
        again = at == shift_of(at) + HOUR
        for ref, task in sorted(opened.items()):
            if (ref in fresh or again) and self._busy.get(ref, 0) <= at:
                when = self._when(at, task)
                if when is not None:
                    self._busy[ref] = when
                    self.ward.at(when, lambda now, ref=ref: self._act(now, ref))

    def _chance(self, share: float) -> bool:
        return self.random.random() < share

    def _when(self, at: int, task: Resource) -> int | None:
        if task["priority"] in ("asap", "stat"):
            return at + self.random.randint(5, 90) * MINUTE
        end = next_shift(at)
        if local(shift_of(at)).hour == 19 and self._chance(WAYS.left_by_night):
            return None
        if "dialysis" in self.ward.lines[line_id(task)].kind and self._chance(WAYS.waits_for_dialysis):
            return None
        if self._chance(WAYS.at_the_end_of_the_shift):
            return max(at + 5 * MINUTE, end - self.random.randint(0, 60) * MINUTE)
        return at + self.random.randint(10, max(11, (end - HOUR - at) // MINUTE)) * MINUTE

    def _act(self, at: int, ref: str) -> None:
        task = self._open_task(ref)
        line = self.ward.lines[line_id(task)] if task else None
        if task is None or line is None or line.patient.gone or line.patient.on_leave:
            return
        waiting = task["status"] in ("requested", "received")
        draw = self.random.random()
        if draw < WAYS.rejected:
            self.did["rejected"] += 1
            self._update(ref, at, status="rejected", statusReason={"text": "not this shift"})
        elif waiting and draw < WAYS.rejected + WAYS.accepted_and_left:
            self.did["accepted and left"] += 1
            self._update(ref, at, status="accepted", owner={"display": "made-up nurse"})
        elif line.out is None and draw > 1 - WAYS.refused_by_patient:
            self.did["refused by the patient, charted"] += 1
            self.ward.chart_procedure("dressing-change", line, happened=at, why="refused")
        elif waiting and self._chance(WAYS.accepted_first):
            self._update(ref, at, status="accepted", owner={"display": "made-up nurse"})
            self._busy[ref] = at + 20 * MINUTE
            self.ward.at(at + 20 * MINUTE, lambda now: self._answer(now, ref, line))
        else:
            self._answer(at, ref, line)

    def _answer(self, at: int, ref: str, line: TrueLine) -> None:
        task = self._open_task(ref)
        if task is None or line.patient.gone or line.patient.on_leave:
            return
        if line.out is not None:
            self.did["found the line out"] += 1
            self.ward.find_out(at, line)
            return
        asked = severity(task)
        if asked == "site-concern":
            self.did["told the provider"] += 1
            return
        anchor = anchor_of(line.chart, at)
        if anchor is None:
            if line.loose is None and line.label_dated:
                self._read_the_label(line)
            else:
                self._change(at, ref, line)
        elif anchor.kind is None and line.loose is None and asked in ("unknown", "due", "overdue"):
            # The kind was left out; whoever looks can see it.
            if self._chance(WAYS.first_kind_added if anchor.what in PLACED else WAYS.kind_added):
                self.did["added the kind"] += 1
                self.ward.chart_kind(line, next(key for key, one in line.chart.told.items() if _is(one, anchor)))
            else:
                self._change(at, ref, line)
        elif self._has_a_fresh_label(line, anchor.happened) and self._chance(WAYS.goes_by_a_fresh_label):
            self._read_the_label(line)
        else:
            self._change(at, ref, line)

    def _has_a_fresh_label(self, line: TrueLine, charted: int) -> bool:
        return line.loose is None and line.label_dated and start_of_day(line.changed[0]) > charted

    def _read_the_label(self, line: TrueLine) -> None:
        self.did["charted the label's date"] += 1
        self.ward.chart_date("dressing-label-date", line)

    def _change(self, at: int, ref: str, line: TrueLine) -> None:
        put_on, kind = line.changed
        if line.loose is None and at < window_of(put_on + INTERVAL[kind], INTERVAL[kind]):
            self.did["(of these) an intact dressing changed before its window"] += 1
        how = self.ward.change(at, line)
        self.did[f"changed, charted: {how}"] += 1
        if how == "never" and self._chance(WAYS.completed_by_hand):
            self.did["completed by hand"] += 1
            self._update(ref, at, status="completed")

    def _open_task(self, ref: str) -> Resource | None:
        raw = self.ward.server.read("Task", ref.removeprefix("Task/"))
        task = orjson.loads(raw) if raw is not None else None
        return task if task is not None and task["status"] in OPEN else None

    def _update(self, ref: str, at: int, **elements: Any) -> None:
        raw = self.ward.server.read("Task", ref.removeprefix("Task/"))
        assert raw is not None
        task = orjson.loads(raw)
        self.ward.server.update({**task, **elements, "lastModified": text(at)}, task["meta"]["versionId"])


def _is(one: Any, anchor: Any) -> bool:
    return one.what == anchor.what and one.entered == anchor.entered
