"""Where every carriage is all night: one strip for each delay line in use.

The path in the line (metres of light) against time; hatched beyond both ends
of the usable stroke, and more openly where the pupil would not stay in place.
A path segment is named where it changes. Solid while a star is recorded, dotted while the carriage
stands, dashed while it moves to the next star. A bold figure tells how near the line
comes to an end stop, and where.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from planner.constraints.tonight import NightLimits
from planner.output.figure_night import LEFT, PLOT, WIDTH, hours, write_left
from planner.output.figures import (
    BEHIND,
    CALIBRATOR,
    CLOSED_HATCH,
    FAINT,
    HAIR,
    INK,
    MIDDLE,
    PANEL,
    REACH,
    SCIENCE,
    SMALL,
    SMALL_PX,
    SOFT,
    TINY_PX,
    Drawn,
    draw,
    legend,
    legend_rows,
    panel,
    together,
    write,
)
from planner.output.svg import Picture, clean
from planner.output.tracks import StepTrack, Twilight, VisitTrack, delay_m, tick_hours

STRIP, GAP, TOP = 50.0, 20.0, 54.0
SIDEREAL_Y, KEYS_Y = 20.0, 30.0
SEGMENT = 11.0  # a line of words more above each strip where path segments are named
CHARACTER = 4.15  # width of a tiny character, pixels
PUPIL_HATCH = "//"
LEGEND_LINE = 14.0
BEYOND = 0.09  # of the stroke, drawn closed at either end
LONG = 0.4  # of the stroke: moves as long as this are labelled
ROOM_PX = 44.0  # sideways, so that the length of a move and the nearest end do not touch
EVERY_TICKS = 6
MOVES, STANDS = (0, (4, 2)), (0, (1, 2))
OUTSIDE: dict[str, Any] = {"facecolor": "none", "edgecolor": FAINT, "hatch": CLOSED_HATCH, "linewidth": 0}
LEGEND = (
    ("science star", {"color": SCIENCE, "linewidth": 3.2}),
    ("calibrator", {"color": CALIBRATOR, "linewidth": 1.8}),
    ("carriage moves", {"color": SOFT, "linewidth": 1.0, "linestyle": MOVES}),
    ("carriage stands", {"color": FAINT, "linewidth": 1.0, "linestyle": STANDS}),
    ("outside the usable stroke", {"patch": OUTSIDE}),
    ("bold: nearest to an end stop", {"color": INK, "linewidth": 1.0}),
    ("grey: length of a long move", None),
)
PUPIL_END: dict[str, Any] = {"color": SOFT, "linewidth": 0.8, "linestyle": (0, (7, 2, 1, 2))}
PUPIL_KEY = ("beyond it the pupil does not stay in place", PUPIL_END)
SEGMENT_KEY = ("in italics: path segment from here on", None)


@dataclass(frozen=True)
class Use:
    """One step on one delay line, drawn for the visits ``keys``; ``segment`` is its path segment or ""."""

    keys: tuple[str, ...]
    track: VisitTrack
    step: StepTrack
    telescope: int
    hours: np.ndarray
    delay_m: np.ndarray
    segment: str = ""


def uses_of_lines(limits: NightLimits, tracks: Sequence[VisitTrack]) -> dict[int, list[Use]]:
    """Return the steps of each delay line that is in use, in the order of time."""
    found: dict[int, list[Use]] = {}
    hour = tick_hours(limits)
    for track in tracks:
        for step, keys in track.drawn:
            ticks = step.ticks(EVERY_TICKS)
            path = delay_m(limits, track, step, ticks)
            segments = {beam.telescope: beam.path_segment or "" for beam in step.step.beams}
            for beam, line in enumerate(track.lines):
                telescope = int(track.telescopes[beam])
                segment = segments[limits.placement.telescopes[telescope]]
                use = Use(keys, track, step, telescope, hour[ticks], path[:, beam], segment)
                found.setdefault(line, []).append(use)
    return dict(sorted(found.items()))


@dataclass(frozen=True)
class Nearest:
    """Where the carriage of a line comes nearest to an end stop tonight."""

    use: Use
    hour: float
    delay_m: float
    end_m: float


def nearest_to_an_end(limits: NightLimits, line: int, steps: Sequence[Use]) -> Nearest:
    """Return where a line's path comes nearest to an end of its stroke while a star is recorded."""
    hour = tick_hours(limits)
    found: list[tuple[float, Nearest]] = []
    for use in steps:
        ticks = use.step.ticks()
        path = delay_m(limits, use.track, use.step, ticks)[:, use.track.lines.index(line)]
        for end_m in limits.scenario.array.delay_lines[line].stroke_m:
            room = np.abs(path - end_m)
            at = int(np.argmin(room))
            found.append((float(room[at]), Nearest(use, float(hour[ticks[at]]), float(path[at]), end_m)))
    return min(found, key=lambda one: one[0])[1]


