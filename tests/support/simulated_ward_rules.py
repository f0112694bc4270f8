"""When something is asked about a line, restated by hand from the design (2.3, 2.5, 2.6, 2.7), over the charted values. No I/O.

Nothing of the service is used here. Shifts 07:00 and 19:00, quiet hours 22:00 to 06:00, 30 minutes around a shift change
(2.5, 2.7.1). Intervals: transparent and gel dressing 7 d, gauze 2 d (CDC-2011 rec. 6 and 7); kind not charted at placing: asked
after 48 h; kind not charted at a change: unknown from 48 h on (2.3.5).
"""

from dataclasses import dataclass
from datetime import time, timedelta

from support.simulated_ward_charting import DAY, HOUR, MINUTE, LineChart, StayChart, Told, at_local, local

INTERVAL = {"transparent": 7 * DAY, "chg-gel": 7 * DAY, "gauze": 2 * DAY}
ASK = KIND_UNKNOWN_FROM = 2 * DAY
TOLERANCE = 15 * MINUTE
MARGIN = 30 * MINUTE
PLACED = ("insertion", "port-access")
DATED = ("dressing-label-date", "dressing-change-reported")
_SAYS_MORE = (*PLACED, "dressing-change-reported", "dressing-label-date", "dressing-change")
COMPROMISED = frozenset({"loose", "soiled", "damp", "lifted"})
CONCERN = frozenset({"redness"})
RANK = {"due": 1, "overdue": 2, "unknown": 2, "site-concern": 2, "compromised": 3, "stat": 4}


def shift_starts(around: int) -> list[int]:
    """Return the shift starts of the local day of an instant, of the two days before and of the day after."""
    day = local(around).date()
    return [at_local(day + timedelta(days=n), time(hour)) for n in (-2, -1, 0, 1) for hour in (7, 19)]


def shift_of(at: int) -> int:
    """Return the start of the shift that holds an instant: the latest one not after it."""
    return max(start for start in shift_starts(at) if start <= at)


def next_shift(at: int) -> int:
    return min(start for start in shift_starts(at) if start > at)


def is_quiet(at: int) -> bool:
    return not 6 <= local(at).hour < 22


def is_silent(at: int) -> bool:
    """Tell whether nothing but asap and stat may be written: quiet hours, or 30 min around a shift change."""
    return is_quiet(at) or any(start - MARGIN <= at < start + MARGIN for start in shift_starts(at))


def window_of(due: int, interval: int) -> int:
    """Return when a Task appears: the latest shift start at least 12 h (48 h and shorter: 3 h) before due.

    A due time in the quiet hours counts back from 22:00 of that evening.
    """
    if is_quiet(due):
        evening = local(due).date() - timedelta(days=1 if local(due).hour < 6 else 0)
        due = at_local(evening, time(22))
    return shift_of(due - (3 * HOUR if interval <= 2 * DAY else 12 * HOUR))


@dataclass(frozen=True, slots=True)
class Asked:
    """What the chart asks for: how bad it is, and whether at any hour; `anchor` and `due` where they are known."""

    severity: str
    at_any_hour: bool
    since: int
    anchor: int | None = None
    due: int | None = None


def valid(line: LineChart) -> list[Told]:
    """Return the entries that start a dressing, but for those charted for an impossible time (2.3.4, 2.7.7)."""
    told = list(line.told.values())
    changes = [one for one in told if one.what == "dressing-change"]
    placed = min((one.happened for one in told if one.what == "insertion"), default=0)
    found = []
    for one in told:
        if one.what not in (*PLACED, *DATED, "dressing-change") or one.happened > one.entered + TOLERANCE:
            continue
        if one.happened + (DAY - 1 if one.day else 0) < placed:
            continue
        found.append(one)
    kept = [
        one
        for one in found
        if one.what not in DATED
        or all(
            one.happened + (DAY - 1 if one.day else 0) >= other.happened
            for other in found
            if other in changes and other.entered <= one.entered
        )
    ]
    return [Told(one.what, max(one.happened, placed), one.entered, one.kind, one.day) for one in kept]


