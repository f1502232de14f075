"""Times for the audit: instants between which seconds are counted, and their names in UTC.

An instant is a ``datetime`` without a time zone on the scale TAI, where a
minute always has sixty seconds: differences are seconds that pass, also over
a leap second. TAI - UTC comes from ERFA's table, which astropy keeps up to date.
"""

from __future__ import annotations

import functools
import warnings
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

import erfa
from astropy.time import Time

DAY = timedelta(days=1)
SECOND = timedelta(seconds=1)


@functools.cache
def _ahead(day: date) -> timedelta:
    """TAI - UTC at the beginning of a day."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", erfa.ErfaWarning)  # of years for which none is announced yet
        return timedelta(seconds=float(erfa.dat(day.year, day.month, day.day, 0.0)))


def instant(utc: datetime) -> datetime:
    """Return the instant of a time in UTC (with or without its zone)."""
    bare = utc.astimezone(UTC).replace(tzinfo=None) if utc.tzinfo else utc
    return bare + _ahead(bare.date())


def moment(text: str | None) -> datetime | None:
    """Return the instant that a plan tells, or None when it does not tell one in UTC.

    Examples
    --------
    >>> moment("2027-03-11T23:30:00Z") - moment("2027-03-11T23:29:00Z")
    datetime.timedelta(seconds=60)
    >>> moment("2017-01-01T00:00:00Z") - moment("2016-12-31T23:59:60Z")
    datetime.timedelta(seconds=1)
    >>> moment("2027-03-11T23:59:60Z") is None, moment("half past eleven") is None
    (True, True)
    """
    if not isinstance(text, str):
        return None
    leap = text[17:19] == "60"
    try:
        found = datetime.fromisoformat(f"{text[:17]}59{text[19:]}" if leap else text)
        if found.utcoffset() != timedelta(0):
            return None
        passed = instant(found) + (SECOND if leap else timedelta(0))
        # Only at the end of some days there is a sixtieth second.
        return passed if not leap or clock(passed).startswith(text[11:19]) else None
    except (ValueError, OverflowError, erfa.ErfaError):
        return None


def clock(passed: datetime) -> str:
    """Return an instant as HH:MM:SS UTC.

    Examples
    --------
    >>> clock(moment("2016-12-31T23:59:60Z"))
    '23:59:60 UTC'
    """
    earlier = _ahead((passed - DAY).date())
    for ahead in (_ahead(passed.date()), earlier):
        utc = passed - ahead
        if _ahead(utc.date()) == ahead:
            return utc.strftime("%H:%M:%S UTC")
    return (passed - earlier - SECOND).strftime("%H:%M:60 UTC")


def times_of(instants: Sequence[datetime]) -> Time:
    """Return instants as astropy's times in UTC, (instant,)."""
    found = Time(list(instants), format="datetime", scale="tai").utc
    found.format = "isot"  # Python's datetime has no word for a leap second
    return found