def delay_figure(
    limits: NightLimits, tracks: Sequence[VisitTrack], sky: Twilight, tips: dict[str, str]
) -> Drawn:
    """Return the carriages' night as SVG; visits are grouped as ``delay-V01``."""
    uses = uses_of_lines(limits, tracks)
    pupil = {line: kept for line in uses if (kept := _pupil_m(limits, tracks, line)) is not None}
    named = any(use.segment for steps in uses.values() for use in steps)
    gap = GAP + (SEGMENT if named else 0.0)
    keys = (*LEGEND, *([PUPIL_KEY] if pupil else []), *([SEGMENT_KEY] if named else []))
    rows = legend_rows(keys, PLOT)
    foot = LEGEND_LINE * (len(rows) - 1)
    height = TOP + (gap - GAP) + max(len(uses), 1) * (STRIP + gap) + 46.0 + foot
    picture = Picture(
        name="delay",
        width=WIDTH,
        height=height,
        title="Position of every carriage through the night",
        description=(
            f"Optical path in {len(uses)} delay lines against time, inside the usable stroke; "
            "the tables of the visits give the positions."
        ),
        tips=tips,
    )

    def paint(figure: Figure) -> None:
        whole = panel(figure, LEFT, 0.0, PLOT, height)
        whole.set_xlim(*sky.span_h)
        whole.set_ylim(height, 0.0)
        for track in tracks:
            x = (track.science.start_h + track.science.end_h) / 2.0
            write(
                whole,
                x,
                KEYS_Y,
                track.key,
                **MIDDLE,
                weight="bold",
                fontsize=SMALL_PX,
                gid=picture.visit_id(track.key),
            )
        write_left(whole, KEYS_Y + 14.0, "metres of light", va="center", **SMALL)
        bottom = height - 44.0 - foot
        whole_hours = range(int(np.ceil(sky.span_h[0])), int(np.floor(sky.span_h[1])) + 1)
        together(whole, [[(h, TOP), (h, bottom)] for h in whole_hours], color=HAIR, linewidth=0.6)
        hours(whole, sky, bottom, SIDEREAL_Y)
        pixel_h = (sky.span_h[1] - sky.span_h[0]) / PLOT
        for number, row in enumerate(rows):
            legend(whole, (sky.span_h[0], height - 10.0 - foot + LEGEND_LINE * number), pixel_h, row)
        for place, (line, steps) in enumerate(uses.items()):
            axes = panel(figure, LEFT, TOP + (gap - GAP) + place * (STRIP + gap), PLOT, STRIP)
            _strip(axes, limits, line, sky)
            _pupil(axes, limits, line, pupil.get(line))
            _segments(axes, steps, picture)
            nearest = nearest_to_an_end(limits, line, steps)
            _moves(axes, limits, line, steps, nearest)
            _uses(axes, limits, steps, picture)
            _nearest(axes, nearest, picture)

    return draw(picture, paint)


def _strip(axes: Axes, limits: NightLimits, line: int, sky: Twilight) -> None:
    """The stroke of a line, closed at both ends."""
    own = limits.scenario.array.delay_lines[line]
    low, high = own.stroke_m
    beyond = BEYOND * (high - low)
    axes.set_xlim(*sky.span_h)
    axes.set_ylim(low - beyond, high + beyond)
    axes.axhspan(low, high, facecolor=PANEL, edgecolor="none", zorder=0)
    for first, last in ((low - beyond, low), (high, high + beyond)):
        axes.axhspan(first, last, **OUTSIDE, zorder=0)
    together(axes, [[(x, end) for x in sky.span_h] for end in (low, high)], color=SOFT, linewidth=0.9)
    for end in (low, high):
        write_left(axes, end, f"{end:g} m", va="center", **SMALL)
    write_left(axes, (low + high) / 2.0, clean(own.name, 16), va="center")


def _pupil_m(limits: NightLimits, tracks: Sequence[VisitTrack], line: int) -> tuple[float, float] | None:
    """The part of a line's stroke that keeps the pupil in place, if a visit on it needs that."""
    array = limits.scenario.array
    needed = any(
        array.combiner(track.visit.combiner, track.visit.spectral_setup).pupil_relay
        for track in tracks
        if line in track.lines
    )
    return array.delay_lines[line].pupil_stroke_m if needed else None


def _pupil(axes: Axes, limits: NightLimits, line: int, kept_m: tuple[float, float] | None) -> None:
    """Hatch the rest of the stroke, and draw the ends of the part that is kept."""
    if kept_m is None:
        return
    low, high = limits.scenario.array.delay_lines[line].stroke_m
    for first, last, end in ((low, kept_m[0], kept_m[0]), (kept_m[1], high, kept_m[1])):
        if last > first:
            style: dict[str, Any] = {
                "facecolor": "none",
                "edgecolor": REACH,
                "hatch": PUPIL_HATCH,
                "linewidth": 0,
            }
            axes.axhspan(first, last, zorder=0.1, **style)
            axes.axhline(end, **PUPIL_END)


