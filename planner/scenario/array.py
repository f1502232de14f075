"""The array as the user describes it in ``array.toml``.

Each class is one table of the file; its fields are the keys, with the unit in
the name. The descriptions are the remedies shown when a value is refused and
the documentation in the published JSON Schema.

Sign conventions: station coordinates are east, north, up from the array's
reference point (metres); azimuth counts from north through east (degrees).
"""

from __future__ import annotations

import itertools
from typing import Annotated, Literal, TypeVar

from pydantic import Field, field_validator, model_validator

from planner.scenario.light_path import (
    BeamSensor,
    DualFeed,
    FringeTracker,
    InternalCalibration,
    PathSegment,
    RoutingMode,
    SpectralSetup,
    check_bright_limits,
    check_further_limits,
)
from planner.scenario.local_time import zone_named
from planner.scenario.values import (
    Name,
    NotNegative,
    Number,
    Part,
    Path,
    Positive,
    Recording,
    Seconds,
    Size,
    Speed,
    Wavelength,
    Whole,
)

T = TypeVar("T")
PRESSURE_MIN_HPA = 100.0  # a third of the air at 9000 m: below it a unit was mistaken
Mask = tuple[tuple[Number, Number], ...]


def check_mask(mask: Mask) -> Mask:
    """Refuse a horizon whose azimuths do not rise within 0..360 or whose altitudes leave 0..90."""
    azimuths = [point[0] for point in mask]
    if any(not 0 <= azimuth < 360 for azimuth in azimuths):
        raise ValueError("has an azimuth outside 0 (included) to 360 (excluded) degrees")
    if any(later <= earlier for earlier, later in itertools.pairwise(azimuths)):
        raise ValueError("has azimuths that do not rise from one point to the next")
    if any(not 0 <= point[1] <= 90 for point in mask):
        raise ValueError("has an altitude outside 0 to 90 degrees")
    return mask


class Site(Part):
    """Where the array stands, and its air."""

    name: Name = Field(description="Name of the site.")
    latitude_deg: Number = Field(ge=-90, le=90, description="Geodetic latitude, north positive (WGS84).")
    longitude_deg: Number = Field(ge=-180, le=360, description="Longitude, east positive (WGS84).")
    height_m: Number = Field(ge=-500, le=9000, description="Height above the WGS84 ellipsoid.")
    pressure_hpa: NotNegative = Field(
        default=0.0, le=1100, description="Air pressure for refraction; 0 means no refraction."
    )
    temperature_c: Number = Field(default=10.0, ge=-90, le=60, description="Air temperature.")
    relative_humidity: NotNegative = Field(default=0.2, le=1, description="Relative humidity, 0 to 1.")
    horizon_deg: Mask = Field(
        default=(), description="Skyline as [azimuth, altitude] points in degrees, azimuth rising."
    )
    time_zone: Name | None = Field(
        default=None,
        description="Zone of the site's clocks, an IANA name such as Etc/GMT+5; none means UTC alone.",
    )

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, value: str | None) -> str | None:
        if value is not None:
            zone_named(value)
        return value

    @model_validator(mode="after")
    def _air_and_horizon(self) -> Site:
        if 0 < self.pressure_hpa < PRESSURE_MIN_HPA:
            raise ValueError(f"has a pressure_hpa of {self.pressure_hpa:g}, which no site has; 0 means none")
        check_mask(self.horizon_deg)
        return self

    @property
    def ahead_h(self) -> float:
        """By how many hours local mean time is ahead of UTC, from -12 to below 12."""
        return (self.longitude_deg + 180.0) % 360.0 / 15.0 - 12.0


