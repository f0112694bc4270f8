"""The four questions of a nurse's system, asked of the demo's server → what is printed of them. I/O through its port.

A ward asks for what is on it now, a team for what is put to it, a profession for its own, and somebody at a bed for
that patient. After two patients changed beds, both wards ask again.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from linedays.core.moment import Instant
from linedays.core.policy import Policy, unit_settings
from linedays.core.windows import latest_shift_start
from linedays.fhir.identity import Identity
from linedays.run.demo_hospital import beds_of
from linedays.run.demo_story import HospitalStory, UnitStory
from linedays.run.ports import FhirServer
from linedays.run.task_rows import TaskRow, task_rows
from linedays.run.worklist_queries import OPEN, Answer, as_sent, by_owner, by_patient, by_performer, by_place

NURSING = "nursing"
_CLAUSE = re.compile(r" · |\. ")


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One question as it was sent, and the rows that answer it; `none` says why there may be no row."""

    asks: str
    sent: tuple[str, ...]
    rows: tuple[TaskRow, ...]
    none: str = "no open Task"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asker:
    """Asks a server at a moment, in the hospital's time."""

    server: FhirServer
    story: HospitalStory
    policy: Policy
    identity: Identity
    at: Instant

    def first(self, ours: Iterable[Mapping[str, Any]]) -> tuple[Question, ...]:
        """Return the four questions; the patient is that of the most urgent Task of those given.

        Raises: FhirUnavailable, FhirRejected.
        """
        busiest, team = self.story.units[0], next(unit for unit in self.story.units[1:] if unit.team is not None)
        tasks = [one for one in ours if one["resourceType"] == "Task" and one["status"] in OPEN]
        first = self._rows(tasks, busiest)[:1]
        return (
            self.on_unit(busiest, f"What is open on {busiest.name}?"),
            self._answered(
                f"What is put to the nurses of {team.name}?",
                by_owner(self.server, f"CareTeam/{team.team}", self.identity),
                team,
                "no open Task names this team as its owner (units.yaml, owner)",
            ),
            self._answered(
                "What is for nursing, in the whole hospital?",
                by_performer(self.server, NURSING, self.identity),
                busiest,
                "no open Task names this type of performer by a code",
            ),
            *(
                self._answered(
                    f"What is open for the patient in {short_bed(row.place, self.story)}?",
                    by_patient(self.server, row.patient, self.identity),
                    busiest,
                )
                for row in first
            ),
        )

    def after_moves(self) -> tuple[Question, ...]:
        """Return, for the first one who changed beds, what both units' lists say of that patient.

        Raises: FhirUnavailable, FhirRejected.
        """
        move = self.story.moves[0]
        stay = next(patient.stay for patient in self.story.patients if patient.id == move.patient)
        left, come = stay[-1].bed, move.bed
        said = f"The patient of {short_bed(left, self.story)} is in {short_bed(come, self.story)} now"
        return tuple(
            self.on_unit(unit, f"{said}: what does {unit.name} see?", move.patient)
            for unit in (self._unit_of(come), self._unit_of(left))
        )

    def on_unit(self, unit: UnitStory, asks: str, only: str | None = None) -> Question:
        """Return what is open for the patients in a unit, or for one of them.

        Raises: FhirUnavailable, FhirRejected.
        """
        places = [f"Location/{name}" for name in (unit.id, *beds_of(unit))]
        answer = by_place(self.server, places, self.identity)
        of_all = f"nothing of this patient; its list holds {len(answer.tasks)} of others"
        found = self._answered(asks, answer, unit, "no open Task" if only is None else of_all)
        if only is None:
            return found
        rows = tuple(row for row in found.rows if row.patient == f"Patient/{only}")
        return Question(asks=asks, sent=found.sent, rows=rows, none=found.none)

    def _unit_of(self, bed: str) -> UnitStory:
        return next(unit for unit in self.story.units if bed.startswith(f"{unit.bed_prefix}-"))

    def _answered(self, asks: str, answer: Answer, unit: UnitStory, none: str = "no open Task") -> Question:
        sent = tuple(as_sent(search) for search in answer.asked if search.resource_type == "Task")
        return Question(asks=asks, sent=sent, rows=tuple(self._rows(answer.tasks.values(), unit)), none=none)

    def _rows(self, tasks: Iterable[Mapping[str, Any]], unit: UnitStory) -> list[TaskRow]:
        zone = ZoneInfo(self.story.zone)
        began = latest_shift_start(self.at, unit_settings(self.policy, unit.id).shifts, zone)
        return task_rows(tasks, self.identity, zone=zone, shift_began=began)


def short_bed(place: str, story: HospitalStory) -> str:
    """Return a bed as nurses call it: the first word of its unit and its number."""
    bed = place.rpartition("/")[2]
    for unit in story.units:
        if bed.startswith(f"{unit.bed_prefix}-"):
            return f"{unit.name.split()[0]} {bed.removeprefix(unit.bed_prefix + '-')}"
    return bed


def row_cells(row: TaskRow, story: HospitalStory) -> tuple[str, ...]:
    """Return the cells of a row: urgency, bed, due, and in lines what, on which line, what was charted, who took it.

    With a due time the last dressing date is what the clock counts from; else the reason begins with what was charted.
    """
    charted = row.last if row.due not in ("", "now") else _CLAUSE.split(row.why)[0]
    lines = (row.what, row.line, charted, row.taken)
    return row.urgency, short_bed(row.place, story), row.due, "\n".join(line for line in lines if line)