def _segments(axes: Axes, steps: Sequence[Use], picture: Picture) -> None:
    """Name the path segment at every change on the line, with a pole where its set-up begins."""
    changes = [steps[0], *(b for a, b in itertools.pairwise(steps) if b.segment != a.segment)]
    changes = [use for use in changes if use.segment]
    low, high = axes.get_ylim()
    start, end = axes.get_xlim()
    pixel_h = (end - start) / PLOT
    top = high + (3.0 + SEGMENT) * (high - low) / STRIP
    ends = [*(use.step.setup_h for use in changes[1:]), end]
    for use, until in zip(changes, ends, strict=False):
        at, gid = use.step.setup_h, picture.visit_id(use.track.key)
        room = int(((until - at) / pixel_h - 2.0) / CHARACTER)
        axes.vlines(at, low, top, color=REACH, linewidth=0.9, clip_on=False, gid=gid)
        words = clean(use.segment, max(2, min(room, 24)))
        style = {"fontsize": TINY_PX, "color": INK, "style": "italic"}
        write(axes, at + 2.0 * pixel_h, top, words, va="bottom", gid=gid, **style)


def _moves(axes: Axes, limits: NightLimits, line: int, steps: Sequence[Use], nearest: Nearest) -> None:
    """From the end of each step to the start of the next on the same line: stand, then move."""
    low, high = limits.scenario.array.delay_lines[line].stroke_m
    pixel_h = (axes.get_xlim()[1] - axes.get_xlim()[0]) / PLOT
    stands, moves = [], []
    for before, after in itertools.pairwise(steps):
        leave_h = max(after.step.setup_h, before.step.end_h)
        start, end = before.delay_m[-1], after.delay_m[0]
        stands.append([(before.step.end_h, start), (leave_h, start)])
        moves.append([(leave_h, start), (after.step.start_h, end)])
        middle_h = (leave_h + after.step.start_h) / 2.0
        covered = abs(middle_h - nearest.hour) < ROOM_PX * pixel_h and (
            abs((start + end) / 2.0 - _words_m(axes, nearest)) < 12.0 * (high - low) / STRIP
        )
        if abs(end - start) >= LONG * (high - low) and not covered:
            write(
                axes,
                middle_h,
                (start + end) / 2.0,
                f"{abs(end - start):.0f} m ",
                ha="right",
                va="center",
                fontsize=TINY_PX,
                color=SOFT,
            )
    together(axes, stands, color=FAINT, linewidth=1.0, linestyle=STANDS)
    together(axes, moves, color=SOFT, linewidth=1.0, linestyle=MOVES)


def _uses(axes: Axes, limits: NightLimits, steps: Sequence[Use], picture: Picture) -> None:
    """The path while stars are recorded, and whose light it is."""
    kinds = dict.fromkeys((use.keys, use.step.science) for use in steps)
    for keys, science in kinds:
        own = [use for use in steps if (use.keys, use.step.science) == (keys, science)]
        together(
            axes,
            [np.column_stack([use.hours, use.delay_m]) for use in own],
            color=SCIENCE if science else CALIBRATOR,
            linewidth=3.2 if science else 1.8,
            gid=picture.visit_id(*keys),
        )
        for use in own:
            if science:
                low, high = axes.get_ylim()
                name = clean(limits.placement.telescopes[use.telescope], 8)
                above = high + 3.0 * (high - low) / STRIP
                style = {"fontsize": TINY_PX, "color": INK, "gid": picture.visit_id(*keys)}
                write(axes, use.hours.mean(), above, name, ha="center", va="bottom", **style)


def _nearest(axes: Axes, nearest: Nearest, picture: Picture) -> None:
    """Mark where the carriage comes nearest to an end stop, and how much of the stroke is left there."""
    gid = picture.visit_id(*nearest.use.keys)
    x, y = nearest.hour, nearest.delay_m
    together(axes, [[(x, y), (x, nearest.end_m)]], color=INK, linewidth=1.0, gid=gid)
    style = {"fontsize": TINY_PX, "weight": "bold", "bbox": {**BEHIND, "facecolor": PANEL, "pad": 1.0}}
    write(axes, x, _words_m(axes, nearest), f"{abs(y - nearest.end_m):.2f} m", **MIDDLE, gid=gid, **style)


def _words_m(axes: Axes, nearest: Nearest) -> float:
    """Where the words stand: on the other side of the path than the end stop."""
    low, high = axes.get_ylim()
    away = 1.0 if nearest.end_m <= nearest.delay_m else -1.0
    return nearest.delay_m + away * 9.0 * (high - low) / STRIP
