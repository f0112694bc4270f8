"""How one record system charts, as far as building lines needs it: settings taken from its source map. No I/O."""

from dataclasses import dataclass
from enum import StrEnum

from linedays.core.moment import DAY, HOUR, MINUTE


class PresenceStart(StrEnum):
    """What the start of a presence interval means."""

    ARRIVAL = "arrival"
    INSERTION = "insertion"


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartingRules:
    """Settings of a source map that decide how facts become lines.

    Units: seconds. `entry_tolerance`: how much later than its own entry a change may be charted for. `join_gap`: the
    longest gap between two presence intervals of one line (None: never joined). `arrival_lookback`: how long before an
    arrival a change may lie and still be this line's. `shared_dressing`: pairs of line kinds that, at one site and
    side, lie under one dressing.
    """

    entry_tolerance: int = 15 * MINUTE
    presence_start: PresenceStart = PresenceStart.ARRIVAL
    join_gap: int | None = 4 * HOUR
    arrival_lookback: int = 30 * DAY
    shared_dressing: tuple[tuple[str, str], ...] = (("introducer", "pulmonary-artery"),)
