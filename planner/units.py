"""Constants and conversions that more than one floor needs; units stand in the names."""

from __future__ import annotations

import math

RAD_PER_MAS = math.pi / 180.0 / 3_600_000.0
RAD_PER_ARCSEC = math.pi / 180.0 / 3_600.0
DAY_S = 86_400.0
SIDEREAL_RAD_PER_S = 7.292115146706979e-05  # Earth's nominal rotation, IERS Conventions (2010), ch. 1
