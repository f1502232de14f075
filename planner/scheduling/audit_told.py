"""What the plan tells beside what is done: margins, dark hours, the solver, lost time.

A plan whose visits are sound may still tell those on duty something that is
not so. ``told_checks`` judges that; ``NOT_CHECKED`` says what nobody can work
out again from the plan alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property

from planner.scheduling.audit_case import Case, audited, holds
from planner.scheduling.audit_cells import Crossed, crossed_by_visits
from planner.scheduling.audit_fillers import filler_cases
from planner.scheduling.audit_late_limits import late_limit_cases
from planner.scheduling.audit_lost_time import lost_time_cases
from planner.scheduling.audit_margins import Recomputed, margin_cases
from planner.scheduling.audit_night import Dark, dark_of, night_cases, orientation_cases
from planner.scheduling.audit_requests import request_cases
from planner.scheduling.audit_solver import solver_cases
from planner.scheduling.audit_times import Stage
from planner.scheduling.audit_values import Earlier
from planner.scheduling.plan import AuditCheck, NightPlan, NotChecked


@dataclass(frozen=True)
class Evidence:
    """What the audit has worked out of a plan.

    Attributes
    ----------
    plan : NightPlan
    recomputed : Recomputed
        Sky, delays and shadows of every step.
    stages : tuple of Stage
        The steps' times.
    earlier : dict of str to Earlier
        What earlier nights have filled, by target.
    """

    plan: NightPlan
    recomputed: Recomputed
    stages: tuple[Stage, ...]
    earlier: dict[str, Earlier]

    @cached_property
    def dark(self) -> Dark | None:
        """The dark hours."""
        return dark_of(self.plan)

    @cached_property
    def crossed(self) -> dict[int, Crossed]:
        """The cells of each visit."""
        return crossed_by_visits(self.plan, self.recomputed.tracked)


CHECKS: dict[str, Callable[[Evidence], Iterator[Case]]] = {
    "dark hours": lambda of: night_cases(of.plan, of.dark),
    "Earth orientation": lambda of: orientation_cases(of.plan),
    "solver": lambda of: solver_cases(of.plan),
    "margins": lambda of: margin_cases(of.plan, of.recomputed),
    "limits at latest starts": lambda of: late_limit_cases(of.plan),
    "fillers": lambda of: filler_cases(of.plan, of.crossed, of.earlier),
    "requests left out": lambda of: request_cases(of.plan),
    "lost time": lambda of: lost_time_cases(of.plan, of.stages, of.dark, of.crossed, of.earlier),
}


SEARCH = "it takes the whole search to find it again"
NOT_CHECKED = (
    NotChecked(what="the scenario in the plan", keys=("scenario",), why="it is what the plan is judged by"),
    NotChecked(
        what="the bound, but that it is not below the score",
        keys=("solver.bound",),
        why="it is proven by the search for the plan",
    ),
    NotChecked(
        what="how many visits there were to choose from, which part of the search found the plan, its time",
        keys=("solver.candidates", "solver.made_by", "solver.seconds", "solver.stopped_by"),
        why=SEARCH,
    ),
    NotChecked(
        what="at how many times and in how many ways a request could be observed, and which cells it reaches",
        keys=(
            "requests.*.feasible_starts",
            "requests.*.cells_reachable",
            "requests.*.subarrays",
            "requests.*.subarrays_offered",
            "requests.*.assignments",
            "requests.*.assignments_offered",
        ),
        why=SEARCH,
    ),
    NotChecked(
        what="reasons, but for numbers of starts, visits, hours and magnitudes, and for what is short of "
        "limits of altitude, skyline, Moon and airmass",
        keys=("requests.*.reason",),
        why=SEARCH,
    ),
    NotChecked(
        what="what serving a request costs at least, when, and whom it displaces",
        keys=(
            "requests.*.forced.cost_least",
            "requests.*.forced.start_utc",
            "requests.*.forced.displaced",
            "requests.*.forced.displaced.*",
        ),
        why="the other plan is not told",
    ),
    NotChecked(
        what="that no visit and no set-up could start later still, and that no other filler is better",
        keys=(
            "visits.*.latest_start_utc",
            "visits.*.latest_offsets_m",
            "visits.*.latest_offsets_m.*",
            "visits.*.steps.*.setup_start_utc",
            "visits.*.fillers",
        ),
        why=SEARCH,
    ),
    NotChecked(
        what="lines, inputs and path segments of a filler, but that any two of its beams have some, and that "
        "no other telescopes would do as well",
        keys=("visits.*.fillers.*.subarray.*",),
        why="the plan does not tell them",
    ),
    NotChecked(
        what="the margin of a resolved target's squared visibility, but that it is no less than in its step",
        keys=(),
        why="it is the best of a longer time than the step",
    ),
    NotChecked(
        what="earlier plans of this night, but for the numbers of visits",
        keys=("earlier",),
        why="the other plan is not told",
    ),
    NotChecked(
        what="how far things moved before runs were shortened",
        keys=("travel.carriages_before_m", "travel.mounts_before_deg"),
        why="the other plan is not told",
    ),
    NotChecked(
        what="the number of simulated nights, versions and names of sources",
        keys=("lost_time.nights", "planner_version", "schema_name", "earth_orientation.source"),
        why="nothing follows from them",
    ),
)


# What a plan that was put on disk before anything was said about it does not have.
SAID_LAST = frozenset({"margins", "limits at latest starts", "fillers", "requests left out", "lost time"})


def told_checks(evidence: Evidence) -> tuple[AuditCheck, ...]:
    """Check what a plan tells of itself; of one that is not complete, that it tells nothing more."""
    complete = evidence.plan.complete
    return (
        audited("completeness", completeness_cases(evidence.plan)),
        *(
            audited(name, cases(evidence) if complete or name not in SAID_LAST else ())
            for name, cases in CHECKS.items()
        ),
    )


def completeness_cases(plan: NightPlan) -> Iterator[Case]:
    """A plan that says that nothing was said about it yet holds nothing of that."""
    if not plan.complete:
        said = plan.lost_time is not None or any(visit.margins or visit.fillers for visit in plan.visits)
        yield holds(not said, "is not complete, and tells margins, fillers or lost time")
