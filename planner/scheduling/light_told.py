"""What the plan says of the light path: routing, path segments, tracking, air, dual feed."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
from astropy.time import TimeDelta

from planner.constraints.air import left_contrast, offset_m
from planner.constraints.tonight import NightLimits
from planner.constraints.tracker import edges_mag, tracker_for
from planner.constraints.two_stars import apart_rad, differential_stroke_m
from planner.geometry.baselines import baseline_vectors_m, lengths_m
from planner.geometry.delays import offset_range_m
from planner.geometry.dual_feed import baseline_error_m, path_error_m
from planner.scheduling.light import differential_m
from planner.scheduling.plan import Contrast, DualFeedVisit
from planner.scheduling.visits import VisitFamily
from planner.science.tracking import chain, chain_margin, contrast
from planner.sky.night import utc_text
from planner.units import RAD_PER_ARCSEC

RAD_PER_UAS = RAD_PER_ARCSEC * 1e-6


def light_of_visit(limits: NightLimits, family: VisitFamily, row: int) -> dict[str, Any]:
    """Return the fields of a visit that tell its light path."""
    array, own, facts = limits.scenario.array, family.facts.subarray, family.facts
    wish = limits.scenario.requests[family.request]
    names = [limits.placement.telescopes[i] for i in own.telescopes]
    found: dict[str, Any] = {
        "spectral_setup": facts.combiner.setup_name,
        "routing_mode": array.routing_modes[own.mode].name if own.mode >= 0 else None,
        "dual_feed": _dual_feed(limits, family, row),
    }
    tracker = tracker_for(limits, wish)
    if tracker is None or own.tracked is None:
        return found
    phase = tracked_in_phase(limits, family, row)
    shortest = min(facts.combiner.wavelengths_um)
    left = contrast(tracker, phase, own.tracked, len(names), shortest)
    return found | {
        "tracking": "phase" if phase else "group delay",
        "tracked": tuple(names[k] for k in own.tracked),
        "contrasts": tuple(
            Contrast(telescopes=pair, contrast=round(float(value), 4))
            for pair, value in zip(itertools.combinations(names, 2), left, strict=True)
        ),
    }


def tracked_in_phase(limits: NightLimits, family: VisitFamily, row: int) -> bool:
    """Whether the tracker can hold the phase through all steps of a visit, not the group delay only."""
    return all(_edges(limits, family, row, number, True)[1] >= 0 for number in range(3))


def tracking_margin_mag(limits: NightLimits, family: VisitFamily, row: int, number: int) -> float:
    """By how much the chain of a step is bright enough at the worst moment, for what the tracker does."""
    return _edges(limits, family, row, number, tracked_in_phase(limits, family, row))[1]


def _edges(
    limits: NightLimits, family: VisitFamily, row: int, number: int, phase: bool
) -> tuple[np.ndarray, float]:
    """Margin of each baseline at the worst moment of a step's chain, (pair,), and of the chain, mag."""
    own = family.facts.subarray
    wish = limits.scenario.requests[family.request]
    ticks = slice(int(family.start_tick[row, number]), int(family.end_tick[row, number]) + 1)
    edges = edges_mag(limits, wish, family.stars[number], own.telescopes, phase)[ticks]
    along = chain_margin(edges, own.tracked or (), len(own.telescopes))
    worst = int(np.argmin(along))
    return edges[worst], float(along[worst])


