"""The (u, v) reach of the best three subarrays side by side, for the request that asks most of the array.

Asking most means: the largest product of priority and cells within reach (of
the best of the three). u grows to the left (east) and v upwards (north), both
conjugates are drawn, all planes have one scale. Tracks are those of the middle
spectral channel while the pair is usable in the first night; cells are those
of every channel that is kept, exactly as the ranking counts them.
"""

from __future__ import annotations

import datetime
import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from planner.output.feasibility_words import date_told
from planner.output.figure_uv import middle_um, number_of
from planner.output.figures import (
    BEHIND,
    FAINT,
    FILLED,
    HAIR,
    INK,
    MIDDLE,
    PAPER,
    PRINT_PX,
    PRINT_SMALL,
    SCIENCE,
    SOFT,
    Drawn,
    draw,
    minus,
    panel,
    write,
)
from planner.output.sentences import counted
from planner.output.svg import Picture, clean
from planner.ranking.answers import Ranked, Ranking
from planner.ranking.cells import runs_in, uv_of
from planner.ranking.moments import moments_of
from planner.ranking.seats import seating, seats_of
from planner.ranking.usable import line_choices_of, pair_numbers, usable_bits
from planner.science.coverage import cells_of, stretches
from planner.science.history import filled_before
from planner.sky.earth import offline_earth
from planner.units import RAD_PER_MAS

PLANES, WIDTH, SIDE, GAP, LEFT, TOP, FOOT = 3, 1180.0, 346.0, 46.0, 48.0, 106.0, 66.0


@dataclass(frozen=True)
class Plane:
    """What one subarray reaches for a request in one night.

    Attributes
    ----------
    uv_m : ndarray (slot, pair, 2)
        NaN where the pair cannot be used.
    cells : tuple of (int, int)
        One of each conjugate pair, those of earlier nights left out.
    hours : float
        While some set of its telescopes is usable.
    """

    uv_m: np.ndarray
    cells: tuple[tuple[int, int], ...]
    hours: float


def demanding_request(ranking: Ranking) -> int | None:
    """Return the position of the request with most priority times cells in the best three, or None."""
    if not ranking.top:
        return None
    cells = np.max([one.cells for one in ranking.top[:PLANES]], axis=0)
    asked = cells * np.array([ranking.scenario.requests[k].priority for k in ranking.requests])
    return int(np.argmax(asked)) if asked.max(initial=0) > 0 else None


def plane_of(ranking: Ranking, one: Ranked, request: int, date: datetime.date) -> Plane:
    """Work out what a subarray reaches for a request in a night, on the best delay lines.

    Parameters
    ----------
    ranking : Ranking
    one : Ranked
    request : int
        Position in ``ranking.requests``.
    date : datetime.date

    Raises
    ------
    NoNight
    """
    scenario, asked = ranking.scenario, ranking.requests[request]
    wish = scenario.requests[asked]
    combiner = scenario.combiner_of(wish)
    # Fixed telescopes that are not in the subarray still cast their shadows.
    own = {seat.station for seat in one.seats}
    others = [seat for seat in seats_of(scenario.array) if seat.telescope and seat.station not in own]
    seats = [*one.seats, *others]
    moments = moments_of(scenario, date, seats, seating(scenario.array, seats), [asked])
    members = np.array(list(itertools.combinations(range(len(one.seats)), combiner.beams)), dtype=np.intp)
    choices = line_choices_of(scenario.array, seats, members, combiner, wish.extras.second_star is not None)
    bits = usable_bits(moments, combiner, np.array([0]), members, choices)[:, 0]
    usable = np.unpackbits(bits, axis=-1, count=moments.slots).astype(bool)
    uv = uv_of(moments, 0)
    used = np.zeros(uv.shape[:2], dtype=bool)
    for part, columns in zip(usable, pair_numbers(members, len(seats)), strict=True):
        used[:, columns] |= part[:, None]
    kept = np.unique(pair_numbers(members, len(seats)))
    runs = runs_in(moments, 0, wish, combiner)
    reached = np.zeros(len(runs.distinct), dtype=bool)
    for part, columns in zip(usable, pair_numbers(members, len(seats)), strict=True):
        own_pairs = np.isin(np.arange(uv.shape[1]), columns)
        reached |= runs.inside(stretches(part, scenario.night.slot_s), own_pairs)
    cells = cells_of(np.setdiff1d(runs.distinct[reached], filled_before(scenario, wish)))
    hours = float(usable.any(axis=0).sum()) * scenario.night.slot_s / 3600.0
    return Plane(np.where(used[..., None], uv, np.nan)[:, kept], cells, hours)


