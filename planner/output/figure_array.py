"""The array from above: every pad, what stands where, the subarray that won, and what has to move.

Pads of fixed telescopes are squares, the others round; enclosures have their
true size. At the side stand all baselines of the subarray in figures, so that
a label which finds no room on the map is not lost.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle

from planner.geometry.baselines import pairs
from planner.output.figures import (
    BEHIND,
    CALIBRATOR,
    FAINT,
    FILLED,
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
from planner.output.map_ground import HEAD, MAP, Ground, baselines, fixed_pads, ground_of, standing
from planner.output.map_labels import SAMPLES, Room, box_around, near
from planner.output.ranking_words import moves_of, nights_told
from planner.output.sentences import counted
from planner.output.svg import Picture, clean
from planner.ranking.answers import Ranked, Ranking

WIDTH, FOOT = 1180.0, 34.0
SIDE = MAP + 30.0
CHARACTER, LINE = 7.3, 15.0  # of a small character and a line of them, in pixels, on the safe side
NAME_MAX = 22
PAD = 4.5  # half the size of a pad's sign
BEND = 0.16
ARROW: dict[str, Any] = {
    "arrowstyle": "-|>,head_width=4,head_length=8",
    "color": CALIBRATOR,
    "linewidth": 1.7,
    "linestyle": (0, (5, 2.5)),
    "mutation_scale": 1.0,
}
BENT: dict[str, Any] = {"shrinkA": 7.0, "shrinkB": 9.0, "connectionstyle": f"arc3,rad={BEND}"}
LENGTH: dict[str, Any] = {"fontsize": PRINT_SMALL_PX, "color": SCIENCE, "bbox": BEHIND, "zorder": 5.0}
ALONG = (0.5, 0.4, 0.6, 0.3, 0.7, 0.22, 0.78)


def array_figure(ranking: Ranking, name: str) -> Drawn:
    """Return the map of the array with the best subarray, as SVG and PDF.

    Parameters
    ----------
    ranking : Ranking
        Without a best subarray, the array as it stands.
    name : str
        Of the figure's file, made of letters, figures and dashes.
    """
    ground = ground_of(ranking)
    best = ranking.top[0] if ranking.top else None
    pair_count = 0 if best is None else len(pairs(len(best.seats)))
    height = HEAD + max(ground.height, 120.0 + 19.0 * (pair_count + len(best.seats if best else ()))) + FOOT
    picture = Picture(
        name=name,
        width=WIDTH,
        height=height,
        title=f"The array{'' if best is None else ' with ' + best.name}, {nights_told(ranking.nights)}",
        description=_story(ranking, best),
        tips={},
    )

    def paint(figure: Figure) -> None:
        axes = panel(figure, 0.0, 0.0, WIDTH, height)
        axes.set_xlim(0.0, WIDTH)
        axes.set_ylim(height, 0.0)
        room = Room((0.0, MAP, HEAD, HEAD + ground.height))
        _heading(axes, ranking, best)
        _scale_bar(axes, ground, room)
        _enclosures(axes, ground, ranking, best, room)
        _pads(axes, ground, ranking, best, room)
        if best is not None:
            _baselines(axes, _ends(ground, ranking, best), room)
            _arrows(axes, ground, ranking, best, room)
        _names(axes, ground, ranking, best, room)
        if best is not None:
            _lengths(axes, ground, ranking, best, room)
            _side(axes, ranking, best)
        _legend(axes, height - 16.0, best is not None and bool(moves_of(ranking, best)))

    return draw(picture, paint, PRINT_PX)


def _story(ranking: Ranking, best: Ranked | None) -> str:
    whole = f"Map of {counted(len(ranking.scenario.array.stations), 'station')}, north up."
    if best is None:
        return f"{whole} No subarray can be used."
    lines = "; ".join(
        f"{pair} {length:.1f} m at {azimuth:.1f} deg" for pair, length, azimuth in baselines(ranking, best)
    )
    moves = "; ".join(
        f"{move.telescope} goes {f'from {move.start} ' if move.start else ''}to {move.end}"
        for move in moves_of(ranking, best)
    )
    return f"{whole} Best subarray {best.name}. Baselines: {lines}. {moves or 'Nothing moves'}."


def _heading(axes: Axes, ranking: Ranking, best: Ranked | None) -> None:
    words = "No subarray can be used" if best is None else clean(best.name, 56)
    write(axes, 8.0, 20.0, words, fontsize=16, weight="bold", va="center")
    facts = f"from configuration {clean(ranking.scenario.night.configuration, 30)}"
    facts += "" if best is None else f", {counted(best.score.moves, 'telescope')} to move"
    write(axes, WIDTH - 8.0, 20.0, facts, va="center", ha="right", color=SOFT)


def _scale_bar(axes: Axes, ground: Ground, room: Room) -> None:
    """A round length, and north, in the lower left and upper right corners of the map."""
    length = _round_length(150.0 / ground.scale)
    y, right = HEAD + ground.height - 14.0, 12.0 + length * ground.scale
    axes.plot([12.0, right], [y, y], color=INK, linewidth=1.6)
    for x in (12.0, right):
        axes.plot([x, x], [y - 4.0, y + 4.0], color=INK, linewidth=1.6)
    told = f"{length:g} m"
    write(axes, right + 8.0, y, told, va="center", fontsize=PRINT_SMALL_PX)
    wide = right + 8.0 + len(told) * CHARACTER
    room.take(((wide + 8.0) / 2.0, y), ((wide + 8.0) / 2.0, 12.0))
    x, top = MAP - 22.0, HEAD + 12.0
    axes.annotate(
        "", (x, top), (x, top + 34.0), arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 1.2}
    )
    write(axes, x, top + 44.0, "N", **MIDDLE, weight="bold")
    room.take((x, top + 24.0), (14.0, 32.0))


def _round_length(most: float) -> float:
    power = 10.0 ** np.floor(np.log10(most))
    return float(max(m * power for m in (1.0, 2.0, 5.0) if m * power <= most))


def _enclosures(axes: Axes, ground: Ground, ranking: Ranking, best: Ranked | None, room: Room) -> None:
    """Circles of the true radius: filled where one of the subarray will stand, dashed where one leaves."""
    array = ranking.scenario.array
    chosen = set() if best is None else set(best.stations)
    circles: list[tuple[str, str, dict[str, Any]]] = []
    for station, telescope in standing(ranking, best).items():
        tones = (FILLED, SCIENCE) if station in chosen else (PANEL, FAINT)
        circles.append((station, telescope, {"facecolor": tones[0], "edgecolor": tones[1], "linewidth": 1.2}))
    leaving = [] if best is None else [m for m in moves_of(ranking, best) if m.start is not None]
    dashed = {"facecolor": "none", "edgecolor": CALIBRATOR, "linewidth": 1.2, "linestyle": (0, (3, 2))}
    circles += [(move.start or "", move.telescope, dashed) for move in leaving]
    for station, telescope, style in circles:
        own = array.station(station)
        radius = max(array.class_of(telescope).enclosure_radius_m * ground.scale, 0.5)
        middle = ground.at(own.east_m, own.north_m)
        axes.add_patch(Circle(middle, radius, zorder=1.0, **style))
        room.take(middle, (radius, radius))


def _pads(axes: Axes, ground: Ground, ranking: Ranking, best: Ranked | None, room: Room) -> None:
    fixed = fixed_pads(ranking)
    chosen = set() if best is None else set(best.stations)
    for station in ranking.scenario.array.stations:
        x, y = ground.at(station.east_m, station.north_m)
        own = station.name in chosen
        axes.plot(
            [x], [y], linestyle="none", marker="s" if station.name in fixed else "o", zorder=4.0,
            markersize=2.0 * PAD + (2.0 if own else 0.0), markerfacecolor=SCIENCE if own else PAPER,
            markeredgecolor=SCIENCE if own else SOFT, markeredgewidth=1.2,
        )  # fmt: skip
        room.take((x, y), (PAD + 3.0, PAD + 3.0))


def _ends(ground: Ground, ranking: Ranking, best: Ranked) -> list[tuple[float, float]]:
    """Where the subarray's stations are, in pixels."""
    return [ground.at(own.east_m, own.north_m) for own in map(ranking.scenario.array.station, best.stations)]


