"""What each planned request gets, in numbers: coverage figures, and the baselines with their visibilities."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.constraints.tonight import NightLimits
from planner.output.contrast_told import range_told
from planner.output.figure_uv import Samples, middle_um, number_of, samples_of
from planner.output.star_told import calibrators_told, star_told
from planner.output.tracks import VisitTrack, planned_uv_m
from planner.scheduling.candidates import RequestOffer
from planner.scheduling.plan import NightPlan
from planner.science.coverage_figures import CoverageFigures, coverage_figures
from planner.science.source import uniform_disk_visibility

RESOLVED_VIS2 = 0.02  # hardly any fringe: common practice, no source


@dataclass(frozen=True)
class BaselineRow:
    """One baseline of one visit: length and position angle as seen from the star, visibility by channel."""

    key: str
    pair: str
    length: str
    angle: str
    frequency: str
    vis2: str


@dataclass(frozen=True)
class TargetRow:
    """One request with planned visits."""

    number: str
    target: str
    combiner: str
    field: str
    visits: tuple[str, ...]
    cells_filled: int
    cells_reachable: int
    cells_filled_before: int
    figures: tuple[tuple[str, str], ...]
    baselines: tuple[BaselineRow, ...]
    diameter: str
    wavelength: str
    star: str
    calibrators: tuple[tuple[str, str], ...]


def target_rows(
    limits: NightLimits, offers: Sequence[RequestOffer], plan: NightPlan, tracks: Sequence[VisitTrack]
) -> tuple[TargetRow, ...]:
    """Return the numbers of every request that has a visit in the plan."""
    rows = []
    for offer, outcome in zip(offers, plan.requests, strict=True):
        samples = samples_of(limits, tracks, offer.request)
        if not samples:
            continue
        request = limits.scenario.requests[offer.request]
        uv = np.concatenate([sampled.wavelengths() for sampled in samples])
        star = request.star
        error = f" ± {star.diameter_error_mas:g}" if star.diameter_error_mas else ""
        rows.append(
            TargetRow(
                number=number_of(offer.request),
                target=request.name,
                combiner=request.combiner,
                field=f"{request.field_mas:.4g} mas",
                visits=tuple(sampled.track.key for sampled in samples),
                cells_filled=outcome.cells_filled,
                cells_reachable=outcome.cells_reachable,
                cells_filled_before=outcome.cells_filled_before,
                figures=(
                    *_figures(coverage_figures(uv, request.field_mas), request.field_mas),
                    *_largest_vis2(samples, star.diameter_mas),
                ),
                baselines=tuple(
                    row for sampled in samples for row in _baselines(limits, sampled, star.diameter_mas)
                ),
                diameter=f"uniform disk of {star.diameter_mas:g}{error} mas" if star.diameter_mas else "",
                wavelength=f"{middle_um(samples[0].wavelengths_um.tolist()):g} µm",
                star=star_told(star),
                calibrators=calibrators_told(limits, [sampled.track for sampled in samples]),
            )
        )
    return tuple(rows)


def _largest_vis2(samples: Sequence[Samples], diameter_mas: float | None) -> tuple[tuple[str, str], ...]:
    """The largest squared visibility of any planned sample, with a warning where it is next to none."""
    if not diameter_mas:
        return ()
    found = 0.0
    for sampled in samples:
        length = np.hypot(*np.moveaxis(sampled.uv_m, -1, 0))
        vis2 = uniform_disk_visibility(diameter_mas, length[..., None], sampled.wavelengths_um) ** 2
        found = max(found, float(vis2.max()))
    told = f"{found:.2g}" if found >= 1e-4 else "below 0.0001"
    return (("largest V²", f"{told}: resolved on every baseline" if found < RESOLVED_VIS2 else told),)


def _figures(found: CoverageFigures, field_mas: float) -> tuple[tuple[str, str], ...]:
    """Coverage figures as (words, value)."""
    beam, gap = found.beam, found.gap
    if beam.major_mas > field_mas:
        size = f"{beam.minor_mas:.2f} mas across, longer than the field along {beam.position_angle_deg:.0f}°"
    else:
        size = f"{beam.major_mas:.2f} × {beam.minor_mas:.2f} mas, longest at {beam.position_angle_deg:.0f}°"
    lobe = (
        "none inside the field" if found.side_lobe is None else f"{100.0 * found.side_lobe:.0f} % of the peak"
    )
    return (
        ("beam", size),
        ("highest side lobe", lobe),
        (
            "widest empty sector",
            f"{gap.width_deg:.0f}° of 180°, from {gap.from_deg:.0f}° to {gap.to_deg:.0f}°",
        ),
        ("spread in radius", f"{found.shortest / 1e6:.1f} to {found.longest / 1e6:.1f} Mλ"),
    )


def _baselines(limits: NightLimits, sampled: Samples, diameter_mas: float | None) -> list[BaselineRow]:
    names = [limits.placement.telescopes[i] for i in sampled.track.telescopes]
    step = sampled.track.science
    [middle] = planned_uv_m(limits, sampled.track, np.array([(step.first + step.last) // 2]))
    rows = []
    for (first, second), uv in zip(itertools.combinations(names, 2), middle, strict=True):
        length = float(np.hypot(*uv))
        middle_channel = middle_um(sampled.wavelengths_um.tolist())
        rows.append(
            BaselineRow(
                key=sampled.track.key,
                pair=f"{first}–{second}",
                length=f"{length:.1f}",
                angle=f"{np.rad2deg(np.arctan2(uv[0], uv[1])) % 180.0:.0f}",
                frequency=f"{length / middle_channel:.1f}",
                vis2=_vis2(diameter_mas, length, sampled.wavelengths_um),
            )
        )
    return rows


def _vis2(diameter_mas: float | None, length_m: float, wavelengths_um: np.ndarray) -> str:
    """Squared visibility over the channels, smallest to largest."""
    if not diameter_mas:
        return ""
    value = uniform_disk_visibility(diameter_mas, length_m, wavelengths_um) ** 2
    return range_told(float(value.min()), float(value.max()))