def light_of_step(limits: NightLimits, family: VisitFamily, row: int, number: int) -> dict[str, Any]:
    """Return the fields of a step that tell its light path."""
    own, facts, array = family.facts.subarray, family.facts, limits.scenario.array
    wish = limits.scenario.requests[family.request]
    found: dict[str, Any] = {}
    if own.tracked is not None:
        phase = tracked_in_phase(limits, family, row)
        edges, margin = _edges(limits, family, row, number, phase)
        names = [limits.placement.telescopes[i] for i in own.telescopes]
        found["chain"] = tuple((names[i], names[j]) for i, j in chain(edges, own.tracked, len(names)))
        if np.isfinite(margin):
            found["tracking_margin_mag"] = round(margin, 3)
    in_air = np.array([line.medium == "air" for line in facts.lines])
    if in_air.any():
        ticks = slice(int(family.start_tick[row, number]), int(family.end_tick[row, number]) + 1)
        delay = family.offset_m[row, number] + facts.path_m(limits, family.stars[number])[ticks]
        inside = np.where(in_air, delay, 0.0)
        apart = float((inside.max(axis=-1) - inside.min(axis=-1)).max())
        middle = facts.combiner.model_copy(
            update={"wavelengths_um": (float(np.mean(facts.combiner.wavelengths_um)),)}
        )
        found["air_offset_um"] = round(1e6 * float(np.abs(offset_m(array, middle, np.array(apart)))[0]), 3)
        if facts.combiner.resolution is not None:
            found["air_contrast"] = round(float(left_contrast(array, facts.combiner, np.array(apart))), 4)
    swap = facts.step(wish, science=True).swap if number == 1 else None
    if swap is not None:
        start = limits.sky.times[int(family.start_tick[row, 1])]
        moments = [start + TimeDelta(float(k * limits.sky.tick_s), format="sec") for k in swap]
        found["swap_start_utc"], found["swap_end_utc"] = (utc_text(moment) for moment in moments)
    return found


def light_of_beam(
    limits: NightLimits, family: VisitFamily, row: int, place: tuple[int, int]
) -> dict[str, Any]:
    """Return the fields of a beam that tell its light path; ``place`` is (step, beam)."""
    number, beam = place
    own = family.facts.subarray
    found: dict[str, Any] = {}
    if own.segments and own.segments[beam] >= 0:
        found["path_segment"] = limits.scenario.array.path_segments[own.segments[beam]].name
    path = differential_m(limits, family.facts, family.request, family.stars[number])
    if path is not None:
        start, end = int(family.start_tick[row, number]), int(family.end_tick[row, number])
        inside = path[start : end + 1]
        low, high = offset_range_m(
            differential_stroke_m(limits.scenario.array, inside.shape[-1]),
            inside.min(axis=0),
            inside.max(axis=0),
        )
        delay = (low + high) / 2.0 + path[:, beam]
        found["differential_start_m"] = round(float(delay[start]), 6)
        found["differential_end_m"] = round(float(delay[end]), 6)
    return found


def _dual_feed(limits: NightLimits, family: VisitFamily, row: int) -> DualFeedVisit | None:
    """The pair of stars, and what its astrometry tolerates."""
    wish = limits.scenario.requests[family.request]
    second = wish.extras.second_star
    if second is None:
        return None
    apart, angle = apart_rad(wish)
    vectors = baseline_vectors_m(limits.placement.vectors_m[list(family.facts.subarray.telescopes)])
    # As seen from the star, at the worst moment: what lies along the line of sight carries no angle.
    step = slice(int(family.start_tick[row, 1]), int(family.end_tick[row, 1]) + 1)
    sight = limits.sky.direction[family.request, step][:, None, :]
    along = (vectors * sight).sum(axis=-1, keepdims=True)
    longest = float(lengths_m(vectors - along * sight).max(axis=1).min())
    path = baseline = None
    if second.angle_error_uas is not None:
        path = float(path_error_m(second.angle_error_uas * RAD_PER_UAS, longest))
        baseline = float(baseline_error_m(path, apart))
    return DualFeedVisit(
        second_star=second.name,
        separation_arcsec=round(apart / RAD_PER_ARCSEC, 4),
        position_angle_deg=round(float(np.rad2deg(angle)) % 360.0, 4),
        angle_error_uas=second.angle_error_uas,
        path_error_nm=None if path is None else round(1e9 * path, 3),
        baseline_error_um=None if baseline is None else round(1e6 * baseline, 3),
    )