def _baselines(axes: Axes, ends: list[tuple[float, float]], room: Room) -> None:
    for i, j in pairs(len(ends)):
        axes.plot(*zip(ends[i], ends[j], strict=True), color=SCIENCE, linewidth=1.8, zorder=2.0)
        room.lines.append(np.linspace(ends[i], ends[j], SAMPLES))


def _arrows(axes: Axes, ground: Ground, ranking: Ranking, best: Ranked, room: Room) -> None:
    """One bent arrow for each telescope that has to move from one pad to another."""
    array = ranking.scenario.array
    for move in moves_of(ranking, best):
        if move.start is None:
            continue
        start, end = (array.station(name) for name in (move.start, move.end))
        head, tail = ground.at(end.east_m, end.north_m), ground.at(start.east_m, start.north_m)
        room.lines.append(_bend(tail, head))
        axes.annotate("", head, tail, arrowprops=ARROW | BENT, zorder=3.0)


def _bend(tail: tuple[float, float], head: tuple[float, float]) -> np.ndarray:
    """Points along matplotlib's arc3: a quadratic curve with its control point beside the chord's middle."""
    start, end = np.array(tail), np.array(head)
    along = end - start
    control = (start + end) / 2.0 + BEND * np.array([along[1], -along[0]])
    share = np.linspace(0.0, 1.0, SAMPLES)[:, None]
    return np.asarray((1 - share) ** 2 * start + 2 * share * (1 - share) * control + share**2 * end)


