"""Phases of an orbit or a pulsation: when the star itself, seen from the barycentre, is in the part wanted.

Phase is the fraction of (BJD - epoch)/period, with BJD the barycentric Julian
date in TDB: the time at the observatory plus the light's way from there to the
solar system's barycentre, r.s/c (r the observatory's barycentric place, s the
direction of the star; Eastman, Siverd & Gaudi 2010, PASP 122, 935). Left out is
the curvature of the wave front: a millisecond for a star at one parsec.
"""

from __future__ import annotations

import erfa
import numpy as np

from planner.constraints.verdict import Verdict
from planner.scenario.programs import PhaseWindow, phase_spans
from planner.sky.earth import offline_earth
from planner.sky.night import NightSky
from planner.units import DAY_S

PHASE = "orbital phase"
LIGHT_S_PER_AU = erfa.DAU / erfa.CMPS
MIN_PER_DAY = DAY_S / 60.0


def cycles_since(sky: NightSky, star: int, window: PhaseWindow) -> np.ndarray:
    """Return how many periods have passed since the epoch, at the star as the barycentre sees it, (time,)."""
    with offline_earth():
        tdb = sky.times.tdb
    direction = erfa.s2c(*sky.icrs_rad[star])
    travel_d = sky.frame.observer_au @ direction * (LIGHT_S_PER_AU / DAY_S)
    return np.asarray((tdb.jd1 - window.epoch_bjd + tdb.jd2 + travel_d) / window.period_d)


def orbital_phase(sky: NightSky, star: int, window: PhaseWindow) -> Verdict:
    """Margin to the nearer edge of the best range of phases, minutes, (star of one, time).

    Infinite where the ranges make a whole turn.

    Parameters
    ----------
    sky : NightSky
    star : int
        Index in ``sky.stars``.
    window : PhaseWindow
    """
    spans = phase_spans(window)
    if spans == ((0.0, 1.0),):
        return Verdict(PHASE, "min", np.full((1, len(sky.times)), np.inf), ("star", "time"))
    phase = np.mod(cycles_since(sky, star, window), 1.0)
    margins = [
        np.minimum(phase + turn - low, high - phase - turn)
        for low, high in spans
        for turn in (-1.0, 0.0, 1.0)
    ]
    margin = np.max(margins, axis=0) * (window.period_d * MIN_PER_DAY)
    return Verdict(PHASE, "min", margin[None], ("star", "time"))


def edges_before(window: PhaseWindow, cycles: np.ndarray) -> np.ndarray:
    """Return how many edges of ranges lie between the epoch and each moment, (time,).

    Where it changes between two moments an edge has been passed, whether or
    not both are inside.
    """
    edges = np.array([edge for span in phase_spans(window) for edge in span])
    return np.asarray(np.floor(cycles[:, None] - edges).sum(axis=-1))
