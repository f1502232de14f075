"""Every star of a scenario with its place as people know it, so that a wrong one is seen."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from typing import Any

from planner.scenario.plausibility import ListedStar

SPELT = {"Ophiucus": "Ophiuchus"}  # astropy leaves out a letter of what the IAU writes


def stars_listed(stars: Sequence[ListedStar]) -> list[dict[str, Any]]:
    """Return name, table, file, row, place and constellation of each star, ready for JSON.

    Places are ICRS at the star's epoch; constellations are those of Roman (1987),
    PASP 99, 695, as astropy has them.
    """
    from astropy import units
    from astropy.coordinates import SkyCoord

    if not stars:
        return []
    ra, dec = ([getattr(one.star, key) for one in stars] for key in ("ra_deg", "dec_deg"))
    places = SkyCoord(ra, dec, unit="deg", frame="icrs")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        names = [SPELT.get(str(name), str(name)) for name in places.get_constellation()]
    hours = places.ra.to_string(unit=units.hourangle, sep=":", precision=2, pad=True)
    degrees = places.dec.to_string(unit=units.deg, sep=":", precision=1, pad=True, alwayssign=True)
    return [
        {
            "name": one.star.name,
            "table": one.role,
            "file": one.file,
            "row": one.row,
            "ra": str(hour),
            "dec": str(degree),
            "ra_deg": one.star.ra_deg,
            "dec_deg": one.star.dec_deg,
            "epoch_yr": one.star.epoch_yr,
            "constellation": name,
        }
        for one, hour, degree, name in zip(stars, hours, degrees, names, strict=True)
    ]


def lines_listed(rows: Sequence[dict[str, Any]]) -> list[str]:
    """Return the same as lines of text in columns."""
    columns = ("name", "ra", "dec", "constellation", "file", "row")
    widths = [max((len(str(row[key])) for row in rows), default=0) for key in columns]
    return [
        "  ".join(str(row[key]).ljust(width) for key, width in zip(columns, widths, strict=True)).rstrip()
        for row in rows
    ]
