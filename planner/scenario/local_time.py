"""The clocks at a site: their zone, what they show at a moment, and which moment a clock time is."""

from __future__ import annotations

import datetime
import zoneinfo

UTC = datetime.UTC


def zone_named(name: str) -> zoneinfo.ZoneInfo:
    """Return a zone of the IANA time zone database.

    Raises
    ------
    ValueError
        When there is none of that name.
    """
    try:
        return zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(f"is {name!r}, no zone of the IANA time zone database") from None


def moments_of(local: datetime.datetime, zone: zoneinfo.ZoneInfo) -> list[datetime.datetime]:
    """Return the moments, in UTC, at which clocks of a zone show a time: none when they skip it, two on the
    night on which they are put back over it.

    Parameters
    ----------
    local : datetime
        Without a zone.
    zone : ZoneInfo
    """
    found = []
    for fold in (0, 1):
        when = local.replace(tzinfo=zone, fold=fold).astimezone(UTC)
        if when.astimezone(zone).replace(tzinfo=None) == local and when not in found:
            found.append(when)
    return found


def offset_told(when: datetime.datetime, zone: zoneinfo.ZoneInfo) -> str:
    """Return by how much clocks of a zone differ from UTC at a moment.

    Examples
    --------
    >>> offset_told(datetime.datetime(2027, 1, 1, tzinfo=UTC), zone_named("Etc/GMT+5"))
    '-05:00'
    """
    told = when.astimezone(zone).strftime("%z")
    return f"{told[:3]}:{told[3:5]}"


def zone_told(name: str, first: datetime.datetime, last: datetime.datetime) -> str:
    """Say what local time is between two moments, and when clocks change if they do.

    Examples
    --------
    >>> night = [datetime.datetime(2027, 1, day, tzinfo=UTC) for day in (1, 2)]
    >>> zone_told("Etc/GMT+5", *night)
    'Local time is that of Etc/GMT+5, UTC-05:00.'
    """
    zone = zone_named(name)
    start = f"Local time is that of {name}, UTC{offset_told(first, zone)}"
    minutes = int((last - first).total_seconds() // 60)
    for minute in range(minutes + 1):
        when = first.replace(second=0, microsecond=0) + datetime.timedelta(minutes=minute)
        if when.astimezone(zone).utcoffset() != first.astimezone(zone).utcoffset():
            return f"{start}, from {when:%H:%M} UTC on UTC{offset_told(when, zone)}."
    return f"{start}."
