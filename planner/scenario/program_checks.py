"""Can requests hang together as they are told to: orders, companions, programs, goals, gaps, phases.

A check keeps silent where another problem already makes its answer uncertain.
Wishes that a night merely may not fulfil are not refused: the plan says what
became of them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from planner.errors import Problem
from planner.scenario.checks import Draft
from planner.scenario.messages import among, shown
from planner.scenario.parts import Item
from planner.scenario.programs import PhaseWindow, phase_gaps_s

OTHERS = ("after", "only_with")
DAY_H = 24.0


def program_problems(draft: Draft) -> list[Problem]:
    """Return every disagreement between requests, and between requests and programs."""
    problems = [*_other_requests(draft), *_circles(draft), *_programs(draft)]
    visits = _visits(draft)
    ticks = [night.sure("tick_s") for night in draft.items("night")]
    for item in draft.items("request"):
        problems += _goal(item)
        problems += _gaps(item, visits.get(item.text("target")))
        problems += _between_phases(item, ticks[0] if ticks else None)
    return problems


def _other_requests(draft: Draft) -> Iterator[Problem]:
    """What a request refers to is another request."""
    known = draft.star_names("targets") or []
    for item in draft.items("request"):
        for key in OTHERS:
            name = item.text(key)
            if name is None or key in item.broken:
                continue
            if name == item.text("target"):
                found = f"is {shown(name)}, the target itself"
                yield item.place.problem((key,), found, "Name another target, or leave it out.")
            elif known and name not in known:
                found = f"{shown(name)} is not a target of {draft.files['targets']}"
                yield item.place.problem((key,), found, among(name, known))


def _circles(draft: Draft) -> Iterator[Problem]:
    """No request comes after itself by way of others; told once, at the first of them in the file."""
    times = Counter(item.text("target") for item in draft.items("request"))
    items: dict[str, Item] = {}
    for item in draft.items("request"):
        target = item.text("target")
        if target is not None and times[target] == 1 and "after" not in item.broken:
            items[target] = item
    told: set[str] = set()
    for start, item in items.items():
        way = [start]
        while way[-1] in items:
            following = items[way[-1]].text("after")
            if following is None or following in way[1:]:
                break
            way.append(following)
            if following == start:
                break
        if len(way) > 2 and way[-1] == start and not told & set(way):
            told |= set(way)
            found = f"closes a circle: {' after '.join(shown(name) for name in way)}"
            yield item.place.problem(("after",), found, "Leave after out of one of these requests.")


def _programs(draft: Draft) -> Iterator[Problem]:
    """A program holds targets, each once, and no target of another program."""
    known = draft.star_names("targets") or []
    first: dict[str, Item] = {}
    for item in draft.items("program"):
        own: set[str] = set()
        for loc, name in item.texts("targets"):
            if known and name not in known:
                found = f"{shown(name)} is not a target of {draft.files['targets']}"
                yield item.place.problem(loc, found, among(name, known))
            elif name in own:
                yield item.place.problem(loc, f"{shown(name)} is named twice", "Name each target once.")
            elif name in first:
                found = f"{shown(name)} is also a target of {first[name].place.key}"
                yield item.place.problem(loc, found, "Leave each target to one program.")
            own.add(name)
        for name in own:
            first.setdefault(name, item)


def _visits(draft: Draft) -> dict[str | None, int]:
    """How many visits each target is certain to want."""
    rows = draft.rows.get("targets", ())
    times = Counter(row.text("name") for row in rows)
    return {
        row.text("name"): int(row.raw.get("visits", 1))
        for row in rows
        if times[row.text("name")] == 1 and "visits" not in row.broken
    }


def _goal(item: Item) -> Iterator[Problem]:
    """What is wanted at most is not less than what is wanted at least."""
    floor, goal = item.sure("cells_floor"), item.sure("cells_goal")
    if floor is not None and goal is not None and goal < floor:
        found = f"is {goal}, below cells_floor, which is {floor}"
        yield item.place.problem(("cells_goal",), found, "Raise it, or lower cells_floor.")


def _gaps(item: Item, visits: int | None) -> Iterator[Problem]:
    """Visits that all have to be made in one night leave it room for their gaps."""
    gap_h = item.sure("gap_min_h")
    if gap_h is None or visits is None or item.sure("all_or_nothing") is not True:
        return
    least_h = gap_h * (visits - 1)
    if least_h >= DAY_H:
        found = (
            f"is {gap_h:g} h, which makes {visits} visits last more than {least_h:g} h, and all_or_nothing"
        )
        remedy = "Ask for shorter gaps or fewer visits, or leave all_or_nothing out."
        yield item.place.problem(("gap_min_h",), f"{found} wants them in one night", remedy)


def _between_phases(item: Item, tick_s: int | None) -> Iterator[Problem]:
    """Between two ranges of phase there is at least a tick: a shorter gap would not be seen."""
    if "phase" in item.raw and "phase" not in item.broken and tick_s is not None:
        gaps_s = phase_gaps_s(PhaseWindow.model_validate(item.raw["phase"]))
        shortest = min(gaps_s, default=float(tick_s))
        if shortest < tick_s:
            found = f"leave {shortest:.3g} s out between two ranges, less than tick_s, which is {tick_s}"
            remedy = "Join the ranges, or leave more out between them."
            yield item.place.problem(("phase", "phases"), found, remedy)
