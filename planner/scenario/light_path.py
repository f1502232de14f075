"""What stands between the pads and the detector, as the user describes it in ``array.toml``.

Each class is one table of the file. An array without these tables has fixed
optics: every line reaches every input, no path can be switched, and fringes are
followed by the combiner itself.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from planner.scenario.values import (
    Name,
    NotNegative,
    Number,
    Part,
    Path,
    Positive,
    Recording,
    Seconds,
    Wavelength,
    Whole,
)

Input = Annotated[int, Field(strict=True, ge=1, le=6)]


def check_further_limits(limits: dict[str, dict[str, float]]) -> None:
    """Refuse a band recorded at the same time in which no telescope class has a limit."""
    for band, classes in limits.items():
        if not classes:
            raise ValueError(f"has nothing in further_limits for {band!r}, so no telescope class can use it")


class RoutingMode(Part):
    """A named state of the routing optics, for the whole array."""

    name: Name = Field(description="Name of the routing mode.")
    change_s: Seconds = Field(description="Time to change to this mode.")
    compression: dict[str, Positive] = Field(
        default_factory=dict,
        description="Beam compression of each telescope class led through, as class = ratio; "
        "empty means all classes, each with 1.",
    )
    inputs: dict[str, tuple[Input, ...]] = Field(
        default_factory=dict,
        description="Combiner inputs that each delay line reaches, as line = [inputs]; empty means all.",
    )
    input_change_s: Seconds = Field(
        default=0.0, description="Time to lead a delay line to another input within the mode."
    )
    dual_feed: Annotated[bool, Field(strict=True)] = Field(
        default=False, description="true for the mode that leads two stars of each telescope."
    )


class PathSegment(Part):
    """A fixed path that can be switched into a beam."""

    name: Name = Field(description="Name of the path segment.")
    path_m: Path = Field(description="Optical path it adds to a beam; give the direct way as one of 0.")
    stations: tuple[Name, ...] = Field(default=(), description="Stations it serves; empty means all.")
    change_s: Seconds = Field(description="Time to switch a beam to it.")


def check_bright_limits(brightest: dict[str, float], faintest: dict[str, float]) -> None:
    """Refuse a brightest magnitude that leaves no star above the faintest one of its class."""
    for name, limit in brightest.items():
        if name in faintest and limit >= faintest[name]:
            raise ValueError(f"has a brightest_magnitude for {name!r} that is not below its faintest")


class SpectralSetup(Part):
    """A state of a combiner's spectrograph; a key left out is as the combiner has it."""

    name: Name = Field(description="Name of the spectral setup.")
    combiner: Name = Field(description="Name of its combiner.")
    change_s: Seconds = Field(description="Time to change to it from another setup of the same combiner.")
    band: Name | None = Field(default=None, description="Photometric band of its limit.")
    resolution: Positive | None = Field(default=None, le=1e7, description="Wavelength over channel width.")
    wavelengths_um: tuple[Wavelength, ...] | None = Field(
        default=None, min_length=1, description="Centres of the spectral channels that are kept."
    )
    limiting_magnitude: dict[str, Number] | None = Field(
        default=None, description="Faintest magnitude for each telescope class."
    )
    brightest_magnitude: dict[str, Number] | None = Field(
        default=None, description="Brightest magnitude for each telescope class."
    )
    further_limits: dict[str, dict[str, Number]] | None = Field(
        default=None, description="Bands recorded at the same time: band = { class = faintest magnitude }."
    )
    science_recording_s: Recording | None = Field(
        default=None, description="Recording time on a science target."
    )
    calibrator_recording_s: Recording | None = Field(
        default=None, description="Recording time on a calibrator."
    )
    overhead_s: Seconds | None = Field(default=None, description="Time added to each recording.")
    vis2_min: NotNegative | None = Field(
        default=None,
        lt=1,
        description="Squared visibility of the target below which a sample does not count.",
    )

    @model_validator(mode="after")
    def _limits(self) -> SpectralSetup:
        if self.limiting_magnitude == {}:
            raise ValueError("has an empty limiting_magnitude, so no telescope class can use it")
        check_further_limits(self.further_limits or {})
        return self

    def changes(self) -> dict[str, Any]:
        """Return the combiner's keys that this setup changes."""
        own = {name: getattr(self, name) for name in type(self).model_fields}
        kept = {k: v for k, v in own.items() if k not in ("name", "combiner", "change_s") and v is not None}
        return {**kept, "setup_name": self.name}


