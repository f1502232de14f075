"""Dual feed: can two stars be observed at once.

The star separator of a telescope reaches separations in a range, with the pair
at some orientations: the angle of the second star from the target, counted
from the zenith's direction through increasing position angle. The differential
delay lines give r_i.(s_2 - s_1) for each telescope, and one number common
to all, which is held during a step like the common offset.

Both stars move together: their offset is that of the catalogue places.
"""

from __future__ import annotations

import itertools

import numpy as np

from planner.constraints.verdict import Verdict
from planner.geometry.dual_feed import (
    differential_offset_range_m,
    differential_path_m,
    field_angle_deg,
    field_margin_deg,
    parallactic_deg,
    separation,
)
from planner.geometry.uv import uvw_axes
from planner.scenario.array import Array
from planner.scenario.targets import Request, Scenario
from planner.sky.night import NightSky
from planner.units import RAD_PER_ARCSEC

SEPARATION, FIELD, DIFFERENTIAL = "separation of the two stars", "field orientation", "differential delay"


def apart_rad(request: Request) -> tuple[float, float]:
    """Return separation and position angle of the second star from the target, radians.

    Raises
    ------
    ValueError
        When the request has no second star.
    """
    second = request.extras.second_star
    if second is None:
        raise ValueError(f"The request for {request.name!r} has no second star.")
    star = request.star
    return separation(np.deg2rad([star.ra_deg, star.dec_deg]), np.deg2rad([second.ra_deg, second.dec_deg]))


def field_limits(scenario: Scenario, sky: NightSky, request: Request, star: int) -> list[Verdict]:
    """Margins of the separation (arcsec) and of the orientation (deg), each (time,).

    Empty for a request without a second star; never kept on an array without dual feed.
    """
    if request.extras.second_star is None:
        return []
    times = len(sky.direction[star])
    own = scenario.array.dual_feed
    if own is None:
        return [Verdict(SEPARATION, "arcsec", np.full(times, -np.inf), ("time",))]
    apart, angle = apart_rad(request)
    near, far = own.separation_arcsec
    margin = min(apart / RAD_PER_ARCSEC - near, far - apart / RAD_PER_ARCSEC)
    zenith = parallactic_deg(sky.direction[star], scenario.array.site.latitude_deg)
    turned = field_angle_deg(np.rad2deg(angle), zenith)
    return [
        Verdict(SEPARATION, "arcsec", np.full(times, margin), ("time",)),
        Verdict(FIELD, "deg", field_margin_deg(turned, own.field_angle_deg), ("time",)),
    ]


def second_path_m(sky: NightSky, request: Request, star: int, stations_m: np.ndarray) -> np.ndarray:
    """Return r_i.(s_2 - s_1) of each telescope, metres, (time, telescope).

    Parameters
    ----------
    sky : NightSky
    request : Request
        With a second star.
    star : int
        Index of the target in the sky.
    stations_m : ndarray (telescope, 3)
        ENU.
    """
    apart, angle = apart_rad(request)
    east, north, outward = uvw_axes(sky.icrs_rad[star])
    # 1 - cos written with the half angle, which loses no digits at an arcsecond.
    offset = np.sin(apart) * (np.sin(angle) * east + np.cos(angle) * north)
    offset = offset - 2.0 * np.sin(apart / 2.0) ** 2 * outward
    return differential_path_m(sky.frame.rotation, offset, stations_m)


def differential_stroke_m(array: Array, beams: int) -> np.ndarray:
    """Return the stroke of each beam's differential line, metres of light, (beam, 2).

    On an array without dual feed nothing is in reach: the longest lies below the shortest.
    """
    own = (np.inf, -np.inf) if array.dual_feed is None else array.dual_feed.differential_stroke_m
    return np.tile(np.array(own), (beams, 1))


def differential_delay(scenario: Scenario, path_m: np.ndarray) -> Verdict:
    """Margin of the differential delay lines of a subarray, metres of light, (star, time).

    Parameters
    ----------
    path_m : ndarray (star, time, beam)
        From :func:`second_path_m`.
    """
    # With the two stars exchanged every path changes its sign: the room that is left is the same.
    stroke = differential_stroke_m(scenario.array, 1)[0]
    low, high = differential_offset_range_m(stroke, path_m)
    return Verdict(DIFFERENTIAL, "m", high - low, ("star", "time"))


def second_pair_free(
    scenario: Scenario, sky: NightSky, stations_m: np.ndarray, request: Request, star: int
) -> np.ndarray | None:
    """Return where the differential lines of each pair follow both stars, (pair, time); None for one star.

    Parameters
    ----------
    stations_m : ndarray (telescope, 3)
        ENU; pairs i < j in lexicographic order.
    """
    if request.extras.second_star is None:
        return None
    path = second_path_m(sky, request, star, stations_m)
    return np.array(
        [
            differential_delay(scenario, path[None][..., [i, j]]).allowed[0]
            for i, j in itertools.combinations(range(path.shape[-1]), 2)
        ],
        dtype=bool,
    )
