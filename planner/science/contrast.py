"""Where a target still shows fringes: moments at which its squared visibility reaches what a combiner wants.

A sample of a baseline in a channel counts only there. Between two samples of a
track the squared visibility is followed closely enough for its lobes, and each
passage through the limit is closed in on, so that no sampling decides.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.geometry.uv_tracks import UvTracks
from planner.scenario.targets import Request, Scenario, Star
from planner.science.source import expected_vis2, least_vis2

STEP_S = 60.0  # 0.7 m on 150 m: a tenth of the lobes of 60 mas at 2 um
CLOSER = 32  # parts of two steps in which a lobe may reach the limit without a sample telling
HALVINGS = 36  # a minute to a nanosecond


@dataclass(frozen=True)
class Contrast:
    """What a combiner wants to see of a star.

    Attributes
    ----------
    star : Star
    wavelengths_um : tuple of float
    vis2_min : float
    """

    star: Star
    wavelengths_um: tuple[float, ...]
    vis2_min: float

    def margin(self, uv_m: np.ndarray) -> np.ndarray:
        """Return by how much V squared exceeds the limit in each channel, (..., channel)."""
        channels = np.array(self.wavelengths_um)
        return expected_vis2(self.star, uv_m[..., None, :], channels) - self.vis2_min

    def passages(self, tracks: UvTracks, span_s: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
        """Return which track and channel passes the limit, and when.

        Returns
        -------
        series : ndarray (passage,)
            Baseline times the number of channels, plus the channel.
        moment_s : ndarray (passage,)
        """
        grid = np.linspace(*span_s, max(2, 1 + int(np.ceil((span_s[1] - span_s[0]) / STEP_S))))
        margin = self.margin(tracks.at(grid)).reshape(len(grid), -1)
        turned = (margin[1:] >= 0) != (margin[:-1] >= 0)
        step, series = np.nonzero(turned)
        low, high = grid[step], grid[step + 1]
        inner, which = self._hidden(tracks, grid, margin)
        low, high = np.concatenate([low, inner[0]]), np.concatenate([high, inner[1]])
        series = np.concatenate([series, which])
        at_low = self._at(tracks, series, low) >= 0
        for _ in range(HALVINGS):
            middle = (low + high) / 2.0
            same = (self._at(tracks, series, middle) >= 0) == at_low
            low, high = np.where(same, middle, low), np.where(same, high, middle)
        return series, (low + high) / 2.0

    def counted(self, tracks: UvTracks, span_s: tuple[float, float]) -> np.ndarray:
        """Return each stretch of time in which a track counts in a channel, in any order, (stretch, 2)."""
        series, moment = self.passages(tracks, span_s)
        every = np.arange(tracks.terms_m.shape[1] * len(self.wavelengths_um))
        series = np.concatenate([every, series])
        begin = np.concatenate([np.full(len(every), span_s[0]), moment])
        order = np.lexsort((begin, series))
        series, begin = series[order], begin[order]
        end = np.append(begin[1:], span_s[1])
        end[:-1][series[1:] != series[:-1]] = span_s[1]
        kept = (end > begin) & (self._at(tracks, series, (begin + end) / 2.0) >= 0)
        return np.stack([begin[kept], end[kept]], axis=-1)

    def _hidden(
        self, tracks: UvTracks, grid: np.ndarray, margin: np.ndarray
    ) -> tuple[tuple[np.ndarray, np.ndarray], np.ndarray]:
        """Look closer where a lobe turns near the limit: spans with a passage, and their series."""
        here, before, after = margin[1:-1], margin[:-2], margin[2:]
        turns = ((here >= before) & (here >= after) & (here < 0)) | (
            (here <= before) & (here <= after) & (here >= 0)
        )
        near = np.abs(here) <= np.maximum(np.abs(before - here), np.abs(after - here))
        step, series = np.nonzero(
            turns & near & ((before >= 0) == (here >= 0)) & ((after >= 0) == (here >= 0))
        )
        part = np.linspace(0.0, 1.0, CLOSER + 1)
        seconds = grid[step][:, None] + (grid[step + 2] - grid[step])[:, None] * part
        kept = self._at(tracks, series[:, None], seconds) >= 0
        row, first = np.nonzero(kept[:, 1:] != kept[:, :-1])
        return (seconds[row, first], seconds[row, first + 1]), series[row]

    def _at(self, tracks: UvTracks, series: np.ndarray, seconds: np.ndarray) -> np.ndarray:
        """Margin of each series at a moment of its own."""
        baseline, channel = np.divmod(series, len(self.wavelengths_um))
        uv = tracks.each_at(baseline, seconds)
        wavelength = np.array(self.wavelengths_um)[channel]
        return expected_vis2(self.star, uv, wavelength) - self.vis2_min


def contrast_of(scenario: Scenario, request: Request, longest_m: float) -> Contrast | None:
    """Return what counts for a request; None when every sample counts on baselines up to a length."""
    combiner = scenario.combiner_of(request)
    wavelengths = combiner.wavelengths_um
    if least_vis2(request.star, longest_m, min(wavelengths)) >= combiner.vis2_min:
        return None
    return Contrast(request.star, wavelengths, combiner.vis2_min)
