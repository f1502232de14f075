"""What the air in the lines does to the fringes, with the refractive index worked out anew.

Ciddor (1996, Appl. Opt. 35, 1566): densities of dry air and water vapour from
molar masses and the gas constant (constants of the paper, from memory), the
phase index from them, and the group index as n - lambda dn/dlambda by a
central difference. Paths are made equal in the band in which fringes are
followed: that of the tracker that follows the visit, else the middle of the
combiner's channels.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np

from planner.scenario.array import Combiner, Site
from planner.scheduling.audit_case import Case, combiner_used, holds, number
from planner.scheduling.audit_delay import Path
from planner.scheduling.audit_sky import TrackedStep
from planner.scheduling.audit_tracking import tracker_of
from planner.scheduling.plan import NightPlan

OFFSET_TOLERANCE_UM = 0.002  # written with three decimals
OFFSET_TOLERANCE = 1e-4  # of the offset: a millimetre of delay on ten metres, and the numeric derivative
AIR_TOLERANCE = 1e-3
GAS_J_PER_MOL_K = 8.314510
WATER_KG_PER_MOL = 0.018015
DERIVATIVE_STEP = 1e-3  # of the wavelength


def air_cases(plan: NightPlan, tracked: tuple[TrackedStep, ...], light: tuple[Path, ...]) -> Iterator[Case]:
    """Offset and contrast are told as they are, and the contrast is not below what the combiner needs."""
    for seen in tracked:
        combiner = combiner_used(plan.scenario.array, seen.visit)
        own = [path for path in light if path.seen is seen]
        if combiner is None or len(own) < len(seen.step.beams):
            continue
        step = seen.step
        if not any(path.line.medium == "air" for path in own):
            told = step.air_offset_um is not None or step.air_contrast is not None
            yield holds(not told, f"{seen.title} is told to lose by air, its lines are in vacuum")
            continue
        yield from _told_cases(plan, seen, combiner, own)
        if combiner.air_contrast_min > 0:
            yield _limit_case(plan, seen, combiner, own)


def _followed_um(plan: NightPlan, seen: TrackedStep, combiner: Combiner) -> float:
    """Wavelength at which the paths are made equal."""
    tracker = tracker_of(plan.scenario.array, seen.visit, seen.request)
    return float(np.mean(combiner.wavelengths_um)) if tracker is None else tracker.wavelength_um


def _told_cases(plan: NightPlan, seen: TrackedStep, combiner: Combiner, own: list[Path]) -> Iterator[Case]:
    """A line in vacuum has no air: its delay counts as zero."""
    site, step = plan.scenario.array.site, seen.step
    inside = np.array([path.delay_m if path.line.medium == "air" else 0.0 * path.delay_m for path in own])
    apart = float(np.ptp(inside, axis=0).max())
    followed = _followed_um(plan, seen, combiner)
    middle = float(np.mean(combiner.wavelengths_um))
    offset_um = abs(1e6 * apart * _left(site, followed, middle))
    off = abs(number(step.air_offset_um) - offset_um)
    yield Case(
        OFFSET_TOLERANCE_UM + OFFSET_TOLERANCE * offset_um - off,
        f"{seen.title}: {step.air_offset_um} um told for {apart:.3f} m of air, {offset_um:.3f} found",
    )
    if combiner.resolution is None:
        yield holds(step.air_contrast is None, f"{seen.title}: a contrast is told without a resolution")
        return
    left = float(_contrast(site, followed, combiner, np.array([apart]))[0])
    yield Case(
        AIR_TOLERANCE - abs(number(step.air_contrast) - left),
        f"{seen.title}: contrast {step.air_contrast} told, air leaves {left:.4f}",
    )


def _limit_case(plan: NightPlan, seen: TrackedStep, combiner: Combiner, own: list[Path]) -> Case:
    """The contrast between any two lines in air at every sample."""
    delays = [path.delay_m for path in own if path.line.medium == "air"]
    if len(delays) < 2:
        return holds(True, "")
    apart = np.concatenate([one - other for one, other in itertools.combinations(delays, 2)])
    left = float(air_left(plan, seen, combiner, apart).min())
    return Case(
        left - combiner.air_contrast_min + AIR_TOLERANCE,
        f"{seen.title}: air leaves a contrast of {left:.4f}, {combiner.name} needs "
        f"{combiner.air_contrast_min:g}",
        len(apart),
    )


def air_left(plan: NightPlan, seen: TrackedStep, combiner: Combiner, apart_m: np.ndarray) -> np.ndarray:
    """Return the contrast of the worst channel for delays in air that differ so much, shaped as they are."""
    return _contrast(plan.scenario.array.site, _followed_um(plan, seen, combiner), combiner, apart_m)


def _left(site: Site, followed_um: float, channel_um: float) -> float:
    """Path left in a channel for a metre of light, zero where fringes are followed."""
    follow, channel = (group_index(site, wavelength) for wavelength in (followed_um, channel_um))
    return channel / follow - 1.0


def _contrast(site: Site, followed_um: float, combiner: Combiner, apart_m: np.ndarray) -> np.ndarray:
    """Contrast of the worst channel for delays that differ so much, (...): |sin x / x| of a flat channel."""
    worst = np.ones(np.shape(apart_m))
    for channel_um in combiner.wavelengths_um:
        coherence_m = 1e-6 * channel_um * (combiner.resolution or np.inf)
        x = np.pi * apart_m * _left(site, followed_um, channel_um) / coherence_m
        whole = np.divide(np.sin(x), x, out=np.ones(np.shape(x)), where=x != 0)
        worst = np.minimum(worst, np.abs(whole))
    return worst


def group_index(site: Site, wavelength_um: float) -> float:
    """Return n - lambda dn/dlambda of the site's air."""
    step = DERIVATIVE_STEP * wavelength_um
    # The slope by Richardson's rule from two central differences: what is left is of the fourth order.
    near, far = (
        (phase_refractivity(site, wavelength_um + h) - phase_refractivity(site, wavelength_um - h))
        / (2.0 * h)
        for h in (step, 2.0 * step)
    )
    slope = (4.0 * near - far) / 3.0
    return 1.0 + phase_refractivity(site, wavelength_um) - wavelength_um * slope


