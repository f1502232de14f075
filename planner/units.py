"""Constants and conversions that more than one floor needs; units stand in the names."""

from __future__ import annotations

import math

RAD_PER_MAS = math.pi / 180.0 / 3_600_000.0
RAD_PER_ARCSEC = math.pi / 180.0 / 3_600.0
DAY_S = 86_400.0
LIGHT_KM_PER_S = 299_792.458  # exact, by the definition of the metre (SI)
SIDEREAL_RAD_PER_S = 7.292115146706979e-05  # Earth's nominal rotation, IERS Conventions (2010), ch. 1


def handy(value: float, unit: str) -> tuple[float, str]:
    """Return a margin in the unit in which people tell it: carriages' speeds in millimetres per second.

    Examples
    --------
    >>> handy(0.25, "m/s of light"), handy(3.0, "deg")
    ((250.0, 'mm/s of light'), (3.0, 'deg'))
    """
    return (1e3 * value, f"m{unit}") if unit.startswith("m/s") else (value, unit)


def handy_short(value: float, unit: str) -> tuple[float, str]:
    """Return by how much a limit is missed in a unit that people count in: times from two hours on in h or d.

    Examples
    --------
    >>> handy_short(90.0, "min"), handy_short(1380.0, "min"), handy_short(0.25, "m/s")
    ((90.0, 'min'), (23.0, 'h'), (250.0, 'mm/s'))
    """
    if unit == "min" and abs(value) >= 120.0:
        return (value / 60.0, "h") if abs(value) < 2880.0 else (value / 1440.0, "d")
    return handy(value, unit)