class FringeTracker(Part):
    """What holds the paths equal while a combiner records.

    A baseline is tracked where its correlated magnitude, m - 2.5 log10 |V|, is
    not fainter than the limit, and V squared is not below ``vis2_min``.
    """

    name: Name = Field(description="Name of the fringe tracker.")
    beams: Whole = Field(ge=2, le=6, description="How many telescopes it can track, 2 to 6.")
    band: Name = Field(description="Photometric band it works in; stars need a column mag_<band>.")
    wavelength_um: Wavelength = Field(description="Wavelength at which it sees fringes.")
    group_delay_limit: dict[str, Number] = Field(
        description="Faintest correlated magnitude for group-delay tracking, for each telescope class."
    )
    phase_limit: dict[str, Number] = Field(
        default_factory=dict,
        description="Faintest correlated magnitude for phase tracking, for each telescope class.",
    )
    brightest_magnitude: dict[str, Number] = Field(
        default_factory=dict,
        description="Brightest magnitude for each telescope class; a class not named has no such limit.",
    )
    vis2_min: NotNegative = Field(
        default=0.0, lt=1, description="Smallest squared visibility it can follow on a baseline."
    )
    group_delay_rms_um: NotNegative = Field(
        default=0.0, le=1000, description="Path error left on a beam by group-delay tracking, rms."
    )
    phase_rms_um: NotNegative = Field(
        default=0.0, le=1000, description="Path error left on a beam by phase tracking, rms."
    )
    untracked_rms_um: NotNegative = Field(
        default=0.0, le=1000, description="Path error of a beam that rides untracked, rms in an exposure."
    )

    @model_validator(mode="after")
    def _limits(self) -> FringeTracker:
        if not self.group_delay_limit:
            raise ValueError("has an empty group_delay_limit, so it can track no telescope class")
        check_bright_limits(self.brightest_magnitude, self.group_delay_limit)
        for name, limit in self.phase_limit.items():
            if limit > self.group_delay_limit.get(name, -99.0):
                raise ValueError(f"has a phase_limit for {name!r} that is fainter than its group_delay_limit")
        return self


class BeamSensor(Part):
    """A sensor in the laboratory that holds the position of the beams, in its own band."""

    name: Name = Field(description="Name of the beam-position sensor.")
    beams: Whole = Field(ge=1, le=12, description="Beams it serves; a dual feed needs two a telescope.")
    band: Name = Field(description="Photometric band it works in; stars need a column mag_<band>.")
    limiting_magnitude: dict[str, Number] = Field(
        description="Faintest magnitude for each telescope class; a class not named cannot be held."
    )
    brightest_magnitude: dict[str, Number] = Field(
        default_factory=dict,
        description="Brightest magnitude for each telescope class; a class not named has no such limit.",
    )

    @model_validator(mode="after")
    def _limits(self) -> BeamSensor:
        if not self.limiting_magnitude:
            raise ValueError("has an empty limiting_magnitude, so it can hold no telescope class")
        check_bright_limits(self.brightest_magnitude, self.limiting_magnitude)
        return self


class DualFeed(Part):
    """Two stars at once in every telescope: star separators and differential delay lines (in vacuum)."""

    separation_arcsec: tuple[NotNegative, Positive] = Field(
        description="Separations that the star separators reach, as [nearest, farthest]."
    )
    differential_stroke_m: tuple[Path, Path] = Field(
        description="Differential optical path that each telescope can add for its second star, "
        "as [shortest, longest]."
    )
    field_angle_deg: tuple[Number, Number] = Field(
        default=(-180.0, 180.0),
        description="Orientation of the pair in the telescopes, as [from, to] from the zenith's direction "
        "through increasing position angle, within -180 to 180.",
    )
    swap_s: Recording = Field(description="Time to exchange the two stars and find fringes again.")

    @model_validator(mode="after")
    def _order(self) -> DualFeed:
        near, far = self.separation_arcsec
        if near >= far or far > 3600:
            raise ValueError("has a separation_arcsec that does not rise within 0 to 3600")
        low, high = self.differential_stroke_m
        if low >= high:
            raise ValueError("has a differential_stroke_m whose longest is not above its shortest")
        first, last = self.field_angle_deg
        if not -180 <= first < last <= 180:
            raise ValueError("has a field_angle_deg that does not rise within -180 to 180")
        return self


class InternalCalibration(Part):
    """Exposures on the laboratory source, beam swaps, alignment checks: what a night needs."""

    name: Name = Field(description="Name of the internal calibration.")
    combiners: tuple[Name, ...] = Field(
        default=(), description="Combiners that need it when they are used; empty means every night needs it."
    )
    duration_s: Recording = Field(description="How long it takes.")
    when: Literal["before dusk", "after dawn", "in the night"] = Field(
        description="'before dusk', 'after dawn' or 'in the night'."
    )