class TelescopeClass(Part):
    """Size, limits and speeds shared by several telescopes."""

    name: Name = Field(description="Name of the class.")
    diameter_m: Positive = Field(le=1000, description="Diameter of the pupil.")
    pupil_height_m: Size = Field(
        description="Height above the pad of the point where the two axes meet: the pupil's centre, where "
        "baselines end. The light's way down from it is as long and comes on top of fixed_path_m."
    )
    altitude_min_deg: Number = Field(ge=0, lt=90, description="Lowest altitude the telescope observes at.")
    altitude_max_deg: Number = Field(default=90.0, gt=0, le=90, description="Highest altitude.")
    azimuth_speed_deg_per_s: Speed = Field(description="Slew speed in azimuth.")
    altitude_speed_deg_per_s: Speed = Field(description="Slew speed in altitude.")
    azimuth_tracking_max_deg_per_s: Speed = Field(
        default=1.0, description="Fastest azimuth rate at which the mount still tracks."
    )
    azimuth_settle_s: Seconds = Field(description="Time to come to rest in azimuth.")
    altitude_settle_s: Seconds = Field(description="Time to come to rest in altitude.")
    azimuth_range_deg: tuple[Number, Number] = Field(
        default=(-270.0, 270.0), description="Travel of the cable wrap as [from, to], at least 360 wide."
    )
    enclosure_radius_m: Size = Field(description="Radius of the enclosure, a vertical cylinder.")
    enclosure_height_m: Size = Field(description="Height of its top above the pad.")
    obstruction_max: NotNegative = Field(
        default=0.0, lt=1, description="Largest fraction of the pupil a neighbour may hide."
    )
    acquisition_s: Seconds = Field(description="Time to acquire a star after a slew.")
    beam_mm: Positive | None = Field(
        default=None, le=1e5, description="Diameter of the beam it sends out; none means it fits any other."
    )
    guide_sensor: Literal["tip-tilt", "adaptive optics"] = Field(
        default="tip-tilt", description="What follows the guide star: 'tip-tilt' or 'adaptive optics'."
    )
    guide_band: Name | None = Field(
        default=None, description="Band of the guide star's limit; none means guiding limits nothing."
    )
    guide_limiting_magnitude: Number | None = Field(default=None, description="Faintest guide star.")
    guide_brightest_magnitude: Number | None = Field(default=None, description="Brightest guide star.")
    guide_distance_max_arcsec: NotNegative = Field(
        default=0.0, le=3600, description="Farthest guide star from the target; 0 means the target itself."
    )

    @model_validator(mode="after")
    def _order(self) -> TelescopeClass:
        if self.altitude_min_deg >= self.altitude_max_deg:
            raise ValueError("has altitude_min_deg at or above altitude_max_deg")
        low, high = self.azimuth_range_deg
        if high - low < 360:
            raise ValueError(
                f"has an azimuth_range_deg {high - low:g} degrees wide, which leaves sky unreached"
            )
        if high - low > 1080 or low < -720 or high > 720:
            raise ValueError("has an azimuth_range_deg outside -720 to 720 or wider than three turns")
        if (self.guide_band is None) != (self.guide_limiting_magnitude is None):
            raise ValueError("has one of guide_band and guide_limiting_magnitude without the other")
        brightest, faintest = self.guide_brightest_magnitude, self.guide_limiting_magnitude
        if brightest is not None and (faintest is None or brightest >= faintest):
            raise ValueError("has a guide_brightest_magnitude that is not below its guide_limiting_magnitude")
        return self


class Telescope(Part):
    """One telescope: fixed on a station, or movable and placed by a configuration."""

    name: Name = Field(description="Name of the telescope.")
    telescope_class: Name = Field(description="Name of its telescope class.")
    station: Name | None = Field(default=None, description="Its station, for a fixed telescope.")
    movable: Annotated[bool, Field(strict=True)] = Field(
        default=False, description="true when configurations place it."
    )


class Station(Part):
    """A pad with coordinates and a fixed path."""

    name: Name = Field(description="Name of the station.")
    east_m: Number = Field(ge=-20000, le=20000, description="East of the reference point.")
    north_m: Number = Field(ge=-20000, le=20000, description="North of the reference point.")
    up_m: Number = Field(
        ge=-2000, le=2000, description="Pad above the reference point; a telescope adds its pupil_height_m."
    )
    fixed_path_m: Path = Field(
        description="Constant optical path from the pad to the delay lines, without the way down to the pad."
    )
    telescope_classes: tuple[Name, ...] = Field(
        default=(), description="Classes that may stand here; empty means all."
    )
    horizon_deg: Mask = Field(
        default=(), description="Own skyline as [azimuth, altitude] points in degrees, azimuth rising."
    )
    inlet_beams: Whole = Field(
        default=1, ge=1, le=2, description="Beams that its light inlet lets through: 2 where both feeds fit."
    )

    @model_validator(mode="after")
    def _horizon(self) -> Station:
        check_mask(self.horizon_deg)
        return self


class DelayLine(Part):
    """A delay line; its stroke is in metres of light, its carriage moves in metres of rail."""

    name: Name = Field(description="Name of the delay line.")
    stroke_m: tuple[Path, Path] = Field(
        description="Usable optical path as [shortest, longest] in metres, longest above shortest."
    )
    path_per_travel: Positive = Field(
        default=2.0, ge=0.1, le=100, description="Optical path for each metre of carriage travel (2 or 4)."
    )
    speed_m_per_s: Speed = Field(description="Carriage speed when it moves between stars (rail).")
    tracking_speed_mm_per_s: Speed = Field(description="Fastest carriage speed while tracking (rail).")
    settle_s: Seconds = Field(description="Time for the carriage to come to rest.")
    connect_s: Seconds = Field(
        default=0.0, description="Time to lead another telescope's beam into this line."
    )
    stations: tuple[Name, ...] = Field(default=(), description="Stations it serves; empty means all.")
    medium: Literal["vacuum", "air"] = Field(default="vacuum", description="'vacuum' or 'air'.")
    pupil_stroke_m: tuple[Path, Path] | None = Field(
        default=None,
        description="Part of the stroke in which its relay mirror keeps the pupil in place; none means all.",
    )

    @model_validator(mode="after")
    def _stroke(self) -> DelayLine:
        low, high = self.stroke_m
        if low < 0:
            raise ValueError(f"has a stroke_m that starts below zero ({low:g})")
        if high <= low:
            raise ValueError(f"has a stroke_m of {high - low:g} m, which is not positive")
        if self.pupil_stroke_m is not None:
            first, last = self.pupil_stroke_m
            if not low <= first < last <= high:
                raise ValueError(f"has a pupil_stroke_m that does not rise within {low:g} to {high:g}")
        return self


