"""Does the fringe tracker hold what it is told to hold, at every sample of every step.

A baseline can be tracked where its correlated magnitude, m - 2.5 log10 |V|, is
within the limit of its less sensitive telescope class, and V squared is not
below the smallest one followed; V is the uniform disk's on the baseline
projected by astropy's directions. The tracked telescopes must hang together
(bootstrapping: Armstrong et al. 1998, ApJ 496, 550): their margin is the
smallest of the strongest edges by which a set that starts with one telescope
reaches out to all (Prim 1957, Bell Syst. Tech. J. 36, 1389; from memory).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from planner.scenario.array import Array
from planner.scenario.light_path import FringeTracker
from planner.scenario.targets import Request
from planner.scheduling.audit_beams import uniform_disk
from planner.scheduling.audit_case import Case, class_of, combiner_used, holds, named, number
from planner.scheduling.audit_sky import TrackedStep, baseline_ends_m, title
from planner.scheduling.plan import NightPlan, Step, Visit

LIMIT_TOLERANCE_MAG = 1e-3  # directions are good to an arcsecond; near a null of V that is less than this
TOLD_TOLERANCE_MAG = 0.02
CONTRAST_TOLERANCE = 2e-4  # written with four decimals


def tracker_of(array: Array, visit: Visit, request: Request | None) -> FringeTracker | None:
    """Return the tracker that has to follow a visit: its combiner's, unless the request wants none."""
    combiner = named(array.combiners, visit.combiner)
    if combiner is None or (request is not None and request.extras.tracking == "none"):
        return None
    return named(array.fringe_trackers, combiner.fringe_tracker)


def tracked_cases(plan: NightPlan) -> Iterator[Case]:
    """As many telescopes as the tracker takes are tracked, in the way wanted; without a tracker none."""
    for visit in plan.visits:
        request = named(plan.scenario.requests, visit.target)
        tracker = tracker_of(plan.scenario.array, visit, request)
        if tracker is None:
            told = bool(visit.tracking is not None or visit.tracked or visit.contrasts)
            told |= any(step.chain or step.tracking_margin_mag is not None for step in visit.steps)
            yield holds(not told, f"{visit.id} is told to be tracked, but nothing tracks it")
            continue
        count, names = min(tracker.beams, len(visit.subarray)), ", ".join(map(str, visit.tracked))
        yield holds(
            len(visit.tracked) == count
            and len(set(visit.tracked)) == count
            and set(visit.tracked) <= set(visit.subarray),
            f"{visit.id}: {tracker.name} tracks {names or 'nothing'}, not {count} of its telescopes",
        )
        known = visit.tracking in ("phase", "group delay")
        wanted = request is not None and request.extras.tracking == "phase"
        yield holds(
            known and (visit.tracking == "phase" or not wanted),
            f"{visit.id}: {visit.tracking!r} tracking, {visit.target!r} wants "
            f"{'phase' if wanted else 'group delay'} at least",
        )
        yield from _contrast_cases(plan, visit, tracker)
        for step in visit.steps:
            yield from _chain_cases(visit, step)


