"""Derives one folder in a process of its own and prints what it took: `name number` lines, for `measuring.weigh`."""

import sys
import tracemalloc
from pathlib import Path

from benchmark.measuring import memory
from linedays.adapters.resource_files import patient_groups, resources_in
from linedays.run.derive import derive_all, derive_by_patient
from support.generator import AT
from support.pipeline import instance, instant


def main(folder: Path, layout: str, how: str) -> None:
    settled, at = instance(), instant(AT)
    if how == "traced":
        tracemalloc.start()
    before = memory("VmRSS")
    lines = 0
    if layout == "flat":
        derivation = derive_all(resources_in(folder), settled, at=at, known_by=at)
        lines = sum(len(site.timelines) for result in derivation.results for site in result.chart.sites)
    else:
        for part in derive_by_patient(patient_groups(folder), settled, at=at, known_by=at):
            lines += sum(len(site.timelines) for result in part.results for site in result.chart.sites)
    print("lines", lines)
    print("bytes", tracemalloc.get_traced_memory()[1] if how == "traced" else memory("VmHWM") - before)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], sys.argv[3])
