"""From astroplan's observing blocks to our requests.

A block says where, how urgent and under which constraints; ``configuration``
says with what. Whatever it leaves out comes from the scenario's request of the
same name. astroplan's constraints become absolute windows: they are judged at
every tick, and a visit lies inside one window whole, so they hold at every
tick of the visit. What fails only between two ticks goes unnoticed.
"""

from __future__ import annotations

import copy
import dataclasses
import datetime
import difflib
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import astroplan
import numpy as np
from astropy import units as u
from astropy.coordinates.erfa_astrom import ErfaAstromInterpolator, erfa_astrom
from astropy.time import Time
from pydantic import ValidationError

from planner.constraints.brightness import apart_arcsec
from planner.constraints.windows import absolute_windows, intervals
from planner.interop.astroplan import ArrayConstraint, DelayRangeConstraint
from planner.interop.astroplan_objects import star_of
from planner.scenario.messages import among, shown
from planner.scenario.night import RequestExtras, Window
from planner.scenario.targets import Request, Scenario, Star
from planner.scheduling.setup import capture_s
from planner.sky.night import utc_text

WEIGHT_MAX = 1000
# What a block may say in its configuration; other keys are the user's own and are left alone.
KEYS = ("combiner", "field_mas", "spectral_setup", "mag", "diameter_mas", "telescopes")
SLIP = 0.8  # a key this like one of ours is a slip of the keyboard, not the user's own
# The fastest star moves 17 arcmin in a century; a target of the same name farther off is another one.
SAME_STAR_ARCSEC = 1800.0
WITHOUT_TARGET = (
    astroplan.AtNightConstraint,
    astroplan.LocalTimeConstraint,
    astroplan.MoonIlluminationConstraint,
    astroplan.TimeConstraint,
)
# The Earth's motion between instants so far apart is smooth to a microarcsecond.
INTERPOLATION = 300.0 * u.s
CACHES = ("_altaz_cache", "_moon_cache", "_meridian_transit_cache")


@dataclass(frozen=True)
class Hours:
    """The times at which visits may lie.

    Attributes
    ----------
    times : Time (time,)
        The ticks of the night.
    start, end : Time
        Of the schedule: visits and their set-ups stay inside.
    """

    times: Time
    start: Time
    end: Time


@dataclass(frozen=True)
class Wanted:
    """A request and the blocks that ask for it.

    Attributes
    ----------
    request : Request
        It wants as many visits as there are blocks.
    target : str
        Name of the blocks' target, which is not the request's where several requests have the same target.
    blocks : tuple of int
        Numbers of the blocks, in the order given.
    closed : str or None
        Why no visit may be made at any time, if so; such a request is not planned.
    """

    request: Request
    target: str
    blocks: tuple[int, ...]
    closed: str | None = None


def weights_of(priorities: Sequence[float]) -> tuple[int, ...]:
    """Return our weights (1 to 1000, more is more important) for astroplan's priorities (less is more).

    Ranks count, not amounts: of n different priorities the most important
    weighs n and the least 1. More than 1000 are squeezed evenly into 1 to 1000.

    Raises
    ------
    ValueError
        For a priority that is not a finite number.

    Examples
    --------
    >>> weights_of([1, 5, 2.5, 5])
    (3, 1, 2, 1)
    """
    for priority in priorities:
        if not isinstance(priority, (int, float, np.number)) or not math.isfinite(priority):
            raise ValueError(f"The priority {shown(priority)} is not a number. Give each block a number.")
    ranked = sorted(set(priorities))
    weight = {priority: len(ranked) - place for place, priority in enumerate(ranked)}
    if len(ranked) <= WEIGHT_MAX:
        return tuple(weight[priority] for priority in priorities)
    step = (WEIGHT_MAX - 1) / (len(ranked) - 1)
    return tuple(1 + math.floor((weight[priority] - 1) * step) for priority in priorities)


