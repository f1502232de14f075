"""The night's settings as the user writes them in ``scenario.toml``.

Times are UTC. A night is named by the local date of its evening: the night of
2027-03-11 lies between the local noons of the 11th and the 12th.
"""

from __future__ import annotations

import datetime
import functools
import itertools
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from planner.scenario.programs import FrequencyWeight, PhaseWindow, Worth
from planner.scenario.values import (
    Name,
    Names,
    NotNegative,
    Number,
    Part,
    Positive,
    Recording,
    Seconds,
    Whole,
)

# For these years the shipped Earth-orientation table and the ephemerides are known to hold.
FIRST_DATE, LAST_DATE = datetime.date(1990, 1, 1), datetime.date(2060, 12, 31)


def in_utc(moment: datetime.datetime, *, last: datetime.date = LAST_DATE) -> datetime.datetime:
    """Return a time in UTC.

    Raises
    ------
    ValueError
        Without a zone, or outside the years that can be planned.
    """
    if moment.tzinfo is None:
        raise ValueError(f"is {moment.isoformat()}, without a zone; end it with Z for UTC")
    if not FIRST_DATE <= moment.date() <= last:
        raise ValueError(f"is {moment.isoformat()}, outside {FIRST_DATE.year} to {LAST_DATE.year}")
    return moment.astimezone(datetime.UTC)


Utc = Annotated[datetime.datetime, AfterValidator(in_utc)]
# The morning after the last night still belongs to it.
LAST_MORNING = LAST_DATE + datetime.timedelta(days=1)
NightUtc = Annotated[datetime.datetime, AfterValidator(functools.partial(in_utc, last=LAST_MORNING))]


class NightSettings(Part):
    """``[night]``: which night, how dark, how fine."""

    date: datetime.date = Field(
        ge=FIRST_DATE, le=LAST_DATE, description="Local date of the evening, YYYY-MM-DD, 1990 to 2060."
    )
    configuration: Name = Field(description="Name of the configuration in use.")
    sun_altitude_max_deg: Number = Field(
        default=-18.0, ge=-30, le=0, description="The Sun must be below this altitude (-18, -12 or -6)."
    )
    slot_s: Whole = Field(default=300, ge=60, le=3600, description="Visits start on multiples of this.")
    tick_s: Whole = Field(
        default=30,
        ge=10,
        le=60,
        description="Steps start and end on multiples of this; limits are kept at each.",
    )

    @model_validator(mode="after")
    def _grid(self) -> NightSettings:
        if self.slot_s % self.tick_s:
            raise ValueError(f"has a slot_s ({self.slot_s}) that is not a multiple of tick_s ({self.tick_s})")
        return self


class Limits(Part):
    """``[limits]``: what holds for every request unless the request says otherwise."""

    airmass_max: Number | None = Field(default=None, gt=1, description="Largest airmass.")
    hour_angle_max_h: Number | None = Field(
        default=None, gt=0, le=12, description="Largest hour angle on either side of the meridian."
    )
    moon_separation_min_deg: NotNegative = Field(
        default=0.0, le=180, description="Smallest angle between the star and the Moon."
    )
    moon_illumination_max: NotNegative = Field(
        default=1.0, le=1, description="Largest lit fraction of the Moon while it is up, 0 to 1."
    )
    bracket_distance_max_deg: Positive = Field(
        default=10.0, le=90, description="Largest angle between a science star and its calibrator."
    )
    calibrator_vis2_min: NotNegative = Field(
        default=0.3,
        lt=1,
        description="A calibrator must keep this squared visibility on the longest baseline of the subarray.",
    )


