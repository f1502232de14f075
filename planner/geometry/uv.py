"""Baselines seen from a star: u, v, w, from the delay of its light.

u grows to the east, v to the north, w towards the star, in metres. With the
visibility V(u, v) = integral I exp(-2 pi i (u alpha + v delta)) these are the
coordinates that OIFITS stores (Duvert, Young & Hummel 2017, A&A 597, A8).

What makes the fringes of two points of an image differ is the difference of
their delays, so u and v are the derivatives of the delay B.s' by the ICRS place
of the date, s' being the apparent direction, aberration included: u by right
ascension, over cos(declination), v by declination. w is the delay itself. The
components of B on the orthonormal axes at the ICRS place leave aberration out:
up to 1e-4 of the baseline, 15 mm on 150 m. Axes of date would be wrong by
precession (0.4 m on 150 m in 2027).
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


def uvw_m(icrs_rad: np.ndarray, boost: np.ndarray, baselines_m: np.ndarray) -> np.ndarray:
    """Return u, v, w in metres, (star, time, baseline, 3).

    Parameters
    ----------
    icrs_rad : ndarray (star, 2)
        Right ascension and declination at the date, from ``sky.directions.icrs_at_date``.
    boost : ndarray (time, 4, 4)
        From ``sky.earth.EarthFrame``.
    baselines_m : ndarray (baseline, 3)
        ENU.

    Notes
    -----
    The apparent direction is k/k0 of (k0, k) = boost (1, s), and the derivative
    of s by the place is e_east or e_north, so with (j0, j) = boost (0, e) the
    derivative of k/k0 is (j - (k/k0) j0)/k0: exact, by the rule for a quotient.
    Parallax and light deflection are left out: about 1 mm on 300 m for the nearest
    star, 0.02 mm beyond 100 pc.
    """
    stars, times = len(icrs_rad), len(boost)
    light = np.concatenate([np.zeros((stars, 3, 1)), uvw_axes(icrs_rad)], axis=-1)
    light[:, 2, 0] = 1.0
    moved = (light.reshape(stars * 3, 4) @ boost.reshape(times * 4, 4).T).reshape(stars, 3, times, 4)
    moved /= moved[:, 2:, :, :1]
    seen = moved[..., 1:]
    seen[:, :2] -= moved[:, :2, :, :1] * seen[:, 2:]
    found = np.empty((stars, times, len(baselines_m), 3))
    np.matmul(seen, baselines_m.T, out=np.moveaxis(found, -1, 1))
    return found
