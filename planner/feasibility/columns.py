"""The elementary limits of a subarray, and what they belong to."""

from __future__ import annotations

from dataclasses import dataclass

from planner.constraints.air import AIR as AIR
from planner.constraints.contrast import RESOLVED as RESOLVED
from planner.constraints.delay_range import DELAY_RANGE
from planner.constraints.tracker import TRACKER as TRACKER
from planner.constraints.two_stars import DIFFERENTIAL as DIFFERENTIAL
from planner.scheduling.routes import PUPIL as PUPIL

DELAY, RATE = DELAY_RANGE, "carriage tracking rate"
Stroke = tuple[float, float]


@dataclass(frozen=True)
class PairKey:
    """Two beams on two lines.

    Attributes
    ----------
    telescopes : (int, int)
        Index in the placement.
    strokes : (stroke, stroke)
    constant_m : float
        Constant path of the second beam (segment and input) minus that of the first.
    limit : str
        The delay range, or the part of it in which the pupil stays in place.
    """

    telescopes: tuple[int, int]
    strokes: tuple[Stroke, Stroke]
    constant_m: float
    limit: str = DELAY


@dataclass(frozen=True)
class RateKey:
    """A telescope's beam in a line that can follow so fast: path per second, metres of light."""

    telescope: int
    path_m_per_s: float


@dataclass(frozen=True)
class AirKey:
    """Two beams in lines filled with air; the constant as of a pair."""

    telescopes: tuple[int, int]
    constant_m: float


@dataclass(frozen=True)
class BaselineKey:
    """Two telescopes whose fringes the tracker may follow."""

    telescopes: tuple[int, int]


@dataclass(frozen=True)
class SecondKey:
    """Two telescopes that observe two stars at once."""

    telescopes: tuple[int, int]


@dataclass(frozen=True)
class ChainKey:
    """All telescopes of a subarray: a tracker holds them together, a target shows fringes on some."""

    telescopes: tuple[int, ...]


LightKey = AirKey | BaselineKey | SecondKey


@dataclass(frozen=True)
class Column:
    """One elementary limit: its margin has one number at each moment.

    Attributes
    ----------
    limit, unit : str
    of : int, one of the keys, or None
        A telescope, a pair, a beam in a line, all beams; None for the request itself.
    """

    limit: str
    unit: str
    of: int | PairKey | RateKey | LightKey | ChainKey | None