class Effort(Part):
    """``[effort]``: how much the solver is given; the same effort gives the same plan."""

    deterministic: Positive = Field(default=40.0, le=10000, description="Deterministic work units of CP-SAT.")
    subarrays_per_request: Whole = Field(
        default=3, ge=1, le=50, description="Subarrays offered to the solver for each request, best first."
    )
    calibrators_per_request: Whole = Field(
        default=2,
        ge=1,
        le=10,
        description="Calibrators offered to the solver for each request, nearest first.",
    )
    brackets_per_start: Whole = Field(
        default=2, ge=1, le=20, description="Calibrator pairs offered at each start, shortest visit first."
    )
    assignments_per_start: Whole = Field(
        default=1,
        ge=1,
        le=1000,
        description="Ways to lead a subarray's light (lines, mode, path segments) offered at each start.",
    )


class Window(Part):
    """An absolute interval in UTC."""

    start_utc: NightUtc = Field(description="Start, such as 2027-03-12T02:10:00Z.")
    end_utc: NightUtc = Field(description="End, later than the start.")

    @model_validator(mode="after")
    def _order(self) -> Window:
        if self.end_utc <= self.start_utc:
            raise ValueError("has an end_utc that is not later than its start_utc")
        return self


class GuideStar(Part):
    """A star beside the target that tip-tilt or adaptive optics follow."""

    ra_deg: Number = Field(ge=0, lt=360, description="Right ascension, ICRS, at the target's epoch.")
    dec_deg: Number = Field(ge=-90, le=90, description="Declination, ICRS.")
    mag: dict[str, Number] = Field(description="Its magnitude by band, such as { V = 9.5 }.")


class SecondStar(Part):
    """The other star of a dual-feed request; it moves through the sky with the target."""

    name: Name = Field(description="Name of the second star.")
    ra_deg: Number = Field(ge=0, lt=360, description="Right ascension, ICRS, at the target's epoch.")
    dec_deg: Number = Field(ge=-90, le=90, description="Declination, ICRS.")
    mag: dict[str, Number] = Field(description="Its magnitude by band, such as { K = 6.1 }.")
    diameter_mas: NotNegative = Field(default=0.0, le=1000, description="Its uniform-disk diameter.")
    swap: Annotated[bool, Field(strict=True)] = Field(
        default=False, description="true to exchange the two stars in the middle of the science step."
    )
    angle_error_uas: Positive | None = Field(
        default=None,
        le=1e6,
        description="Error wanted of the angle between the stars (narrow-angle astrometry).",
    )


PAST = "already past"


class Reserved(Part):
    """Time that is not for stars: engineering, alignment, a telescope that somebody works on.

    Either at a given time (``start_utc`` and ``end_utc``), or as long as
    ``duration_s`` at a time that the planner chooses inside ``windows``.
    """

    name: Name = Field(description="What the time is reserved for.")
    start_utc: NightUtc | None = Field(default=None, description="Start, such as 2027-03-12T02:10:00Z.")
    end_utc: NightUtc | None = Field(default=None, description="End, later than the start.")
    telescopes: Names = Field(
        default=(),
        description="Telescopes that it takes away, at a given time only; empty means the whole array.",
    )
    duration_s: Recording | None = Field(
        default=None, description="How long it takes, at a time to be chosen."
    )
    windows: tuple[Window, ...] = Field(
        default=(), description="Intervals to choose from; empty means the whole night."
    )
    ready_s: Seconds = Field(default=0.0, description="Time after it before the next star can be acquired.")

    @model_validator(mode="after")
    def _given_or_chosen(self) -> Reserved:
        given = [moment for moment in (self.start_utc, self.end_utc) if moment is not None]
        if len(given) == 1 or bool(given) == (self.duration_s is not None):
            raise ValueError("needs either start_utc and end_utc, or duration_s")
        if given and given[1] <= given[0]:
            raise ValueError("has an end_utc that is not later than its start_utc")
        if given and self.windows:
            raise ValueError("has windows beside start_utc and end_utc")
        if self.telescopes and not given:
            raise ValueError("names telescopes without start_utc and end_utc; a chosen time takes the array")
        return self

    def is_past(self, dusk: datetime.datetime) -> bool:
        """Whether a replanning has put it there for what is over, not the user for one of that name."""
        begins = self.start_utc is not None and self.start_utc < dusk
        return self.name == PAST and begins and not self.telescopes


