"""Charted time texts become instants: clock changes, left-out days, partial dates, and texts that are no time.

Expected instants are written in UTC by hand. The clock changes come from the IANA time zone database as `zdump -v` of
the operating system prints it; the epochs in ANCHORS come from `date -u -d "…" +%s`. What a time text may look like is
FHIR R4, datatypes, dateTime (http://hl7.org/fhir/R4/datatypes.html#dateTime).
"""

import calendar
import re
import time as clock
from datetime import UTC, date, datetime, time, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linedays.core import moment
from linedays.core.moment import (
    DAY,
    Moment,
    Precision,
    TimeProblem,
    day_moment,
    exactly,
    instant_of,
    is_local_midnight,
    local_date,
    moment_from_text,
    order,
    start_of_day,
)

BERLIN = ZoneInfo("Europe/Berlin")
NEW_YORK = ZoneInfo("America/New_York")
LORD_HOWE = ZoneInfo("Australia/Lord_Howe")
SAO_PAULO = ZoneInfo("America/Sao_Paulo")
KATHMANDU = ZoneInfo("Asia/Kathmandu")
APIA = ZoneInfo("Pacific/Apia")
HAVANA = ZoneInfo("America/Havana")
LONDON = ZoneInfo("Europe/London")
ZONES = (BERLIN, LONDON, NEW_YORK, LORD_HOWE, SAO_PAULO, KATHMANDU, APIA, HAVANA)


def utc(text: str) -> int:
    """Return the epoch of `YYYY-MM-DD HH:MM:SS` in UTC, without the date code under test."""
    return calendar.timegm(clock.strptime(text, "%Y-%m-%d %H:%M:%S"))


# `date -u -d "2024-03-31 01:00:00" +%s` and so on: ties the helper above to the operating system.
ANCHORS = [
    ("1970-01-01 00:00:00", 0),
    ("2000-02-29 12:00:00", 951825600),
    ("2024-03-31 01:00:00", 1711846800),
    ("2011-12-30 10:00:00", 1325239200),
    ("1899-12-31 23:59:59", -2208988801),
    ("2999-12-31 23:59:59", 32503679999),
]


@pytest.mark.parametrize(("text", "epoch"), ANCHORS)
def test_utc_text_is_the_epoch_the_operating_system_gives(text: str, epoch: int) -> None:
    assert utc(text) == epoch
    assert moment_from_text(text.replace(" ", "T") + "Z", BERLIN) == exactly(epoch)


# Times with an offset: the zone of the ward plays no part. Fractions are dropped, :60 is the second that follows.
WITH_OFFSET = [
    ("2024-03-11T14:30:00Z", "2024-03-11 14:30:00"),
    ("2024-03-11T14:30:00+00:00", "2024-03-11 14:30:00"),
    ("2024-03-11T14:30:00-00:00", "2024-03-11 14:30:00"),
    ("2024-03-11T14:30:00+01:00", "2024-03-11 13:30:00"),
    ("2024-03-11T14:30:00-05:00", "2024-03-11 19:30:00"),
    ("2024-03-11T14:30:00+05:45", "2024-03-11 08:45:00"),
    ("2024-03-11T14:30:00+10:30", "2024-03-11 04:00:00"),
    ("2024-03-11T14:30:00+14:00", "2024-03-11 00:30:00"),
    ("2024-03-11T14:30:00-14:00", "2024-03-12 04:30:00"),
    ("2024-03-11T14:30:00-03:30", "2024-03-11 18:00:00"),
    ("2024-03-11T14:30:00.000Z", "2024-03-11 14:30:00"),
    ("2024-03-11T14:30:59.999Z", "2024-03-11 14:30:59"),
    ("2024-03-11T14:30:59.9999999+01:00", "2024-03-11 13:30:59"),
    ("1969-12-31T23:59:59.5Z", "1969-12-31 23:59:59"),  # dropped, not rounded towards 1970
    ("2024-03-11T14:30Z", "2024-03-11 14:30:00"),  # R4 asks for seconds; to the minute nothing has to be guessed
    ("2024-03-11T14:30-05:00", "2024-03-11 19:30:00"),
    # a day, month or year later or earlier in UTC than on the wall
    ("2023-12-31T23:30:00-05:00", "2024-01-01 04:30:00"),
    ("2024-01-01T00:30:00+01:00", "2023-12-31 23:30:00"),
    ("2024-02-29T23:59:59-01:00", "2024-03-01 00:59:59"),
    ("2024-03-01T00:00:00+01:00", "2024-02-29 23:00:00"),
    ("2023-03-01T00:00:00+01:00", "2023-02-28 23:00:00"),
    ("2000-02-29T12:00:00Z", "2000-02-29 12:00:00"),
    # leap second: 2016-12-31 had one; POSIX time gives it the number of the second that follows
    ("2016-12-31T23:59:60Z", "2017-01-01 00:00:00"),
    ("2017-01-01T00:59:60+01:00", "2017-01-01 00:00:00"),
    ("2016-12-31T18:59:60-05:00", "2017-01-01 00:00:00"),
    ("2024-03-11T14:30:60Z", "2024-03-11 14:31:00"),
    # both sides of a clock change, told apart by the offset
    ("2024-10-27T02:30:00+02:00", "2024-10-27 00:30:00"),
    ("2024-10-27T02:30:00+01:00", "2024-10-27 01:30:00"),
    ("2024-11-03T01:30:00-04:00", "2024-11-03 05:30:00"),
    ("2024-11-03T01:30:00-05:00", "2024-11-03 06:30:00"),
    # an offset that the zone does not have at that time is the charting system's own; it counts as written
    ("2024-03-31T02:30:00+01:00", "2024-03-31 01:30:00"),
    # first and last year that are taken
    ("1700-01-01T00:00:00Z", "1700-01-01 00:00:00"),
    ("2999-12-31T23:59:59Z", "2999-12-31 23:59:59"),
]


