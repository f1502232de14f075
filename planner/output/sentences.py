"""What the report says in words: the score and its bound, the audit, margins, durations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from planner.scenario.night import Effort
from planner.scenario.targets import Request, Scenario
from planner.scheduling.plan import (
    AuditReport,
    Margin,
    NightPlan,
    RequestOutcome,
    SolverReport,
    Travel,
    Visit,
)
from planner.units import handy


@dataclass(frozen=True)
class Told:
    """Something said: a word for its state, a headline, and the rest."""

    state: str
    headline: str
    detail: str


def thousands(number: int) -> str:
    """Return a whole number with commas between thousands."""
    return f"{number:,}"


def counted(number: int, singular: str, plural: str | None = None) -> str:
    """Return a number with its noun.

    Examples
    --------
    >>> counted(1, "visit"), counted(1200, "visit")
    ('1 visit', '1,200 visits')
    """
    return f"{thousands(number)} {singular if number == 1 else plural or singular + 's'}"


def duration(minutes: float) -> str:
    """Return a duration in hours and minutes, or seconds where it is shorter than two minutes.

    Examples
    --------
    >>> duration(176.0), duration(9.4), duration(60.0), duration(0.5)
    ('2 h 56 min', '9 min', '1 h 00 min', '30 s')
    """
    if 0 < minutes < 2:
        return f"{round(60 * minutes)} s"
    whole = round(minutes)
    return f"{whole // 60} h {whole % 60:02d} min" if whole >= 60 else f"{whole} min"


def slack_told(minutes: float) -> str:
    """Return how much later something may start: never more than there is, to the second.

    Examples
    --------
    >>> slack_told(7.5), slack_told(20.0), slack_told(83.5), slack_told(0.5), slack_told(0.0)
    ('7 min 30 s', '20 min', '1 h 23 min 30 s', '30 s', 'no slack')
    """
    seconds = int(60 * minutes + 1e-6)
    hours, rest = divmod(seconds, 3600)
    parts = [(hours, "h"), (rest // 60, "min"), (rest % 60, "s")]
    return " ".join(f"{number} {unit}" for number, unit in parts if number) or "no slack"


def shares_told(parts: Sequence[float]) -> tuple[int, ...]:
    """Return parts of a whole in whole per cent that add up to 100.

    What is cut off by rounding down goes to the parts of which most was cut off.

    Examples
    --------
    >>> shares_told([1.0, 1.0, 1.0]), shares_told([0.0, 0.0])
    ((34, 33, 33), (0, 0))
    """
    whole = sum(parts)
    if whole <= 0:
        return (0,) * len(parts)
    exact = [100.0 * part / whole for part in parts]
    told = [int(share) for share in exact]
    most_cut = sorted(range(len(parts)), key=lambda k: (told[k] - exact[k], k))
    for k in most_cut[: 100 - sum(told)]:
        told[k] += 1
    return tuple(told)


def considered_told(effort: Effort, requests: Sequence[RequestOutcome] = ()) -> str:
    """Say which visits the solver could choose from, and how much of what there is that was.

    Examples
    --------
    >>> considered_told(Effort()).removeprefix("Considered, for each request: the ")
    '3 best subarrays; at each start 2 brackets of 2 calibrators, and one way to lead the light.'
    """
    best = (
        "best subarray"
        if effort.subarrays_per_request == 1
        else f"{effort.subarrays_per_request} best subarrays"
    )
    ways = effort.assignments_per_start
    words = (
        f"Considered, for each request: the {best}; at each start "
        f"{counted(effort.brackets_per_start, 'bracket')} of "
        f"{counted(effort.calibrators_per_request, 'calibrator')}, and "
        f"{'one way' if ways == 1 else f'{thousands(ways)} ways'} to lead the light."
    )
    reach = sum(own.subarrays for own in requests)
    if not reach:
        return words
    offered, led, every = (
        sum(getattr(own, key) for own in requests)
        for key in ("subarrays_offered", "assignments_offered", "assignments")
    )
    return (
        f"{words} Over all requests that is {thousands(offered)} of {counted(reach, 'subarray')} in reach, "
        f"led in {thousands(led)} of {counted(every, 'way')} (delay lines, routing mode, path segments); "
        "more of each can be offered with [effort]."
    )


def at_least_percent(score: int, bound: int) -> str:
    """Return score/bound in per cent, rounded down, so that "at least" stays true.

    Examples
    --------
    >>> at_least_percent(701, 706), at_least_percent(706, 706)
    ('99.2', '100.0')
    """
    tenths = 1000 * score // bound if bound else 1000
    return f"{tenths // 10}.{tenths % 10}"


def joined(parts: Sequence[str]) -> str:
    """Return words in a list.

    Examples
    --------
    >>> joined(["a"]), joined(["a", "b", "c"])
    ('a', 'a, b and c')
    """
    return " and ".join(filter(None, [", ".join(parts[:-1]), *parts[-1:]]))


def score_told(solver: SolverReport) -> Told:
    """Say what the plan is worth and what is proven about it, and whether it repeats itself."""
    told = _worth_told(solver)
    why = {"Ctrl-C": "Ctrl-C ended the choosing early", "time limit": "A time limit ended the choosing"}
    if solver.stopped_by is None:
        return told
    again = f"{why[solver.stopped_by]}: the same scenario may give another plan the next time."
    return replace(told, detail=f"{told.detail} {again}")


def _worth_told(solver: SolverReport) -> Told:
    considered = counted(solver.candidates, "candidate visit")
    score, bound = thousands(solver.score), thousands(solver.bound)
    if solver.made_by == "nothing to plan":
        return Told(
            "nothing",
            "Nothing can be planned tonight.",
            "No request has a visit that keeps every limit; the reasons stand below.",
        )
    if solver.status == "optimal":
        return Told(
            "optimal",
            f"This plan is worth {score} and is proven optimal among the visits considered.",
            f"No plan made of the {considered} that were considered is worth more.",
        )
    percent = at_least_percent(solver.score, solver.bound)
    if solver.made_by == "greedy":
        return Told(
            "greedy",
            f"A greedy plan, unproven: worth {score} of at most {bound}.",
            f"The search found nothing better than taking the most valuable visit first. No plan made of the "
            f"{considered} that were considered can be worth more than {bound}, so this one is at least "
            f"{percent} % of the best possible. More effort in scenario.toml may improve it.",
        )
    return Told(
        "bounded",
        f"This plan is worth {score} of at most {bound}: at least {percent} % of the best possible plan "
        "of the visits considered.",
        f"No plan made of the {considered} that were considered can be worth more than {bound}; "
        f"that is proven. What is left open is {100.0 * solver.gap:.1f} %.",
    )


def audit_told(audit: AuditReport | None) -> Told:
    """Say whether the independent check passed."""
    if audit is None:
        return Told("missing", "NOT AUDITED", "Nothing has checked this plan again. Do not observe with it.")
    applied = sum(check.checked for check in audit.checks)
    used = sum(check.checked > 0 for check in audit.checks)
    kinds = counted(used, "kind of check", "kinds of check")
    idle = f" {len(audit.checks) - used} more had nothing to check." if used < len(audit.checks) else ""
    if audit.passed:
        return Told(
            "passed",
            "Audit passed",
            f"{kinds}, applied {counted(applied, 'time')} by code that knows nothing of the solver.{idle}",
        )
    failed = [check for check in audit.checks if not check.passed]
    which = "; ".join(f"{check.name}: {check.worst}" for check in failed)
    return Told("failed", "AUDIT FAILED", f"Do not observe with this plan. {which}")


# For each limit: a margin that needs no attention, in its unit, and how the margin is said.
MARGINS: dict[str, tuple[float, str]] = {
    "altitude, lower limit": (12.0, "{} deg above the lowest altitude"),
    "altitude, upper limit": (8.0, "{} deg below the highest altitude"),
    "skyline": (12.0, "{} deg above the skyline"),
    "azimuth tracking rate": (0.05, "azimuth drive {} deg/s below its fastest"),
    "delay line stroke": (12.0, "carriage {} m of light inside its stroke"),
    "carriage tracking rate": (0.0005, "carriage {} mm/s below its fastest tracking"),
    "cable wrap": (15.0, "{} deg before the end of the cable wrap"),
    "limiting magnitude": (0.5, "{} mag brighter than the limiting magnitude"),
    "bracket distance": (1.0, "calibrator {} deg nearer than it must be"),
    "calibrator visibility": (0.05, "V² of the calibrator {} above the least allowed"),
    "airmass": (0.4, "airmass {} below its limit"),
    "absolute window": (15.0, "{} min inside its window"),
    "hour angle": (0.7, "{} h inside its hour angles"),
    "orbital phase": (15.0, "{} min inside its phases"),
    "Moon separation": (20.0, "Moon {} deg farther than it must be"),
    "Moon lit fraction": (0.3, "lit part of the Moon {} below the most allowed"),
    "reserved time": (15.0, "{} min clear of reserved time"),
    "time that is past": (15.0, "{} min after the time that is past"),
    "pupil relay": (
        6.0,
        "carriage {} m of light inside the stroke that keeps the pupil in place",
    ),
    "fringe tracker": (0.7, "weakest link of the fringe tracker {} mag brighter than its limit"),
    "differential delay": (0.01, "differential delay {} m inside its range"),
    "separation of the two stars": (3.0, "separation of the two stars {} arcsec inside its range"),
    "field orientation": (15.0, "pair of stars {} deg inside the orientations of the separator"),
    "air in the lines": (0.1, "contrast {} more than the least that air may leave"),
    "bright limit": (0.5, "{} mag fainter than the bright limit"),
    "bright limit of guiding": (1.0, "guide star {} mag fainter than the bright limit"),
    "bright limit of the beam-position sensor": (
        1.0,
        "{} mag fainter than the bright limit of the beam-position sensor",
    ),
    "bright limit of the fringe tracker": (0.7, "{} mag fainter than the bright limit of the fringe tracker"),
    "squared visibility": (0.01, "best V² of the target {} above the least that counts"),
    "guide star": (1.0, "guide star {} mag brighter than its limit"),
    "guide star distance": (5.0, "guide star {} arcsec nearer than it may be"),
    "beam-position sensor": (1.0, "{} mag brighter than the limit of the beam-position sensor"),
}
EASY = 1e9
MARGINS_LEAST = 3


def _tightness(margin: Margin, shadow_allowed: float) -> float:
    """Margin in units of one that needs no attention; small is tight."""
    if margin.limit == "shadowing":
        return EASY if margin.margin >= shadow_allowed else margin.margin / 0.05
    return margin.margin / known_margin(margin.limit, margin.unit)[0]


def known_margin(limit: str, unit: str) -> tuple[float, str]:
    """Return the margin of a limit that needs no attention, and how a margin of it is said."""
    general, _, band = limit.partition(" in ")
    if limit in MARGINS:
        return MARGINS[limit]
    if general == "limiting magnitude":
        return MARGINS[general][0], f"{MARGINS[general][1]} in {band}"
    return 1.0, f"{limit} kept by {{}} {unit}".rstrip()


def _margin_words(margin: Margin, shadow_allowed: float) -> str:
    if margin.margin < 0:
        short, unit = handy(-margin.margin, margin.unit)
        return f"LIMIT BROKEN, {margin.limit}: {short:.3g} {unit} short on {margin.object}"
    if margin.limit == "shadowing":
        if margin.margin >= shadow_allowed:
            return "no enclosure in the light"
        return f"{100.0 * margin.margin:.1f} % of a pupil left to shadow on {margin.object}"
    value, unit = handy(margin.margin, margin.unit)
    return f"{known_margin(margin.limit, unit)[1].format(f'{value:.3g}')} on {margin.object}"


def names_told(names: Sequence[str]) -> str:
    """Return the names of a subarray as one word."""
    return "–".join(names)


def unset_limits(scenario: Scenario, request: Request) -> set[str]:
    """Return limits that nobody set: their margins say nothing."""
    unset = set()
    if not (scenario.limits.moon_separation_min_deg or request.extras.moon_separation_min_deg):
        unset.add("Moon separation")
    if _moon_lit_max(scenario, request) >= 1.0:
        unset.add("Moon lit fraction")
    return unset


def _moon_lit_max(scenario: Scenario, request: Request) -> float:
    lit = request.extras.moon_illumination_max
    return scenario.limits.moon_illumination_max if lit is None else lit


def margins_told(scenario: Scenario, request: Request, visit: Visit) -> tuple[str, ...]:
    """Return the margins of a visit in words, the tightest first; limits that nobody set are left out.

    Told are those that need attention, three at least; the others are counted.
    """
    shadow = min(scenario.array.class_of(name).obstruction_max for name in visit.subarray)
    unset = unset_limits(scenario, request)
    # With the Moon down nothing of it is lit, and the whole limit is left: that says nothing of the limit.
    lit_max = _moon_lit_max(scenario, request)
    down = [m for m in visit.margins if m.limit == "Moon lit fraction" and m.margin >= lit_max - 1e-4]
    told = [m for m in visit.margins if (m.limit not in unset or m.margin < 0) and m not in down]
    ordered = sorted(told, key=lambda margin: _tightness(margin, shadow))
    near = sum(_tightness(margin, shadow) < 1 for margin in ordered)
    shown = ordered[: max(near, MARGINS_LEAST)]
    rest = len(ordered) - len(shown)
    more = (f"{counted(rest, 'other limit')} with more room",) if rest else ()
    return (*(_margin_words(margin, shadow) for margin in shown), *more)


def travel_told(travel: Travel | None) -> str:
    """Say how far things move between steps, and how far they would without the second stage.

    Examples
    --------
    >>> mounts = {"mounts_deg": 6134.2, "mounts_before_deg": 6134.2}
    >>> travel_told(Travel(carriages_m=486.2, carriages_before_m=602.0, **mounts))
    'Between steps, carriages run 486 m of rail (602 m before runs were shortened) and mounts turn 6,134 deg.'
    """
    if travel is None:
        return ""
    told = []
    for now, first, unit in (
        (travel.carriages_m, travel.carriages_before_m, "m"),
        (travel.mounts_deg, travel.mounts_before_deg, "deg"),
    ):
        after, before = thousands(round(now)), thousands(round(first))
        rail = " of rail" if unit == "m" else ""
        more = f" ({before} {unit} before runs were shortened)" if after != before else ""
        told.append(f"{after} {unit}{rail}{more}")
    return f"Between steps, carriages run {told[0]} and mounts turn {told[1]}."


def served_told(plan: NightPlan) -> str:
    """Say how many requests got what they wanted."""
    full = sum(r.visits_planned >= r.visits_wanted for r in plan.requests)
    part = sum(0 < r.visits_planned < r.visits_wanted for r in plan.requests)
    return f"{full} of {len(plan.requests)} in full" + (f", {part} in part" if part else "")


def some_served_told(plan: NightPlan) -> str:
    """Say how many requests got any visit."""
    some = sum(r.visits_planned > 0 for r in plan.requests)
    return f"{thousands(some)} of {counted(len(plan.requests), 'request')}"
