"""The rules of a night told a second time, for a set of visits: is it a plan, and what is it worth?"""

from __future__ import annotations

import itertools
from fractions import Fraction

from planner.scheduling.problem import NightProblem
from planner.scheduling.rules import Rules


def told_possible(p: NightProblem, chosen: tuple[int, ...]) -> bool:
    rules = p.rules
    served = [int(p.request[c]) for c in chosen]
    if any(served.count(r) > p.visits_max[r] for r in served):
        return False
    if any(own in served and other not in served for own, other in rules.needs):
        return False
    if any(0 < served.count(r) < p.visits_max[r] for r in rules.whole):
        return False
    for budget in rules.budgets:
        taken = 0
        for c in chosen:
            before = [e for e in chosen if rules.givers and e in rules.givers[c]]
            if p.request[c] in budget.requests:
                taken += int(rules.end[c] - rules.end[before[0]]) if before else int(rules.length[c])
        if taken > budget.most:
            return False
    for a, b in itertools.combinations(chosen, 2):
        early, late = (a, b) if p.start[a] <= p.start[b] else (b, a)
        if p.start[early] == p.start[late]:
            return False
        apart = p.start[late] < p.free[early] or late in p.late[early]
        if apart and not (rules.givers and early in rules.givers[late]):
            return False
        if p.request[a] == p.request[b] and len(rules.again) and p.start[late] < rules.again[early]:
            return False
        if (int(p.request[late]), int(p.request[early])) in rules.after:
            return False
    return True


def told_score(p: NightProblem, chosen: tuple[int, ...]) -> int:
    rules, worth = p.rules, {}
    for r in {int(p.request[c]) for c in chosen}:
        own = [c for c in chosen if p.request[c] == r]
        if r in rules.whole and len(own) < p.visits_max[r]:
            continue
        fillings = []
        for cell in {int(cell) for c in own for cell in p.cells[c]}:
            times = sum(cell in p.cells[c] for c in own)
            values = [
                int(p.value[cell]),
                *(rules.later_value[cell].tolist() if len(rules.later_value) else ()),
            ]
            fillings += values[:times]
        fresh = {int(cell) for c in own for cell in p.cells[c] if not len(rules.fresh) or rules.fresh[cell]}
        if len(fresh) >= rules.floor.get(r, 0):
            worth[r] = sum(sorted(fillings, reverse=True)[: rules.goal.get(r, 99)])
    score = sum(worth.values())
    if rules.fairness:
        every = sum(own.share for own in rules.shares)
        for own in rules.shares:
            excess = Fraction(sum(worth.get(r, 0) for r in own.requests)) - Fraction(
                own.share * sum(worth.values()), every
            )
            taken = max(Fraction(0), excess) * rules.fairness / 1000
            score -= -int(-taken // 1)
    return score


def every_plan(p: NightProblem) -> list[tuple[int, ...]]:
    """All plans that every pair and every request allow."""
    found: list[tuple[int, ...]] = []

    def on(chosen: tuple[int, ...], begin: int) -> None:
        found.append(chosen)
        for c in range(begin, len(p)):
            trial = (*chosen, c)
            needless = NightProblem(
                **{**vars(p), "rules": Rules(**{**vars(p.rules), "needs": (), "whole": frozenset()})}
            )
            if told_possible(needless, trial):
                on(trial, c + 1)

    on((), 0)
    return [chosen for chosen in found if told_possible(p, chosen)]