@pytest.mark.parametrize(("text", "expected"), WITH_OFFSET)
@pytest.mark.parametrize("zone", [BERLIN, APIA], ids=["Berlin", "Apia"])
def test_time_with_an_offset_is_that_instant_in_every_zone(text: str, expected: str, zone: ZoneInfo) -> None:
    assert moment_from_text(text, zone) == Moment(utc(expected), utc(expected), Precision.SECOND)


# Local times without offset, where the source map allows them: (zone, wall text, UTC or problem).
LOCAL = [
    # Berlin 2024-03-31: 01:59:59 +01 is followed by 03:00:00 +02
    (BERLIN, "2024-03-31T01:59:59", "2024-03-31 00:59:59"),
    (BERLIN, "2024-03-31T02:00:00", None),
    (BERLIN, "2024-03-31T02:30:00", None),
    (BERLIN, "2024-03-31T02:59:59", None),
    (BERLIN, "2024-03-31T03:00:00", "2024-03-31 01:00:00"),
    # Berlin 2024-10-27: 02:00–03:00 twice; the first is taken
    (BERLIN, "2024-10-27T01:59:59", "2024-10-26 23:59:59"),
    (BERLIN, "2024-10-27T02:00:00", "2024-10-27 00:00:00"),
    (BERLIN, "2024-10-27T02:59:59", "2024-10-27 00:59:59"),
    (BERLIN, "2024-10-27T03:00:00", "2024-10-27 02:00:00"),
    # London 2024
    (LONDON, "2024-03-31T00:59:59", "2024-03-31 00:59:59"),
    (LONDON, "2024-03-31T01:00:00", None),
    (LONDON, "2024-03-31T02:00:00", "2024-03-31 01:00:00"),
    (LONDON, "2024-10-27T01:30:00", "2024-10-27 00:30:00"),
    (LONDON, "2024-10-27T02:00:00", "2024-10-27 02:00:00"),
    # New York 2024-03-10: 01:59:59 -05 → 03:00:00 -04; 2024-11-03: 01:00–02:00 twice
    (NEW_YORK, "2024-03-10T01:59:59", "2024-03-10 06:59:59"),
    (NEW_YORK, "2024-03-10T02:30:00", None),
    (NEW_YORK, "2024-03-10T03:00:00", "2024-03-10 07:00:00"),
    (NEW_YORK, "2024-11-03T00:59:59", "2024-11-03 04:59:59"),
    (NEW_YORK, "2024-11-03T01:30:00", "2024-11-03 05:30:00"),
    (NEW_YORK, "2024-11-03T02:00:00", "2024-11-03 07:00:00"),
    # Lord Howe, half an hour. 2024-10-06: 01:59:59 +10:30 → 02:30:00 +11; 2024-04-07: 01:30–02:00 twice
    (LORD_HOWE, "2024-10-06T01:59:59", "2024-10-05 15:29:59"),
    (LORD_HOWE, "2024-10-06T02:00:00", None),
    (LORD_HOWE, "2024-10-06T02:29:59", None),
    (LORD_HOWE, "2024-10-06T02:30:00", "2024-10-05 15:30:00"),
    (LORD_HOWE, "2024-04-07T01:29:59", "2024-04-06 14:29:59"),
    (LORD_HOWE, "2024-04-07T01:45:00", "2024-04-06 14:45:00"),
    (LORD_HOWE, "2024-04-07T02:00:00", "2024-04-06 15:30:00"),
    # São Paulo, past rule, at midnight. 2018-11-04 began at 01:00 -02; 2018-02-17 23:00–24:00 twice
    (SAO_PAULO, "2018-11-03T23:59:59", "2018-11-04 02:59:59"),
    (SAO_PAULO, "2018-11-04T00:00:00", None),
    (SAO_PAULO, "2018-11-04T00:59:59", None),
    (SAO_PAULO, "2018-11-04T01:00:00", "2018-11-04 03:00:00"),
    (SAO_PAULO, "2018-02-17T23:30:00", "2018-02-18 01:30:00"),
    (SAO_PAULO, "2018-02-18T00:00:00", "2018-02-18 03:00:00"),
    (SAO_PAULO, "2024-02-18T00:00:00", "2024-02-18 03:00:00"),  # no summer time since 2019
    # Kathmandu: +05:45 all year; 1986-01-01 began at 00:15
    (KATHMANDU, "2024-03-31T02:30:00", "2024-03-30 20:45:00"),
    (KATHMANDU, "1986-01-01T00:10:00", None),
    # Apia left out 2011-12-30 as a whole
    (APIA, "2011-12-29T23:59:59", "2011-12-30 09:59:59"),
    (APIA, "2011-12-30T12:00:00", None),
    (APIA, "2011-12-31T00:00:00", "2011-12-30 10:00:00"),
    # Havana: summer time begins and ends at midnight
    (HAVANA, "2024-03-10T00:30:00", None),
    (HAVANA, "2024-11-03T00:30:00", "2024-11-03 04:30:00"),
    # a fraction, a leap second and a time to the minute, as with an offset
    (BERLIN, "2024-03-11T14:30:00.750", "2024-03-11 13:30:00"),
    (BERLIN, "2017-01-01T00:59:60", "2017-01-01 00:00:00"),
    (BERLIN, "2024-03-11T14:30", "2024-03-11 13:30:00"),
]


