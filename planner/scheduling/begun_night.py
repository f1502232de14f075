"""A night that has begun: what is left of a plan from some time on, or what is wrong with the question."""

from __future__ import annotations

import contextlib
import datetime
from collections.abc import Sequence
from typing import TYPE_CHECKING

from planner.errors import InputProblems, Problem
from planner.scenario.local_time import moments_of, offset_told, zone_named
from planner.scenario.night import LAST_DATE
from planner.scheduling.plan import NightPlan, moment

if TYPE_CHECKING:
    from planner.scheduling.remaining import Remaining

LOCAL = "local"


def left_of_night(plan: NightPlan, at: str | None = None, lost: Sequence[str] = ()) -> Remaining:
    """Return what is left of a night that has begun.

    Parameters
    ----------
    plan : NightPlan
        That the night has followed so far.
    at : str, optional
        From when on, UTC, ``HH:MM`` or a whole ISO time. Left out it is asked for: the machine's clock may be
        wrong.
    lost : sequence of str
        Keys (``V03``) of visits that had begun by then but were not made.

    Raises
    ------
    InputProblems
        With everything in it: a time outside the night, no such visit; then a plan that does not pass its
        audit.
    """
    now, places = _what_is_asked(plan, at, lost)
    # Large libraries, and seconds of work: what is mistyped has been told by now.
    from planner.scheduling.audit import audit_plan
    from planner.scheduling.remaining import remaining
    from planner.sky.earth import offline_earth

    with offline_earth():
        report = audit_plan(plan)
    if not report.passed:
        bad = "; ".join(check.name for check in report.checks if not check.passed)
        remedy = "Plan the night anew with planner night."
        raise InputProblems([Problem("plan.json", "", f"does not pass its audit ({bad})", remedy)])
    return remaining(plan, now, places)


def _what_is_asked(
    plan: NightPlan, at: str | None, lost: Sequence[str]
) -> tuple[datetime.datetime, list[int]]:
    """From when on, and the places of the visits that were lost; or everything that does not fit the plan."""
    problems: list[Problem] = []
    now = _time_of_night(plan, at, problems)
    places, known = [], {visit.id: k for k, visit in enumerate(plan.visits)}
    before = {visit.id for visit in plan.earlier.visits} if plan.earlier else set()
    for key in lost:
        if key not in known and key in before:
            found = f"is {key}, of a plan that this one has replaced"
            remedy = "Plan the night again from that plan, at the same time, with it among the lost."
            problems.append(Problem("command line", "--lost", found, remedy))
        elif key not in known:
            listed = f"Its visits are {', '.join(known)}." if known else "It has no visits."
            problems.append(Problem("command line", "--lost", f"is {key!r}, no visit of this plan", listed))
        elif now is not None and known[key] not in _begun(plan, now):
            found = f"is {key}, which has not begun at {now:%H:%M}"
            remedy = "Leave it out: it is planned anew."
            problems.append(Problem("command line", "--lost", found, remedy))
        else:
            places.append(known[key])
    if moment(plan.night.end_utc).date() > LAST_DATE:
        found, remedy = f"is {plan.night.date}, the last night", "Plan it anew with planner night."
        problems.append(Problem("plan.json", "night.date", found, remedy))
    if problems or now is None:
        raise InputProblems(problems)
    return now, places


def _begun(plan: NightPlan, now: datetime.datetime) -> tuple[int, ...]:
    from planner.scheduling.remaining import begun

    return begun(plan, now)


def _time_of_night(plan: NightPlan, at: str | None, problems: list[Problem]) -> datetime.datetime | None:
    """The moment that ``at`` means in the night of a plan; None, with a problem, when there is none."""
    first, last = moment(plan.night.start_utc), moment(plan.night.end_utc)
    night = f"the dark hours from {first:%Y-%m-%dT%H:%M:%SZ} to {last:%Y-%m-%dT%H:%M:%SZ}"
    remedy = f"Give a time of {night}, such as {first + (last - first) / 2:%H:%M}."
    told = "is missing" if at is None else f"is {at!r}, not a time"
    days: list[datetime.datetime] = []
    if at is not None and at.strip().lower().endswith(LOCAL):
        return _local_time_of_night(plan, at, remedy, problems)
    if at is not None:
        try:
            clock = datetime.time.fromisoformat(at)
            around = [first.date() + datetime.timedelta(days=k) for k in range(-1, 3)]
            days = [datetime.datetime.combine(own, clock, clock.tzinfo or datetime.UTC) for own in around]
        except ValueError:
            with contextlib.suppress(ValueError):
                whole = datetime.datetime.fromisoformat(at)
                days = [whole.replace(tzinfo=datetime.UTC) if whole.tzinfo is None else whole]
    inside = [own.astimezone(datetime.UTC) for own in days if first <= own < last]
    if inside:
        return inside[0]
    found = f"is {at!r}, outside the night" if days else told
    problems.append(Problem("command line", "--at", found, remedy))
    return None


def _local_time_of_night(
    plan: NightPlan, at: str, remedy: str, problems: list[Problem]
) -> datetime.datetime | None:
    """The moment of the night at which the site's clocks show a time, ``HH:MM local``."""
    first, last = moment(plan.night.start_utc), moment(plan.night.end_utc)

    def wrong(found: str, what: str = remedy) -> None:
        problems.append(Problem("command line", "--at", found, what))

    name = plan.scenario.array.site.time_zone
    if name is None:
        wrong(f"is {at!r}, and the site has no time_zone", f"{remedy} Or with its offset: 21:30-05:00.")
        return None
    zone = zone_named(name)
    try:
        clock = datetime.time.fromisoformat(at.strip().lower().removesuffix(LOCAL).strip())
    except ValueError:
        wrong(f"is {at!r}, not a time")
        return None
    if clock.tzinfo is not None:
        wrong(f"is {at!r}, local and with an offset", "Leave one of them out.")
        return None
    evening = first.astimezone(zone).date()
    shown = [
        moments_of(datetime.datetime.combine(evening + datetime.timedelta(days=day), clock), zone)
        for day in range(3)
    ]
    inside = [[when for when in own if first <= when < last] for own in shown]
    fitting = next((own for own in inside if own), [])
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        offsets = " or ".join(f"{clock:%H:%M}{offset_told(when, zone)}" for when in fitting)
        wrong(f"is {at!r}, which clocks in {name} show twice in this night", f"Give {offsets}.")
    else:
        never = any(not own for own in shown[:2])
        wrong(f"is {at!r}, {'which clocks skip, or ' if never else ''}outside the night")
    return None
