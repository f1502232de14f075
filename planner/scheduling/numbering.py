"""Numbers of visits through a night that is planned again: who has one keeps it, new ones count on."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

import numpy as np
from scipy.optimize import linear_sum_assignment

from planner.scheduling.plan import EarlierPlans, EarlierVisit, NightPlan, Visit, moment

OTHER_SUBARRAY_MIN = 1.0  # between two earlier visits that lie equally near


def number_of_visit(key: str) -> int:
    """Return the number in a visit's key.

    Examples
    --------
    >>> number_of_visit("V07")
    7
    """
    return int(key.removeprefix("V"))


def earlier_plans(plan: NightPlan, made: Collection[int], lost: Collection[int]) -> EarlierPlans:
    """Return what a plan for the rest of a night has to know of the visits before it.

    Parameters
    ----------
    plan : NightPlan
        That is replaced, itself perhaps for the rest of a night.
    made, lost : collection of int
        Places in it of the visits that count as made, and of those that had begun but do not count.
    """
    before = plan.earlier
    told = {visit.id: visit for visit in (before.visits if before else ())}
    for place, visit in enumerate(plan.visits):
        told[visit.id] = EarlierVisit(
            id=visit.id,
            target=visit.target,
            combiner=visit.combiner,
            subarray=visit.subarray,
            setup_start_utc=visit.steps[0].setup_start_utc,
            start_utc=visit.steps[0].start_utc,
            end_utc=visit.steps[-1].end_utc,
            became="made" if place in made else "lost" if place in lost else "open",
        )
    ordered = sorted(told.values(), key=lambda visit: number_of_visit(visit.id))
    return EarlierPlans(replanned=1 + (before.replanned if before else 0), visits=tuple(ordered))


def renumbered(plan: NightPlan, earlier: EarlierPlans) -> NightPlan:
    """Return a plan for the rest of a night with the numbers of the visits that it makes again.

    Within a request each visit takes the number of the earlier one that starts nearest and was not made;
    visits without such a one count on after the highest number that this night has seen.
    """
    keys: dict[int, str] = {}
    for target in dict.fromkeys(visit.target for visit in plan.visits):
        places = [place for place, visit in enumerate(plan.visits) if visit.target == target]
        free = [visit for visit in earlier.visits if visit.target == target and visit.became != "made"]
        for row, column in _nearest([plan.visits[place] for place in places], free):
            keys[places[row]] = free[column].id
    highest = max((number_of_visit(visit.id) for visit in earlier.visits), default=0)
    visits = []
    for place, visit in enumerate(plan.visits):
        if place not in keys:
            highest += 1
            keys[place] = f"V{highest:02d}"
        visits.append(visit.model_copy(update={"id": keys[place]}))
    return plan.model_copy(update={"visits": tuple(visits), "earlier": earlier})


def _nearest(visits: Sequence[Visit], free: Sequence[EarlierVisit]) -> Iterable[tuple[int, int]]:
    """Pairs of (visit, earlier visit) whose starts lie nearest together.

    By the square root of the time between: a visit that hardly moves keeps its number, however far another
    one of the request has to go.
    """
    starts = np.array([[moment(visit.steps[0].start_utc).timestamp()] for visit in visits])
    before = np.array([moment(visit.start_utc).timestamp() for visit in free])
    minutes = np.abs(starts - before) / 60.0
    others = np.array([[set(visit.subarray) != set(own.subarray) for own in free] for visit in visits])
    rows, columns = linear_sum_assignment(np.sqrt(minutes + OTHER_SUBARRAY_MIN * others))
    return zip(rows.tolist(), columns.tolist(), strict=True)


def dropped(plan: NightPlan) -> tuple[EarlierVisit, ...]:
    """Return the earlier visits that were not made and stand in this plan no more."""
    planned = {visit.id for visit in plan.visits}
    earlier = plan.earlier.visits if plan.earlier else ()
    return tuple(visit for visit in earlier if visit.became != "made" and visit.id not in planned)
