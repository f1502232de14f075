"""Coverage: which independent cells of the (u, v) plane a visit fills.

A source of field of view W has independent visibilities only on cells of side
1/W (sampling theorem, any text on Fourier analysis). A cell is the pair of
whole numbers nearest to (u W, v W) with u and v in wavelengths; (u, v) and
(-u, -v) are one cell, the one with v > 0, or v = 0 and u >= 0.
"""

from __future__ import annotations

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


def cells_of(codes: np.ndarray) -> tuple[tuple[int, int], ...]:
    """Return the distinct cells as (u, v) index pairs, sorted by v, then u."""
    distinct = np.unique(codes)
    v, u = np.divmod(distinct, 2 * _SPAN)
    return tuple(zip((u - _SPAN).tolist(), v.tolist(), strict=True))
