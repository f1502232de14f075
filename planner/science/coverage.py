"""Coverage: which independent cells of the (u, v) plane a visit fills.

A source of field of view W has independent visibilities only on cells of side
1/W (sampling theorem, any text on Fourier analysis). A cell is the pair of
whole numbers nearest to (u W, v W) with u and v in wavelengths; (u, v) and
(-u, -v) are one cell, the one with v > 0, or v = 0 and u >= 0.

A visit fills every cell that the smooth track of one of its baselines, in one
of its channels, crosses while the science star is recorded, both ends included;
to touch an edge or a corner for a moment is not to cross. Only where the
expected squared visibility reaches the combiner's ``vis2_min`` does a track count.

Tracks are ellipses of time, so that entry and exit are closed forms, however
short the time in a cell and however far apart the samples.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.geometry.uv_tracks import UvTracks
from planner.science.contrast import Contrast
from planner.science.source import expected_vis2
from planner.units import RAD_PER_MAS, SIDEREAL_RAD_PER_S

_SPAN = 1 << 30  # the largest index: 40 km, 0.3 um and a field of 100 arcsec give 7e7


def cell_codes(uv_m: np.ndarray, wavelengths_um: tuple[float, ...], field_mas: float) -> np.ndarray:
    """Return the cell of each sample and channel as one whole number, (..., channel).

    Parameters
    ----------
    uv_m : ndarray (..., 2)
    wavelengths_um : sequence of float
        Channel centres.
    field_mas : float
        Field of view W.
    """
    scale = field_mas * RAD_PER_MAS / (np.asarray(wavelengths_um) * 1e-6)
    return _codes(uv_m[..., None, :] * scale[:, None])


def _codes(points: np.ndarray) -> np.ndarray:
    """Cells of points (..., 2) in units of cells, (...)."""
    # rint, not floor(x + 0.5): it is odd, so a point on an edge and its conjugate stay in one cell.
    index = np.rint(points).astype(np.int64)
    u, v = index[..., 0], index[..., 1]
    flip = (v < 0) | ((v == 0) & (u < 0))
    u, v = np.where(flip, -u, u), np.where(flip, -v, v)
    return v * (2 * _SPAN) + (u + _SPAN)


@dataclass(frozen=True)
class CellRuns:
    """Cells along time: a baseline and channel stays in a cell for a while, a run, then goes to another.

    A run begins and ends where the track crosses an edge of a cell, not at a sample. It is
    filled by a stretch of time that it shares more than a moment with.

    Attributes
    ----------
    distinct : ndarray (cell,)
        Codes of all cells, sorted.
    cell : ndarray (run,)
        As the place in ``distinct``.
    begin_s, end_s : ndarray (run,)
    baseline : ndarray (run,)
    """

    distinct: np.ndarray
    cell: np.ndarray
    begin_s: np.ndarray
    end_s: np.ndarray
    baseline: np.ndarray

    def inside(self, stretches_s: np.ndarray, baselines: np.ndarray | None = None) -> np.ndarray:
        """Return which cells are filled while something is recorded, (cell,).

        Parameters
        ----------
        stretches_s : ndarray (stretch, 2)
            Start and end, in order and apart.
        baselines : ndarray of bool (baseline,), optional
            Those that count; all by default.
        """
        start, end = np.append(stretches_s, [[np.inf, np.inf]], axis=0).T
        # The first stretch that ends after the run begins is the only one that can decide.
        reached = start[np.searchsorted(end, self.begin_s, side="right")] < self.end_s
        if baselines is not None:
            reached &= baselines[self.baseline]
        filled = np.zeros(len(self.distinct), dtype=bool)
        filled[self.cell[reached]] = True
        return filled

    def during(self, start_s: np.ndarray, end_s: np.ndarray) -> np.ndarray:
        """Return which cells each stretch of time fills, (stretch, cell)."""
        stretch, run = np.nonzero((self.begin_s < end_s[:, None]) & (self.end_s > start_s[:, None]))
        filled = np.zeros((len(start_s), len(self.distinct)), dtype=bool)
        filled[stretch, self.cell[run]] = True
        return filled

    def of_baselines(self, baselines: np.ndarray) -> CellRuns:
        """Return the runs of some baselines, (baseline,) of bool; baselines keep their numbers."""
        rows = np.flatnonzero(baselines[self.baseline])
        return _runs(
            self.distinct[self.cell[rows]], self.begin_s[rows], self.end_s[rows], self.baseline[rows]
        )


def cell_runs(
    tracks: UvTracks,
    wavelengths_um: tuple[float, ...],
    field_mas: float,
    span_s: tuple[float, float],
    contrast: Contrast | None = None,
) -> CellRuns:
    """Return the cells that tracks cross in a span of time, each with the moments of entry and exit.

    Parameters
    ----------
    tracks : UvTracks
    wavelengths_um : sequence of float
        Channel centres.
    field_mas : float
        Field of view W.
    span_s : (float, float)
        On the clock of the tracks.
    contrast : Contrast, optional
        What counts, in the same channels: runs begin and end there too. Everything by default.
    """
    scale = field_mas * RAD_PER_MAS / (np.asarray(wavelengths_um) * 1e-6)
    terms = tracks.terms_m[:, :, None, :] * scale[:, None]
    terms = terms.reshape(3, -1, 2)
    axis, moment = _edge_crossings(tracks, terms.reshape(3, -1), span_s)
    passing, passed = (np.empty(0, dtype=int), np.empty(0))
    if contrast is not None:
        passing, passed = contrast.passages(tracks, span_s)
    series = np.concatenate([np.arange(terms.shape[1]), axis // 2, passing])
    begin = np.concatenate([np.full(terms.shape[1], span_s[0]), moment, passed])
    order = np.lexsort((begin, series))
    series, begin = series[order], begin[order]
    # A run ends where the next one of its series begins, or with the span.
    end = np.append(begin[1:], span_s[1])
    end[:-1][series[1:] != series[:-1]] = span_s[1]
    some = end > begin
    series, begin, end = series[some], begin[some], end[some]
    baseline, channel = np.divmod(series, len(wavelengths_um))
    uv = tracks.each_at(baseline, (begin + end) / 2.0)
    if contrast is not None:
        counts = expected_vis2(contrast.star, uv, np.array(wavelengths_um)[channel]) >= contrast.vis2_min
        baseline, channel, begin, end, uv = (own[counts] for own in (baseline, channel, begin, end, uv))
    return _runs(_codes(uv * scale[channel][:, None]), begin, end, baseline)


def _runs(codes: np.ndarray, begin: np.ndarray, end: np.ndarray, baseline: np.ndarray) -> CellRuns:
    distinct, cell = np.unique(codes, return_inverse=True)
    return CellRuns(distinct, cell, begin, end, baseline)


def _edge_crossings(
    tracks: UvTracks, terms: np.ndarray, span_s: tuple[float, float]
) -> tuple[np.ndarray, np.ndarray]:
    """Find where coordinates in units of cells pass an edge, n + 1/2: which coordinate, at what moment.

    A coordinate is c + r cos(phase - turn): it passes an edge e at turn +- arccos((e - c)/r).
    ``terms`` is (3, coordinate).
    """
    centre, radius = terms[0], np.hypot(terms[1], terms[2])
    turn = np.arctan2(terms[2], terms[1])
    first, last = tracks.phase(np.array(span_s))
    ends = centre + radius * np.cos(np.array([[first], [last]]) - turn)
    top, bottom = (np.mod(turn + half - first, 2.0 * np.pi) <= last - first for half in (0.0, np.pi))
    low = np.where(bottom, centre - radius, ends.min(axis=0))
    high = np.where(top, centre + radius, ends.max(axis=0))
    lowest = np.ceil(low - 0.5)
    count = np.where(radius > 0, np.maximum(np.floor(high - 0.5) - lowest + 1.0, 0.0), 0.0).astype(int)
    which = np.repeat(np.arange(len(centre)), count)
    edge = lowest[which] + np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count) + 0.5
    half = np.arccos(np.clip((edge - centre[which]) / radius[which], -1.0, 1.0))
    after = np.mod(turn[which] + np.array([[-1.0], [1.0]]) * half - first, 2.0 * np.pi)
    found_axis, found_s = [], []
    for again in range(int(np.ceil((last - first) / (2.0 * np.pi)))):
        passed = after + 2.0 * np.pi * again
        _, row = inside = np.nonzero((passed > 0) & (passed < last - first))
        found_axis.append(which[row])
        found_s.append(span_s[0] + passed[inside] / SIDEREAL_RAD_PER_S)
    return np.concatenate([np.empty(0, int), *found_axis]), np.concatenate([np.empty(0), *found_s])


def stretches(recorded: np.ndarray, step_s: float) -> np.ndarray:
    """Return start and end of each stretch of a grid of times that is recorded, seconds, (stretch, 2).

    Parameters
    ----------
    recorded : ndarray of bool (time,)
        A stretch goes from its first time to its last one; a single one is no stretch.
    step_s : float

    Examples
    --------
    >>> stretches(np.array([True, True, True, False, True, False]), 30.0)
    array([[ 0., 60.]])
    """
    change = np.diff(np.concatenate([[0], recorded.astype(np.int8), [0]]))
    ends = np.stack([np.flatnonzero(change == 1), np.flatnonzero(change == -1) - 1], axis=-1)
    return np.asarray(ends[ends[:, 1] > ends[:, 0]] * step_s)


def spatial_frequency_mega_lambda(codes: np.ndarray, field_mas: float) -> np.ndarray:
    """Return the spatial frequency of the middle of each cell, 10^6 wavelengths, (cell,).

    Examples
    --------
    >>> at_ten = cell_codes(np.array([[30.0, 40.0]]), (5.0,), field_mas=206264.806 / 1000.0)
    >>> np.round(spatial_frequency_mega_lambda(at_ten, field_mas=206264.806 / 1000.0), 6)
    array([[10.]])
    """
    v, u = np.divmod(codes, 2 * _SPAN)
    return np.asarray(np.hypot(u - _SPAN, v) / (field_mas * RAD_PER_MAS) / 1e6)


def cells_of(codes: np.ndarray) -> tuple[tuple[int, int], ...]:
    """Return the distinct cells as (u, v) index pairs, sorted by v, then u."""
    distinct = np.unique(codes)
    v, u = np.divmod(distinct, 2 * _SPAN)
    return tuple(zip((u - _SPAN).tolist(), v.tolist(), strict=True))