class Combiner(Part):
    """A beam combiner: how many beams, which light, how long."""

    name: Name = Field(description="Name of the combiner.")
    beams: Whole = Field(ge=2, le=6, description="How many telescopes it combines, 2 to 6.")
    band: Name = Field(description="Photometric band of its limit; stars need a column mag_<band>.")
    wavelengths_um: tuple[Wavelength, ...] = Field(
        min_length=1, description="Centres of the spectral channels that are kept, in micrometres."
    )
    limiting_magnitude: dict[str, Number] = Field(
        description="Faintest magnitude for each telescope class; a class not named cannot be used."
    )
    brightest_magnitude: dict[str, Number] = Field(
        default_factory=dict,
        description="Brightest magnitude for each telescope class; a class not named has no such limit.",
    )
    mixed_classes: Annotated[bool, Field(strict=True)] = Field(
        default=False, description="true when telescopes of different classes may be combined."
    )
    setup_s: Seconds = Field(description="Time to change to this combiner.")
    fringe_search_s: Seconds = Field(description="Time to find fringes after a slew.")
    calibrator_recording_s: Recording = Field(description="Recording time on a calibrator.")
    science_recording_s: Recording = Field(description="Recording time on a science target.")
    beam_path_m: tuple[Path, ...] = Field(
        default=(), description="Constant path of each combiner input; empty means all zero."
    )
    further_limits: dict[str, dict[str, Number]] = Field(
        default_factory=dict,
        description="Bands recorded at the same time: band = { class = faintest magnitude }.",
    )
    resolution: Positive | None = Field(
        default=None, le=1e7, description="Wavelength over channel width; needed to tell the loss by air."
    )
    overhead_s: Seconds = Field(
        default=0.0, description="Time added to each recording: read-out, scans, darks."
    )
    feed_in_s: Seconds = Field(default=0.0, description="Time to move its feed optics into the beams.")
    feed_out_s: Seconds = Field(default=0.0, description="Time to move them out for another combiner.")
    routing_modes: tuple[Name, ...] = Field(
        default=(), description="Routing modes in which it gets light; empty means all."
    )
    fringe_tracker: Name | None = Field(default=None, description="Fringe tracker that it works with.")
    beam_sensor: Name | None = Field(
        default=None, description="Sensor in the laboratory that holds the position of its beams."
    )
    pupil_relay: Annotated[bool, Field(strict=True)] = Field(
        default=True, description="true when it needs the pupil in place (pupil_stroke_m of the lines)."
    )
    air_contrast_min: NotNegative = Field(
        default=0.0, lt=1, description="Fringe contrast that the air in the lines must leave, 0 to 1."
    )
    vis2_min: NotNegative = Field(
        default=0.001,
        lt=1,
        description="Squared visibility of the target below which a sample does not count, 0 to 1.",
    )
    setup_name: Name | None = Field(
        default=None, description="Name of the spectral setup that these keys describe."
    )

    @property
    def recording_s(self) -> dict[bool, float]:
        """Time that a step takes: of the science star under True, of a calibrator under False."""
        return {
            True: self.science_recording_s + self.overhead_s,
            False: self.calibrator_recording_s + self.overhead_s,
        }

    def untracked(self) -> Combiner:
        """Return the combiner working by itself, without its fringe tracker."""
        return self if self.fringe_tracker is None else self.model_copy(update={"fringe_tracker": None})

    @property
    def title(self) -> str:
        """Combiner and spectral setup in words."""
        return self.name if self.setup_name is None else f"{self.name}, {self.setup_name}"

    @property
    def constant_path_m(self) -> tuple[float, ...]:
        """Constant path of every input, zero where none is given."""
        return self.beam_path_m or (0.0,) * self.beams

    @model_validator(mode="after")
    def _beam_path(self) -> Combiner:
        if self.beam_path_m and len(self.beam_path_m) != self.beams:
            raise ValueError(f"has {len(self.beam_path_m)} beam_path_m values for {self.beams} beams")
        if not self.limiting_magnitude:
            raise ValueError("has an empty limiting_magnitude, so no telescope class can use it")
        check_bright_limits(self.brightest_magnitude, self.limiting_magnitude)
        check_further_limits(self.further_limits)
        return self


