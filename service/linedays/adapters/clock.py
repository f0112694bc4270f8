"""Reads the machine's clocks. The only module that does; everything else takes an instant as an argument. I/O: clocks.

Three clocks are never mixed: the wall clock (`now`) for facts, the record system's own (its Date header, see
`fhir_http`) for read positions, and the monotonic one for waiting and timeouts.
"""

import time

from linedays.core.moment import Instant


class SystemClock:
    """The clocks of this machine."""

    def now(self) -> Instant:
        """Return the wall clock in whole seconds since 1970, UTC."""
        return int(time.time())

    def monotonic(self) -> float:
        """Return seconds on a clock that never jumps; only differences mean anything."""
        return time.monotonic()

    def pause(self, seconds: float) -> None:
        """Wait."""
        time.sleep(seconds)
