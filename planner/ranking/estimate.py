"""What a night plan would score, quickly, for every subarray at once.

Visits are put into the night one after the other, the most valuable first, each
where fewest others could be, as if every move took a typical time, and only
where a whole visit with its calibrators can begin. It is the order that counts,
and the page tells how well it is kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.scenario.targets import Request, Scenario
from planner.scheduling.setup import capture_s, carriage_s, slew_s

# Typical moves, by looking at plans: to a calibrator and back, and from one visit to the next.
NEAR_DEG, NEAR_PART = 6.0, 0.05
FAR_DEG, FAR_PART = 50.0, 0.25


@dataclass(frozen=True)
class Wish:
    """What a request would bring on every subarray.

    Attributes
    ----------
    value : ndarray (subarray,)
        Of one visit: its cells times the priority.
    visits : int
        How many are wanted.
    bits : ndarray of uint8 (subarray, byte)
        Slots at which a visit can begin.
    whole : int
        Slots of the whole visit with the set-up to it.
    """

    value: np.ndarray
    visits: int
    bits: np.ndarray
    whole: int

    @classmethod
    def of(cls, scenario: Scenario, request: int, cells: np.ndarray, bits: np.ndarray) -> Wish:
        """Return the wish of a request whose best visit fills so many cells on each subarray."""
        wish = scenario.requests[request]
        before, capture = _before_s(scenario, wish)
        whole = (
            before + scenario.science_step_s(wish) + before + capture + _travel_s(scenario, FAR_DEG, FAR_PART)
        )
        return cls(
            value=wish.priority * cells.astype(float),
            visits=wish.visits,
            bits=bits,
            # Visits start on slots, so what is left of the last one is lost.
            whole=max(1, int(np.ceil(whole / scenario.night.slot_s))),
        )


def before_slots(scenario: Scenario, wish: Request) -> int:
    """Return how many slots lie between the start of a visit and that of its science step, typically."""
    return round(_before_s(scenario, wish)[0] / scenario.night.slot_s)


def _before_s(scenario: Scenario, wish: Request) -> tuple[float, float]:
    """Typical time from the start of a visit to its science step, and the capture in it."""
    combiner = scenario.combiner_of(wish)
    classes = [c for c in scenario.array.telescope_classes if c.name in combiner.limiting_magnitude]
    capture = min((capture_s(combiner, [own]) for own in classes), default=combiner.fringe_search_s)
    return combiner.recording_s[False] + capture + _travel_s(scenario, NEAR_DEG, NEAR_PART), capture


def _travel_s(scenario: Scenario, angle_deg: float, part: float) -> float:
    """Time of a slew by an angle or of a carriage over a part of its stroke, the longer, median device."""
    array = scenario.array
    turn, tilt = np.array(angle_deg), np.array(angle_deg / 2.0)
    slews = [float(slew_s(turn, tilt, own)) for own in array.telescope_classes]
    runs = [
        float(carriage_s(np.array(part * (own.stroke_m[1] - own.stroke_m[0])), own))
        for own in array.delay_lines
    ]
    return max(float(np.median(slews)), float(np.median(runs)) if runs else 0.0)


def estimated(wishes: Sequence[Wish], slots: int) -> np.ndarray:
    """Return what each request brings to the estimate on each subarray, (subarray, request).

    Parameters
    ----------
    wishes : sequence of Wish
    slots : int
    """
    subarrays = len(wishes[0].value) if wishes else 0
    found = np.zeros((subarrays, len(wishes)))
    if not subarrays:
        return found
    pressure = np.sum([_density(wish, slots) for wish in wishes], axis=0)
    taken = np.zeros((subarrays, slots), dtype=bool)
    worth = [float(wish.value.mean()) / wish.whole for wish in wishes]
    order = sorted(range(len(wishes)), key=lambda row: (-worth[row], row))
    for row in order:
        wish = wishes[row]
        for _ in range(wish.visits):
            start, fits = _place(wish, taken, pressure, slots)
            rows = np.flatnonzero(fits & (wish.value > 0))
            if not len(rows):
                break
            found[rows, row] += wish.value[rows]
            span = np.arange(wish.whole)
            at = np.minimum(start[rows, None] + span, slots - 1)
            taken[rows[:, None], at] = True
    return found


def _density(wish: Wish, slots: int) -> np.ndarray:
    """How much value waits at each slot, spread over the slots that are open, (slot,)."""
    open_ = np.unpackbits(wish.bits, axis=-1, count=slots).mean(axis=0)
    return float(wish.value.mean()) * open_ / max(float(open_.sum()), 1e-9)


def _place(wish: Wish, taken: np.ndarray, pressure: np.ndarray, slots: int) -> tuple[np.ndarray, np.ndarray]:
    """Where a visit starts on each subarray (where least else could be), and whether it fits at all."""
    busy = _sums(taken, wish.whole) > 0
    can = np.unpackbits(wish.bits, axis=-1, count=slots).astype(bool)
    can &= ~busy
    # What comes after the last visit of the night need not fit into it.
    cost = np.convolve(np.pad(pressure, (0, wish.whole - 1)), np.ones(wish.whole), mode="valid")
    start = np.argmin(np.where(can, cost, np.inf), axis=1)
    return start, can[np.arange(len(taken)), start]


def _sums(flags: np.ndarray, width: int) -> np.ndarray:
    """Sum over each window of so many slots, as far as there are any, (subarray, start)."""
    slots = flags.shape[1]
    total = np.zeros((len(flags), slots + width), dtype=np.int16)
    np.cumsum(flags, axis=1, out=total[:, 1 : slots + 1])
    total[:, slots + 1 :] = total[:, slots : slots + 1]
    return total[:, width:] - total[:, :slots]