class Configuration(Part):
    """Which movable telescope stands on which station."""

    name: Name = Field(description="Name of the configuration.")
    placement: dict[str, Name] = Field(
        default_factory=dict, description="Movable telescope = station; others are not used."
    )


class Array(Part):
    """Everything in ``array.toml``."""

    site: Site
    telescope_classes: tuple[TelescopeClass, ...]
    telescopes: tuple[Telescope, ...]
    stations: tuple[Station, ...]
    delay_lines: tuple[DelayLine, ...]
    combiners: tuple[Combiner, ...]
    configurations: tuple[Configuration, ...]
    routing_modes: tuple[RoutingMode, ...] = ()
    path_segments: tuple[PathSegment, ...] = ()
    spectral_setups: tuple[SpectralSetup, ...] = ()
    fringe_trackers: tuple[FringeTracker, ...] = ()
    beam_sensors: tuple[BeamSensor, ...] = ()
    internal_calibrations: tuple[InternalCalibration, ...] = ()
    dual_feed: DualFeed | None = None

    @property
    def middle_m(self) -> tuple[float, float, float]:
        """Mean of all stations at the mean height of all telescopes' pupils: what paths count from.

        East, north, up. Where the user put the origin of the coordinates then
        changes nothing, nor do pupils that are all higher.
        """
        count = max(len(self.stations), 1)
        heights = [self.class_of(own.name).pupil_height_m for own in self.telescopes]
        return (
            sum(station.east_m for station in self.stations) / count,
            sum(station.north_m for station in self.stations) / count,
            sum(station.up_m for station in self.stations) / count + sum(heights) / max(len(heights), 1),
        )

    def station(self, name: str) -> Station:
        """Return the station of that name; KeyError when there is none."""
        return _named(self.stations, name)

    def delay_line(self, name: str) -> DelayLine:
        """Return the delay line of that name; KeyError when there is none."""
        return _named(self.delay_lines, name)

    def combiner(self, name: str, setup: str | None = None) -> Combiner:
        """Return the combiner of that name, in a spectral setup if one is named; else KeyError."""
        own = _named(self.combiners, name)
        if setup is None or setup == own.setup_name:
            return own
        chosen = _named(tuple(s for s in self.spectral_setups if s.combiner == name), setup)
        return own.model_copy(update=chosen.changes())

    def tracker_of(self, combiner: Combiner) -> FringeTracker | None:
        """Return the fringe tracker that a combiner works with, or None."""
        name = combiner.fringe_tracker
        return None if name is None else _named(self.fringe_trackers, name)

    def sensor_of(self, combiner: Combiner) -> BeamSensor | None:
        """Return the beam-position sensor of a combiner, or None."""
        name = combiner.beam_sensor
        return None if name is None else _named(self.beam_sensors, name)

    def configuration(self, name: str) -> Configuration:
        """Return the configuration of that name; KeyError when there is none."""
        return _named(self.configurations, name)

    def class_of(self, telescope: str) -> TelescopeClass:
        """Return the class of the telescope of that name; KeyError when there is none."""
        return _named(self.telescope_classes, _named(self.telescopes, telescope).telescope_class)

    def classes_admitted(self, station: str) -> tuple[TelescopeClass, ...]:
        """Return the classes that a station admits; KeyError when there is no such station."""
        names = self.station(station).telescope_classes
        return tuple(own for own in self.telescope_classes if not names or own.name in names)

    def classes_on(self, station: str) -> tuple[TelescopeClass, ...]:
        """Return the classes of the telescopes that can stand on a station: of its fixed one, or the movable.

        KeyError when there is no such station.
        """
        fixed = [self.class_of(own.name) for own in self.telescopes if own.station == station]
        movable = dict.fromkeys(own.telescope_class for own in self.telescopes if own.movable)
        admitted = {own.name for own in self.classes_admitted(station)}
        names = [name for name in movable if name in admitted]
        return tuple(fixed or [_named(self.telescope_classes, name) for name in names])

    def placed(self, configuration: str) -> dict[str, str]:
        """Return {telescope: station} for fixed telescopes and those the configuration places."""
        placement = self.configuration(configuration).placement
        return {
            telescope.name: telescope.station or placement[telescope.name]
            for telescope in self.telescopes
            if telescope.station is not None or telescope.name in placement
        }


def _named(parts: tuple[T, ...], name: str) -> T:
    for part in parts:
        if part.name == name:  # type: ignore[attr-defined]
            return part
    raise KeyError(name)
