"""Where every carriage is all night: one strip for each delay line in use.

The path in the line (metres of light) against time; hatched beyond both ends
of the usable stroke. Solid while a star is recorded, dotted while the carriage
stands, dashed while it moves to the next star.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from planner.constraints.tonight import NightLimits
from planner.output.figure_night import LEFT, PLOT, WIDTH, hours, write_left
from planner.output.figures import (
    CALIBRATOR,
    CLOSED_HATCH,
    FAINT,
    HAIR,
    INK,
    MIDDLE,
    PANEL,
    SCIENCE,
    SMALL,
    SMALL_PX,
    SOFT,
    TINY_PX,
    draw,
    legend,
    panel,
    write,
)
from planner.output.svg import Picture, clean
from planner.output.tracks import StepTrack, Twilight, VisitTrack, delay_m, tick_hours

STRIP, GAP, TOP = 50.0, 20.0, 32.0
BEYOND = 0.09  # of the stroke, drawn closed at either end
LONG = 0.4  # of the stroke: moves as long as this are labelled
EVERY_TICKS = 6
MOVES, STANDS = (0, (4, 2)), (0, (1, 2))
LEGEND = (
    ("science star", {"color": SCIENCE, "linewidth": 3.2}),
    ("calibrator", {"color": CALIBRATOR, "linewidth": 1.8}),
    ("carriage moves", {"color": SOFT, "linewidth": 1.0, "linestyle": MOVES}),
    ("carriage stands", {"color": FAINT, "linewidth": 1.0, "linestyle": STANDS}),
    ("hatched: outside the usable stroke", None),
)


@dataclass(frozen=True)
class Use:
    """One step on one delay line."""

    track: VisitTrack
    step: StepTrack
    telescope: int
    hours: np.ndarray
    delay_m: np.ndarray


def uses_of_lines(limits: NightLimits, tracks: Sequence[VisitTrack]) -> dict[int, list[Use]]:
    """Return the steps of each delay line that is in use, in the order of time."""
    found: dict[int, list[Use]] = {}
    hour = tick_hours(limits)
    for track in tracks:
        for step in track.steps:
            ticks = step.ticks(EVERY_TICKS)
            path = delay_m(limits, track, step, ticks)
            for beam, line in enumerate(track.lines):
                use = Use(track, step, int(track.telescopes[beam]), hour[ticks], path[:, beam])
                found.setdefault(line, []).append(use)
    return dict(sorted(found.items()))


def delay_figure(
    limits: NightLimits, tracks: Sequence[VisitTrack], sky: Twilight, tips: dict[str, str]
) -> str:
    """Return the carriages' night as SVG; visits are grouped as ``delay-V01``."""
    uses = uses_of_lines(limits, tracks)
    height = TOP + max(len(uses), 1) * (STRIP + GAP) + 46.0
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
                8.0,
                track.key,
                **MIDDLE,
                weight="bold",
                fontsize=SMALL_PX,
                gid=picture.visit_id(track.key),
            )
        bottom = height - 44.0
        for hour in range(int(np.ceil(sky.span_h[0])), int(np.floor(sky.span_h[1])) + 1):
            whole.vlines(hour, TOP, bottom, color=HAIR, linewidth=0.6)
        hours(whole, sky, bottom, None)
        legend(whole, (sky.span_h[0], height - 10.0), (sky.span_h[1] - sky.span_h[0]) / PLOT, LEGEND)
        for place, (line, steps) in enumerate(uses.items()):
            axes = panel(figure, LEFT, TOP + place * (STRIP + GAP), PLOT, STRIP)
            _strip(axes, limits, line, sky)
            _moves(axes, limits, line, steps)
            for use in steps:
                _use(axes, limits, use, picture)

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
        axes.axhspan(
            first, last, facecolor="none", edgecolor=FAINT, hatch=CLOSED_HATCH, linewidth=0, zorder=0
        )
    for end in (low, high):
        axes.axhline(end, color=SOFT, linewidth=0.9)
        write_left(axes, end, f"{end:g} m", va="center", **SMALL)
    write_left(axes, (low + high) / 2.0, clean(own.name, 16), va="center")


def _moves(axes: Axes, limits: NightLimits, line: int, steps: Sequence[Use]) -> None:
    """From the end of each step to the start of the next on the same line: stand, then move."""
    low, high = limits.scenario.array.delay_lines[line].stroke_m
    for before, after in itertools.pairwise(steps):
        leave_h = max(after.step.setup_h, before.step.end_h)
        start, end = before.delay_m[-1], after.delay_m[0]
        axes.plot([before.step.end_h, leave_h], [start, start], color=FAINT, linewidth=1.0, linestyle=STANDS)
        axes.plot([leave_h, after.step.start_h], [start, end], color=SOFT, linewidth=1.0, linestyle=MOVES)
        if abs(end - start) >= LONG * (high - low):
            middle_h = (leave_h + after.step.start_h) / 2.0
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


def _use(axes: Axes, limits: NightLimits, use: Use, picture: Picture) -> None:
    """The path while a star is recorded, and whose light it is."""
    gid = picture.visit_id(use.track.key)
    science = use.step.science
    axes.plot(
        use.hours,
        use.delay_m,
        color=SCIENCE if science else CALIBRATOR,
        gid=gid,
        linewidth=3.2 if science else 1.8,
    )
    if science:
        low, high = axes.get_ylim()
        name = clean(limits.placement.telescopes[use.telescope], 8)
        above = high + 3.0 * (high - low) / STRIP
        write(
            axes,
            use.hours.mean(),
            above,
            name,
            ha="center",
            va="bottom",
            fontsize=TINY_PX,
            color=INK,
            gid=gid,
        )
