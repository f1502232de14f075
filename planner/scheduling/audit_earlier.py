"""Do visits keep their numbers when the night is planned again?"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from planner.scheduling.audit_case import Case, holds
from planner.scheduling.plan import NightPlan


def number_cases(plan: NightPlan) -> Iterator[Case]:
    """A number means one request all night, is not used again once made, and new ones lie above the rest."""
    if plan.earlier is None:
        for place, visit in enumerate(plan.visits, start=1):
            yield holds(int(visit.id[1:]) == place, f"{visit.id} is visit {place} of the night")
        return
    before = {int(visit.id[1:]): visit for visit in plan.earlier.visits}
    yield holds(len(before) == len(plan.earlier.visits), "two earlier visits have one number")
    highest, unmade = max(before, default=0), Counter[str]()
    for earlier in before.values():
        unmade[earlier.target] += earlier.became != "made"
    for visit in plan.visits:
        number = int(visit.id[1:])
        unmade[visit.target] -= number in before
        if number not in before:
            yield holds(number > highest, f"{visit.id} is new, and {highest} visits have numbers already")
            continue
        was = before[number]
        yield holds(was.became != "made", f"{visit.id} is made already")
        yield holds(was.target == visit.target, f"{visit.id} was of {was.target!r}, now of {visit.target!r}")
    for visit in plan.visits:
        if int(visit.id[1:]) > highest:
            kept = f"{visit.id} is new, while an earlier number of {visit.target!r} is free"
            yield holds(unmade[visit.target] <= 0, kept)
    fresh = sorted(int(visit.id[1:]) for visit in plan.visits if int(visit.id[1:]) not in before)
    wanted = list(range(highest + 1, highest + 1 + len(fresh)))
    yield holds(fresh == wanted, f"new visits have the numbers {fresh}, not {wanted}")
