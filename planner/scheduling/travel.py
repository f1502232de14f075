"""How far things move in a plan: carriages on their rails, mounts about their axes.

Between two steps a device goes from where its last step left it to where its
next step starts; what follows a star while it is recorded does not count, and
before its first step everything is in place.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from planner.constraints.tonight import NightLimits
from planner.scheduling.plan import Travel
from planner.scheduling.visits import VisitFamily

WRITTEN = 6  # decimals with which a plan tells positions: what it tells of its movement follows from them
Made = tuple[VisitFamily, int]  # a visit: its family and its row


@dataclass(frozen=True)
class Movement:
    """What moves between the steps of a plan.

    Attributes
    ----------
    carriages_m : float
        On the rails, of all carriages.
    mounts_deg : float
        In azimuth and altitude, of all mounts.
    motion_s : float
        How long all these motions last, one after the other: each distance by its device's speed.
    """

    carriages_m: float
    mounts_deg: float
    motion_s: float

    def exceeds(self, other: Movement) -> bool:
        """Whether carriages or mounts run further than in another plan, by more than rounding."""
        return self.carriages_m > other.carriages_m + 1e-6 or self.mounts_deg > other.mounts_deg + 1e-6


def opens_next(earlier: Made, later: Made) -> bool:
    """Whether the exposure that closes one visit opens the next: only then do two visits overlap."""
    return int(later[0].start_tick[later[1], 0]) < int(earlier[0].end_tick[earlier[1], 2])


def steps_made(visits: Sequence[Made]) -> Iterator[tuple[int, int]]:
    """Yield (visit, step) in the order of the night; an exposure that two visits share comes once."""
    for number, visit in enumerate(visits):
        shared = number > 0 and opens_next(visits[number - 1], visit)
        yield from ((number, step) for step in range(int(shared), 3))


def movement(limits: NightLimits, visits: Sequence[Made]) -> Movement:
    """Add up what moves in some visits, which stand in the order of their start."""
    lines = limits.scenario.array.delay_lines
    carriage: dict[int, float] = {}
    mount: dict[int, tuple[float, float]] = {}
    run_m, turned_deg, motion_s = 0.0, 0.0, 0.0
    for number, step in steps_made(visits):
        family, row = visits[number]
        own = family.facts.subarray
        for beam, line in enumerate(own.lines):
            start, end = np.round(family.delay_m[row, step, :, beam], WRITTEN).tolist()
            rail = abs(start - carriage.get(line, start)) / lines[line].path_per_travel
            run_m, motion_s = run_m + rail, motion_s + rail / lines[line].speed_m_per_s
            carriage[line] = end
        for telescope in own.telescopes:
            kind = limits.placement.classes[telescope]
            angles = np.stack([family.azimuth_deg[row, step], family.altitude_deg[row, step]])
            (azimuth, azimuth_end), (altitude, altitude_end) = np.round(angles, WRITTEN).tolist()
            stood = mount.get(telescope, (azimuth, altitude))
            turn, tilt = abs(azimuth - stood[0]), abs(altitude - stood[1])
            turned_deg += turn + tilt
            motion_s += turn / kind.azimuth_speed_deg_per_s + tilt / kind.altitude_speed_deg_per_s
            mount[telescope] = azimuth_end, altitude_end
    return Movement(run_m, turned_deg, motion_s)


def travel_of(before: Movement, after: Movement) -> Travel:
    """Return the movement of a plan, and of the plan that it was made from, for the document."""
    return Travel(
        carriages_m=round(after.carriages_m, 6),
        mounts_deg=round(after.mounts_deg, 6),
        carriages_before_m=round(before.carriages_m, 6),
        mounts_before_deg=round(before.mounts_deg, 6),
    )
