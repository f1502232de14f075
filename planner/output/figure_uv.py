"""What each request gets: its (u, v) plane, and the visibilities to expect on it.

u grows to the left (east) and v upwards (north), as a sky chart of the star;
both conjugates are drawn. Tracks are those of the middle spectral channel, in
millions of wavelengths; cells are filled by every channel that is kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from planner.constraints.tonight import NightLimits
from planner.output.figure_beam import BEAM_PX, paint_beam
from planner.output.figure_places import free_place
from planner.output.figures import (
    FAINT,
    FILLED,
    HAIR,
    INK,
    MIDDLE,
    PALETTE,
    PANEL,
    PAPER,
    REACH,
    SCIENCE,
    SMALL,
    SMALL_PX,
    SOFT,
    Drawn,
    box,
    draw,
    legend,
    minus,
    panel,
    together,
    write,
)
from planner.output.svg import Picture
from planner.output.tracks import VisitTrack, planned_uv_m, reachable_uv_m
from planner.scenario.targets import Request
from planner.scheduling.candidates import RequestOffer
from planner.science.coverage import cells_of
from planner.science.coverage_figures import second_moment_beam
from planner.science.source import uniform_disk_visibility
from planner.units import RAD_PER_MAS

SIDE, LEFT, TOP, FOOT = 288.0, 46.0, 34.0, 50.0
LINE = 15.0  # a second line of the legend
EARLIER: dict[str, Any] = {
    "facecolor": PALETTE["mist"],
    "edgecolor": PALETTE["slate"],
    "hatch": "\\\\\\",
    "linewidth": 0.8,
}
SEEN_EVERY_S, PLANNED_EVERY_S = 600.0, 120.0
VISIBILITY_WIDTH, VISIBILITY_HEIGHT = 430.0, 268.0
LOWEST_VIS2 = 1e-4
LINEAR_VIS2 = 0.1  # while the disk stays above this, the axis is linear
MARKERS = ("o", "s", "D", "^", "v", "P", "X", "h")


@dataclass(frozen=True)
class Samples:
    """What one visit samples: (u, v) at some ticks of the science step, and the channels."""

    track: VisitTrack
    uv_m: np.ndarray
    wavelengths_um: np.ndarray

    def wavelengths(self) -> np.ndarray:
        """Return all samples in wavelengths, one of each conjugate pair, (sample, 2)."""
        scaled = self.uv_m[..., None, :] / (self.wavelengths_um[:, None] * 1e-6)
        return scaled.reshape(-1, 2)


def samples_of(
    limits: NightLimits, tracks: Sequence[VisitTrack], request: int, every_s: float = PLANNED_EVERY_S
) -> tuple[Samples, ...]:
    """Return the samples of every planned visit of a request, a time every ``every_s`` and both ends."""
    combiner = limits.scenario.combiner_of(limits.scenario.requests[request])
    every = max(1, round(every_s / limits.sky.tick_s))
    return tuple(
        Samples(
            track,
            planned_uv_m(limits, track, track.science.recorded(every)),
            np.array(combiner.wavelengths_um),
        )
        for track in tracks
        if track.request == request
    )


def number_of(request: int) -> str:
    """Return R01, R02, ...: the place of a request in the scenario."""
    return f"R{request + 1:02d}"


def middle_um(wavelengths_um: Sequence[float]) -> float:
    """Return the middle one of the channels."""
    return sorted(wavelengths_um)[len(wavelengths_um) // 2]


def uv_figure(
    limits: NightLimits, offer: RequestOffer, tracks: Sequence[VisitTrack], tips: dict[str, str]
) -> Drawn:
    """Return the (u, v) plane of a request as SVG; visits are grouped as ``uv-R01-V01``."""
    request = limits.scenario.requests[offer.request]
    wavelengths = limits.scenario.combiner_of(request).wavelengths_um
    before = cells_of(offer.filled_before)
    legend_px = FOOT + (LINE if before else 0.0)
    foot_px = legend_px + BEAM_PX
    told = "in reach and planned, and cells of earlier nights" if before else "in reach and planned"
    picture = Picture(
        name=f"uv-{number_of(offer.request)}",
        width=LEFT + SIDE + 14.0,
        height=TOP + SIDE + foot_px,
        title=f"(u, v) plane of {request.name}",
        description=(
            f"Tracks and cells {told}, and the beam that the planned ones make; "
            "the table gives the planned baselines, the list the beam."
        ),
        tips=tips,
    )
    reach = reachable_uv_m(limits, offer, max(1, round(SEEN_EVERY_S / limits.sky.tick_s)))
    planned = samples_of(limits, tracks, offer.request)
    scale = 1e-6 / (middle_um(wavelengths) * 1e-6)  # Mega-wavelengths to a metre
    cell = 1.0 / (request.field_mas * RAD_PER_MAS) / 1e6
    in_reach = cells_of(offer.reachable)
    filled = [c for s in planned for c in s.track.visit.new_cells]
    indices = [abs(index) for c in (*in_reach, *before, *filled) for index in c]
    largest = max(
        np.nanmax(np.abs(reach), initial=0.0) * scale,
        *(np.abs(s.wavelengths()).max() / 1e6 for s in planned),
        (max(indices, default=0) + 0.5) * cell,
    )

    def paint(figure: Figure) -> None:
        axes = panel(figure, LEFT, TOP, SIDE, SIDE)
        half = 1.04 * largest
        axes.set_xlim(half, -half)
        axes.set_ylim(-half, half)
        _frame(axes, half, middle_um(wavelengths))
        _cells(axes, in_reach, cell, {"facecolor": PANEL, "edgecolor": PAPER, "linewidth": 0.8})
        _cells(axes, before, cell, EARLIER)
        for sampled in planned:
            gid = picture.visit_id(sampled.track.key)
            _cells(
                axes,
                sampled.track.visit.new_cells,
                cell,
                {"facecolor": FILLED, "edgecolor": PAPER, "linewidth": 0.8, "gid": gid},
            )
        lines = [sign * scale * line for sign in (1.0, -1.0) for line in _lines(reach)]
        together(axes, lines, color=FAINT, linewidth=0.6)
        for sampled in planned:
            _planned(axes, sampled, picture.visit_id(sampled.track.key))
        _labels(axes, planned, half, cell, picture)
        foot = panel(figure, LEFT, TOP + SIDE, SIDE, foot_px)
        foot.set_xlim(0.0, SIDE)
        foot.set_ylim(foot_px, 0.0)
        write(foot, SIDE / 2, 22.0, "u in Mλ, millions of wavelengths (east to the left)", **MIDDLE, **SMALL)
        legend(foot, (0.0, 41.0), 1.0, LEGEND)
        if before:
            key = ("cells that earlier nights have filled", {"patch": EARLIER})
            legend(foot, (0.0, 41.0 + LINE), 1.0, (key,))
        uv = np.concatenate([sampled.wavelengths() for sampled in planned])
        paint_beam(foot, second_moment_beam(uv), request.field_mas, legend_px)

    return draw(picture, paint)


LEGEND = (
    ("in reach", {"color": FAINT, "linewidth": 0.8}),
    ("planned", {"color": SCIENCE, "linewidth": 4.0}),
    ("cells filled", {"patch": {"facecolor": FILLED, "edgecolor": "none"}}),
)


def _lines(uv: np.ndarray) -> list[np.ndarray]:
    """Unbroken stretches of each pair's track, from (tick, pair, 2) with NaN where it is out of reach."""
    found = []
    for pair in range(uv.shape[1]):
        seen = np.isfinite(uv[:, pair, 0])
        edges = np.flatnonzero(np.diff(np.concatenate([[False], seen, [False]]).astype(int))).reshape(-1, 2)
        found += [uv[first:last, pair] for first, last in edges if last - first > 1]
    return found


