"""What earlier nights have filled of a target's (u, v) plane.

An earlier observation fills what a planned one would: the cells that the tracks
of the baselines between its stations cross from its start to its end, with the
Earth of its own date and the star where it stood then. Conventions of u, v and
cells are those of ``geometry.uv`` and ``science.coverage``.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence

import numpy as np
from astropy.time import Time, TimeDelta

from planner.geometry.baselines import baseline_vectors_m, pivots_m
from planner.geometry.uv import uvw_m
from planner.geometry.uv_tracks import UvTracks, uv_tracks
from planner.scenario.array import Array, TelescopeClass
from planner.scenario.targets import Observation, Request, Scenario
from planner.science.contrast import contrast_of
from planner.science.coverage import cell_runs
from planner.sky.directions import icrs_at_date, place_of
from planner.sky.earth import earth_frame, offline_earth

KNOTS = 5  # of a track that is fitted to one observation
SHORTEST_FIT_S = 3600.0


def filled_before(scenario: Scenario, request: Request) -> np.ndarray:
    """Return the codes of the cells of a request that earlier nights have filled, sorted, (cell,)."""
    return filled_times(scenario, request)[0]


def filled_times(scenario: Scenario, request: Request) -> tuple[np.ndarray, np.ndarray]:
    """Return the cells of a request that earlier nights have filled, and how often.

    Only observations with the request's own combiner count: another one works
    at other wavelengths, so its visibilities are other numbers even where they
    fall on the same cells. What fell short of ``vis2_min`` filled nothing then
    either. Cells have the side that the request's field sets now.

    Parameters
    ----------
    scenario : Scenario
    request : Request

    Returns
    -------
    codes : ndarray of int64 (cell,)
        As from ``science.coverage.cell_runs``, sorted.
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
    codes = []
    for tracks, row in zip(observed_tracks(scenario, request, own), own, strict=True):
        contrast = contrast_of(scenario, request, tracks.longest_m)
        span = (0.0, length_s(row))
        codes.append(cell_runs(tracks, wavelengths, request.field_mas, span, contrast).distinct)
    return np.unique(np.concatenate(codes), return_counts=True)


def observed_tracks(scenario: Scenario, request: Request, observed: Sequence[Observation]) -> list[UvTracks]:
    """Return the tracks of the baselines of each observation, in seconds since its start."""
    seconds = [_knots_s(length_s(row)) for row in observed]
    with offline_earth():
        starts = Time([row.start_utc.replace(tzinfo=None) for row in observed], scale="utc")
        # One call for all rows: each call has a price of its own.
        row_of = np.repeat(np.arange(len(observed)), KNOTS)
        times = starts[row_of] + TimeDelta(np.concatenate(seconds), format="sec")
        frame = earth_frame(place_of(scenario.array.site), times)
    found = []
    for number, row in enumerate(observed):
        part = slice(number * KNOTS, (number + 1) * KNOTS)
        icrs = icrs_at_date([request.star], times[part][KNOTS // 2])
        baselines = baseline_vectors_m(pivots_m(scenario.array, row.stations, _classes(scenario.array, row)))
        uv = uvw_m(icrs, frame.boost[part], baselines)[0, :, :, :2]
        found.append(uv_tracks(seconds[number], uv))
    return found


def _classes(array: Array, row: Observation) -> list[TelescopeClass]:
    """The classes that observed: of the telescopes named, else those that can stand there."""
    if row.telescopes:
        return [array.class_of(name) for name in row.telescopes]
    # Where several can, their pupils are of one height: else the telescopes have to be named.
    return [(array.classes_on(name) or array.classes_admitted(name))[0] for name in row.stations]


def length_s(row: Observation) -> float:
    """Return how long an observation lasted, seconds."""
    return (row.end_utc - row.start_utc) / datetime.timedelta(seconds=1)


def _knots_s(length_s: float) -> np.ndarray:
    """Seconds since the start to which tracks are fitted: an hour at least, so that they bend enough."""
    half = max(length_s, SHORTEST_FIT_S) / 2.0
    return np.asarray(length_s / 2.0 + np.linspace(-half, half, KNOTS))
