"""The pipeline cut into its stages, and what it is compared with, as functions over rows that are already in memory."""

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import msgspec

from linedays.adapters.resource_files import resources_in
from linedays.core.evaluate import evaluate_chart
from linedays.core.model import PatientChart, PatientInput, Person
from linedays.core.timeline import build_chart
from linedays.fhir.collected import Collected
from linedays.fhir.normalise import places
from linedays.fhir.people import with_tops
from linedays.fhir.records import Record
from linedays.run.derive import Derivation, collect_all, derive_all
from support.generator import AT
from support.pipeline import instance, instant

Rows = Sequence[tuple[str, bytes]]


class Stages:
    """One data set with each stage's input at hand, so that each can be timed by itself."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.rows: Rows = tuple(resources_in(folder))
        self.size = sum(len(raw) for _, raw in self.rows)
        self.settled = instance()
        self.at = instant(AT)
        self.collected = self.normalise()
        self.places, _ = places(self.collected, self.settled.counting, self.settled.zone_of)
        self.inputs = tuple(self._inputs())
        self.charts = self.timeline()
        self.facts = sum(len(facts) for facts in self.collected.facts.values())

    def _inputs(self) -> Iterator[PatientInput]:
        for patient, facts in self.collected.facts.items():
            person = self.collected.persons.get(patient, Person(id=patient))
            stays = with_tops(tuple(self.collected.stays.get(patient, ())))
            yield PatientInput(person=person, facts=tuple(facts), stays=stays)

    def read(self) -> None:
        for _ in resources_in(self.folder):
            pass

    def decode(self) -> None:
        """Decode every row into the typed records that the pipeline uses, and do nothing else."""
        decode = msgspec.json.Decoder(Record).decode
        for _, raw in self.rows:
            try:
                decode(raw)
            except msgspec.DecodeError:
                continue

    def normalise(self) -> Collected:
        return collect_all(self.rows, self.settled)

    def timeline(self) -> tuple[PatientChart, ...]:
        rules = self.settled.source_map.charting
        return tuple(build_chart(patient, rules, known_by=self.at) for patient in self.inputs)

    def evaluate(self) -> None:
        for chart in self.charts:
            evaluate_chart(chart, self.settled.policy, self.places, at=self.at, zone=self.settled.zone)

    def total(self) -> Derivation:
        return derive_all(self.rows, self.settled, at=self.at, known_by=self.at)

    def functions(self) -> dict[str, Callable[[], Any]]:
        return {
            "read bytes": self.read,
            "bare decode": self.decode,
            "decode and normalise": self.normalise,
            "timeline": self.timeline,
            "evaluate": self.evaluate,
            "total": self.total,
        }

