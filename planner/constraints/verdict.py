"""The answer of a constraint: a margin, not a yes.

A margin says by how much a limit is kept, in the limit's own unit; zero or
more is allowed, negative is a no. Axes stand in a fixed order: star, time,
telescope.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Verdict:
    """One limit, answered.

    Attributes
    ----------
    limit : str
        What is limited, in the words of the report: ``"altitude, lower limit"``.
    unit : str
        Unit of the margin.
    margin : ndarray
        In ``unit``, with axes ``axes``.
    axes : tuple of str
        Out of ``"star"``, ``"time"``, ``"telescope"``, in this order.
    """

    limit: str
    unit: str
    margin: np.ndarray
    axes: tuple[str, ...]

    @property
    def allowed(self) -> np.ndarray:
        """True where the limit is kept; same axes."""
        return self.margin >= 0

    def on_time(self, star: int, telescopes: np.ndarray) -> np.ndarray:
        """Return the smallest margin over the telescopes given, for one star, (time,) or ()."""
        margin = self.margin
        if "star" in self.axes:
            margin = margin[star]
        if "telescope" in self.axes:
            margin = margin[..., telescopes].min(axis=-1)
        return margin


def all_allowed(verdicts: Iterable[Verdict]) -> np.ndarray:
    """Return where every one of the verdicts allows; their axes must be the same."""
    return np.logical_and.reduce([verdict.allowed for verdict in verdicts])


def lowest(
    verdicts: Iterable[Verdict], star: int, telescopes: np.ndarray, ticks: slice
) -> list[tuple[Verdict, float]]:
    """Return each verdict with its smallest margin over a stretch of ticks, for one star and subarray."""
    found = []
    for verdict in verdicts:
        margin = verdict.on_time(star, telescopes)
        if "time" in verdict.axes:
            margin = margin[ticks]
        found.append((verdict, float(np.min(margin))))
    return found
