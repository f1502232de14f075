"""Where every carriage is all night: one strip for each delay line in use.

The path in the line (metres of light) against time; hatched beyond both ends
of the usable stroke, and more openly where the pupil would not stay in place.
A path segment is named where it changes. Solid while a star is recorded, dotted while the carriage
stands, dashed while it moves to the next star.
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
    draw,
    legend,
    panel,
    write,
)
from planner.output.svg import Picture, clean
from planner.output.tracks import StepTrack, Twilight, VisitTrack, delay_m, tick_hours

STRIP, GAP, TOP = 50.0, 20.0, 32.0
SEGMENT = 11.0  # a line of words more above each strip where path segments are named
CHARACTER = 4.15  # width of a tiny character, pixels
PUPIL_HATCH = "//"
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
PUPIL_END: dict[str, Any] = {"color": SOFT, "linewidth": 0.8, "linestyle": (0, (7, 2, 1, 2))}
PUPIL_KEY = ("beyond it the pupil does not stay in place", PUPIL_END)
SEGMENT_KEY = ("in italics: path segment from here on", None)


@dataclass(frozen=True)
class Use:
    """One step on one delay line; ``segment`` is the path segment in its beam, "" for none."""

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
        for step in track.steps:
            ticks = step.ticks(EVERY_TICKS)
            path = delay_m(limits, track, step, ticks)
            segments = {beam.telescope: beam.path_segment or "" for beam in step.step.beams}
            for beam, line in enumerate(track.lines):
                telescope = int(track.telescopes[beam])
                segment = segments[limits.placement.telescopes[telescope]]
                use = Use(track, step, telescope, hour[ticks], path[:, beam], segment)
                found.setdefault(line, []).append(use)
    return dict(sorted(found.items()))


def delay_figure(
    limits: NightLimits, tracks: Sequence[VisitTrack], sky: Twilight, tips: dict[str, str]
) -> str:
    """Return the carriages' night as SVG; visits are grouped as ``delay-V01``."""
    uses = uses_of_lines(limits, tracks)
    pupil = {line: kept for line in uses if (kept := _pupil_m(limits, tracks, line)) is not None}
    named = any(use.segment for steps in uses.values() for use in steps)
    gap = GAP + (SEGMENT if named else 0.0)
    height = TOP + (gap - GAP) + max(len(uses), 1) * (STRIP + gap) + 46.0
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
        keys = (*LEGEND, *([PUPIL_KEY] if pupil else []), *([SEGMENT_KEY] if named else []))
        legend(whole, (sky.span_h[0], height - 10.0), (sky.span_h[1] - sky.span_h[0]) / PLOT, keys)
        for place, (line, steps) in enumerate(uses.items()):
            axes = panel(figure, LEFT, TOP + (gap - GAP) + place * (STRIP + gap), PLOT, STRIP)
            _strip(axes, limits, line, sky)
            _pupil(axes, limits, line, pupil.get(line))
            _segments(axes, steps, picture)
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