def _cells(axes: Axes, cells: Sequence[tuple[int, int]], side: float, style: dict[str, Any]) -> None:
    """Squares of side 1/W around whole multiples of it, with their conjugates."""
    if not cells:
        return
    corners = np.array(box(-0.5, -0.5, 1.0, 1.0))
    middles = np.array(sorted({(s * u, s * v) for u, v in cells for s in (1, -1)}), dtype=float)
    together(axes, (middles[:, None, :] + corners) * side, closed=True, **style)


def _planned(axes: Axes, sampled: Samples, gid: str) -> None:
    """Bold on the middle channel, thin on the outermost ones."""
    channels = np.sort(sampled.wavelengths_um)
    middle = middle_um(channels.tolist())
    for channel in dict.fromkeys((float(channels[0]), float(channels[-1]), middle)):
        track = sampled.uv_m / channel
        lines = [sign * track[:, pair] for pair in range(track.shape[1]) for sign in (1.0, -1.0)]
        width = 4.0 if channel == middle else 1.2
        together(axes, lines, color=SCIENCE, linewidth=width, capstyle="round", gid=gid)


def _labels(axes: Axes, planned: Sequence[Samples], half: float, cell: float, picture: Picture) -> None:
    """A visit's number beside the outer end of its longest track, clear of tracks and of others' cells.

    What belongs to a visit is drawn together, so cells of a later one would cover it.
    """
    pixels = SIDE / (2.0 * half)
    taken: list[tuple[float, float, float]] = []
    tracks = [box for sampled in planned for box in _track_boxes(sampled, pixels)]
    edge, far = SIDE / 2.0, 2.0 * SIDE
    walls = [
        (edge, far, -far, far),
        (-far, -edge, -far, far),
        (-far, far, edge, far),
        (-far, far, -far, -edge),
    ]
    for sampled in planned:
        ends = sampled.uv_m[-1] / middle_um(sampled.wavelengths_um.tolist())
        longest = ends[int(np.argmax(np.hypot(ends[:, 0], ends[:, 1])))]
        longest = longest if longest[1] >= 0 else -longest
        x, y = -float(longest[0]) * pixels, float(longest[1]) * pixels
        cells = [
            box
            for another in planned
            if another is not sampled
            for box in _cell_boxes(another.track.visit.new_cells, cell * pixels)
        ]
        place = free_place((x, x, y, y), 24.0, taken, (*tracks, *walls, *cells))
        write(
            axes,
            -place[0] / pixels,
            place[1] / pixels,
            sampled.track.key,
            **MIDDLE,
            weight="bold",
            fontsize=SMALL_PX,
            gid=picture.visit_id(sampled.track.key),
        )