@pytest.mark.parametrize(("zone", "text", "expected"), LOCAL)
def test_local_time_is_read_only_where_the_source_map_allows_it(zone: ZoneInfo, text: str, expected: str | None) -> None:
    assert moment_from_text(text, zone) is TimeProblem.NO_OFFSET
    reading = TimeProblem.NO_SUCH_DAY if expected is None else exactly(utc(expected))
    assert moment_from_text(text, zone, local_if_no_offset=True) == reading


# Dates without a time of day are the whole local day, month or year: (zone, text, first second, last second).
PARTIAL = [
    # an ordinary day, 24 h
    (BERLIN, "2024-03-11", "2024-03-10 23:00:00", "2024-03-11 22:59:59", Precision.DAY),
    (NEW_YORK, "2024-03-11", "2024-03-11 04:00:00", "2024-03-12 03:59:59", Precision.DAY),
    (KATHMANDU, "2024-03-11", "2024-03-10 18:15:00", "2024-03-11 18:14:59", Precision.DAY),
    # days of 23 h and 25 h
    (BERLIN, "2024-03-31", "2024-03-30 23:00:00", "2024-03-31 21:59:59", Precision.DAY),
    (BERLIN, "2024-10-27", "2024-10-26 22:00:00", "2024-10-27 22:59:59", Precision.DAY),
    (NEW_YORK, "2024-03-10", "2024-03-10 05:00:00", "2024-03-11 03:59:59", Precision.DAY),
    (NEW_YORK, "2024-11-03", "2024-11-03 04:00:00", "2024-11-04 04:59:59", Precision.DAY),
    # days of 23.5 h and 24.5 h
    (LORD_HOWE, "2024-10-06", "2024-10-05 13:30:00", "2024-10-06 12:59:59", Precision.DAY),
    (LORD_HOWE, "2024-04-07", "2024-04-06 13:00:00", "2024-04-07 13:29:59", Precision.DAY),
    # a day that began at 01:00, and one whose last hour came twice
    (SAO_PAULO, "2018-11-04", "2018-11-04 03:00:00", "2018-11-05 01:59:59", Precision.DAY),
    (SAO_PAULO, "2018-02-17", "2018-02-17 02:00:00", "2018-02-18 02:59:59", Precision.DAY),
    (HAVANA, "2024-03-10", "2024-03-10 05:00:00", "2024-03-11 03:59:59", Precision.DAY),
    (HAVANA, "2024-11-03", "2024-11-03 04:00:00", "2024-11-04 04:59:59", Precision.DAY),
    (KATHMANDU, "1986-01-01", "1985-12-31 18:30:00", "1986-01-01 18:14:59", Precision.DAY),
    # the days on either side of the one Apia left out touch
    (APIA, "2011-12-29", "2011-12-29 10:00:00", "2011-12-30 09:59:59", Precision.DAY),
    (APIA, "2011-12-31", "2011-12-30 10:00:00", "2011-12-31 09:59:59", Precision.DAY),
    # 29 February and the year's end
    (BERLIN, "2024-02-29", "2024-02-28 23:00:00", "2024-02-29 22:59:59", Precision.DAY),
    (BERLIN, "2000-02-29", "2000-02-28 23:00:00", "2000-02-29 22:59:59", Precision.DAY),
    (BERLIN, "2023-12-31", "2023-12-30 23:00:00", "2023-12-31 22:59:59", Precision.DAY),
    # months: 29, 28, 31 days; March ends in summer time; December runs to the year's end
    (BERLIN, "2024-02", "2024-01-31 23:00:00", "2024-02-29 22:59:59", Precision.MONTH),
    (BERLIN, "2023-02", "2023-01-31 23:00:00", "2023-02-28 22:59:59", Precision.MONTH),
    (BERLIN, "2024-03", "2024-02-29 23:00:00", "2024-03-31 21:59:59", Precision.MONTH),
    (NEW_YORK, "2023-12", "2023-12-01 05:00:00", "2024-01-01 04:59:59", Precision.MONTH),
    (APIA, "2011-12", "2011-12-01 10:00:00", "2011-12-31 09:59:59", Precision.MONTH),
    # years
    (BERLIN, "2024", "2023-12-31 23:00:00", "2024-12-31 22:59:59", Precision.YEAR),
    (LORD_HOWE, "2023", "2022-12-31 13:00:00", "2023-12-31 12:59:59", Precision.YEAR),
    (LONDON, "1700", None, "1701-01-01 00:01:14", Precision.YEAR),  # local mean time of London: 75 s behind
]


