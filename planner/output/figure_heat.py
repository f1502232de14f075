"""What each request gets of each subarray: cells within reach, as a map whose tone grows with its number."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from planner.output.feasibility_words import hours_told
from planner.output.figure_ranking import CHARACTER, GAP, WIDTH, Row, name_at, rows_of
from planner.output.figure_uv import number_of
from planner.output.figures import (
    HAIR,
    INK,
    MIDDLE,
    PANEL,
    PAPER,
    PRINT_PX,
    PRINT_SMALL,
    PRINT_SMALL_PX,
    SCIENCE,
    SOFT,
    Drawn,
    draw,
    panel,
    write,
)
from planner.output.ranking_words import nights_told
from planner.output.svg import Picture, clean
from planner.ranking.answers import Ranking

COLUMNS_MAX = 26
HEAT_LEFT, CELL_HEIGHT, SLANT_DEG = 290.0, 38.0, 58.0
PALEST, DEEPEST = 0.04, 0.5  # opacity of a cell that reaches nothing, and of the best one


def reach_shares(ranking: Ranking, rows: tuple[Row, ...]) -> np.ndarray:
    """Return cells within reach over the most that any subarray of the answer reaches, (row, request)."""
    everyone = [*ranking.top, *ranking.front, *([ranking.current] if ranking.current is not None else [])]
    most = np.max([one.cells for one in everyone], axis=0)
    return np.array([one.one.cells / np.maximum(most, 1) for one in rows])


def heat_columns(ranking: Ranking) -> tuple[int, ...]:
    """Return the positions of the requests that are shown: all, or those of most priority times cells."""
    if len(ranking.requests) <= COLUMNS_MAX:
        return tuple(range(len(ranking.requests)))
    cells = np.max([one.cells for one in (*ranking.top, *ranking.front)], axis=0)
    priority = np.array([ranking.scenario.requests[k].priority for k in ranking.requests])
    return tuple(sorted(np.argsort(-cells * priority, kind="stable")[:COLUMNS_MAX].tolist()))


def heat_label(ranking: Ranking, k: int) -> str:
    """Return what stands over a column."""
    return (
        f"{number_of(ranking.requests[k])} {clean(ranking.scenario.requests[ranking.requests[k]].name, 14)}"
    )


def heat_head(ranking: Ranking) -> float:
    """Return the room above the cells, for the longest name, set at a slant."""
    longest = max(len(heat_label(ranking, k)) for k in heat_columns(ranking))
    return 46.0 + longest * CHARACTER * float(np.sin(np.radians(SLANT_DEG)))


def depth(share: float) -> float:
    """Return the opacity of a cell of the heat map: it grows with the share."""
    return PALEST + (DEEPEST - PALEST) * share if share > 0 else 0.0


def heat_figure(ranking: Ranking, name: str) -> Drawn:
    """Return what each request gets of each subarray, as SVG and PDF.

    Parameters
    ----------
    ranking : Ranking
        With one subarray at least.
    name : str
        Of the figure's file, made of letters, figures and dashes.
    """
    rows, columns = rows_of(ranking), heat_columns(ranking)
    part = reach_shares(ranking, rows)
    now = bool(rows) and rows[-1].place == "now"
    more = len(ranking.requests) - len(columns)
    top = heat_head(ranking)
    height = top + CELL_HEIGHT * len(rows) + (GAP if now else 0.0) + (64.0 if more else 44.0)
    top_of_legend = height - (36.0 if more else 16.0)
    wide = min((WIDTH - HEAT_LEFT - 60.0) / len(columns), 74.0)
    picture = Picture(
        name=name,
        width=WIDTH,
        height=height,
        title=f"Cells within reach of each request, {nights_told(ranking.nights)}",
        description="A row for each subarray: per cent of the most that any listed reaches, and hours.",
        tips={},
    )

    def paint(figure: Figure) -> None:
        axes = panel(figure, 0.0, 0.0, WIDTH, height)
        axes.set_xlim(0.0, WIDTH)
        axes.set_ylim(height, 0.0)
        write(axes, 8.0, 20.0, "Within reach", fontsize=16, weight="bold", va="center")
        for number, k in enumerate(columns):
            x = HEAT_LEFT + wide * (number + 0.5)
            words = heat_label(ranking, k)
            write(
                axes,
                x,
                top - 8.0,
                words,
                rotation=SLANT_DEG,
                rotation_mode="anchor",
                ha="left",
                va="center",
                fontsize=PRINT_SMALL_PX,
            )
            if k in ranking.unserved:
                _nobody(axes, (x - wide / 2.0, wide), (top, top_of_legend - 28.0))
        for number, row in enumerate(rows):
            y = top + CELL_HEIGHT * (number + 0.5) + (GAP if row.place == "now" else 0.0)
            name_at(axes, row, y)
            for place, k in enumerate(columns):
                if k not in ranking.unserved:
                    box = (HEAT_LEFT + wide * place, y - CELL_HEIGHT / 2.0, wide)
                    _cell(axes, box, float(part[number, k]), float(row.one.hours[k]))
        _heat_legend(axes, top_of_legend, more)

    return draw(picture, paint, PRINT_PX)


def _cell(axes: Axes, box: tuple[float, float, float], share: float, hours_h: float) -> None:
    """Share in figures over its tone, hours below; a dot where nothing is in reach."""
    x, y, wide = box
    place: dict[str, Any] = {"xy": (x + 1.0, y + 1.0), "width": wide - 2.0, "height": CELL_HEIGHT - 2.0}
    axes.add_patch(Rectangle(**place, facecolor=PANEL if share <= 0 else PAPER, linewidth=0, zorder=1.0))
    middle = x + wide / 2.0
    if share <= 0:
        write(axes, middle, y + CELL_HEIGHT / 2.0, "–", **MIDDLE, color=SOFT, zorder=3.0)
        return
    axes.add_patch(Rectangle(**place, facecolor=SCIENCE, alpha=depth(share), linewidth=0, zorder=2.0))
    best = share >= 1.0
    write(
        axes,
        middle,
        y + 13.0,
        f"{100.0 * share:.0f}",
        **MIDDLE,
        weight="bold" if best else "normal",
        zorder=3.0,
    )
    write(axes, middle, y + 28.0, f"{hours_told(hours_h)} h", **MIDDLE, fontsize=10.5, color=INK, zorder=3.0)


def _nobody(axes: Axes, column: tuple[float, float], rows: tuple[float, float]) -> None:
    """A column that no subarray serves: hatched, and said."""
    (left, wide), (top, bottom) = column, rows
    style: dict[str, Any] = {"facecolor": "none", "edgecolor": HAIR, "hatch": "xxxx", "linewidth": 0.0}
    axes.add_patch(Rectangle((left + 1.0, top + 1.0), wide - 2.0, bottom - top - 2.0, **style, zorder=0.5))
    middle = left + wide / 2.0, (top + bottom) / 2.0
    behind = {"facecolor": PAPER, "edgecolor": "none", "pad": 3.0}
    write(
        axes,
        *middle,
        "nobody serves it",
        **MIDDLE,
        rotation=90,
        fontsize=PRINT_SMALL_PX,
        bbox=behind,
        zorder=2.0,
    )


def _heat_legend(axes: Axes, y: float, more: int) -> None:
    x = HEAT_LEFT
    for share in (0.2, 0.4, 0.6, 0.8, 1.0):
        axes.add_patch(
            Rectangle((x, y - 7.0), 22.0, 14.0, facecolor=SCIENCE, alpha=depth(share), linewidth=0)
        )
        x += 22.0
    words = (
        "20 to 100 % of the most cells that any subarray listed reaches (bold: the most), and usable hours"
    )
    write(axes, x + 10.0, y, words, va="center", **PRINT_SMALL)
    if more:
        write(axes, HEAT_LEFT, y + 19.0, f"{more} smaller requests are not shown", va="center", **PRINT_SMALL)