def _track_boxes(sampled: Samples, pixels: float) -> list[tuple[float, float, float, float]]:
    """Left, right, bottom, top of each pair's bold track and of its conjugate, in pixels from the middle."""
    track = sampled.uv_m / middle_um(sampled.wavelengths_um.tolist()) * pixels * np.array([-1.0, 1.0])
    both = np.concatenate([track, -track], axis=1)
    low, high = both.min(axis=0), both.max(axis=0)
    return [(a, b, c, d) for (a, c), (b, d) in zip(low.tolist(), high.tolist(), strict=True)]


def _cell_boxes(cells: Sequence[tuple[int, int]], side_px: float) -> list[tuple[float, float, float, float]]:
    """The same of cells and their conjugates."""
    return [
        ((-s * u - 0.5) * side_px, (-s * u + 0.5) * side_px, (s * v - 0.5) * side_px, (s * v + 0.5) * side_px)
        for u, v in cells
        for s in (1, -1)
    ]


def _ticks(half: float) -> np.ndarray:
    """Round values inside +-half, about seven of them."""
    raw = half / 3.0
    power = 10.0 ** np.floor(np.log10(raw))
    step = next(power * m for m in (1.0, 2.0, 2.5, 5.0, 10.0) if power * m >= raw)
    return np.arange(-np.floor(half / step), np.floor(half / step) + 1) * step