@pytest.mark.parametrize(("zone", "text", "first", "last", "precision"), PARTIAL)
def test_date_without_time_is_the_whole_span(
    zone: ZoneInfo, text: str, first: str | None, last: str, precision: Precision
) -> None:
    moment = moment_from_text(text, zone)
    assert isinstance(moment, Moment)
    assert (moment.latest, moment.precision) == (utc(last), precision)
    assert moment.earliest == (utc(first) if first else utc("1700-01-01 00:01:15"))
    assert not moment.is_exact


NO_TIME = [
    ("", TimeProblem.NOT_A_TIME),
    ("yesterday", TimeProblem.NOT_A_TIME),
    ("2024-3-11", TimeProblem.NOT_A_TIME),
    ("11.03.2024", TimeProblem.NOT_A_TIME),
    ("20240311", TimeProblem.NOT_A_TIME),
    ("20240311T143000Z", TimeProblem.NOT_A_TIME),
    ("2024-03-11 14:30:00Z", TimeProblem.NOT_A_TIME),
    ("2024-03-11t14:30:00Z", TimeProblem.NOT_A_TIME),
    ("2024-03-11T14:30:00z", TimeProblem.NOT_A_TIME),
    ("2024-03-11T14Z", TimeProblem.NOT_A_TIME),
    ("2024-03-11T", TimeProblem.NOT_A_TIME),
    ("2024-03-11T14:30:00Z\n", TimeProblem.NOT_A_TIME),
    (" 2024-03-11", TimeProblem.NOT_A_TIME),
    ("2024-03-11T14:30:00.Z", TimeProblem.NOT_A_TIME),
    ("2024-03-11T14:30:00,5Z", TimeProblem.NOT_A_TIME),
    ("2024-03-11T14:30:00+0100", TimeProblem.NOT_A_TIME),
    ("2024-03-11T14:30:00+01", TimeProblem.NOT_A_TIME),
    ("2024-03-11Z", TimeProblem.NOT_A_TIME),
    ("2024-03-11T14:30:00+01:00[Europe/Berlin]", TimeProblem.NOT_A_TIME),
    ("2024-W11-1T14:30:00+01:00", TimeProblem.NOT_A_TIME),  # 25 characters, a week date of ISO 8601
    ("2024-03-11T143000.5+01:00", TimeProblem.NOT_A_TIME),  # 25 characters, ISO 8601 basic form
    ("2024-03-11T14:30:00+01:75", TimeProblem.NOT_A_TIME),  # FHIR: offsets to ±14:00, minutes to 59
    ("2024-03-11T14:30:00.5+01:75", TimeProblem.NOT_A_TIME),
    ("2024-03-11T14:30:00+14:30", TimeProblem.NOT_A_TIME),
    ("2024-03-11T14:30:00-23:00", TimeProblem.NOT_A_TIME),
    ("2024-03-11T14:30:00+99:00", TimeProblem.NOT_A_TIME),
    ("٢٠٢٤-٠٣-١١", TimeProblem.NOT_A_TIME),
    ("2024-03-11T14:30:0٠+01:00", TimeProblem.NOT_A_TIME),
    ("+2024-03-11", TimeProblem.NOT_A_TIME),
    ("12024-03-11", TimeProblem.NOT_A_TIME),
    ("2024-03-11T14:30:00", TimeProblem.NO_OFFSET),
    ("2024-03-11T14:30", TimeProblem.NO_OFFSET),
    ("2023-02-29", TimeProblem.NO_SUCH_DAY),
    ("1900-02-29", TimeProblem.NO_SUCH_DAY),  # a century that is not a leap year
    ("2024-02-30", TimeProblem.NO_SUCH_DAY),
    ("2024-04-31", TimeProblem.NO_SUCH_DAY),
    ("2024-00-10", TimeProblem.NO_SUCH_DAY),
    ("2024-13-10", TimeProblem.NO_SUCH_DAY),
    ("2024-13", TimeProblem.NO_SUCH_DAY),
    ("2024-03-00", TimeProblem.NO_SUCH_DAY),
    ("2023-02-29T10:00:00+01:00", TimeProblem.NO_SUCH_DAY),
    ("2024-03-11T24:00:00Z", TimeProblem.NO_SUCH_DAY),
    ("2024-03-11T24:00:00+01:00", TimeProblem.NO_SUCH_DAY),
    ("2024-03-11T25:00:00+01:00", TimeProblem.NO_SUCH_DAY),
    ("2024-03-11T14:60:00Z", TimeProblem.NO_SUCH_DAY),
    ("2024-03-11T14:30:61Z", TimeProblem.NO_SUCH_DAY),
    ("2024-03-11T14:30:99+01:00", TimeProblem.NO_SUCH_DAY),
    ("0000", TimeProblem.YEAR),
    ("0024-03-11", TimeProblem.YEAR),
    ("0001-01-01T00:00:00+05:00", TimeProblem.YEAR),
    ("1699-12-31", TimeProblem.YEAR),
    ("3000-01-01", TimeProblem.YEAR),
    ("3024-03-11T14:30:00+01:00", TimeProblem.YEAR),
    ("9999-12-31T23:59:59Z", TimeProblem.YEAR),
    ("9999-12-31T23:59:59-12:00", TimeProblem.YEAR),
]


