"""When: hour angle, airmass, absolute windows, and the intervals in which everything holds."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from astropy.time import Time

from planner.constraints.verdict import Verdict
from planner.scenario.night import Reserved, Window
from planner.sky.earth import offline_earth

RESERVED = "reserved time"
OVER = "time that is past"


def airmass(altitude_deg: np.ndarray, airmass_max: float) -> Verdict:
    """Margin of the airmass, (star, time): sec z of the true zenith distance.

    Plane-parallel airmass; infinite at and below the horizon. Its error is
    below 0.01 up to airmass 2 (Kasten & Young 1989, Appl. Opt. 28, 4735; value from memory).
    """
    up = np.sin(np.deg2rad(altitude_deg))
    value = np.where(up > 0, 1.0 / np.maximum(up, 1e-9), np.inf)
    return Verdict("airmass", "airmass", airmass_max - value, ("star", "time"))


def hour_angle(hour_angle_h: np.ndarray, earliest_h: float, latest_h: float) -> Verdict:
    """Margin inside an interval of hour angles, hours, same shape as given."""
    margin = np.minimum(hour_angle_h - earliest_h, latest_h - hour_angle_h)
    return Verdict("hour angle", "h", margin, ("star", "time"))


def absolute_windows(times: Time, windows: tuple[Window, ...]) -> Verdict:
    """Margin to the nearer edge of the best window, minutes, (time,); infinite without windows."""
    if not windows:
        return Verdict("absolute window", "min", np.full(len(times), np.inf), ("time",))
    with offline_earth():
        margins = [
            # To the millisecond: an edge that falls on a tick belongs to the window.
            np.minimum(
                np.round((times - Time(window.start_utc)).to_value("s"), 3),
                np.round((Time(window.end_utc) - times).to_value("s"), 3),
            )
            / 60.0
            for window in windows
        ]
    return Verdict("absolute window", "min", np.max(margins, axis=0), ("time",))


def reserved_time(
    times: Time, telescopes: Sequence[str], reserved: Sequence[Reserved], limit: str = RESERVED
) -> Verdict | None:
    """Margin to the nearest time that is reserved at a given hour, minutes, (time, telescope).

    None where nothing is reserved so.

    Parameters
    ----------
    times : Time (time,)
    telescopes : sequence of str
    reserved : sequence of Reserved
        Those whose time the planner chooses are left out.
    limit : str
        Its name.
    """
    margin = np.full((len(times), len(telescopes)), np.inf)
    for own in reserved:
        if own.start_utc is None or own.end_utc is None:
            continue
        with offline_earth():
            before = np.round((Time(own.start_utc) - times).to_value("s"), 3) / 60.0
            after = np.round((times - Time(own.end_utc)).to_value("s") - own.ready_s, 3) / 60.0
        taken = [not own.telescopes or name in own.telescopes for name in telescopes]
        margin[:, taken] = np.minimum(margin[:, taken], np.maximum(before, after)[:, None])
    return None if np.all(np.isinf(margin)) else Verdict(limit, "min", margin, ("time", "telescope"))


def intervals(allowed: np.ndarray) -> list[tuple[int, int]]:
    """Return the runs of True in (time,) as (first, last) tick, both included.

    Examples
    --------
    >>> intervals(np.array([True, True, False, True]))
    [(0, 1), (3, 3)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[False], allowed, [False]]).astype(int)))
    return [(int(first), int(last) - 1) for first, last in edges.reshape(-1, 2)]