def _frame(axes: Axes, half: float, wavelength_um: float) -> None:
    """Cross of the axes, wavelengths left and below, metres above."""
    cross = [[(-half, 0.0), (half, 0.0)], [(0.0, -half), (0.0, half)]]
    together(axes, cross, color=HAIR, linewidth=0.8, zorder=0)
    tick = 2.0 * half / SIDE
    marks = [[*box(-half, -half, 2 * half, 2 * half), (-half, -half)]]
    small = {"fontsize": SMALL_PX, "color": SOFT, "clip_on": False}
    for value in _ticks(half):
        marks.append([(value, -half), (value, -half + 4 * tick)])
        marks.append([(half, value), (half - 4 * tick, value)])
        write(axes, value, -half - 4 * tick, minus(f"{value:g}"), ha="center", va="top", **small)
        write(axes, half + 4 * tick, value, minus(f"{value:g}"), ha="right", va="center", **small)
    for value in _ticks(half * wavelength_um):
        x = value / wavelength_um
        marks.append([(x, half), (x, half - 4 * tick)])
        write(axes, x, half + 4 * tick, minus(f"{value:g}"), ha="center", va="bottom", **small)
    together(axes, marks, color=FAINT, linewidth=0.8, clip_on=False)
    words = f"metres at {wavelength_um:g} µm"
    write(axes, 0.0, half + 17 * tick, words, ha="center", va="bottom", **small)
    write(axes, half - 6 * tick, half - 6 * tick, "v in Mλ", ha="left", va="top", **small)


def visibility_figure(
    limits: NightLimits, request: int, tracks: Sequence[VisitTrack], tips: dict[str, str]
) -> Drawn | None:
    """Return V^2 of a target with a diameter against spatial frequency; visits are ``vis-R01-V01``.

    Returns
    -------
    str or None
        None for a target without a diameter.
    """
    wish = limits.scenario.requests[request]
    if not wish.star.diameter_mas:
        return None
    picture = Picture(
        name=f"vis-{number_of(request)}",
        width=VISIBILITY_WIDTH,
        height=VISIBILITY_HEIGHT,
        title=f"Expected squared visibilities of {wish.name}",
        description="A uniform disk with the planned samples; the table gives the numbers.",
        tips=tips,
    )
    planned = samples_of(limits, tracks, request)
    largest = max(np.hypot(*s.wavelengths().T).max() for s in planned) / 1e6 * 1.08

    def paint(figure: Figure) -> None:
        plot = VISIBILITY_WIDTH - 58.0 - 12.0, VISIBILITY_HEIGHT - 12.0 - 52.0
        axes = panel(figure, 58.0, 12.0, *plot)
        axes.set_xlim(0.0, largest)
        deep = _vis2(wish.star.diameter_mas or 0.0, np.array([largest]))[0] < LINEAR_VIS2
        if deep:
            axes.set_yscale("log")
        axes.set_ylim(*((0.7 * LOWEST_VIS2, 1.3) if deep else (0.0, 1.04)))
        _visibility_ground(axes, wish, largest, plot)
        for number, sampled in enumerate(planned):
            _visibility_samples(axes, wish, sampled, (MARKERS[number % len(MARKERS)], picture))
        foot = panel(figure, 58.0, VISIBILITY_HEIGHT - 40.0, plot[0], 40.0)
        foot.set_xlim(0.0, plot[0])
        foot.set_ylim(40.0, 0.0)
        write(foot, plot[0] / 2, 10.0, "baseline / wavelength, millions", **MIDDLE, **SMALL)
        _visibility_legend(foot, wish, planned, picture)

    return draw(picture, paint)


