"""Measures the derivation against a bare decode of the same bytes, against its own size, and against fhir.resources.

Only ratios are worth quoting: a shared machine moves absolute times by half. Each is the median of interleaved pairs.
Run `.ci/bench` (10,000 and 30,000 lines: 100,000 and 300,000 facts) or `.ci/bench --lines 1000`. Prints a Markdown
table and one line of JSON; fails where a bar of the design is missed or a result differs.
"""

import argparse
import json
import platform
import tempfile
from pathlib import Path

from benchmark.measuring import interleaved, median_ratio, weigh
from benchmark.other_route import derive_by_fhir_resources
from benchmark.result import from_command, from_derivation
from benchmark.stages import Stages
from linedays.run.derive import Derivation
from support.generator import write
from support.made_up_patient import FACTS_PER_LINE

SEED = 20260501
# The other route takes whole patients of every kind: a part of the rows would hold more of one type than of another.
OTHER_ROUTE_LINES = 100
# The bars of design section 6 and of performance.md: figure, the most or the least it may be, what it says where missed.
AT_MOST = (
    ("total ÷ bare decode", 8.0, "the derivation as a multiple of a bare decode"),
    ("time of 3 N ÷ time of N", 3.6, "the time of three times the facts as a multiple"),
    ("resident bytes per fact, flat, small", 500.0, "bytes per fact with everything in memory"),
    ("resident bytes per fact, flat, large", 500.0, "bytes per fact with everything in memory, three times the facts"),
)
AT_LEAST = (("fhir.resources route ÷ total", 10.0, "the same derivation read by fhir.resources as a multiple of it"),)


def main() -> None:
    parser = argparse.ArgumentParser(prog="benchmark.bench_derivation", description=__doc__)
    parser.add_argument("--lines", type=int, default=10_000, help="lines of the smaller set; the larger has three times as many")
    parser.add_argument("--pairs", type=int, default=5, help="pairs behind each median (at least 5)")
    parser.add_argument("--report", action="store_true", help="a bar that is missed is said, and fails nothing; a result that differs does")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        figures = measure(Path(scratch), chosen.lines, max(5, chosen.pairs))
    print(table(figures))
    print(json.dumps(figures, sort_keys=True))
    missed, differs = missed_bars(figures), differing(figures)
    for bar in missed:
        print(f"MISSED: {bar}")
    if differs:
        raise SystemExit(differs)
    raise SystemExit(1 if missed and not chosen.report else 0)


def measure(scratch: Path, lines: int, pairs: int) -> dict[str, float | str]:
    sets = {"small": lines, "large": 3 * lines}
    for name, size in sets.items():
        write(scratch / name, lines=size, seed=SEED)
        write(scratch / f"{name}-by-patient", lines=size, seed=SEED, layout="by-patient")
    write(scratch / "other-route", lines=OTHER_ROUTE_LINES, seed=SEED)
    figures: dict[str, float | str] = {"lines": lines, "pairs": pairs, "python": platform.python_version()}
    figures |= memory(scratch, sets)
    small = Stages(scratch / "small")
    figures |= {"resources": len(small.rows), "bytes": small.size, "facts read": small.facts}
    figures |= {f"{stage}, s": seconds for stage, seconds in interleaved(small.functions(), pairs).items()}
    figures["total ÷ bare decode"] = median_ratio(small.total, small.decode, pairs)
    figures |= against_fhir_resources(Stages(scratch / "other-route"), pairs)
    figures["result"] = from_derivation(small.total())
    figures["result of the command"] = from_command(small.folder)
    figures["time of 3 N ÷ time of N"] = median_ratio(Stages(scratch / "large").total, small.total, pairs)
    return figures


def memory(scratch: Path, sets: dict[str, int]) -> dict[str, float | str]:
    """Return bytes per fact, resident and as the interpreter counts them, for both layouts and sizes."""
    found: dict[str, float | str] = {}
    for name, size in sets.items():
        for folder, layout in ((scratch / name, "flat"), (scratch / f"{name}-by-patient", "by patient")):
            for how in ("resident", "traced"):
                weighed = weigh("benchmark.weigh", str(folder), layout, how)
                assert weighed["lines"] == size, f"{weighed['lines']} lines came out of {size}"
                found[f"{how} bytes per fact, {layout}, {name}"] = weighed["bytes"] / (size * FACTS_PER_LINE)
                found[f"{how} MB, {layout}, {name}"] = weighed["bytes"] / 1e6
    return found


def against_fhir_resources(few: Stages, pairs: int) -> dict[str, float | str]:
    """Return how many times longer the derivation takes where fhir.resources reads, and the result of either route."""

    def route() -> Derivation:
        return derive_by_fhir_resources(few.rows, few.settled, at=few.at)

    return {
        "fhir.resources route ÷ total": median_ratio(route, few.total, pairs),
        "result, few lines": from_derivation(few.total()),
        "result by fhir.resources": from_derivation(route()),
    }


def table(figures: dict[str, float | str]) -> str:
    rows = ["| figure | value |", "| --- | ---: |"]
    rows += [f"| {name} | {value if isinstance(value, str | int) else format(value, '.3g')} |" for name, value in figures.items()]
    return "\n".join(rows)


def differing(figures: dict[str, float | str]) -> str | None:
    """Say which result is not the one that was measured, if any."""
    if figures["result"] != figures["result of the command"]:
        return "`linedays lines` gives another result than the derivation that was measured"
    if figures["result, few lines"] != figures["result by fhir.resources"]:
        return "read by fhir.resources, the same lines come to another result"
    return None


def missed_bars(figures: dict[str, float | str]) -> list[str]:
    """Return the bars of the design that were missed, each with its figure."""
    over = [f"{words}: {figures[name]:.3g}, at most {bar:g}" for name, bar, words in AT_MOST if not figures[name] <= bar]
    under = [f"{words}: {figures[name]:.3g}, at least {bar:g}" for name, bar, words in AT_LEAST if not figures[name] >= bar]
    return over + under


if __name__ == "__main__":
    main()
