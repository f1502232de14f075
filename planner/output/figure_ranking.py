"""What each subarray is worth, as bars.

Bars are split into what requests bring, in the same order in every bar; the
few that bring most are named and have a letter, so that no tone is needed to
tell them apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

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
    draw,
    panel,
    write,
)
from planner.output.ranking_words import mean_told, nights_told, score_told, shares, worth, worth_told
from planner.output.svg import Picture, clean
from planner.ranking.answers import Ranked, Ranking

ROWS_MAX, NAMED = 20, 6
WIDTH, LEFT, RIGHT, HEAD = 1180.0, 300.0, 246.0, 74.0
PLOT = WIDTH - LEFT - RIGHT
ROW, BAR, GAP = 38.0, 18.0, 16.0
CHARACTER, NAME_MAX = 7.2, 27
LETTERS = "ABCDEF"
TONES = tuple(PALETTE[name] for name in ("mist", "straw", "plum", "slate", "filled", "reach"))
OTHERS: dict[str, Any] = {"facecolor": PANEL, "edgecolor": FAINT, "hatch": "////", "linewidth": 0.6}


@dataclass(frozen=True)
class Row:
    """One subarray of a figure: its place in words, itself, and whether it is the best as it stands."""

    place: str
    one: Ranked
    now: bool = False


def rows_of(ranking: Ranking) -> tuple[Row, ...]:
    """Return the top, and the best as it stands at the end where it is not among them."""
    current = ranking.current
    rows = [
        Row(str(k + 1), one, current is not None and one.seats == current.seats)
        for k, one in enumerate(ranking.top[:ROWS_MAX])
    ]
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
        facts = ", ".join(filter(None, ("score", mean_told(ranking))))
        write(axes, WIDTH - 8.0, 20.0, facts, va="center", ha="right", color=SOFT)
        _letters(axes, ranking, named)
        _grid(axes, most, scale, height - 56.0)
        for number, row in enumerate(rows):
            y = HEAD + ROW * (number + 0.5) + (GAP if row.place == "now" else 0.0)
            if row.place == "now":
                axes.plot([8.0, WIDTH - 8.0], [y - ROW / 2.0 - GAP / 2.0] * 2, color=FAINT, linewidth=1.0)
            _bar(axes, ranking, row, named, (y, scale))
        _bars_legend(axes, height - 14.0)

    return draw(picture, paint, PRINT_PX)


def largest_number(one: Ranked) -> float:
    """Return the largest number that a bar has to show."""
    return max(worth(one), one.score.estimate, 0.0 if one.truth is None else one.truth.bound)


def _letters(axes: Axes, ranking: Ranking, named: tuple[int, ...]) -> None:
    """Who the letters are, above the bars."""
    x, y = LEFT, 50.0
    room = (WIDTH - LEFT - 95.0) / max(len(named), 1)
    most = min(16, int((room - 40.0) / 7.0) - 3)
    names = [
        f"{LETTERS[n]}  {clean(ranking.scenario.requests[ranking.requests[k]].name, most)}"
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
    name_at(axes, row, y)
    write(axes, WIDTH - 8.0, y + 8.5, f"{one.score.moves} to move", va="center", ha="right", **PRINT_SMALL)
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


def name_at(axes: Axes, row: Row, y: float) -> None:
    """Write place and stations at the left of a row; many stations take two lines."""
    write(axes, 38.0, y, row.place, va="center", ha="right", color=SOFT)
    if row.now:
        write(axes, 38.0, y + 14.0, "now", va="center", ha="right", **PRINT_SMALL)
    stations, whole = row.one.stations, row.one.name
    if len(whole) <= NAME_MAX:
        write(axes, 50.0, y, clean(whole), va="center", weight="bold", fontsize=12.5)
        return
    half = (len(stations) + 1) // 2
    for part, side in ((stations[:half], -7.5), (stations[half:], 7.5)):
        write(
            axes, 50.0, y + side, clean("–".join(part), NAME_MAX + 3), va="center", weight="bold", fontsize=11
        )


def _marks(axes: Axes, one: Ranked, y: float, scale: float) -> None:
    """The bound as a thin line beyond the bar, the estimate as an open diamond under it, both in figures."""
    right, estimate = LEFT + PLOT + 16.0, one.score.estimate
    axes.plot(
        [LEFT + estimate * scale], [y + BAR / 2.0 + 3.0], linestyle="none", marker="D", zorder=4.0,
        markersize=5.5, markerfacecolor=PAPER, markeredgecolor=INK, markeredgewidth=1.0,
    )  # fmt: skip
    if one.truth is not None:
        x = LEFT + one.truth.bound * scale
        axes.plot([LEFT + worth(one) * scale, x], [y, y], color=SCIENCE, linewidth=1.0, zorder=3.0)
        axes.plot(
            [x, x], [y - BAR / 2.0 - 2.0, y + BAR / 2.0 + 2.0], color=SCIENCE, linewidth=1.6, zorder=3.0
        )
        write(axes, right, y - 8.0, score_told(one.truth.score), va="center", weight="bold")
        words = f"of at most {score_told(one.truth.bound)}"
        write(axes, WIDTH - 8.0, y - 8.0, words, va="center", ha="right", **PRINT_SMALL)
        write(axes, right, y + 8.5, f"estimate {score_told(estimate)}", va="center", **PRINT_SMALL)
    else:
        write(axes, right, y, f"estimate {score_told(estimate)}, no plan", va="center", weight="bold")


def _bars_legend(axes: Axes, y: float) -> None:
    x = LEFT
    axes.plot([x + 6.0, x + 6.0], [y - 8.0, y + 8.0], color=SCIENCE, linewidth=1.6)
    write(axes, x + 16.0, y, "bound: no plan considered is worth more", va="center", **PRINT_SMALL)
    x += 310.0
    axes.plot(
        [x],
        [y],
        linestyle="none",
        marker="D",
        markersize=5.5,
        markerfacecolor=PAPER,
        markeredgecolor=INK,
        markeredgewidth=1.0,
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