def _visibility_ground(axes: Axes, wish: Request, largest: float, plot: tuple[float, float]) -> None:
    """Grid, and the disk's curve with the band that the diameter's error leaves."""
    small = {"fontsize": SMALL_PX, "color": SOFT, "clip_on": False}
    deep = axes.get_yscale() == "log"
    grid = []
    for level in (1.0, 0.1, 0.01, 0.001, LOWEST_VIS2) if deep else (0.0, 0.2, 0.4, 0.6, 0.8, 1.0):
        grid.append([(0.0, level), (largest, level)])
        text = f"≤ {level:g}" if level == LOWEST_VIS2 else f"{level:g}"
        write(axes, -6.0 * largest / plot[0], level, text, ha="right", va="center", **small)
    write(axes, -40.0 * largest / plot[0], 0.03 if deep else 0.5, "V²", ha="right", va="center", color=SOFT)
    for value in _ticks(largest):
        if value >= 0:
            grid.append([(value, low) for low in axes.get_ylim()])
            below = LOWEST_VIS2 * 0.62 if deep else -0.03
            write(axes, value, below, f"{value:g}", ha="center", va="top", **small)
    together(axes, grid, color=HAIR, linewidth=0.6, zorder=0)
    frequency = np.linspace(0.0, largest, 240)
    diameter, error = wish.star.diameter_mas or 0.0, wish.star.diameter_error_mas
    if error:
        bounds = [_vis2(d, frequency) for d in (max(diameter - error, 0.0), diameter, diameter + error)]
        low, high = (
            np.column_stack([frequency, np.min(bounds, axis=0)]),
            np.column_stack([frequency, np.max(bounds, axis=0)]),
        )
        band = np.concatenate([low, high[::-1]])
        together(axes, [band], closed=True, facecolor=REACH, linewidth=0, alpha=0.6)
    curve = np.column_stack([frequency, _vis2(diameter, frequency)])
    together(axes, [curve], color=SOFT, linewidth=1.0)


def _vis2(diameter_mas: float, frequency_mega: np.ndarray) -> np.ndarray:
    """Squared visibility of a uniform disk at spatial frequencies in millions of wavelengths, from below."""
    value = uniform_disk_visibility(diameter_mas, frequency_mega * 1e6, 1e6)
    return np.maximum(value**2, LOWEST_VIS2)


def _visibility_samples(axes: Axes, wish: Request, sampled: Samples, marks: tuple[str, Picture]) -> None:
    """All channels of each baseline at the middle of the science step."""
    marker, picture = marks
    middle = sampled.uv_m[len(sampled.uv_m) // 2]
    frequency = np.hypot(middle[:, 0], middle[:, 1])[:, None] / sampled.wavelengths_um
    axes.plot(
        frequency.ravel(),
        _vis2(wish.star.diameter_mas or 0.0, frequency.ravel()),
        marker,
        markersize=5.0,
        markerfacecolor=PAPER,
        markeredgecolor=SCIENCE,
        markeredgewidth=1.1,
        gid=picture.visit_id(sampled.track.key),
    )


def _visibility_legend(foot: Axes, wish: Request, planned: Sequence[Samples], picture: Picture) -> None:
    x = 0.0
    for number, sampled in enumerate(planned):
        gid = picture.visit_id(sampled.track.key)
        foot.plot(
            x + 4.0,
            30.0,
            MARKERS[number % len(MARKERS)],
            markersize=5.0,
            markerfacecolor=PAPER,
            markeredgecolor=SCIENCE,
            markeredgewidth=1.1,
            gid=gid,
        )
        write(foot, x + 12.0, 30.0, sampled.track.key, va="center", fontsize=SMALL_PX, color=INK, gid=gid)
        x += 44.0
    error = wish.star.diameter_error_mas
    size = f"uniform disk {wish.star.diameter_mas:g}{f' ± {error:g}' if error else ''} mas"
    write(foot, x + 6.0, 30.0, size, va="center", **SMALL)
