"""Baselines seen from a star: u, v, w on ICRS axes.

u grows to the east, v to the north, w towards the star, in metres. With the
visibility V(u, v) = integral I exp(-2 pi i (u alpha + v delta)) these are the
coordinates that OIFITS stores (Duvert, Young & Hummel 2017, A&A 597, A8).

The axes are the orthonormal triad at the star's ICRS place; axes of date would
be wrong by precession (0.4 m on 150 m in 2027). The exact derivative of the
delay with respect to the ICRS place differs from it by annual aberration, at
most 1e-4 of the baseline.
"""

from __future__ import annotations

import numpy as np


def uvw_axes(icrs_rad: np.ndarray) -> np.ndarray:
    """Return the east, north and star-ward unit vectors, (star, 3, 3), row by row.

    e_east = (-sin a, cos a, 0), e_north = (-sin d cos a, -sin d sin a, cos d),
    s = (cos d cos a, cos d sin a, sin d) (Thompson, Moran & Swenson 2017, ch. 4).
    """
    a, d = icrs_rad[..., 0], icrs_rad[..., 1]
    zero = np.zeros_like(a)
    east = np.stack([-np.sin(a), np.cos(a), zero], axis=-1)
    north = np.stack([-np.sin(d) * np.cos(a), -np.sin(d) * np.sin(a), np.cos(d)], axis=-1)
    star = np.stack([np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)], axis=-1)
    return np.stack([east, north, star], axis=-2)


def uvw_m(icrs_rad: np.ndarray, rotation: np.ndarray, baselines_m: np.ndarray) -> np.ndarray:
    """Return u, v, w in metres, (star, time, baseline, 3).

    Parameters
    ----------
    icrs_rad : ndarray (star, 2)
        Right ascension and declination at the date, from ``sky.directions.icrs_at_date``.
    rotation : ndarray (time, 3, 3)
        GCRS to ENU, from ``sky.earth.EarthFrame``.
    baselines_m : ndarray (baseline, 3)
        ENU.
    """
    in_gcrs = np.einsum("tji,bj->tbi", rotation, baselines_m)
    return np.einsum("skx,tbx->stbk", uvw_axes(icrs_rad), in_gcrs, optimize=True)
