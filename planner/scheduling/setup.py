"""How long it takes to get from one star to the next.

Telescopes slew in azimuth and altitude at once, carriages run at the same
time, beams are led into other lines and the combiner is changed at the same
time; then the star is acquired and fringes are searched. What the visit
before does not use is moved ahead while that visit records, so only what two
visits share counts between them, and the rule is applied to every pair of
visits, not only to neighbours.

Times are seconds; the only rounding is :func:`ticks_up`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.scenario.array import Array, Combiner, DelayLine, TelescopeClass
from planner.scenario.light_path import RoutingMode

STILL_DEG = 1.0 / 3600.0  # a mount that need not turn by an arcsecond need not settle
STILL_M = 1e-4


def axis_s(distance: np.ndarray, speed: float, settle_s: float, still: float) -> np.ndarray:
    """Time of one axis to go a distance and settle, zero where it stays; shape of ``distance``."""
    size = np.abs(distance)
    return np.where(size > still, size / speed + settle_s, 0.0)


def slew_s(azimuth_deg: np.ndarray, altitude_deg: np.ndarray, own: TelescopeClass) -> np.ndarray:
    """Time of a mount to turn by these angles, both axes at once; shapes broadcast.

    Azimuths are cable-wrap angles, so a difference is what the axis really turns.
    """
    turn = axis_s(azimuth_deg, own.azimuth_speed_deg_per_s, own.azimuth_settle_s, STILL_DEG)
    tilt = axis_s(altitude_deg, own.altitude_speed_deg_per_s, own.altitude_settle_s, STILL_DEG)
    return np.maximum(turn, tilt)


def carriage_s(path_m: np.ndarray, line: DelayLine) -> np.ndarray:
    """Time of a carriage to change the optical path by this much; shape of ``path_m``.

    In air the rail is shorter by 3e-4 than in vacuum for the same path; the longer time is kept.
    """
    speed = line.path_per_travel * line.speed_m_per_s
    return axis_s(path_m, speed, line.settle_s, STILL_M)


def capture_s(combiner: Combiner, classes: list[TelescopeClass]) -> float:
    """Time to acquire the star and find fringes once everything is in place."""
    return max(own.acquisition_s for own in classes) + combiner.fringe_search_s


def combiner_change_s(array: Array, states: Sequence[tuple[str, str | None]]) -> np.ndarray:
    """Time to change from one (combiner, spectral setup) to another, (from, to), zero on the diagonal.

    Feed optics of the one move out while those of the other move in; then the
    combiner is set up. Within a combiner the spectral setup alone changes; back
    to the combiner's own keys takes what the setup that is left took.
    """
    change = np.zeros((len(states), len(states)))
    setups = {(setup.combiner, setup.name): setup.change_s for setup in array.spectral_setups}
    for i, (name, setup) in enumerate(states):
        for j, (other, later) in enumerate(states):
            if name != other:
                before, after = array.combiner(name), array.combiner(other)
                change[i, j] = max(before.feed_out_s, after.feed_in_s) + after.setup_s
            elif setup != later:
                change[i, j] = setups.get((other, later or ""), setups.get((name, setup or ""), 0.0))
    return change


def mode_change_s(modes: Sequence[RoutingMode]) -> np.ndarray:
    """Time to change from one routing mode to another, (from, to), zero on the diagonal."""
    change = np.tile(np.array([mode.change_s for mode in modes], dtype=float), (len(modes), 1))
    np.fill_diagonal(change, 0.0)
    return change


@dataclass(frozen=True)
class StepTicks:
    """How long a step takes, in ticks.

    Attributes
    ----------
    total : int
        From start to end.
    swap : (int, int) or None
        Dual feed: when the two stars change places, from the start; nothing is recorded then.
    """

    total: int
    swap: tuple[int, int] | None = None

    @property
    def recording(self) -> tuple[tuple[int, int], ...]:
        """First and last tick of each stretch that is recorded, from the start of the step, both included."""
        if self.swap is None:
            return ((0, self.total),)
        return ((0, self.swap[0]), (self.swap[1], self.total))

    def recorded(self, start: int) -> np.ndarray:
        """Return the ticks at which a step that starts at ``start`` is being recorded, ends included."""
        return start + np.concatenate([np.arange(first, last + 1) for first, last in self.recording])


def step_ticks(combiner: Combiner, swap_s: float, tick_s: int, science: bool) -> StepTicks:
    """Return how long a step takes; with a swap, half of it is recorded before and half after."""
    recording_s = combiner.recording_s[science]
    if swap_s <= 0:
        return StepTicks(int(ticks_up(recording_s, tick_s)))
    half, swap = int(ticks_up(recording_s / 2.0, tick_s)), int(ticks_up(swap_s, tick_s))
    return StepTicks(2 * half + swap, (half, half + swap))


def ticks_up(seconds: np.ndarray | float, tick_s: int) -> np.ndarray:
    """Round seconds up to whole ticks; a microsecond over a tick does not count as another."""
    return np.ceil(np.asarray(seconds) / tick_s - 1e-6 / tick_s).astype(int)