def is_in_place(line: LineChart, stay: StayChart, at: int) -> bool:
    """Tell whether the chart has the line in place, with a dressing asked for, and the patient here and not on leave."""
    told = list(line.told.values())
    if stay.dead or stay.on_leave or (stay.ended is not None and stay.ended <= at) or not told:
        return False
    gone = ("removal", "line-not-present", "port-deaccess")
    if any(one.what in gone and one.happened <= min(at, one.entered + TOLERANCE) for one in told):
        return False
    needle = any(one.what in ("port-access", "dressing-change", "look") and one.happened <= at for one in told)
    begun = any(one.what in ("device", "insertion") and one.happened <= at for one in told)
    return begun and (line.kind != "implanted-port" or needle)


def standing(line: LineChart, at: int) -> tuple[list[Told], bool, list[Told]]:
    """Return the compromising findings that no change clears, whether all were followed by "intact", and the concerns."""
    looks = [one for one in line.told.values() if one.what == "look" and one.happened <= at]
    news = [one for one in valid(line) if one.happened <= at]
    found = [
        one
        for one in looks
        if one.kind in COMPROMISED
        and not any(
            new.happened >= one.happened if not new.day else new.happened > one.happened for new in news
        )
    ]
    intact = max((one.happened for one in looks if one.kind == "intact"), default=0)
    calm = max((one.happened for one in line.told.values() if one.what == "site" and one.kind == "none"), default=0)
    concerns = [one for one in line.told.values() if one.what == "site" and one.kind in CONCERN and one.happened >= calm]
    return found, bool(found) and all(one.happened < intact for one in found), concerns


def anchor_of(line: LineChart, at: int) -> Told | None:
    """Return the last valid charted change; of one instant a change, then a label read, then what others told.

    Of two such entries for one instant the one that names the dressing: the answer to "kind not charted: look".
    """
    found = [one for one in valid(line) if one.happened <= at]
    return max(found, key=lambda one: (one.happened, _SAYS_MORE.index(one.what), one.kind is not None), default=None)


def interval_of(anchor: Told) -> int | None:
    """Return the interval that an anchor starts; None where its dressing kind is not charted at a change."""
    if anchor.kind is None:
        return ASK if anchor.what in PLACED else None
    return INTERVAL[anchor.kind]


def asked_of(line: LineChart, stay: StayChart, at: int) -> Asked | None:
    """Return what the chart asks for at a moment, whatever was written or declined."""
    if not is_in_place(line, stay, at):
        return None
    found, seen_intact, concerns = standing(line, at)
    anchor = anchor_of(line, at)
    interval = interval_of(anchor) if anchor else None
    due = anchor.happened + interval if anchor and interval else None
    begun = anchor.happened if anchor else 0
    if found:
        return Asked("compromised", not seen_intact, max(one.entered for one in found), begun, due)
    if due is not None and at > due:
        return Asked("overdue", False, due, begun, due)
    if anchor is None or (interval is None and at >= begun + KIND_UNKNOWN_FROM):
        return Asked("unknown", False, begun, begun or None)
    if due is not None and at >= max(begun, window_of(due, interval or 0)):
        return Asked("due", False, window_of(due, interval or 0), begun, due)
    if concerns:
        return Asked("site-concern", False, max(one.entered for one in concerns), begun, due)
    return None


def put_off_until(line: LineChart, at: int) -> int:
    """Return until when the last "not done" since the anchor puts off what is not asap: the next shift (refused)."""
    anchor = anchor_of(line, at)
    begun = anchor.happened if anchor else 0
    told = [one.happened for one in line.told.values() if one.what == "not-done" and begun < one.happened <= at]
    return next_shift(max(told)) if told else 0


def quieted_until(asked: Asked, declined: str, when: int) -> int:
    """Return until when a person's no holds (2.6): not at all where things got worse or were seen anew after it."""
    if asked.anchor is not None and asked.anchor > when:
        return 0
    if RANK[asked.severity] > RANK[declined]:
        return 0
    if asked.severity in ("compromised", "site-concern") and asked.since > when:
        return 0
    return when + DAY if asked.severity in ("due", "overdue") else next_shift(when)
