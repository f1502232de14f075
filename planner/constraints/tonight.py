"""Every limit of one night and one configuration, evaluated once.

What belongs to a telescope (altitude, skyline, shadowing, azimuth drive) is
computed for all stars at all ticks; what a request asks for (Moon, airmass,
hour angle, phase, windows) is answered on demand from the same arrays.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from planner.constraints.darkness import moon_distance, moon_light, moon_separation_deg, sun_below
from planner.constraints.horizon import altitude_lower, altitude_upper, azimuth_drive, skyline
from planner.constraints.phase import orbital_phase
from planner.constraints.shadowing import shadowing
from planner.constraints.two_stars import field_limits
from planner.constraints.verdict import Verdict, all_allowed
from planner.constraints.windows import OVER, RESERVED, absolute_windows, airmass, hour_angle, reserved_time
from planner.geometry.delays import path_m
from planner.geometry.placement import Placement, placement_of
from planner.scenario.targets import Request, Scenario
from planner.sky.directions import altitude_deg, hour_angle_h
from planner.sky.earth import offline_earth
from planner.sky.night import NightSky

TELESCOPE_AXES = ("star", "time", "telescope")


@dataclass(frozen=True)
class NightLimits:
    """The limits of a night.

    Attributes
    ----------
    scenario : Scenario
    sky : NightSky
    placement : Placement
    sun : Verdict
        (time,)
    of_telescopes : tuple of Verdict
        Each (star, time, telescope).
    telescope_allowed : ndarray (star, time, telescope)
        Where all of ``of_telescopes`` and the Sun allow.
    moon_separation_deg : ndarray (star, time)
    path_m : ndarray (star, time, telescope)
        r.s - L of the delay equation.
    """

    scenario: Scenario
    sky: NightSky
    placement: Placement
    sun: Verdict
    of_telescopes: tuple[Verdict, ...]
    telescope_allowed: np.ndarray
    moon_separation_deg: np.ndarray
    path_m: np.ndarray

    def of_request(self, request: Request, star: int, science: bool) -> tuple[Verdict, ...]:
        """Return what the request and the scenario's limits say about a star, each (time,).

        Parameters
        ----------
        request : Request
        star : int
            Index in ``sky.stars``: the target or one of its calibrators.
        science : bool
            Hour-angle limits and phases hold for the science star only.
        """
        limits, extras = self.scenario.limits, request.extras
        one = slice(star, star + 1)
        separation = _either(extras.moon_separation_min_deg, limits.moon_separation_min_deg)
        lit = _either(extras.moon_illumination_max, limits.moon_illumination_max)
        airmass_max = _either(extras.airmass_max, limits.airmass_max)
        found = [
            moon_distance(self.moon_separation_deg[one], separation or 0.0),
            moon_light(self.sky, 1.0 if lit is None else lit),
        ]
        if airmass_max is not None:
            found.append(airmass(altitude_deg(self.sky.direction[one]), airmass_max))
        if science:
            angle = hour_angle_h(self.sky.direction[one], self.scenario.array.site.latitude_deg)
            if limits.hour_angle_max_h is not None:
                found.append(hour_angle(angle, -limits.hour_angle_max_h, limits.hour_angle_max_h))
            if extras.hour_angle_range_h is not None:
                found.append(hour_angle(angle, *extras.hour_angle_range_h))
            if extras.phase is not None:
                found.append(orbital_phase(self.sky, star, extras.phase))
            found += field_limits(self.scenario, self.sky, request, star)
        return tuple(Verdict(v.limit, v.unit, v.margin.reshape(-1), ("time",)) for v in found)

    def window(self, request: Request) -> Verdict:
        """Return the margin inside the request's absolute windows, (time,): it holds for the whole visit."""
        return absolute_windows(self.sky.times, request.extras.windows)

    def allowed(self, request: Request, star: int, telescopes: np.ndarray, science: bool) -> np.ndarray:
        """Return where everything but delays and the visit's window allows the star, (time,)."""
        of_subarray = np.logical_and.reduce([self.telescope_allowed[star, :, own] for own in telescopes])
        return of_subarray & self.asked(request, star, science)

    def asked(self, request: Request, star: int, science: bool) -> np.ndarray:
        """Return where all that :meth:`of_request` says allows the star, (time,)."""
        return all_allowed(self.of_request(request, star, science))


def _either(own: float | None, common: float | None) -> float | None:
    return common if own is None else own


def night_limits(scenario: Scenario, sky: NightSky, configuration: str) -> NightLimits:
    """Evaluate every limit of a night for the telescopes that the configuration places.

    Raises
    ------
    KeyError
        When the configuration does not exist.
    """
    placement = placement_of(scenario.array, configuration)
    sun = sun_below(sky, scenario.night.sun_altitude_max_deg)
    of_telescopes: tuple[Verdict, ...] = (
        altitude_lower(sky, placement),
        altitude_upper(sky, placement),
        skyline(sky, placement, scenario.array.site.horizon_deg),
        shadowing(sky, placement),
        azimuth_drive(sky, placement, scenario.array.site.latitude_deg),
    )
    for verdict in _reserved(scenario, sky, placement):
        every = np.broadcast_to(verdict.margin, (len(sky.stars), *verdict.margin.shape))
        of_telescopes = (*of_telescopes, Verdict(verdict.limit, verdict.unit, every, TELESCOPE_AXES))
    return NightLimits(
        scenario=scenario,
        sky=sky,
        placement=placement,
        sun=sun,
        of_telescopes=of_telescopes,
        telescope_allowed=all_allowed(of_telescopes) & sun.allowed[None, :, None],
        moon_separation_deg=moon_separation_deg(sky),
        path_m=path_m(sky.direction, placement.vectors_m, placement.fixed_path_m),
    )


def _reserved(scenario: Scenario, sky: NightSky, placement: Placement) -> Iterator[Verdict]:
    """What is reserved, and apart from it what is over in a night that has begun."""
    with offline_earth():  # of years in which leap seconds are unknown
        dusk = sky.dark.start.to_datetime(timezone=datetime.UTC, leap_second_strict="silent")
    for limit, over in ((RESERVED, False), (OVER, True)):
        those = [own for own in scenario.reserved if own.is_past(dusk) == over]
        verdict = reserved_time(sky.times, placement.telescopes, those, limit)
        if verdict is not None:
            yield verdict
