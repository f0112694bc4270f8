"""Prints what a chart costs per fact, for a line with 500 facts and one with 5,000, and how much more each fact then costs.

A ratio near 1 says that the work grows with the facts and no faster. Run `python -m benchmark.bench_timeline` from
tests/; it ends with 1 where a ratio is above the bar. Everything charted is made up.
"""

import sys
import time
from collections.abc import Callable

from linedays.core.model import Fact, FactKind, PatientInput
from linedays.core.moment import Moment
from linedays.core.timeline import build_chart
from support.builders import FAR, PATIENT, RULES, at, device, inserted, patient_input

FEW, MANY, RUNS, BAR = 500, 5000, 7, 3.0
STEP = 600
START = at("2026-01-02 00:00")


def _facts(count: int, kinds: tuple[FactKind, ...], **says: str) -> list[Fact]:
    found = []
    for number in range(count):
        happened = Moment(START + number * STEP, START + number * STEP)
        until = Moment(happened.latest + STEP // 2, happened.latest + STEP // 2)
        kind = kinds[number % len(kinds)]
        found.append(
            Fact(
                kind=kind,
                patient=PATIENT,
                source=says.get("source", f"Procedure/{number}"),
                happened=happened,
                known=happened.latest,
                updated=happened.latest,
                until=until if kind is FactKind.PRESENT else None,
                **{name: value for name, value in says.items() if name != "source"},
            )
        )
    return found


def _linked(*kinds: FactKind, **says: str) -> Callable[[int], PatientInput]:
    record = device("Device/a", "2026-01-01 00:00")
    return lambda count: patient_input(record, *_facts(count, kinds, device="Device/a", **says))


def _by_site(*kinds: FactKind) -> Callable[[int], PatientInput]:
    line = inserted("2026-01-01 00:00", site="arm")
    return lambda count: patient_input(line, *_facts(count, kinds, line_kind="picc", site="arm"))


def _alone(*kinds: FactKind, **says: str) -> Callable[[int], PatientInput]:
    return lambda count: patient_input(*_facts(count, kinds, **says))


CHARTS = {
    "linked": _linked(FactKind.DRESSING_CHANGED, FactKind.DRESSING_SEEN, FactKind.SITE_SEEN, FactKind.USED),
    "by kind and site": _by_site(FactKind.DRESSING_CHANGED, FactKind.DRESSING_SEEN, FactKind.SITE_SEEN, FactKind.USED),
    "labels and changes": _linked(FactKind.LABEL_DATE, FactKind.DRESSING_CHANGED),
    "removals": _linked(FactKind.REMOVED),
    "insertions": _linked(FactKind.INSERTED),
    "versions of one resource": _linked(FactKind.DRESSING_CHANGED, source="Procedure/one"),
    "rows of a slot": _alone(FactKind.CHARTED, FactKind.DRESSING_CHANGED, slot="slot-1", encounter="Encounter/1"),
    "intervals": _alone(FactKind.PRESENT, line_kind="picc", site="arm", encounter="Encounter/1"),
    "intervals of one device": _linked(FactKind.PRESENT),
}


def _cost(build: Callable[[int], PatientInput]) -> tuple[float, float]:
    few, many = build(FEW), build(MANY)
    taken = [(_processor_time(few), _processor_time(many)) for _ in range(RUNS)]
    return min(one for one, _ in taken) / FEW * 1e6, min(other for _, other in taken) / MANY * 1e6


def _processor_time(patient: PatientInput) -> float:
    # Processor time, and the least of several runs: a busy machine makes a run longer, never shorter.
    began = time.process_time()
    build_chart(patient, RULES, known_by=FAR)
    return time.process_time() - began


def main() -> int:
    """Measure and print; return 1 where a ratio is above the bar."""
    worst = 0.0
    print(f"{'one line charted as':28}{FEW:>8}{MANY:>8}   µs per fact, ratio")
    for name, build in CHARTS.items():
        few, many = _cost(build)
        worst = max(worst, many / few)
        print(f"{name:28}{few:8.2f}{many:8.2f}   {many / few:.2f}")
    print(f"largest ratio {worst:.2f}, bar {BAR:.1f}")
    return int(worst > BAR)


if __name__ == "__main__":
    sys.exit(main())
