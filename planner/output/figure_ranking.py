"""The ranking in two pictures: what each subarray is worth, and what each request gets of it.

Bars are split into what requests bring, in the same order in every bar; the
few that bring most are named and have a letter, so that no tone is needed to
tell them apart. The heat map's tone grows with its number.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from planner.output.feasibility_words import hours_told
from planner.output.figure_uv import number_of
from planner.output.figures import (
    FAINT,
    HAIR,
    INK,
    MIDDLE,
    PALETTE,
    PANEL,
    PAPER,
    PRINT_PX,
    PRINT_SMALL,
    PRINT_SMALL_PX,
    SCIENCE,
    SOFT,
    Drawn,
    draw_both,
    panel,
    write,
)
from planner.output.ranking_words import nights_told, score_told, shares, worth, worth_told
from planner.output.sentences import counted
from planner.output.svg import Picture, clean
from planner.ranking.answers import Ranked, Ranking

ROWS_MAX, NAMED, COLUMNS_MAX = 20, 5, 26
WIDTH, LEFT, RIGHT, HEAD = 1180.0, 300.0, 246.0, 74.0
PLOT = WIDTH - LEFT - RIGHT
ROW, BAR, GAP = 38.0, 18.0, 16.0
CHARACTER = 7.2
LETTERS = "ABCDE"
TONES = tuple(PALETTE[name] for name in ("mist", "straw", "plum", "slate", "filled"))
OTHERS: dict[str, Any] = {"facecolor": PANEL, "edgecolor": FAINT, "hatch": "////", "linewidth": 0.6}
HEAT_LEFT, CELL_HEIGHT, SLANT_DEG = 250.0, 38.0, 58.0
PALEST, DEEPEST = 0.04, 0.5  # opacity of a cell that reaches nothing, and of the best one


@dataclass(frozen=True)
class Row:
    """One subarray of a figure: its place in words, and itself."""

    place: str
    one: Ranked


def rows_of(ranking: Ranking) -> tuple[Row, ...]:
    """Return the top, and the best as it stands at the end where it is not among them."""
    rows = [Row(str(k + 1), one) for k, one in enumerate(ranking.top[:ROWS_MAX])]
    current = ranking.current
    if current is not None and all(row.one.seats != current.seats for row in rows):
        rows.append(Row("now", current))
    return tuple(rows)


def named_requests(rows: tuple[Row, ...]) -> tuple[int, ...]:
    """Return the positions of the few requests that bring most over all rows, the most first."""
    if not rows:
        return ()
    total = np.sum([shares(row.one) for row in rows], axis=0)
    order = np.argsort(-total, kind="stable")[:NAMED]
    return tuple(int(k) for k in order if total[k] > 0)


def bars_figure(ranking: Ranking, name: str) -> Drawn:
    """Return what each subarray is worth as bars, as SVG and PDF.

    Parameters
    ----------
    ranking : Ranking
    name : str
        Of the figure's file, made of letters, figures and dashes.
    """
    rows = rows_of(ranking)
    named = named_requests(rows)
    height = HEAD + ROW * len(rows) + (GAP if rows and rows[-1].place == "now" else 0.0) + 60.0
    told = "; ".join(f"{row.one.name} {worth_told(row.one)}" for row in rows)
    picture = Picture(
        name=name,
        width=WIDTH,
        height=height,
        title=f"What each subarray is worth, {nights_told(ranking.nights)}",
        description=f"Bars by request. {told}." if rows else "No subarray can be used.",
        tips={},
    )
    most = max((largest_number(row.one) for row in rows), default=1.0)
    scale = PLOT / (1.02 * max(most, 1e-9))

    def paint(figure: Figure) -> None:
        axes = panel(figure, 0.0, 0.0, WIDTH, height)
        axes.set_xlim(0.0, WIDTH)
        axes.set_ylim(height, 0.0)
        write(axes, 8.0, 20.0, "Worth", fontsize=16, weight="bold", va="center")
        mean = "" if len(ranking.nights) == 1 else f", mean over {len(ranking.nights)} nights"
        write(axes, WIDTH - 8.0, 20.0, f"score{mean}", va="center", ha="right", color=SOFT)
        _letters(axes, ranking, named)
        _grid(axes, most, scale, height - 56.0)
        for number, row in enumerate(rows):
            y = HEAD + ROW * (number + 0.5) + (GAP if row.place == "now" else 0.0)
            if row.place == "now":
                axes.plot([8.0, WIDTH - 8.0], [y - ROW / 2.0 - GAP / 2.0] * 2, color=FAINT, linewidth=1.0)
            _bar(axes, ranking, row, named, (y, scale))
        _bars_legend(axes, height - 14.0)

    return draw_both(picture, paint, PRINT_PX)


def largest_number(one: Ranked) -> float:
    """Return the largest number that a bar has to show."""
    return max(worth(one), one.score.estimate, 0.0 if one.truth is None else one.truth.bound)


def _letters(axes: Axes, ranking: Ranking, named: tuple[int, ...]) -> None:
    """Who the letters are, above the bars."""
    x, y = LEFT, 50.0
    names = [
        f"{LETTERS[n]}  {clean(ranking.scenario.requests[ranking.requests[k]].name, 16)}"
        for n, k in enumerate(named)
    ]
    styles: list[dict[str, Any]] = [
        {"facecolor": TONES[n], "edgecolor": FAINT, "linewidth": 0.6} for n in range(len(named))
    ]
    for words, style in [*zip(names, styles, strict=True), ("others", OTHERS)]:
        axes.add_patch(Rectangle((x, y - 7.0), 16.0, 14.0, **style))
        write(axes, x + 22.0, y, words, va="center", fontsize=PRINT_SMALL_PX)
        x += 40.0 + len(words) * 7.0


def _grid(axes: Axes, most: float, scale: float, bottom: float) -> None:
    """Round scores as faint lines, written below."""
    step = _round_step(most / 5.0)
    for value in np.arange(0.0, most * 1.02, step).tolist():
        x = LEFT + value * scale
        axes.plot([x, x], [HEAD - 6.0, bottom], color=HAIR if value else FAINT, linewidth=0.8, zorder=0.5)
        write(axes, x, bottom + 10.0, f"{value:g}", **MIDDLE, **PRINT_SMALL)


def _round_step(least: float) -> float:
    power = 10.0 ** np.floor(np.log10(max(least, 1e-9)))
    return float(next(power * m for m in (1.0, 2.0, 5.0, 10.0) if power * m >= least * 0.999))


def _bar(axes: Axes, ranking: Ranking, row: Row, named: tuple[int, ...], place: tuple[float, float]) -> None:
    """One subarray: its name, its bar in parts, bound and estimate, and the numbers."""
    (y, scale), one = place, row.one
    write(axes, 38.0, y, row.place, va="center", ha="right", color=SOFT)
    write(axes, 50.0, y - 8.0, clean(one.name, 30), va="center", weight="bold", fontsize=12.5)
    moves = f"{counted(one.score.moves, 'telescope')} to move" if one.score.moves else "nothing to move"
    write(axes, 50.0, y + 8.5, moves, va="center", **PRINT_SMALL)
    parts = shares(one)
    x = LEFT
    edge: dict[str, Any] = {"edgecolor": FAINT, "linewidth": 0.6}
    for number, k in enumerate(named):
        width = float(parts[k]) * scale
        if width > 0:
            axes.add_patch(
                Rectangle((x, y - BAR / 2.0), width, BAR, facecolor=TONES[number], **edge, zorder=2.0)
            )
            name = clean(ranking.scenario.requests[ranking.requests[k]].name, 16)
            words = name if len(name) * CHARACTER + 8.0 < width else LETTERS[number] if width > 12.0 else ""
            if words:
                write(axes, x + width / 2.0, y, words, **MIDDLE, fontsize=PRINT_SMALL_PX, zorder=3.0)
        x += width
    rest = LEFT + worth(one) * scale - x
    if rest > 0.01:
        axes.add_patch(Rectangle((x, y - BAR / 2.0), rest, BAR, **OTHERS, zorder=2.0))
    whole: dict[str, Any] = {
        "facecolor": "none",
        "edgecolor": INK,
        "linewidth": 1.1,
        "linestyle": "-" if one.truth else (0, (3, 2)),
    }
    axes.add_patch(Rectangle((LEFT, y - BAR / 2.0), worth(one) * scale, BAR, **whole, zorder=3.0))
    _marks(axes, one, y, scale)


def _marks(axes: Axes, one: Ranked, y: float, scale: float) -> None:
    """The bound as a thin line beyond the bar, the estimate as an open diamond under it, both in figures."""
    right, estimate = LEFT + PLOT + 16.0, one.score.estimate
    axes.plot(
        [LEFT + estimate * scale], [y + BAR / 2.0 + 3.0], marker="D", markersize=5.5, zorder=4.0,
        markerfacecolor=PAPER, markeredgecolor=INK, markeredgewidth=1.0,
    )  # fmt: skip
    if one.truth is not None:
        x = LEFT + one.truth.bound * scale
        axes.plot([LEFT + worth(one) * scale, x], [y, y], color=SCIENCE, linewidth=1.0, zorder=3.0)
        axes.plot(
            [x, x], [y - BAR / 2.0 - 2.0, y + BAR / 2.0 + 2.0], color=SCIENCE, linewidth=1.6, zorder=3.0
        )
        write(axes, right, y - 8.0, score_told(one.truth.score), va="center", weight="bold")
        words = f"of at most {score_told(one.truth.bound)}"
        write(axes, right + 82.0, y - 8.0, words, va="center", **PRINT_SMALL)
        write(axes, right, y + 8.5, f"estimate {score_told(estimate)}", va="center", **PRINT_SMALL)
    else:
        write(axes, right, y, f"estimate {score_told(estimate)}, no plan", va="center", weight="bold")


def _bars_legend(axes: Axes, y: float) -> None:
    x = LEFT
    axes.plot([x + 6.0, x + 6.0], [y - 8.0, y + 8.0], color=SCIENCE, linewidth=1.6)
    write(axes, x + 16.0, y, "bound: no plan considered is worth more", va="center", **PRINT_SMALL)
    x += 310.0
    axes.plot(
        [x], [y], marker="D", markersize=5.5, markerfacecolor=PAPER, markeredgecolor=INK, markeredgewidth=1.0
    )
    write(axes, x + 12.0, y, "estimate", va="center", **PRINT_SMALL)
    axes.add_patch(
        Rectangle(
            (x + 100.0, y - 6.0),
            20.0,
            12.0,
            facecolor="none",
            edgecolor=INK,
            linewidth=1.1,
            linestyle=(0, (3, 2)),
        )
    )
    write(axes, x + 128.0, y, "estimated only", va="center", **PRINT_SMALL)


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
    top = heat_head(ranking)
    height = top + CELL_HEIGHT * len(rows) + (GAP if now else 0.0) + 44.0
    wide = min((WIDTH - HEAT_LEFT - 40.0) / len(columns), 74.0)
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
                _nobody(axes, (x - wide / 2.0, wide), (top, height - 44.0))
        for number, row in enumerate(rows):
            y = top + CELL_HEIGHT * (number + 0.5) + (GAP if row.place == "now" else 0.0)
            write(axes, 38.0, y, row.place, va="center", ha="right", color=SOFT)
            write(axes, 50.0, y, clean(row.one.name, 28), va="center", weight="bold", fontsize=12.5)
            for place, k in enumerate(columns):
                if k not in ranking.unserved:
                    box = (HEAT_LEFT + wide * place, y - CELL_HEIGHT / 2.0, wide)
                    _cell(axes, box, float(part[number, k]), float(row.one.hours[k]))
        more = len(ranking.requests) - len(columns)
        _heat_legend(axes, height - 16.0, more)

    return draw_both(picture, paint, PRINT_PX)


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
    words += f"; {more} smaller requests are not shown" if more else ""
    write(axes, x + 10.0, y, words, va="center", **PRINT_SMALL)