def phase_refractivity(site: Site, wavelength_um: float) -> float:
    """Return n - 1 of the site's air, 450 ppm of carbon dioxide; zero without pressure."""
    if site.pressure_hpa <= 0:
        return 0.0
    s2 = wavelength_um**-2
    standard_air = 1e-8 * (5792105.0 / (238.0185 - s2) + 167917.0 / (57.362 - s2))
    standard_vapour = 1.022e-8 * (295.235 + s2 * (2.6422 + s2 * (-0.032380 + 0.004028 * s2)))
    kelvin, pascal = site.temperature_c + 273.15, 100.0 * site.pressure_hpa
    saturated = np.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6343.1645 / kelvin)
    excess = 1.00062 + 3.14e-8 * pascal + 5.6e-7 * site.temperature_c**2
    vapour = min(float(site.relative_humidity * excess * saturated / pascal), 1.0)
    dry_kg_per_mol = 1e-3 * (28.9635 + 12.011e-6 * (450.0 - 400.0))
    of_air = _density(pascal, kelvin, vapour, dry_kg_per_mol * (1.0 - vapour))
    of_vapour = _density(pascal, kelvin, vapour, WATER_KG_PER_MOL * vapour)
    return float(
        of_air / _density(101325.0, 288.15, 0.0, dry_kg_per_mol) * standard_air
        + of_vapour / _density(1333.0, 293.15, 1.0, WATER_KG_PER_MOL) * standard_vapour
    )


def _density(pascal: float, kelvin: float, vapour: float, kg_per_mol: float) -> float:
    """Density of a part of the air, p M/(Z R T), kg/m3; Z of the BIPM's equation for moist air."""
    c = kelvin - 273.15
    virial = 1.58123e-6 + c * (-2.9331e-8 + 1.1043e-10 * c)
    virial += vapour * (5.707e-6 - 2.051e-8 * c) + vapour**2 * (1.9898e-4 - 2.376e-6 * c)
    ratio = pascal / kelvin
    z = 1.0 - ratio * virial + ratio**2 * (1.83e-11 - 0.765e-8 * vapour**2)
    return pascal * kg_per_mol / (z * GAS_J_PER_MOL_K * kelvin)
