"""The quantities of the policy files: what is read, what is refused, and how they are put into words."""

from datetime import date, time

import pytest

from linedays.mapping.quantities import (
    clock_from_text,
    day_from_text,
    days_from_text,
    duration_in_hours,
    duration_in_words,
    seconds_from_text,
    shown,
    weeks_from_text,
)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("30 s", 30), ("15 min", 900), ("48 h", 172_800), ("7 d", 604_800), ("44 wk", 26_611_200), ("0 h", 0)],
    # 15 × 60; 48 × 3600; 7 × 86400; 44 × 604800
)
def test_duration_is_read_with_its_unit(text, seconds):
    assert seconds_from_text(text) == seconds


@pytest.mark.parametrize("written", [7, 7.5, True, None, "7", "7d", "7  d", "07 d", "-7 d", "7.5 d", "7 D", "7 days", " 7 d", "7 d ", [], "٧ d"])
def test_anything_else_is_no_duration(written):
    with pytest.raises(ValueError, match=r"^(is|has) "):
        seconds_from_text(written)


def test_whole_days_and_weeks():
    assert (days_from_text("48 h"), days_from_text("1 wk"), weeks_from_text("14 d")) == (2, 7, 2)
    with pytest.raises(ValueError, match="not a whole number of days"):
        days_from_text("36 h")
    with pytest.raises(ValueError, match="not a whole number of weeks"):
        weeks_from_text("10 d")


def test_clock_and_day():
    assert clock_from_text("07:00") == time(7)
    assert clock_from_text("23:59") == time(23, 59)
    assert day_from_text("2024-02-29") == date(2024, 2, 29)


@pytest.mark.parametrize("written", ["7:00", "24:00", "07:60", "07:00:00", 700, None])
def test_anything_else_is_no_clock(written):
    with pytest.raises(ValueError, match="not a time of day"):
        clock_from_text(written)


@pytest.mark.parametrize("written", ["2023-02-29", "2024-1-1", "20240101", "2024-W01-1", 2024, None])
def test_anything_else_is_no_day(written):
    with pytest.raises(ValueError, match=r"not a date|does not exist"):
        day_from_text(written)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(604_800, "7 days"), (86_400, "1 day"), (172_800, "2 days"), (14_400, "4 h"), (5_400, "90 min"), (61, "61 s"), (0, "0 h")],
)
def test_duration_in_the_largest_unit_that_states_it(seconds, words):
    assert duration_in_words(seconds) == words


def test_duration_in_hours():
    assert (duration_in_hours(86_400), duration_in_hours(1_800), duration_in_hours(1)) == ("24 h", "30 min", "1 s")


def test_what_was_written_is_shown_short():
    assert shown("x") == "'x'"
    assert len(shown("x" * 500)) == 60
