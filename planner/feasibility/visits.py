"""Many nights in one answer: in which of them some subarray can make a whole visit.

What stood open in the night before stands open four minutes earlier in this
one, so the subarray that served it then is tried first. Where it does not, the
night is worked out as if it alone had been asked about.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence

import numpy as np

from planner.constraints.tonight import night_limits
from planner.errors import NoNight
from planner.feasibility.changes import on_night
from planner.feasibility.nights import first_to_serve, followed_star, night_of, visit_starts
from planner.progress import PartDone
from planner.scenario.targets import Scenario
from planner.scheduling.subarrays import Subarray
from planner.sky.directions import icrs_at_date
from planner.sky.earth import offline_earth
from planner.sky.year import YearSky

BEYOND_DEG = 0.1  # apparent places are aberration, deflection and a year's motion away from the catalogue's


def whole_visits(
    scenario: Scenario,
    sky: YearSky,
    asked: tuple[Sequence[int], Sequence[str], Sequence[str]],
    candidates: np.ndarray,
    tell: Callable[[str], None] = lambda sentence: None,
) -> np.ndarray:
    """Return in which nights a whole visit can be made, (configuration, target, night) of bool.

    Parameters
    ----------
    scenario : Scenario
    sky : YearSky
    asked : (requests, configurations, only)
        Index in the scenario's requests; names; telescopes of the only subarray asked for, or nothing.
    candidates : ndarray of bool (configuration, target, night)
        Nights that are looked at; no other has room.
    tell : callable
        Called with a sentence as the work goes on.
    """
    requests, configurations, only = asked
    small, near = _asked_alone(scenario, sky, requests)
    candidates = candidates & (near | (not scenario.calibrators))[None, :, None]
    found = np.zeros(candidates.shape, dtype=bool)
    served: dict[tuple[int, int], Subarray] = {}
    for number in np.flatnonzero(candidates.any(axis=(0, 1))).tolist():
        date = sky.nights[number]
        tell(PartDone(f"Working out whole visits in the night of {date}", number, len(sky.nights)))
        try:
            on_ticks = sky.on_ticks(small, date)
        except NoNight:
            continue
        for place, configuration in enumerate(configurations):
            rows = np.flatnonzero(candidates[place, :, number]).tolist()
            if not rows:
                continue
            limits = night_limits(small, on_ticks, configuration)
            for row in rows:
                before = served.get((place, row))
                if before is None or not len(visit_starts(limits, row, before)):
                    before = _worked_out(small, row, date, configuration, only)
                if before is not None:
                    served[place, row] = before
                found[place, row, number] = before is not None
    return found


def _worked_out(
    small: Scenario, row: int, date: datetime.date, configuration: str, only: Sequence[str]
) -> Subarray | None:
    """Return the subarray that serves a request in a night, as the answer about that night finds it."""
    own = small.model_copy(update={"requests": (small.requests[row],)})
    night = night_of(on_night(date=date, configuration=configuration)(own))
    served = first_to_serve(night, 0, followed_star(night, 0, only))
    return None if served is None else served[0]


def _asked_alone(scenario: Scenario, sky: YearSky, requests: Sequence[int]) -> tuple[Scenario, np.ndarray]:
    """Return the scenario with these requests and the calibrators near any, and which have one, (target,)."""
    wishes = tuple(scenario.requests[request] for request in requests)
    middle = sky.frame.times[len(sky.frame.times) // 2] if len(sky.seconds) else sky.earth.start
    with offline_earth():
        places = icrs_at_date([*(wish.star for wish in wishes), *scenario.calibrators], middle)
    unit = np.stack(
        [
            np.cos(places[:, 1]) * np.cos(places[:, 0]),
            np.cos(places[:, 1]) * np.sin(places[:, 0]),
            np.sin(places[:, 1]),
        ],
        axis=-1,
    )
    reach = np.cos(np.deg2rad(scenario.limits.bracket_distance_max_deg + BEYOND_DEG))
    close = unit[: len(wishes)] @ unit[len(wishes) :].T >= reach
    kept = tuple(scenario.calibrators[k] for k in np.flatnonzero(close.any(axis=0)))
    return scenario.model_copy(update={"requests": wishes, "calibrators": kept}), close.any(axis=1)
