"""Several threads of which one runs at a time, in an order drawn from a seed: the same for the same seed. No I/O."""

import random
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from threading import Condition, local

LONGEST = 30.0


class Turns:
    """Whoever calls it may lose the turn to another, and goes on when it has it again."""

    def __init__(self, seed: int) -> None:
        self._draw = random.Random(seed)
        self._changed = Condition()
        self._waiting: list[int] = []
        self._turn: int | None = None
        self._own = local()

    def __call__(self) -> None:
        """Let the draw decide who goes on; from a thread that takes no turns, go on."""
        me = self._me()
        if me is None:
            return
        with self._changed:
            self._turn = self._draw.choice(self._waiting)
            self._changed.notify_all()
            self._wait(me)

    def run(self, works: Sequence[Callable[[], object]]) -> None:
        """Do all works, interleaved; raise the first of what they raised."""
        self._waiting = list(range(len(works)))
        with ThreadPoolExecutor(len(works)) as pool:
            running = [pool.submit(self._work, number, work) for number, work in enumerate(works)]
            with self._changed:
                self._turn = self._draw.choice(self._waiting)
                self._changed.notify_all()
        for each in running:
            each.result()

    def _work(self, number: int, work: Callable[[], object]) -> None:
        self._own.number = number
        try:
            with self._changed:
                self._wait(number)
            work()
        finally:
            with self._changed:
                self._waiting.remove(number)
                self._turn = self._draw.choice(self._waiting) if self._waiting else None
                self._changed.notify_all()

    def _wait(self, me: int) -> None:
        assert self._changed.wait_for(lambda: self._turn == me, LONGEST), "the turn never came"

    def _me(self) -> int | None:
        return getattr(self._own, "number", None)