def wanted_of(
    blocks: Sequence[astroplan.ObservingBlock],
    constraints: Sequence[astroplan.Constraint],
    observer: astroplan.Observer,
    scenario: Scenario,
    hours: Hours,
) -> list[Wanted]:
    """Return what the blocks ask for; blocks that ask for the same make one request of several visits.

    Blocks of one target that differ in anything (light, weight, hours) are
    requests of their own, the second called ``name [2]``; cells that both fill
    count for both.

    Raises
    ------
    ValueError
        With what a block says that does not fit the scenario.
    """
    weights = weights_of([block.priority for block in blocks])
    bound = [
        _bound(request_of(block, weight, scenario), [*constraints, *(block.constraints or ())], scenario)
        for block, weight in zip(blocks, weights, strict=True)
    ]
    asked = [(block.target, own) for block, (_, left) in zip(blocks, bound, strict=True) for own in left]
    kept = _judged(asked, observer, hours.times)
    found: list[Wanted] = []
    for number, (block, (request, left)) in enumerate(zip(blocks, bound, strict=True)):
        allowed = [(type(own).__name__, kept[_pair(block.target, own)]) for own in left]
        allowed += _span(request, scenario, hours)
        wish = _one(request, np.logical_and.reduce([verdict for _, verdict in allowed]), hours)
        closed = None if wish is not None else _why(allowed, hours)
        wanted = Wanted(wish or request, request.name, (number,), closed)
        alike = (k for k, one in enumerate(found) if (one.closed, one.request) == (closed, wanted.request))
        same = next(alike, None)
        if same is None:
            found.append(wanted)
        else:
            found[same] = dataclasses.replace(found[same], blocks=(*found[same].blocks, number))
    return _named_apart(found)


def _named_apart(found: Sequence[Wanted]) -> list[Wanted]:
    """The requests with as many visits as blocks, each with a name of its own."""
    taken: set[str] = set()
    made = []
    for wanted in found:
        name, count = wanted.request.name, 1
        while name in taken:
            count += 1
            name = f"{wanted.request.name} [{count}]"
        taken.add(name)
        if len(wanted.blocks) > 50:
            raise ValueError(f"{len(wanted.blocks)} blocks ask for the same of {name!r}. Give 50 at most.")
        changes = {
            "star": wanted.request.star.model_copy(update={"name": name}),
            "extras": wanted.request.extras.model_copy(update={"target": name}),
            "visits": len(wanted.blocks),
        }
        made.append(dataclasses.replace(wanted, request=wanted.request.model_copy(update=changes)))
    return made


def request_of(block: astroplan.ObservingBlock, weight: int, scenario: Scenario) -> Request:
    """Return the request that a block makes of a scenario, without its constraints.

    Raises
    ------
    ValueError
        With what does not fit the scenario, or is missing.
    """
    if not isinstance(block.target, astroplan.FixedTarget):
        raise ValueError(f"The target {shown(block.target)} does not stand still. Give a FixedTarget.")
    name = str(block.target.name or "unnamed")
    told = dict(block.configuration or {})
    _check_keys(name, told)
    known = next((request for request in scenario.requests if request.name == name), None)
    combiner = told.get("combiner", None if known is None else known.combiner)
    field_mas = told.get("field_mas", None if known is None else known.field_mas)
    for key, value in (("combiner", combiner), ("field_mas", field_mas)):
        if value is None:
            raise ValueError(
                f"The block of {name!r} has no {key}, and the scenario no request of that name. "
                f"Put {key!r} into its configuration."
            )
    _check_names(name, "combiner", [combiner], [own.name for own in scenario.array.combiners])
    extras = RequestExtras(target=name) if known is None else known.extras
    changes: dict[str, Any] = {}
    if "telescopes" in told:
        changes["telescopes"] = tuple(told["telescopes"] or ())
        _check_names(
            name, "telescope", changes["telescopes"], [own.name for own in scenario.array.telescopes]
        )
    # A setup belongs to its combiner, so another combiner leaves the scenario's behind.
    if "spectral_setup" in told or (known is not None and combiner != known.combiner):
        changes["spectral_setup"] = told.get("spectral_setup")
    _check_setup(name, combiner, changes.get("spectral_setup", extras.spectral_setup), scenario)
    try:
        request = Request(
            star=_star(block.target, name, told, known),
            combiner=combiner,
            priority=weight,
            field_mas=_number(field_mas, u.mas),
            extras=extras.model_copy(update=changes),
        )
    except (ValidationError, TypeError, u.UnitsError) as error:
        raise ValueError(f"The configuration of the block of {name!r} cannot be used: {error}") from error
    _check_magnitudes(request, scenario)
    return request