def _names(axes: Axes, ground: Ground, ranking: Ranking, best: Ranked | None, room: Room) -> None:
    """Names of stations, with the telescope that will stand there; the chosen ones find their place first."""
    chosen = set() if best is None else set(best.stations)
    there = standing(ranking, best)
    left = {move.start: move.telescope for move in moves_of(ranking, best)} if best is not None else {}

    def rank(station: str) -> int:
        return 0 if station in chosen else 1 if station in there or station in left else 2

    for station in sorted(ranking.scenario.array.stations, key=lambda own: rank(own.name)):
        lines = [clean(station.name, NAME_MAX)]
        if station.name in there:
            lines.append(clean(there[station.name], NAME_MAX))
        elif station.name in left:
            lines.append(clean(f"{left[station.name]} leaves", NAME_MAX))
        own = station.name in chosen
        wide, tall = max(map(len, lines)) * (CHARACTER + own * 0.9), LINE * len(lines)
        telescope = there.get(station.name) or left.get(station.name)
        enclosure = (
            0.0 if telescope is None else ranking.scenario.array.class_of(telescope).enclosure_radius_m
        )
        mark = ground.at(station.east_m, station.north_m)
        middle = near(mark, (wide / 2.0, tall / 2.0), room, max(PAD, enclosure * ground.scale), must=own)
        if middle is None:
            continue
        for number, words in enumerate(lines):
            style: dict[str, Any] = {"fontsize": PRINT_SMALL_PX, "color": INK if own else SOFT}
            style |= {"weight": "bold"} if own and number == 0 else {"style": "italic"} if number else {}
            write(
                axes,
                middle[0],
                middle[1] + LINE * (number - (len(lines) - 1) / 2.0),
                words,
                **MIDDLE,
                **style,
                zorder=6.0,
                bbox={**BEHIND, "pad": 0.5, "alpha": 0.8},
            )


