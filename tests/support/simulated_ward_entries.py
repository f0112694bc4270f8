"""What happens in a made-up ward in order of time, and what is charted of it: on the server, and as plain values.

The clock is that of the given server: it passes from one thing that happens to the next. Writes to that server.
"""

import heapq
from collections import Counter
from collections.abc import Callable
from itertools import count
from random import Random

from linedays.adapters.server_starter import load_bundle
from support import simulated_ward_charting as chart
from support.memory_fhir_server import MemoryFhirServer
from support.simulated_ward_charting import MINUTE, Resource, Told, local
from support.simulated_ward_people import TrueLine


class WardChart:
    """The queue of what happens, and the chart; `is_news` where anything but an "intact" was charted since it was unset."""

    def __init__(self, seed: int, begin: int, server: MemoryFhirServer) -> None:
        self.random = Random(f"ward/{seed}")
        self.server = server
        self.now = begin
        self.events: Counter[str] = Counter()
        self.is_news = True
        self._queue: list[tuple[int, int, Callable[[int], None]]] = []
        self._order = count()
        self._numbers = count(1)
        server.tick(begin - (server.server_time or 0))

    def at(self, when: int, happens: Callable[[int], None]) -> None:
        """Let something happen at a whole minute, not before now."""
        heapq.heappush(self._queue, (max(when, self.now) // MINUTE * MINUTE, next(self._order), happens))

    def live_until(self, moment: int) -> None:
        while self._queue and self._queue[0][0] <= moment:
            when, _, happens = heapq.heappop(self._queue)
            self._pass_to(when)
            happens(when)
        self._pass_to(moment)

    def _pass_to(self, when: int) -> None:
        if when > self.now:
            self.server.tick(when - self.now)
            self.now = when

    def chance(self, share: float) -> bool:
        return self.random.random() < share

    def minutes(self, least: int, most: int) -> int:
        return self.random.randint(least, most) * MINUTE

    def key(self, what: str) -> str:
        return f"{what}-{next(self._numbers):05d}"

    def store(self, *resources: Resource, is_news: bool = True) -> None:
        load_bundle(self.server, resources)
        self.is_news = self.is_news or is_news

    def is_charted_out(self, line: TrueLine) -> bool:
        return any(one.what in ("removal", "line-not-present", "port-deaccess") for one in line.chart.told.values())

    def chart_procedure(
        self,
        code: str,
        line: TrueLine,
        *,
        happened: int,
        dressing: str | None = None,
        key: str | None = None,
        why: str | None = None,
    ) -> None:
        key = key or self.key(f"{line.id}-{code}")
        entered = self.now
        person = line.patient.id
        self.store(
            chart.procedure(key, code, line.id, person, happened=happened, entered=entered, dressing=dressing, why=why)
        )
        line.chart.told[f"Procedure/{key}"] = Told("not-done" if why else code, happened, entered, dressing)

    def chart_removal(self, line: TrueLine) -> None:
        if line.out is not None and not self.is_charted_out(line):
            self.chart_procedure("removal", line, happened=line.out)

    def chart_look(self, line: TrueLine, what: str, seen: int, *, of: str = "dressing") -> None:
        code = "dressing-condition" if of == "dressing" else "site-assessment"
        if line.out is not None and seen >= line.out:
            return
        key = self.observe(code, line, seen, is_news=what != "intact", **chart.finding(what, of))
        line.chart.told[key] = Told("look" if of == "dressing" else "site", seen, self.now, what)

    def chart_date(self, code: str, line: TrueLine, *, kind_said: float = 0.5) -> None:
        """Chart the day that stands on the label, or that others told, perhaps with the kind of dressing seen."""
        if line.out is not None or line.patient.gone:
            return
        put_on, kind = line.changed
        said = kind if self.chance(kind_said) else None
        parts = {"component": [{"code": chart.concept(code), **chart.dressing_kind(said)}]} if said else {}
        key = self.observe(code, line, self.now, valueDateTime=local(put_on).date().isoformat(), **parts)
        line.chart.told[key] = Told(code, chart.start_of_day(put_on), self.now, said, day=True)

    def chart_kind(self, line: TrueLine, source: str) -> None:
        """Add the kind of dressing to an entry that lacks it: to a Procedure itself, else by a look at the label."""
        told = line.chart.told[source]
        if source.startswith("Procedure/"):
            key = source.removeprefix("Procedure/")
            self.chart_procedure(told.what, line, happened=told.happened, dressing=line.changed[1], key=key)
        else:
            self.chart_date("dressing-label-date", line, kind_said=1.0)

    def observe(self, code: str, line: TrueLine, seen: int, *, is_news: bool = True, **value: object) -> str:
        key = self.key(f"{line.id}-{code}")
        resource = chart.observation(key, code, line.id, line.patient.id, seen=seen, entered=self.now, **value)
        self.store(resource, is_news=is_news)
        line.chart.told[chart.ref(resource)] = Told(code, seen, self.now)
        return chart.ref(resource)