def planes_figure(ranking: Ranking, name: str) -> Drawn | None:
    """Return the planes as SVG and PDF; None when no request is served by the best three.

    Parameters
    ----------
    ranking : Ranking
    name : str
        Of the figure's file, made of letters, figures and dashes.

    Raises
    ------
    NoNight
        When the first night has no dark hours.
    """
    request = demanding_request(ranking)
    if request is None:
        return None
    shown, wish = ranking.top[:PLANES], ranking.scenario.requests[ranking.requests[request]]
    date = ranking.nights[0]
    with offline_earth():
        planes = [plane_of(ranking, one, request, date) for one in shown]
    wavelengths = ranking.scenario.combiner_of(wish).wavelengths_um
    cell = 1.0 / (wish.field_mas * RAD_PER_MAS) / 1e6
    middle = middle_um(wavelengths)
    reach = max((float(np.nanmax(np.abs(p.uv_m), initial=0.0)) / middle for p in planes), default=0.0)
    outermost = max((abs(k) for p in planes for pair in p.cells for k in pair), default=1)
    half = 1.04 * max(reach, (outermost + 0.5) * cell)
    told = "; ".join(f"{one.name} {_told(plane)}" for one, plane in zip(shown, planes, strict=True))
    picture = Picture(
        name=name,
        width=WIDTH,
        height=TOP + SIDE + FOOT,
        title=f"(u, v) reach of the best {len(shown)} for {wish.name}",
        description=f"{_why(ranking, request, date)} {told}.",
        tips={},
    )

    def paint(figure: Figure) -> None:
        head = panel(figure, 0.0, 0.0, WIDTH, TOP)
        head.set_xlim(0.0, WIDTH)
        head.set_ylim(TOP, 0.0)
        write(
            head,
            8.0,
            20.0,
            clean(f"{number_of(ranking.requests[request])} {wish.name}", 48),
            fontsize=16,
            weight="bold",
            va="center",
        )
        write(head, 8.0, 44.0, _why(ranking, request, date), va="center", **PRINT_SMALL)
        for number, (one, plane) in enumerate(zip(shown, planes, strict=True)):
            left = LEFT + number * (SIDE + GAP)
            write(head, left, 76.0, clean(f"{number + 1}  {one.name}", 36), va="center", weight="bold")
            write(head, left, 94.0, _told(plane), va="center", **PRINT_SMALL)
            axes = panel(figure, left, TOP, SIDE, SIDE)
            axes.set_xlim(half, -half)
            axes.set_ylim(-half, half)
            _frame(axes, half, labelled=number == 0)
            _plane(axes, plane, cell, middle)
        foot = panel(figure, 0.0, TOP + SIDE, WIDTH, FOOT)
        foot.set_xlim(0.0, WIDTH)
        foot.set_ylim(FOOT, 0.0)
        _foot(foot, middle)

    return draw(picture, paint, PRINT_PX)


def _told(plane: Plane) -> str:
    return f"{counted(len(plane.cells), 'cell')} in {plane.hours:.1f} h" if plane.cells else "out of reach"


def _why(ranking: Ranking, request: int, date: datetime.date) -> str:
    wish = ranking.scenario.requests[ranking.requests[request]]
    return (
        f"Asks most of the array: priority {wish.priority} times its cells is the largest of all requests. "
        f"Reach in the night of {date_told(date)}, combiner {clean(wish.combiner, 30)}."
    )