def _check_keys(name: str, told: Mapping[Any, Any]) -> None:
    for key in told:
        near = difflib.get_close_matches(str(key).lower(), KEYS, n=1, cutoff=SLIP)
        if key not in KEYS and near:
            raise ValueError(
                f"The block of {name!r} has the key {key!r} in its configuration. Did you mean {near[0]!r}?"
            )


def _check_names(name: str, kind: str, given: Iterable[Any], known: Sequence[str]) -> None:
    for one in given:
        if one not in known:
            raise ValueError(
                f"The block of {name!r} names the {kind} {shown(one)}, which the array does not have. "
                f"{among(str(one), known)}"
            )


def _check_setup(name: str, combiner: Any, setup: Any, scenario: Scenario) -> None:
    own = scenario.array.combiner(combiner)
    setups = [s.name for s in scenario.array.spectral_setups if s.combiner == combiner]
    known = [*([] if own.setup_name is None else [own.setup_name]), *setups]
    if setup is not None and setup not in known:
        remedy = among(str(setup), known) if known else "Leave spectral_setup out."
        raise ValueError(
            f"The block of {name!r} names the spectral setup {shown(setup)}, which {combiner!r} does not "
            f"have. {remedy}"
        )


def _check_magnitudes(request: Request, scenario: Scenario) -> None:
    combiner = scenario.combiner_of(request)
    for band in (combiner.band, *combiner.further_limits):
        if band not in request.star.mag:
            raise ValueError(
                f"The target {request.name!r} has no magnitude in {band}, in which {combiner.title!r} works. "
                f"Put 'mag': {{{band!r}: ...}} into the configuration of its block."
            )


def _star(target: astroplan.FixedTarget, name: str, told: Mapping[str, Any], known: Request | None) -> Star:
    """The block's target; without motions of its own it has those of the scenario's star of that name."""
    given = star_of(target).model_copy(update={"name": name})
    mag = {str(band): float(value) for band, value in dict(told.get("mag") or {}).items()}
    changes: dict[str, Any] = {}
    if told.get("diameter_mas") is not None:
        changes = {"diameter_mas": _number(told["diameter_mas"], u.mas), "diameter_error_mas": None}
    if known is None:
        return Star.model_validate(given.model_dump() | changes | {"mag": mag})
    apart = apart_arcsec(known.star, given.ra_deg, given.dec_deg)
    if apart > SAME_STAR_ARCSEC:
        raise ValueError(
            f"The block of {name!r} points {apart / 3600.0:.1f} deg away from the scenario's star of that "
            "name. Mend one of the places, or give the target another name."
        )
    own = known.star
    if "s" in target.coord.data.differentials:
        sizes = {"diameter_mas": own.diameter_mas, "diameter_error_mas": own.diameter_error_mas}
        own = given.model_copy(update=sizes)
    return Star.model_validate(own.model_dump() | changes | {"mag": {**known.star.mag, **mag}})


def _number(value: Any, unit: u.Unit) -> float:
    """A plain number, or a quantity in a unit."""
    return float(u.Quantity(value, unit).value)


def _bound(
    request: Request, constraints: Sequence[astroplan.Constraint], scenario: Scenario
) -> tuple[Request, list[astroplan.Constraint]]:
    """The request on the telescopes that limits of ours name, and the constraints that are left to judge.

    The planner keeps the limits of whatever it observes with, star by star and
    step by step. A limit of as many telescopes as the combiner has beams
    therefore only says which subarray; any other is judged like astroplan's.
    """
    beams, judged = scenario.combiner_of(request).beams, []
    bound = request.extras.telescopes
    for constraint in constraints:
        if not _is_planned(constraint, request, scenario, beams):
            judged.append(constraint)
            continue
        bound = tuple(name for name in constraint.telescopes if not bound or name in bound)
        if len(bound) < beams:
            raise ValueError(
                f"The constraints of the block of {request.name!r} and its telescopes have "
                f"{len(bound)} telescopes in common; {request.combiner!r} needs {beams}. Leave one out."
            )
    extras = request.extras.model_copy(update={"telescopes": bound})
    return request.model_copy(update={"extras": extras}), judged


