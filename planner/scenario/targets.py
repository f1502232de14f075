"""Stars, what is asked of them, and what earlier nights observed: the rows of the tables.

Positions are ICRS at the catalogue's epoch (Julian year), proper motion in
right ascension includes cos(dec), as in the catalogues.
"""

from __future__ import annotations

import datetime
import math

from pydantic import Field, model_validator

from planner.scenario.array import Array, Combiner
from planner.scenario.night import (
    Effort,
    Limits,
    NightSettings,
    RequestExtras,
    Reserved,
    Utc,
)
from planner.scenario.programs import GoodPlan, Program
from planner.scenario.values import Name, Names, NotNegative, Number, Part, Positive, Whole

# Beyond what any star does: a typing slip or a wrong unit (the stars' own values from memory). The largest
# proper motion is 10,390 mas/yr (Barnard's star), the largest parallax 768 mas (Proxima Centauri); a star
# that leaves the Galaxy goes at 1,755 km/s (S5-HVS1, Koposov et al. 2020), but none so fast is near.
MOTION_MAX_MAS = 11_000.0
PARALLAX_MAX_MAS = 800.0
RADIAL_MAX_KM_PER_S = 1_800.0
NEAR_MAS, QUICK_MAS, SPEED_MAX_KM_PER_S = 10.0, 1_000.0, 1_000.0
KM_PER_S_OF_AU_PER_YR = 4.74047

LONGEST_OBSERVATION = datetime.timedelta(days=1)


class Star(Part):
    """A star: place, motion, brightness, size."""

    name: Name = Field(description="Name of the star, one per row.")
    ra_deg: Number = Field(ge=0, lt=360, description="Right ascension, ICRS.")
    dec_deg: Number = Field(ge=-90, le=90, description="Declination, ICRS.")
    epoch_yr: Number = Field(default=2000.0, ge=1800, le=2200, description="Epoch of the place, Julian year.")
    pmra_mas_per_yr: Number = Field(
        default=0.0,
        ge=-MOTION_MAX_MAS,
        le=MOTION_MAX_MAS,
        description="Proper motion in ra, cos(dec) included.",
    )
    pmdec_mas_per_yr: Number = Field(
        default=0.0, ge=-MOTION_MAX_MAS, le=MOTION_MAX_MAS, description="Proper motion in dec."
    )
    parallax_mas: Number = Field(
        default=0.0, le=PARALLAX_MAX_MAS, description="Parallax; zero or negative means none is applied."
    )
    radial_velocity_km_per_s: Number = Field(
        default=0.0,
        ge=-RADIAL_MAX_KM_PER_S,
        le=RADIAL_MAX_KM_PER_S,
        description="Radial velocity, receding positive.",
    )
    mag: dict[str, Number] = Field(default_factory=dict, description="Magnitude by band, columns mag_<band>.")
    diameter_mas: NotNegative | None = Field(default=None, le=1000, description="Uniform-disk diameter.")
    diameter_error_mas: NotNegative | None = Field(default=None, le=1000, description="Its standard error.")

    @model_validator(mode="after")
    def _moves_as_stars_do(self) -> Star:
        motion = math.hypot(self.pmra_mas_per_yr, self.pmdec_mas_per_yr)
        if motion > MOTION_MAX_MAS:
            raise ValueError(
                f"has a proper motion of {motion:,.0f} mas a year; no star's is {MOTION_MAX_MAS:,.0f}"
            )
        # A small parallax is mostly its error: then it says nothing about the speed.
        if self.parallax_mas >= NEAR_MAS or (motion > QUICK_MAS and self.parallax_mas > 0):
            across = KM_PER_S_OF_AU_PER_YR * motion / self.parallax_mas
            speed = math.hypot(across, self.radial_velocity_km_per_s)
            if speed > SPEED_MAX_KM_PER_S:
                raise ValueError(
                    f"has the proper motion, parallax and radial velocity of a star at {speed:,.0f} km/s; "
                    f"none so near goes at {SPEED_MAX_KM_PER_S:,.0f}"
                )
        return self


class Request(Part):
    """What a program asks for: a target, a combiner, a number of visits."""

    star: Star
    combiner: Name = Field(description="Name of the combiner.")
    priority: Whole = Field(default=1, ge=1, le=1000, description="Weight of a newly filled cell, 1 to 1000.")
    visits: Whole = Field(default=1, ge=1, le=50, description="Visits wanted this night.")
    field_mas: Positive = Field(
        le=10000, description="Field of view of the source, which sets the cell size."
    )
    extras: RequestExtras

    @property
    def name(self) -> str:
        """The target's name."""
        return self.star.name


class Observation(Part):
    """What an earlier night recorded of a target: combiner, stations, from when to when."""

    target: Name = Field(description="Name of the target in the target table.")
    combiner: Name = Field(description="Name of the combiner that recorded it.")
    stations: Names = Field(
        description="Stations of the telescopes, separated by commas, as many as the combiner has beams."
    )
    telescopes: Names = Field(
        default=(),
        description="Telescopes on these stations, in their order; needed where pupils may differ in height.",
    )
    start_utc: Utc = Field(description="When recording began, UTC, 1990 to 2060.")
    end_utc: Utc = Field(description="When recording ended, UTC, later than the start by a day at most.")

    @model_validator(mode="after")
    def _order(self) -> Observation:
        if self.end_utc <= self.start_utc:
            raise ValueError("has an end_utc that is not later than its start_utc")
        if self.end_utc - self.start_utc > LONGEST_OBSERVATION:
            raise ValueError("has an end_utc more than a day after its start_utc")
        return self


class Scenario(Part):
    """Everything that the user wrote, read and checked."""

    name: Name
    title: Name
    array: Array
    night: NightSettings
    limits: Limits
    effort: Effort
    requests: tuple[Request, ...]
    calibrators: tuple[Star, ...]
    history: tuple[Observation, ...] = ()
    reserved: tuple[Reserved, ...] = ()
    programs: tuple[Program, ...] = ()
    plan: GoodPlan = GoodPlan()

    def combiner_of(self, request: Request) -> Combiner:
        """Return the combiner of a request in the spectral setup and with the tracking that it wants."""
        own = self.array.combiner(request.combiner, request.extras.spectral_setup)
        return own.untracked() if request.extras.tracking == "none" else own

    def science_step_s(self, request: Request) -> float:
        """Return how long a science step of a request takes: recording, overhead, swap of two stars."""
        second, own = request.extras.second_star, self.array.dual_feed
        swap_s = own.swap_s if own is not None and second is not None and second.swap else 0.0
        return self.combiner_of(request).recording_s[True] + swap_s