@pytest.mark.parametrize(("text", "problem"), NO_TIME)
def test_text_that_is_no_time_is_a_problem_and_never_a_guess(text: str, problem: TimeProblem) -> None:
    assert moment_from_text(text, BERLIN) is problem


def test_day_that_a_zone_left_out_is_a_problem_there_and_a_day_elsewhere() -> None:
    assert moment_from_text("2011-12-30", APIA) is TimeProblem.NO_SUCH_DAY
    assert moment_from_text("2011-12-30", BERLIN) == day_moment(date(2011, 12, 30), BERLIN)


# Where midnight means "some time that day" it is the ward's midnight that does.
MIDNIGHT = [
    (BERLIN, "2024-03-11T00:00:00+01:00", "2024-03-11"),
    (BERLIN, "2024-03-10T23:00:00Z", "2024-03-11"),
    (BERLIN, "2024-03-10T18:00:00-05:00", "2024-03-11"),
    (BERLIN, "2024-03-11T00:00:00.000+01:00", "2024-03-11"),
    (BERLIN, "2024-03-11T00:00", "2024-03-11"),
    (KATHMANDU, "2024-03-11T00:00:00+05:45", "2024-03-11"),
    (BERLIN, "2024-03-11T00:00:00Z", None),
    (BERLIN, "2024-03-11T00:00:01+01:00", None),
    (BERLIN, "2024-03-11T23:59:59+01:00", None),
    (SAO_PAULO, "2018-11-04T01:00:00-02:00", None),  # the first instant of that day, but the clocks show 01:00
]


