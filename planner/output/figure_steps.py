"""The steps of visits as blocks in the picture of the night, on the ribbon and on each telescope's thread."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from matplotlib.axes import Axes

from planner.output.figures import CALIBRATOR, CALIBRATOR_HATCH, PAPER, SCIENCE, SOFT, box, together

HATCHED_PX = 20.0  # lower blocks are too small for a hatch


def paint_steps(
    axes: Axes,
    times_h: Sequence[tuple[float, float, float, bool]],
    places: Sequence[tuple[float, float]],
    gid: str | None,
) -> None:
    """Draw steps on some rows: a line from set-up to start, then a block to the end.

    Parameters
    ----------
    axes : Axes
        Hours across, pixels downwards.
    times_h : sequence of (set-up, start, end, whether it is a science step)
    places : sequence of (middle, height of a science step), pixels
    gid : str or None
        Of the visit's group.
    """
    lines = [[(setup, y), (start, y)] for setup, start, _, _ in times_h for y, _ in places if start > setup]
    together(axes, lines, color=SOFT, linewidth=1.6, gid=gid)
    blocks: dict[str, list[Any]] = {"science": [], "calibrator": [], "thread": []}
    for _, start, end, science in times_h:
        for y, full in places:
            height = full if science else full * 0.56
            kind = "science" if science else "calibrator" if full > HATCHED_PX else "thread"
            blocks[kind].append(box(start, y - height / 2, end - start, height))
    hollow = {"facecolor": PAPER, "edgecolor": CALIBRATOR, "linewidth": 0.9}
    together(axes, blocks["science"], True, facecolor=SCIENCE, edgecolor=SCIENCE, linewidth=0.9, gid=gid)
    together(axes, blocks["calibrator"], True, hatch=CALIBRATOR_HATCH, gid=gid, **hollow)
    together(axes, blocks["thread"], True, gid=gid, **hollow)
