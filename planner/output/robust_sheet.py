"""How robust the plan is, in words: lost time, what fits instead, what a left-out request would cost."""

from __future__ import annotations

from planner.output.sentences import joined, names_told, thousands
from planner.output.tracks import clock
from planner.scheduling.plan import NightPlan, RequestOutcome, Visit
from planner.scheduling.reasons import ONLY_INSTEAD

DISPLACED_MAX = 3  # names; more are counted
STRETCHES = {30.0: "half hour", 60.0: "hour"}


def lost_told(plan: NightPlan) -> str:
    """Say what the plan keeps when stretches of the night are lost; empty where nothing can be."""
    own, score = plan.lost_time, plan.solver.score
    if own is None or own.probability == 0 or score <= 0:
        return ""
    stretch = STRETCHES.get(own.stretch_min, f"{own.stretch_min:g} min")
    return (
        f"With every {stretch} lost with probability {100 * own.probability:g} % the plan keeps "
        f"{100 * own.score_mean / score:.0f} % of its score on average, and in nine nights of ten at least "
        f"{100 * own.score_tenth // score} %."
    )


def forced_told(outcome: RequestOutcome, score: int) -> str:
    """Say what it would cost to serve a request that was left out; empty where nobody asked.

    Parameters
    ----------
    outcome : RequestOutcome
    score : int
        Of the plan.
    """
    own = outcome.forced
    if own is None:
        return ""
    some = [*own.displaced[:DISPLACED_MAX]]
    if len(own.displaced) > DISPLACED_MAX:
        more = len(own.displaced) - DISPLACED_MAX
        some.append(f"{more} more")
    displaced = f"and displace {joined(some)}" if some else "and displace nothing"
    if not own.cost:
        return f"serving it would cost nothing {displaced}"
    share = f"{thousands(own.cost)} of {thousands(score)}"
    percent = f"{100 * own.cost / score:.1f} %"
    if own.cost_least == own.cost:
        return f"serving it would cost {share} ({percent}) {displaced}"
    if own.cost_least:
        return (
            f"serving it would cost between {thousands(own.cost_least)} and {share} (at most {percent}) "
            f"{displaced}"
        )
    return f"serving it would cost at most {share} ({percent}) {displaced}"


def why_told(outcome: RequestOutcome, score: int) -> str:
    """Say why a request got fewer visits than it wants, and what another choice would cost."""
    parts = [outcome.reason or "", forced_told(outcome, score)]
    return "; ".join(part for part in parts if part)


def brief_told(outcome: RequestOutcome, score: int) -> str:
    """Say the same for the first screen, without what stands beside it or follows from the cost."""
    reason = outcome.reason or "no reason was recorded"
    reason = reason.removeprefix(f"{outcome.visits_planned} of {outcome.visits_wanted} visits planned: ")
    if outcome.forced is None:
        return reason
    cost = forced_told(outcome, score)
    return cost if outcome.reason is None or reason.endswith(ONLY_INSTEAD) else f"{reason}; {cost}"


def instead_told(visit: Visit) -> tuple[str, ...]:
    """Say what fits in the place of a visit, in one sentence."""
    if not visit.fillers:
        return ("Nothing else fits in its place with all others as planned.",)
    told = [
        f"{own.target} ({clock(own.start_utc)} to {clock(own.end_utc)} with {names_told(own.subarray)}, "
        f"worth {own.value})"
        for own in visit.fillers
    ]
    return (f"Given up before its set-up, it leaves room for {', or '.join(told)}.",)
