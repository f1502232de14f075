"""What earlier nights have filled of a target's (u, v) plane.

An earlier observation is sampled as a planned one is: at every tick from its
start to its end, both included, on the baselines between its stations, with
the Earth of its own date and the star where it stood then. Conventions of u,
v and cells are those of ``geometry.uv`` and ``science.coverage``.
"""

from __future__ import annotations

import datetime

import numpy as np
from astropy.time import Time, TimeDelta

from planner.geometry.baselines import baseline_vectors_m, station_vectors_m
from planner.geometry.uv import uvw_m
from planner.scenario.targets import Observation, Request, Scenario
from planner.science.coverage import cell_codes
from planner.sky.directions import icrs_at_date, place_of
from planner.sky.earth import earth_frame, offline_earth


def filled_before(scenario: Scenario, request: Request) -> np.ndarray:
    """Return the codes of the cells of a request that earlier nights have filled, sorted, (cell,)."""
    return filled_times(scenario, request)[0]


def filled_times(scenario: Scenario, request: Request) -> tuple[np.ndarray, np.ndarray]:
    """Return the cells of a request that earlier nights have filled, and how often.

    Only observations with the request's own combiner count: another one works
    at other wavelengths, so its visibilities are other numbers even where they
    fall on the same cells. Cells have the side that the request's field sets now.

    Parameters
    ----------
    scenario : Scenario
    request : Request

    Returns
    -------
    codes : ndarray of int64 (cell,)
        As from ``science.coverage.cell_codes``, sorted.
    times : ndarray of int (cell,)
        In how many observations.

    Raises
    ------
    KeyError
        When an observation of this target names a station that the array does not have.
    """
    own = [o for o in scenario.history if o.target == request.name and o.combiner == request.combiner]
    if not own:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=int)
    wavelengths = scenario.combiner_of(request).wavelengths_um
    sampled = observed_uv_m(scenario, request, own)
    codes = [np.unique(cell_codes(uv, wavelengths, request.field_mas)) for uv in sampled]
    return np.unique(np.concatenate(codes), return_counts=True)


def observed_uv_m(scenario: Scenario, request: Request, observed: list[Observation]) -> list[np.ndarray]:
    """Return u and v of each observation, (time, baseline, 2) in metres."""
    seconds = [_ticks_s(own, scenario.night.tick_s) for own in observed]
    counts = [len(each) for each in seconds]
    with offline_earth():
        starts = Time([own.start_utc.replace(tzinfo=None) for own in observed], scale="utc")
        times = starts[np.repeat(np.arange(len(observed)), counts)] + TimeDelta(
            np.concatenate(seconds), format="sec"
        )
        # One call for all rows: each call has a price of its own.
        frame = earth_frame(place_of(scenario.array.site), times)
    found = []
    for own, end, count in zip(observed, np.cumsum(counts).tolist(), counts, strict=True):
        first = end - count
        icrs = icrs_at_date([request.star], times[first + count // 2])
        baselines = baseline_vectors_m(station_vectors_m(scenario.array, own.stations))
        found.append(uvw_m(icrs, frame.boost[first:end], baselines)[0, :, :, :2])
    return found


def _ticks_s(own: Observation, tick_s: int) -> np.ndarray:
    """Seconds after the start at which an observation is sampled; the last is its end."""
    length_s = (own.end_utc - own.start_utc) / datetime.timedelta(seconds=1)
    return np.append(np.arange(0.0, length_s - 1e-3, tick_s), length_s)
