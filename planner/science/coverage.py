"""Coverage: which independent cells of the (u, v) plane a visit fills.

A source of field of view W has independent visibilities only on cells of side
1/W (sampling theorem, any text on Fourier analysis). A cell is the pair of
whole numbers nearest to (u W, v W) with u and v in wavelengths; (u, v) and
(-u, -v) are one cell, the one with v > 0, or v = 0 and u >= 0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.units import RAD_PER_MAS

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
    # rint, not floor(x + 0.5): it is odd, so a sample on an edge and its conjugate stay in one cell.
    index = np.rint(uv_m[..., None, :] * scale[:, None]).astype(np.int64)
    u, v = index[..., 0], index[..., 1]
    flip = (v < 0) | ((v == 0) & (u < 0))
    u, v = np.where(flip, -u, u), np.where(flip, -v, v)
    return v * (2 * _SPAN) + (u + _SPAN)


@dataclass(frozen=True)
class CellRuns:
    """Cells along time: a baseline and channel stays in a cell for a while, a run, then goes to another.

    There are far fewer runs than samples, so what is asked of many stretches of time is asked of runs.

    Attributes
    ----------
    distinct : ndarray (cell,)
        Codes of all cells, sorted.
    cell : ndarray (run,)
        As the place in ``distinct``.
    first, last : ndarray (run,)
        Times, both included.
    baseline : ndarray (run,)
    """

    distinct: np.ndarray
    cell: np.ndarray
    first: np.ndarray
    last: np.ndarray
    baseline: np.ndarray

    def inside(self, recorded: np.ndarray, baselines: np.ndarray | None = None) -> np.ndarray:
        """Return which cells are filled while something is recorded, (cell,).

        Parameters
        ----------
        recorded : ndarray of bool (time,)
        baselines : ndarray of bool (baseline,), optional
            Those that count; all by default.
        """
        before = np.concatenate([[0], np.cumsum(recorded)])
        seen = before[self.last + 1] > before[self.first]
        if baselines is not None:
            seen &= baselines[self.baseline]
        filled = np.zeros(len(self.distinct), dtype=bool)
        filled[self.cell[seen]] = True
        return filled

    def during(self, first: np.ndarray, last: np.ndarray) -> np.ndarray:
        """Return which cells each stretch of time fills, both ends included, (stretch, cell)."""
        stretch, run = np.nonzero((self.first <= last[:, None]) & (self.last >= first[:, None]))
        filled = np.zeros((len(first), len(self.distinct)), dtype=bool)
        filled[stretch, self.cell[run]] = True
        return filled


def cell_runs(codes: np.ndarray) -> CellRuns:
    """Return the runs of cells (time, baseline, channel) along time."""
    times, baselines, channels = codes.shape
    of_series = np.moveaxis(codes, 0, -1).reshape(baselines * channels, times)
    begins = np.ones(of_series.shape, dtype=bool)
    np.not_equal(of_series[:, 1:], of_series[:, :-1], out=begins[:, 1:])
    series, first = np.nonzero(begins)
    # A run ends where the next one of its series begins, or with the night.
    last = np.append(first[1:], 0) - 1
    last[last < first] = times - 1
    distinct, cell = np.unique(of_series[begins], return_inverse=True)
    return CellRuns(distinct, cell, first, last, series // max(channels, 1))


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
