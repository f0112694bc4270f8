"""Turns the texts that policy files state quantities in into values, and values into words. No I/O.

A duration always carries its unit (`7 d`, `48 h`, `15 min`), a time of day is `"07:00"`, a day is `2024-01-31`.
"""

import re
from datetime import date, time

from linedays.core.moment import DAY, HOUR, MINUTE

SECONDS: dict[str, int] = {"s": 1, "min": MINUTE, "h": HOUR, "d": DAY, "wk": 7 * DAY}

_DURATION = re.compile(r"(?P<count>0|[1-9][0-9]*) (?P<unit>[a-z]+)")
_CLOCK = re.compile(r"(?:[01][0-9]|2[0-3]):[0-5][0-9]")
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


def seconds_from_text(written: object) -> int:
    """Read a duration.

    Units: seconds.
    Raises: ValueError, saying what is wrong with the text.
    """
    if isinstance(written, int | float) and not isinstance(written, bool):
        raise ValueError(f"is {written} without a unit")
    match = _DURATION.fullmatch(written) if isinstance(written, str) else None
    if match is None:
        raise ValueError(f"is {shown(written)}, not a whole number and a unit with one space between them")
    if match["unit"] not in SECONDS:
        raise ValueError(f"has the unknown unit {match['unit']!r}")
    return int(match["count"]) * SECONDS[match["unit"]]


def days_from_text(written: object) -> int:
    """Read a duration that must be whole days of 24 h.

    Units: days.
    Raises: ValueError, saying what is wrong with the text.
    """
    return _whole(written, "d")


def weeks_from_text(written: object) -> int:
    """Read a duration that must be whole weeks.

    Units: weeks.
    Raises: ValueError, saying what is wrong with the text.
    """
    return _whole(written, "wk")


def _whole(written: object, unit: str) -> int:
    count, rest = divmod(seconds_from_text(written), SECONDS[unit])
    if rest:
        raise ValueError(f"is {shown(written)}, not a whole number of {'days' if unit == 'd' else 'weeks'}")
    return count


def clock_from_text(written: object) -> time:
    """Read a time of day.

    Raises: ValueError, saying what is wrong with the text.
    """
    if not isinstance(written, str) or not _CLOCK.fullmatch(written):
        raise ValueError(f"is {shown(written)}, not a time of day")
    return time.fromisoformat(written)


def day_from_text(written: object) -> date:
    """Read a calendar day.

    Raises: ValueError, saying what is wrong with the text.
    """
    if not isinstance(written, str) or not _DAY.fullmatch(written):
        raise ValueError(f"is {shown(written)}, not a date")
    try:
        return date.fromisoformat(written)
    except ValueError:
        raise ValueError(f"is {shown(written)}, a day that does not exist") from None


def duration_in_words(seconds: int) -> str:
    """Return a duration in the largest unit that states it exactly: "7 days", "4 h", "90 min"."""
    if seconds and seconds % DAY == 0:
        return "1 day" if seconds == DAY else f"{seconds // DAY} days"
    return duration_in_hours(seconds)


def duration_in_hours(seconds: int) -> str:
    """Return a duration in hours, or in a smaller unit where that is needed to state it exactly."""
    unit = next(unit for unit in ("h", "min", "s") if seconds % SECONDS[unit] == 0)
    return f"{seconds // SECONDS[unit]} {unit}"


def shown(written: object) -> str:
    """Return what was written, short enough for one line of a report."""
    text = repr(written)
    return text if len(text) <= 60 else text[:57] + "..."