def _chain_cases(visit: Visit, step: Step) -> Iterator[Case]:
    """The chain is a tree that spans the tracked telescopes: one edge fewer, all in one piece."""
    place, members = {name: k for k, name in enumerate(dict.fromkeys(visit.tracked))}, visit.tracked
    inside = all(len(pair) == 2 and set(pair) <= set(place) for pair in step.chain)
    whole = False
    if inside and place:
        ends = np.array([[place[a], place[b]] for a, b in step.chain], dtype=int).reshape(-1, 2)
        edges = coo_array((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=(len(place), len(place)))
        whole = connected_components(edges, directed=False)[0] == 1
    told = ", ".join("-".join(map(str, pair)) for pair in step.chain)
    yield holds(
        whole and len(step.chain) == len(members) - 1,
        f"{title(visit, step)}: the chain {told or '(empty)'} does not hold {', '.join(map(str, members))} "
        "together as a tree",
    )


def _contrast_cases(plan: NightPlan, visit: Visit, tracker: FringeTracker) -> Iterator[Case]:
    """What the path errors leave of the contrast on each baseline, exp(-var/2) of its phase."""
    combiner = combiner_used(plan.scenario.array, visit)
    told = {frozenset(own.telescopes): own.contrast for own in visit.contrasts}
    wanted = {frozenset(pair) for pair in itertools.combinations(visit.subarray, 2)}
    yield holds(
        set(told) == wanted and len(visit.contrasts) == len(wanted),
        f"{visit.id}: contrasts are not told once for each of its {len(wanted)} baselines",
    )
    if combiner is None:
        return
    held_um = tracker.phase_rms_um if visit.tracking == "phase" else tracker.group_delay_rms_um
    per_um = 2.0 * np.pi / min(combiner.wavelengths_um)
    for pair in sorted(wanted & set(told), key=sorted):
        errors = [held_um if name in visit.tracked else tracker.untracked_rms_um for name in pair]
        left = float(np.exp(-0.5 * sum((per_um * error) ** 2 for error in errors)))
        yield Case(
            CONTRAST_TOLERANCE - abs(number(told[pair]) - left),
            f"{visit.id}: contrast {told[pair]} told on {'-'.join(sorted(pair))}, {left:.4f} found",
        )


def tracking_cases(plan: NightPlan, tracked: tuple[TrackedStep, ...]) -> Iterator[Case]:
    """At every sample bright baselines hold the tracked telescopes together; margins in magnitudes."""
    array = plan.scenario.array
    for seen in tracked:
        tracker = tracker_of(array, seen.visit, seen.request)
        beams = [beam for beam in seen.step.beams if beam.telescope in seen.visit.tracked]
        if tracker is None or len(beams) < 2:
            continue
        margin = baselines_mag(array, seen, tracker)
        if margin is None:
            yield holds(False, f"{seen.title}: what {tracker.name} sees cannot be worked out")
            continue
        names = [beam.telescope for beam in beams]
        held = held_mag(margin)
        worst = int(np.argmin(held))
        yield Case(
            float(held[worst]) + LIMIT_TOLERANCE_MAG,
            f"{seen.title}: {tracker.name} holds {', '.join(names)} by {held[worst]:.3f} mag in "
            f"{seen.visit.tracking}, at {seen.clock(worst)}",
            len(held),
        )
        told = number(seen.step.tracking_margin_mag)
        yield Case(
            TOLD_TOLERANCE_MAG - abs(told - float(held[worst])),
            f"{seen.title}: margin {seen.step.tracking_margin_mag} mag told, {held[worst]:.3f} found",
        )
        yield _chain_strong(seen, names, margin, held)


def _chain_strong(seen: TrackedStep, names: Sequence[str], margin: np.ndarray, held: np.ndarray) -> Case:
    """At one of the worst moments the chain told is as strong as any could be."""
    place = {name: k for k, name in enumerate(names)}
    ends = [(place[a], place[b]) for a, b in seen.step.chain if a in place and b in place]
    if not ends:
        return holds(False, f"{seen.title}: no chain is told")
    worst = held <= held.min() + TOLD_TOLERANCE_MAG
    weakest = float(np.min([margin[worst, a, b] for a, b in ends], axis=0).max())
    return Case(
        weakest - float(held.min()) + TOLD_TOLERANCE_MAG,
        f"{seen.title}: the chain told is weaker than the best by {held.min() - weakest:.3f} mag",
    )


def baselines_mag(array: Array, seen: TrackedStep, tracker: FringeTracker) -> np.ndarray | None:
    """Return by how much the baselines of the tracked telescopes can be tracked, (sample, beam, beam).

    None when a station or telescope is unknown or the star has no magnitude in the
    tracker's band. In a dual feed the tracker follows the second star during
    the science step; a star of unknown diameter counts as a point.
    """
    second = None if seen.request is None else seen.request.extras.second_star
    followed = seen.star if second is None or seen.step.role != "science" else second
    magnitude = followed.mag.get(tracker.band)
    beams = [beam for beam in seen.step.beams if beam.telescope in seen.visit.tracked]
    ends = baseline_ends_m(array, beams)
    if magnitude is None or len(ends) < len(beams):
        return None
    limits = tracker.phase_limit if seen.visit.tracking == "phase" else tracker.group_delay_limit
    classes = [class_of(array, beam.telescope) for beam in beams]
    faintest = np.array([-np.inf if own is None else limits.get(own.name, -np.inf) for own in classes])
    apart = ends[:, None, :] - ends[None, :, :]
    crossed = np.cross(apart[None], seen.sky.direction[:, None, None, :])
    with np.errstate(divide="ignore"):
        visibility = uniform_disk(
            followed.diameter_mas or 0.0, np.linalg.norm(crossed, axis=-1), tracker.wavelength_um
        )
        dimmed = -2.5 * np.log10(np.abs(visibility))
        found = np.minimum(faintest[:, None], faintest[None, :]) - (magnitude + dimmed)
        if tracker.vis2_min > 0:
            found = np.minimum(found, -2.5 * np.log10(np.sqrt(tracker.vis2_min)) - dimmed)
    return np.where(np.isnan(found), -np.inf, found)


def held_mag(margin: np.ndarray) -> np.ndarray:
    """Return the margin with which all beams hang together, (sample,), from that of each pair.

    Examples
    --------
    >>> pairs = np.array([[[0.0, 3.0, -1.0], [3.0, 0.0, 2.0], [-1.0, 2.0, 0.0]]])
    >>> held_mag(pairs)
    array([2.])
    """
    samples, beams, _ = margin.shape
    rows = np.arange(samples)
    inside = np.zeros((samples, beams), dtype=bool)
    inside[:, 0] = True
    held = np.full(samples, np.inf)
    for _ in range(beams - 1):
        out = np.where(inside[:, :, None] & ~inside[:, None, :], margin, -np.inf).max(axis=1)
        reached = np.where(inside, -np.inf, out)
        # Where nothing is in reach any beam outside will do: the margin stays at minus infinity.
        best = np.where(np.isneginf(reached).all(axis=1), np.argmin(inside, axis=1), reached.argmax(axis=1))
        held = np.minimum(held, reached[rows, best])
        inside[rows, best] = True
    return held
