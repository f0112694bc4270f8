"""Turns a seed into made-up wards of any size as NDJSON files. Writes files.

What is charted is in `support.made_up_patient`. Procedures have the size real servers send (0.9–1.1 KB, Observations
0.6–0.8 KB): most of it is elements that nobody here reads. The same seed always gives the same bytes, and a longer run
begins with the patients of a shorter one, but for its last. Everything is invented.

Run `python -m support.generator OUT --lines 1000 --seed 1` from tests/.
"""

import argparse
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import orjson

from support.made_up_patient import PLACES, MadeUpPatient, Resource, Written

AT = "2026-05-01T12:00:00+00:00"  # after everything that is charted
ZONE = "Europe/Berlin"
LAYOUTS = ("flat", "by-patient")
PATIENTS_PER_FILE = 100


def write(out: Path, *, lines: int, seed: int, layout: str = "flat") -> Written:
    """Write `lines` lines with all that belongs to them and return what was written.

    Shape: `flat` gives one file per resource type; `by-patient` gives the Locations, then files of whole patients.
    """
    out.mkdir(parents=True, exist_ok=True)
    written = Written()
    with ExitStack() as files:
        handles: dict[str, Any] = {}
        for resource_type, row in _rows(lines, seed, written):
            name = resource_type
            if layout == "by-patient" and resource_type != "Location":
                name = f"patients-{(written.resources['Patient'] - (resource_type != 'Patient')) // PATIENTS_PER_FILE:06d}"
            if name not in handles:
                if layout == "by-patient":
                    files.close()
                handles[name] = files.enter_context((out / f"{name}.ndjson").open("wb"))
            handles[name].write(row + b"\n")
            written.resources[resource_type] += 1
            written.size += len(row) + 1
    return written


def _rows(lines: int, seed: int, written: Written) -> Iterator[tuple[str, bytes]]:
    for place in PLACES:
        yield "Location", orjson.dumps(_location(place))
    number = 0
    while written.lines < lines:
        yield from MadeUpPatient(number, seed, written).rows(lines - written.lines)
        number += 1


def _location(place: str) -> Resource:
    role = "ICU" if place.startswith("icu") else "HU"
    return {
        "resourceType": "Location",
        "id": place,
        "status": "active",
        "name": f"Made-up {place}",
        "mode": "instance",
        "type": [{"coding": [{"system": "http://terminology.hl7.org/CodeSystem/v3-RoleCode", "code": role}]}],
    }


def main() -> None:
    """Write one data set from the command line."""
    parser = argparse.ArgumentParser(prog="support.generator", description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--lines", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--layout", choices=LAYOUTS, default="flat")
    chosen = parser.parse_args()
    written = write(chosen.out, lines=chosen.lines, seed=chosen.seed, layout=chosen.layout)
    total = sum(written.resources.values())
    print(f"{written.lines} lines, {total} resources, {written.size} bytes", dict(written.resources))
    print(f"{len(written.bad)} bad, {written.ambiguous_lines} ambiguous lines", dict(Counter(written.bad.values())))


if __name__ == "__main__":
    main()