def _plane(axes: Axes, plane: Plane, cell: float, middle: float) -> None:
    """Cells filled lightly, tracks over them, both with their conjugates."""
    if not plane.cells:
        write(axes, 0.0, 0.0, "out of reach", **MIDDLE, style="italic", color=SOFT, bbox=BEHIND)
        return
    corners = np.array([(-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)])
    middles = np.array(sorted({(s * u, s * v) for u, v in plane.cells for s in (1, -1)}), dtype=float)
    style: dict[str, Any] = {"facecolor": FILLED, "edgecolor": PAPER, "linewidth": 0.6, "alpha": 0.75}
    axes.add_collection(PolyCollection((middles[:, None, :] + corners) * cell, **style, zorder=1.0))
    tracks = [sign * line / middle for line in unbroken(plane.uv_m) for sign in (1.0, -1.0)]
    axes.add_collection(LineCollection(tracks, colors=SCIENCE, linewidths=1.6, zorder=2.0))


def unbroken(uv_m: np.ndarray) -> list[np.ndarray]:
    """Return the stretches of each pair's track (slot, pair, 2) without NaN, each (slot, 2)."""
    found = []
    for pair in range(uv_m.shape[1]):
        seen = np.isfinite(uv_m[:, pair, 0])
        edges = np.flatnonzero(np.diff(np.concatenate([[False], seen, [False]]).astype(int))).reshape(-1, 2)
        found += [uv_m[first:last, pair] for first, last in edges]
    return found


def _frame(axes: Axes, half: float, labelled: bool) -> None:
    """Cross of the axes, a border, and round values below; at the left of the first plane only."""
    axes.axhline(0.0, color=HAIR, linewidth=0.8, zorder=0)
    axes.axvline(0.0, color=HAIR, linewidth=0.8, zorder=0)
    edge = np.array([-half, half, half, -half, -half])
    axes.plot(edge, np.array([-half, -half, half, half, -half]), color=FAINT, linewidth=0.8, clip_on=False)
    pixel = 2.0 * half / SIDE
    for value in _round_values(half):
        axes.plot([value, value], [-half, -half + 5.0 * pixel], color=FAINT, linewidth=0.8)
        axes.plot([half, half - 5.0 * pixel], [value, value], color=FAINT, linewidth=0.8)
        told = minus(f"{value:g}")
        write(axes, value, -half - 6.0 * pixel, told, ha="center", va="top", **PRINT_SMALL, clip_on=False)
        if labelled:
            write(
                axes, half + 6.0 * pixel, value, told, ha="right", va="center", **PRINT_SMALL, clip_on=False
            )


def _round_values(half: float) -> list[float]:
    """Round values inside +-half, five to seven of them."""
    raw = half / 2.5
    power = 10.0 ** np.floor(np.log10(raw))
    step = float(next(power * m for m in (1.0, 2.0, 5.0, 10.0) if power * m >= raw))
    most = int(np.floor(half / step))
    return [step * k for k in range(-most, most + 1)]


def _foot(axes: Axes, middle: float) -> None:
    y = 48.0
    words = f"u (east to the left) and v (north up) in millions of wavelengths at {middle:g} µm, one scale"
    write(axes, LEFT, y, words, va="center", **PRINT_SMALL)
    x = WIDTH - 330.0
    axes.plot([x, x + 22.0], [y, y], color=SCIENCE, linewidth=1.6)
    write(axes, x + 28.0, y, "while usable", va="center", **PRINT_SMALL)
    axes.add_patch(
        Rectangle((x + 134.0, y - 7.0), 14.0, 14.0, facecolor=FILLED, edgecolor=FAINT, linewidth=0.6)
    )
    write(axes, x + 156.0, y, "cells within reach", va="center", fontsize=PRINT_SMALL["fontsize"], color=INK)