def _is_planned(constraint: astroplan.Constraint, request: Request, scenario: Scenario, beams: int) -> bool:
    """Whether the planner keeps this limit by itself once the request is bound to its telescopes."""
    if not isinstance(constraint, ArrayConstraint) or len(constraint.telescopes) != beams:
        return False
    if isinstance(constraint, DelayRangeConstraint) and (
        constraint.delay_lines is not None or constraint.combiner not in (None, request.combiner)
    ):
        return False
    here = constraint.configuration == scenario.night.configuration
    return here and constraint.array == scenario.array


Kept = list[tuple[str, np.ndarray]]


def _pair(target: astroplan.FixedTarget, constraint: astroplan.Constraint) -> tuple[int | None, int]:
    """What a verdict depends on: the target, where the constraint asks for it, and the constraint."""
    return None if type(constraint) in WITHOUT_TARGET else id(target), id(constraint)


def _judged(
    asked: Sequence[tuple[astroplan.FixedTarget, astroplan.Constraint]], observer: Any, times: Time
) -> dict[tuple[int | None, int], np.ndarray]:
    """Where each constraint allows its target, (time,), each pair once; a score of zero is a no."""
    found: dict[tuple[int | None, int], np.ndarray] = {}
    with erfa_astrom.set(ErfaAstromInterpolator(INTERPOLATION)):
        for target, constraint in asked:
            if _pair(target, constraint) in found:
                continue
            # astroplan remembers by time and right ascension alone, on the observer: each gets a fresh copy.
            alone = copy.copy(observer)
            for cache in CACHES:
                vars(alone).pop(cache, None)
            score = np.asarray(constraint(alone, target, times=times))
            found[_pair(target, constraint)] = np.broadcast_to(score > 0, times.shape)
    return found


def _span(request: Request, scenario: Scenario, hours: Hours) -> Kept:
    """The hours of the schedule, first set-up included, and the windows of the scenario's own request."""
    combiner = scenario.combiner_of(request)
    classes = [own for own in scenario.array.telescope_classes if own.name in combiner.limiting_magnitude]
    first_s = capture_s(combiner, classes) if classes else 0.0
    # To the millisecond: an edge that falls on a tick belongs to the schedule.
    after = np.round((hours.times - hours.start).to_value("s") - first_s, 3) >= 0
    before = np.round((hours.end - hours.times).to_value("s"), 3) >= 0
    inside = absolute_windows(hours.times, request.extras.windows).allowed
    return [("the schedule's hours", after & before), ("the scenario's windows", inside)]


def _one(request: Request, allowed: np.ndarray, hours: Hours) -> Request | None:
    """The request with the allowed hours as its windows; None when there are none."""
    if allowed.all():
        return request
    windows = tuple(
        Window(start_utc=_moment(hours.times[first]), end_utc=_moment(hours.times[last]))
        for first, last in intervals(allowed)
        if last > first
    )
    if not windows:
        return None
    extras = request.extras.model_copy(update={"windows": windows})
    return request.model_copy(update={"extras": extras})


def _moment(time: Time) -> datetime.datetime:
    return datetime.datetime.fromisoformat(utc_text(time))  # ticks are whole seconds


def _why(allowed: Kept, hours: Hours) -> str:
    """Which constraints leave no time."""
    dark = f"between {utc_text(hours.times[0])} and {utc_text(hours.times[-1])}"
    never = [name for name, kept in allowed if not kept.any()]
    if never:
        return f"never kept {dark}: {', '.join(dict.fromkeys(never))}"
    parts = [name for name, kept in allowed if not kept.all()]
    return f"never kept at once {dark}: {', '.join(dict.fromkeys(parts))}"