class RequestExtras(Part):
    """``[[request]]``: what a request needs beyond its row in the target table."""

    target: Name = Field(description="Name of the target in the target table.")
    windows: tuple[Window, ...] = Field(
        default=(), description="The visit must lie inside one of these intervals; empty means any time."
    )
    hour_angle_range_h: tuple[Number, Number] | None = Field(
        default=None, description="Hour angle of the science star as [from, to], within -12 to 12."
    )
    airmass_max: Number | None = Field(default=None, gt=1, description="Largest airmass for this request.")
    moon_separation_min_deg: Number | None = Field(
        default=None, ge=0, le=180, description="Smallest angle to the Moon for this request."
    )
    moon_illumination_max: Number | None = Field(
        default=None, ge=0, le=1, description="Largest lit fraction of the Moon for this request."
    )
    telescopes: Names = Field(
        default=(), description="Only subarrays made of these telescopes; empty means any."
    )
    spectral_setup: Name | None = Field(
        default=None, description="Spectral setup of its combiner; none means the combiner's own keys."
    )
    tracking: Literal["group delay", "phase", "none"] = Field(
        default="group delay",
        description="Fringe tracking wanted at least: 'group delay', 'phase', or 'none'.",
    )
    guide_star: GuideStar | None = Field(
        default=None, description="Guide star beside the target; none means the target itself."
    )
    second_star: SecondStar | None = Field(
        default=None, description="Second star of a dual feed; the fringe tracker follows it."
    )
    phase: PhaseWindow | None = Field(
        default=None, description="Phases at which the science step is recorded; none means any."
    )
    gap_min_h: NotNegative = Field(
        default=0.0, le=24, description="Least time from the end of one of its visits to the next, hours."
    )
    all_or_nothing: Annotated[bool, Field(strict=True)] = Field(
        default=False, description="true when fewer visits than wanted are worth nothing."
    )
    after: Name | None = Field(
        default=None, description="Target of another request: visits here come after all of its visits."
    )
    only_with: Name | None = Field(
        default=None, description="Target of another request: no visit here in a night without one of it."
    )
    frequency_weights: tuple[FrequencyWeight, ...] = Field(
        default=(), description="Weights of cells by spatial frequency, the first that holds; 1 elsewhere."
    )
    cell_values: tuple[Worth, ...] = Field(
        default=(1,),
        min_length=1,
        max_length=10,
        description="What a cell is worth when it is filled the first time, the second, ...; never rising.",
    )
    cells_floor: Whole = Field(
        default=0, ge=0, le=10**6, description="With fewer cells in all nights together it is worth nothing."
    )
    cells_goal: Whole | None = Field(
        default=None, ge=1, le=10**6, description="More fillings of cells than this are worth nothing more."
    )

    @model_validator(mode="after")
    def _values_fall(self) -> RequestExtras:
        if any(later > earlier for earlier, later in itertools.pairwise(self.cell_values)):
            raise ValueError("has cell_values that rise")
        return self

    @model_validator(mode="after")
    def _hour_angle(self) -> RequestExtras:
        if self.hour_angle_range_h is not None:
            low, high = self.hour_angle_range_h
            if not -12 <= low < high <= 12:
                raise ValueError("has an hour_angle_range_h that does not rise within -12 to 12")
        return self


FileName = Annotated[str, Field(strict=True, min_length=1)]


class ScenarioFile(Part):
    """The top of ``scenario.toml``."""

    title: Name = Field(description="One line that says what this scenario is.")
    array: FileName = Field(default="array.toml", description="File with the array.")
    targets: FileName = Field(default="targets.ecsv", description="Table of targets and requests.")
    calibrators: FileName = Field(
        default="calibrators.ecsv",
        description="Table of calibrators; without one only feasibility answers, for the science stars.",
    )
    history: FileName | None = Field(
        default=None, description="Table of what earlier nights observed; none when left out."
    )