def _lengths(axes: Axes, ground: Ground, ranking: Ranking, best: Ranked, room: Room) -> None:
    """Length and azimuth on each baseline, where the map has room for it."""
    ends = _ends(ground, ranking, best)
    for (i, j), (_, length, azimuth) in zip(pairs(len(ends)), baselines(ranking, best), strict=True):
        words = f"{length:.1f} m, {azimuth:.0f}°"
        half = len(words) * CHARACTER / 2.0, LINE / 2.0 + 1.0
        free: list[tuple[int, int, tuple[float, float]]] = []
        for share in ALONG:
            x, y = (a + share * (b - a) for a, b in zip(ends[i], ends[j], strict=True))
            box = box_around((x, y), half)
            if room.free(box):
                free.append((room.crossed(box), len(free), (x, y)))
        if free:
            middle = min(free)[2]
            room.take(middle, half)
            write(axes, middle[0], middle[1], words, **MIDDLE, **LENGTH)


def _side(axes: Axes, ranking: Ranking, best: Ranked) -> None:
    """Who stands where, and every baseline in figures."""
    y, right = HEAD + 12.0, WIDTH - 8.0
    write(axes, SIDE, y, "Telescopes", weight="bold", va="center")
    y += 21.0
    moves = {move.telescope: move for move in moves_of(ranking, best)}
    for telescope, station in zip(best.telescopes, best.stations, strict=True):
        write(axes, SIDE, y, clean(f"{telescope} on {station}", 27), va="center", fontsize=PRINT_SMALL_PX)
        move = moves.get(telescope)
        told = "stays" if move is None else clean(f"from {move.start}", 16) if move.start else "to be set up"
        style = {
            "fontsize": PRINT_SMALL_PX,
            "color": CALIBRATOR if move else SOFT,
            "weight": "bold" if move else "normal",
        }
        write(axes, right, y, told, va="center", ha="right", **style)
        y += 19.0
    y += 14.0
    write(axes, SIDE, y, "Baselines", weight="bold", va="center")
    write(axes, right - 76.0, y, "length, m", va="center", ha="right", **PRINT_SMALL)
    write(axes, right, y, "azimuth, °", va="center", ha="right", **PRINT_SMALL)
    y += 10.0
    for name, length, azimuth in sorted(baselines(ranking, best), key=lambda one: one[1]):
        axes.plot([SIDE, right], [y, y], color=HAIR, linewidth=0.8)
        y += 10.0
        write(axes, SIDE, y, clean(name, 24), va="center", fontsize=PRINT_SMALL_PX)
        write(axes, right - 76.0, y, f"{length:.1f}", va="center", ha="right", fontsize=PRINT_SMALL_PX)
        write(axes, right, y, f"{azimuth:.1f}", va="center", ha="right", fontsize=PRINT_SMALL_PX)
        y += 9.0
    write(axes, SIDE, y + 12.0, "azimuth from the first station to the second", va="center", **PRINT_SMALL)


def _legend(axes: Axes, y: float, moving: bool) -> None:
    """What the signs mean."""
    x = 12.0
    pad: dict[str, Any] = {"linestyle": "none", "markersize": 2.0 * PAD, "markeredgewidth": 1.2}
    plain = pad | {"markerfacecolor": PAPER, "markeredgecolor": SOFT}
    entries: list[tuple[str, dict[str, Any]]] = [
        ("pad of a fixed telescope", plain | {"marker": "s"}),
        ("pad for movable ones", plain | {"marker": "o"}),
        ("chosen", pad | {"marker": "o", "markerfacecolor": SCIENCE, "markeredgecolor": SCIENCE}),
        (
            "enclosure, to scale",
            {
                "marker": "o",
                "linestyle": "none",
                "markersize": 15.0,
                "markerfacecolor": PANEL,
                "markeredgecolor": FAINT,
            },
        ),
    ]
    for words, style in entries:
        axes.plot([x + 6.0], [y], **style)
        write(axes, x + 20.0, y, words, va="center", **PRINT_SMALL)
        x += 34.0 + len(words) * 6.9
    if moving:
        axes.annotate(
            "",
            (x + 30.0, y),
            (x, y),
            arrowprops={
                "arrowstyle": "-|>,head_width=4,head_length=8",
                "color": CALIBRATOR,
                "linewidth": 1.7,
                "linestyle": (0, (5, 2.5)),
                "mutation_scale": 1.0,
            },
        )
        write(axes, x + 40.0, y, "has to move, from the dashed enclosure", va="center", **PRINT_SMALL)
