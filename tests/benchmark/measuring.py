"""Times and weighs functions so that a noisy machine does not decide.

Interleaved pairs, medians, processor time of this process rather than time on the wall (one thread, nothing to wait
for), memory in a process of its own.
"""

import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path


def interleaved(functions: Mapping[str, Callable[[], object]], pairs: int) -> dict[str, float]:
    """Return the median processor seconds of each function, run in turn `pairs` times after one run that is not counted."""
    taken: dict[str, list[float]] = {name: [] for name in functions}
    for turn in range(pairs + 1):
        for name, function in functions.items():
            began = time.process_time()
            function()
            if turn:
                taken[name].append(time.process_time() - began)
    return {name: statistics.median(seconds) for name, seconds in taken.items()}


def median_ratio(first: Callable[[], object], second: Callable[[], object], pairs: int) -> float:
    """Return the median over pairs, run one right after the other, of first ÷ second."""
    ratios = []
    for turn in range(pairs + 1):
        began = time.process_time()
        first()
        middle = time.process_time()
        second()
        if turn:
            ratios.append((middle - began) / (time.process_time() - middle))
    return statistics.median(ratios)


def weigh(module: str, *arguments: str) -> dict[str, float]:
    """Run a module that prints `name number` lines in a process of its own and return them."""
    done = subprocess.run([sys.executable, "-m", module, *arguments], capture_output=True, text=True, check=True)
    return {name: float(number) for name, number in (line.split() for line in done.stdout.splitlines())}


def memory(name: str) -> int:
    """Return what Linux says of this process's memory, in bytes: `VmRSS` now, `VmHWM` the most so far.

    The figure of getrusage would not do: it starts with that of the process that started this one.
    """
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return next(int(line.split()[1]) for line in status.splitlines() if line.startswith(f"{name}:")) * 1024