@pytest.mark.parametrize(("zone", "text", "day"), MIDNIGHT)
def test_midnight_means_the_day_only_where_the_source_map_says_so(zone: ZoneInfo, text: str, day: str | None) -> None:
    plain = moment_from_text(text, zone, local_if_no_offset=True)
    assert isinstance(plain, Moment)
    assert plain.is_exact
    read = moment_from_text(text, zone, midnight_is_day=True, local_if_no_offset=True)
    assert read == (day_moment(date.fromisoformat(day), zone) if day else plain)


# The clocks of a zone first show a time on a day: (zone, day, wall time, UTC).
SHOWN = [
    (BERLIN, "2024-03-11", "07:00", "2024-03-11 06:00:00"),
    (BERLIN, "2024-03-31", "02:30", "2024-03-31 01:00:00"),  # left out: the first instant after
    (BERLIN, "2024-10-27", "02:30", "2024-10-27 00:30:00"),  # twice: the first
    (NEW_YORK, "2024-03-10", "02:00", "2024-03-10 07:00:00"),
    (NEW_YORK, "2024-11-03", "01:00", "2024-11-03 05:00:00"),
    (LORD_HOWE, "2024-10-06", "02:15", "2024-10-05 15:30:00"),
    (LORD_HOWE, "2024-04-07", "01:45", "2024-04-06 14:45:00"),
    (SAO_PAULO, "2018-11-04", "00:00", "2018-11-04 03:00:00"),
    (KATHMANDU, "1986-01-01", "00:00", "1985-12-31 18:30:00"),
    (APIA, "2011-12-30", "07:00", "2011-12-30 10:00:00"),
    (HAVANA, "2024-11-03", "00:00", "2024-11-03 04:00:00"),
]


@pytest.mark.parametrize(("zone", "day", "wall", "expected"), SHOWN)
def test_instant_of_a_wall_time(zone: ZoneInfo, day: str, wall: str, expected: str) -> None:
    assert instant_of(date.fromisoformat(day), time.fromisoformat(wall), zone) == utc(expected)


def test_order_by_minute_and_open_where_the_precision_leaves_it_open() -> None:
    def at(text: str) -> Moment:
        moment = moment_from_text(text, BERLIN)
        assert isinstance(moment, Moment)
        return moment

    # two times of day: by the minute (design: a finding charted in the same minute is the state found before)
    assert order(at("2024-03-11T14:30:59Z"), at("2024-03-11T14:30:00Z")) == 0
    assert order(at("2024-03-11T14:30:59Z"), at("2024-03-11T14:31:00Z")) == -1
    assert order(at("2024-03-11T14:31:00Z"), at("2024-03-11T14:30:59Z")) == 1
    # 15:09-05:00 is 20:09Z, later than 19:16Z although its text is smaller
    assert order(at("2024-03-11T15:09:00-05:00"), at("2024-03-11T19:16:00Z")) == 1
    # a day and a time in it, a day and its month: open; a day and the next one: not
    assert order(at("2024-03-11"), at("2024-03-11T14:30:00+01:00")) == 0
    assert order(at("2024-03"), at("2024-03-11")) == 0
    assert order(at("2024-03-11"), at("2024-03-12")) == -1
    assert order(at("2024-03-12T00:00:00+01:00"), at("2024-03-11")) == 1
    assert order(at("2024-03-11T23:59:59+01:00"), at("2024-03-12")) == -1


