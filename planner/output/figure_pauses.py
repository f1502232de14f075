"""Marks of time that is not for stars in the picture of the night: hatched, named, in rows of their own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from planner.constraints.tonight import NightLimits
from planner.output.figures import FAINT, INK, PAPER, SCIENCE, SMALL_PX, SOFT, write
from planner.output.reserved_sheet import placed
from planner.output.svg import clean
from planner.output.tracks import StepTrack, Twilight, hour_of
from planner.scheduling.plan import NightPlan

PAUSE_HATCH = "\\\\\\\\"
PAUSE_ROW, PAUSE_BAR = 14.0, 10.0
NAME: dict[str, Any] = {"fontsize": SMALL_PX, "color": INK, "zorder": 4.0}
NAME_MAX = 46
CHARACTER = 5.0  # width of a character of small text, pixels, on the safe side
ABOVE = 3.5  # drawn over the marks of visits, whose grounds reach to the axis
EDGE_PX = 3.0  # what begins before sunset or ends after sunrise is drawn up to the edge, at least so wide


@dataclass(frozen=True)
class Pause:
    """One stretch, in hours and drawn inside the picture; the level counts rows of names from above.

    Attributes
    ----------
    name : str
        Cut to what a picture has room for.
    whole : bool
        Whether it takes the whole array.
    telescopes : tuple of int
        Otherwise: index in the placement, of those that stand somewhere.
    span_h : (float, float)
    words_h : float
        Where the name stands: its left end, or its right end when ``to_left``.
    """

    name: str
    whole: bool
    telescopes: tuple[int, ...]
    span_h: tuple[float, float]
    words_h: float
    to_left: bool
    level: int


def pauses_of(limits: NightLimits, plan: NightPlan, sky: Twilight, pixel_h: float) -> tuple[Pause, ...]:
    """Return what the picture shows of the time that is not for stars, in the order of the night."""
    start, end = sky.span_h
    placement = limits.placement
    rows: list[list[tuple[float, float]]] = []
    found = []
    for own, start_utc, end_utc in placed(plan.reserved):
        first, last = hour_of(limits, start_utc), hour_of(limits, end_utc)
        outside = f", {start_utc[11:16]} to {end_utc[11:16]}" if first < start or last > end else ""
        name = clean(own.name, NAME_MAX) + outside
        first = min(max(first, start), end - EDGE_PX * pixel_h)
        last = max(min(last, end), first + EDGE_PX * pixel_h)
        wide = len(name) * CHARACTER * pixel_h + 6.0 * pixel_h
        to_left = last + wide > end
        box = (first - wide, last) if to_left else (first, last + wide)
        level = next(
            (n for n, row in enumerate(rows) if all(box[0] >= b or box[1] <= a for a, b in row)), len(rows)
        )
        if level == len(rows):
            rows.append([])
        rows[level].append(box)
        stand = [one for one in own.telescopes if one in placement.telescopes]
        found.append(
            Pause(
                name=name,
                whole=not own.telescopes,
                telescopes=tuple(placement.telescopes.index(one) for one in stand),
                span_h=(first, last),
                words_h=first - 4.0 * pixel_h if to_left else last + 4.0 * pixel_h,
                to_left=to_left,
                level=level,
            )
        )
    return tuple(found)


def hatched(axes: Axes, span_h: tuple[float, float], box_px: tuple[float, float], ground: bool) -> None:
    """A hatched block over a span, from top to bottom in pixels."""
    (first, last), (top, bottom) = span_h, box_px
    axes.add_patch(
        Rectangle(
            (first, top),
            last - first,
            bottom - top,
            facecolor=PAPER if ground else "none",
            edgecolor=SOFT if ground else FAINT,
            hatch=PAUSE_HATCH,
            linewidth=0.8 if ground else 0.0,
            zorder=ABOVE,
        )
    )


def notch(axes: Axes, step: StepTrack, at_px: tuple[float, float], gid: str) -> None:
    """Leave blank in a science step when its two stars change places; middle and height in pixels."""
    if step.swap is None:
        return
    tick_h = (step.end_h - step.start_h) / max(step.last - step.first, 1)
    first, last = (step.start_h + (tick - step.first) * tick_h for tick in step.swap)
    (middle, height) = at_px
    corner = first, middle - height / 2.0
    axes.add_patch(
        Rectangle(corner, last - first, height, facecolor=PAPER, edgecolor=SCIENCE, lw=0.9, gid=gid)
    )


def paint_names(axes: Axes, pauses: Sequence[Pause], top_px: float) -> None:
    """The rows of their own: each stretch with its name beside it."""
    for pause in pauses:
        middle = top_px + (pause.level + 0.5) * PAUSE_ROW
        hatched(axes, pause.span_h, (middle - PAUSE_BAR / 2.0, middle + PAUSE_BAR / 2.0), True)
        side: str = "right" if pause.to_left else "left"
        write(axes, pause.words_h, middle, pause.name, va="center", ha=side, **NAME)
