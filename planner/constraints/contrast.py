"""Does a target show fringes on some baseline of a subarray while it is recorded.

A baseline may pass a null of the target for a while. What excludes a visit is
that no baseline counts in any channel at any moment of its recording, so a
moment is allowed when something counts within a science step of it.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d

from planner.constraints.tonight import NightLimits
from planner.constraints.verdict import Verdict
from planner.geometry.uv import uvw_m
from planner.geometry.uv_tracks import knots, uv_tracks
from planner.science.contrast import Contrast, contrast_of

RESOLVED = "squared visibility"
UNIT = "of V squared"
ABERRATION = 1.0002  # u and v hold it: a part in ten thousand


@dataclass(frozen=True)
class Fringes:
    """What one subarray sees of a resolved target.

    Attributes
    ----------
    pairs : tuple of (int, int)
        Telescopes of each baseline.
    contrast : Contrast
    margin : ndarray (time, pair)
        Of the best channel, at the ticks.
    counted_s : ndarray (stretch, 2)
        When some baseline counts, seconds since the first tick.
    step_s : float
        Of the science step.
    tick_s : int
    """

    pairs: tuple[tuple[int, int], ...]
    contrast: Contrast
    margin: np.ndarray
    counted_s: np.ndarray
    step_s: float
    tick_s: int

    @property
    def near_s(self) -> np.ndarray:
        """When something counts within a science step, (stretch, 2), in order and apart."""
        return _joined(self.counted_s + np.array([-self.step_s, self.step_s]))

    @property
    def verdict(self) -> Verdict:
        """Best margin of any baseline within a science step, (time,)."""
        width = 2 * int(np.ceil(self.step_s / self.tick_s)) + 1
        best = maximum_filter1d(self.margin.max(axis=-1), width, mode="nearest")
        seconds = self.tick_s * np.arange(len(best), dtype=float)
        inside = self.counts_in(seconds - self.step_s, seconds + self.step_s)
        # A lobe may reach the limit between two ticks, or not quite from a tick to the next.
        return Verdict(
            RESOLVED, UNIT, np.where(inside, np.maximum(best, 0.0), np.minimum(best, -1e-12)), ("time",)
        )

    def counts_in(self, start_s: np.ndarray, end_s: np.ndarray) -> np.ndarray:
        """Return whether something counts in each stretch of time, (stretch,)."""
        begin, end = np.append(self.counted_s, [[np.inf, np.inf]], axis=0).T
        return np.asarray(begin[np.searchsorted(end, start_s, side="right")] < end_s)


def too_resolved(limits: NightLimits, request: int, telescopes: Sequence[int]) -> str:
    """Say how much a subarray shows of a target at best, where, and what the combiner wants."""
    shown = fringes(limits, request, telescopes)
    if shown is None:
        return "too resolved"
    up = limits.telescope_allowed[request][:, list(telescopes)].all(axis=-1)
    best = np.where(up[:, None], shown.margin, -np.inf) if up.any() else shown.margin
    tick, pair = np.unravel_index(int(np.argmax(best)), best.shape)
    wanted = shown.contrast.vis2_min
    names = "-".join(limits.placement.telescopes[i] for i in shown.pairs[pair])
    return f"too resolved: at best V² {best[tick, pair] + wanted:.2g} on {names}, wants {wanted:g}"


def fringes(limits: NightLimits, request: int, telescopes: Sequence[int]) -> Fringes | None:
    """Return what a subarray sees of a request's target; None when everything counts.

    Parameters
    ----------
    limits : NightLimits
    request : int
        Index in the scenario; its target has the same index in the sky.
    telescopes : sequence of int
        Index in the placement.
    """
    wish, sky = limits.scenario.requests[request], limits.sky
    pairs = tuple(itertools.combinations(telescopes, 2))
    vectors = limits.placement.vectors_m
    baselines = np.array([vectors[j] - vectors[i] for i, j in pairs])
    longest_m = float(np.linalg.norm(baselines, axis=-1).max()) * ABERRATION
    contrast = contrast_of(limits.scenario, wish, longest_m)
    if contrast is None:
        return None
    at = knots(len(sky.times))
    uv = uvw_m(sky.icrs_rad[[request]], sky.frame.boost[at], baselines)[0, :, :, :2]
    tracks = uv_tracks(at * float(sky.tick_s), uv)
    seconds = sky.tick_s * np.arange(len(sky.times), dtype=float)
    span = (0.0, float(seconds[-1]))
    return Fringes(
        pairs=pairs,
        contrast=contrast,
        margin=contrast.margin(tracks.at(seconds)).max(axis=-1),
        counted_s=_joined(contrast.counted(tracks, span)),
        step_s=limits.scenario.science_step_s(wish),
        tick_s=sky.tick_s,
    )


def _joined(stretches_s: np.ndarray) -> np.ndarray:
    """Stretches in any order as stretches in order and apart, (stretch, 2)."""
    ordered = stretches_s[np.argsort(stretches_s[:, 0])]
    reach = np.maximum.accumulate(ordered[:, 1])
    first = np.concatenate([[True], ordered[1:, 0] > reach[:-1]])[: len(ordered)]
    last = np.concatenate([first[1:], [True]])[: len(ordered)]
    return np.stack([ordered[first, 0], reach[last]], axis=-1)
