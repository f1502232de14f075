"""A night, what was offered, what was chosen, and how each chosen visit is made."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from planner.constraints.tonight import NightLimits
from planner.scheduling.candidates import RequestOffer
from planner.scheduling.cpsat import Solution
from planner.scheduling.forced import ForcedPlan
from planner.scheduling.problem import NightProblem
from planner.scheduling.reserved import Block
from planner.scheduling.table import CandidateTable
from planner.scheduling.travel import Movement
from planner.scheduling.visits import VisitFamily


@dataclass(frozen=True)
class SolvedNight:
    """A night, what was offered, and what was chosen.

    Attributes
    ----------
    limits : NightLimits
    offers : tuple of RequestOffer
    problem : NightProblem
    table : CandidateTable
    families : tuple of VisitFamily
    solution : Solution
    seconds : float or None
        Time limit instead of the scenario's effort.
    made : mapping
        Chosen candidates that are made otherwise than their family says, each as a family of one start.
    forced : mapping
        For requests without a visit that were asked about, the best plan found that serves them.
    moved_before : Movement or None
        What the first plan moved, once a second stage has made it calmer.
    """

    limits: NightLimits
    offers: tuple[RequestOffer, ...]
    problem: NightProblem
    table: CandidateTable
    families: tuple[VisitFamily, ...]
    solution: Solution
    seconds: float | None = None
    made: Mapping[int, VisitFamily] = field(default_factory=dict)
    forced: Mapping[int, ForcedPlan] = field(default_factory=dict)
    moved_before: Movement | None = None

    @property
    def visits(self) -> tuple[int, ...]:
        """Chosen candidates that are visits, in the order of their start."""
        return tuple(c for c in self.solution.chosen if self.table.family[c] >= 0)

    @property
    def placed(self) -> list[tuple[Block, int | None]]:
        """Time that is not for stars, each with the tick at which it was placed."""
        start = {int(self.table.family[c]): int(self.table.start_tick[c]) for c in self.solution.chosen}
        return [(block, start.get(-1 - k)) for k, block in enumerate(self.table.blocks)]

    @property
    def giver(self) -> dict[int, int]:
        """Chosen visits that share their first exposure, each with the visit whose last one it is."""
        givers, chosen = self.problem.rules.givers, self.solution.chosen
        return {c: p for p, c in itertools.pairwise(chosen) if givers and p in givers[c]}

    def origin(self, candidate: int) -> tuple[VisitFamily, int]:
        """Return the family and row in which a chosen visit stands as it is made."""
        if candidate in self.made:
            return self.made[candidate], 0
        return self.families[self.table.family[candidate]], int(self.table.row[candidate])


def with_shared_steps(solved: SolvedNight) -> SolvedNight:
    """Return the night with the first step of each visit that shares it as it is made: once."""
    made = dict(solved.made)
    for candidate, giver in sorted(solved.giver.items()):
        own, row = replace(solved, made=made).origin(candidate)
        other, last = replace(solved, made=made).origin(giver)
        made[candidate] = opened_by(own.take(np.array([row])), other.take(np.array([last])))
    return replace(solved, made=made)


def opened_by(visit: VisitFamily, before: VisitFamily) -> VisitFamily:
    """Return a visit (a family of one start) that is opened by the exposure that closes another one."""

    def opened(own: np.ndarray, other: np.ndarray) -> np.ndarray:
        found = own.copy()
        found[:, 0] = other[:, 2]
        return found

    return replace(
        visit,
        start_tick=opened(visit.start_tick, before.start_tick),
        end_tick=opened(visit.end_tick, before.end_tick),
        offset_m=opened(visit.offset_m, before.offset_m),
        delay_m=opened(visit.delay_m, before.delay_m),
        azimuth_deg=opened(visit.azimuth_deg, before.azimuth_deg),
        altitude_deg=opened(visit.altitude_deg, before.altitude_deg),
    )