OFFSETS = st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))
AWARE = st.datetimes(datetime.fromisoformat("1700-01-03"), datetime.fromisoformat("2999-12-29"), timezones=OFFSETS)
DAYS = st.dates(date(1971, 1, 1), date(2100, 12, 31)).filter(lambda day: day != date(2011, 12, 30))


@settings(deadline=None)
@given(AWARE, st.sampled_from(ZONES))
def test_aware_time_agrees_with_the_standard_library(when: datetime, zone: ZoneInfo) -> None:
    elapsed = when.replace(microsecond=0) - datetime(1970, 1, 1, tzinfo=UTC)
    expected = exactly(elapsed.days * DAY + elapsed.seconds)
    assert moment_from_text(when.isoformat(timespec="seconds"), zone) == expected
    assert moment_from_text(when.isoformat(timespec="microseconds"), zone) == expected
    assert moment_from_text(datetime.fromtimestamp(expected.earliest, UTC).strftime("%4Y-%m-%dT%H:%M:%SZ"), zone) == expected


@settings(deadline=None)
@given(DAYS, st.sampled_from(ZONES))
def test_day_begins_where_the_day_before_ends(day: date, zone: ZoneInfo) -> None:
    begin, after = start_of_day(day, zone), start_of_day(day + timedelta(days=1), zone)
    assert local_date(begin, zone) == day
    assert local_date(begin - 1, zone) < day
    assert local_date(after - 1, zone) == day
    assert 22.5 * 3600 <= after - begin <= 25.5 * 3600
    assert day_moment(day, zone) == Moment(begin, after - 1, Precision.DAY)
    assert moment_from_text(day.isoformat(), zone) == day_moment(day, zone)


@settings(deadline=None)
@given(DAYS, st.times(), st.sampled_from(ZONES))
def test_wall_time_is_shown_or_was_left_out(day: date, wall: time, zone: ZoneInfo) -> None:
    wall = wall.replace(microsecond=0)
    at = instant_of(day, wall, zone)
    shown = datetime.fromtimestamp(at, zone)
    assert shown.replace(tzinfo=None) >= datetime.combine(day, wall)
    assert datetime.fromtimestamp(at - 1, zone).replace(tzinfo=None) < datetime.combine(day, wall)
    assert is_local_midnight(at, zone) == (shown.time() == time(0))


# The pattern of dateTime as FHIR R4 prints it, with seconds left optional and the calendar left to us.
R4_FORM = re.compile(
    r"\d{4}(-\d\d(-\d\d(T\d\d:\d\d(:\d\d(\.\d+)?)?(Z|[+-]((0\d|1[0-3]):[0-5]\d|14:00))?)?)?)?", re.ASCII
)
NEARLY = st.tuples(st.from_regex(R4_FORM, fullmatch=True), st.integers(0, 40), st.sampled_from("0159-:TZ+.W ٣")).map(
    lambda parts: parts[0][: parts[1]] + parts[2] + parts[0][parts[1] + 1 :]
)


@settings(deadline=None)
@given(st.from_regex(R4_FORM, fullmatch=True) | NEARLY)
def test_text_is_read_only_in_the_form_the_standard_asks_for(text: str) -> None:
    known = R4_FORM.fullmatch(text) is not None
    assert (moment_from_text(text, BERLIN) is not TimeProblem.NOT_A_TIME) == known


def test_what_is_kept_of_times_read_does_not_grow_without_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(moment, "_MOST_PIECES", 5)
    moment._HOURS.clear()
    moment._OFFSETS.clear()
    for hour in range(24):
        for offset in ("Z", ".1Z", ".22Z", "+01:00", ".333Z", "-05:00", ".4444Z"):
            told = datetime(2026, 3, 8, hour, 30, tzinfo=UTC).isoformat()[:19] + offset
            shift = {"+01:00": -3600, "-05:00": 5 * 3600}.get(offset, 0)
            assert moment_from_text(told, UTC) == exactly(calendar.timegm((2026, 3, 8, hour, 30, 0)) + shift)
    assert len(moment._HOURS) <= 5
    assert len(moment._OFFSETS) <= 5


def test_piece_of_no_usual_length_is_read_and_not_kept() -> None:
    kept = len(moment._OFFSETS)
    assert moment_from_text("2026-03-08T10:00:00." + "1" * 10_000 + "Z", UTC) == exactly(calendar.timegm((2026, 3, 8, 10, 0, 0)))
    assert len(moment._OFFSETS) == kept
