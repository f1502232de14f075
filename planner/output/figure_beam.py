"""The beam that the planned visits of a request make, drawn to scale in its field of view.

The ellipse is the full width at half maximum of the Gaussian with the
curvature of the dirty beam (``science.coverage_figures``); the circle is the
field of view. North is up and east to the left, as in the (u, v) plane above.
"""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Circle

from planner.output.figures import (
    BEHIND,
    FAINT,
    MIDDLE,
    PAPER,
    SCIENCE,
    SMALL,
    SOFT,
    TINY_PX,
    together,
    write,
)
from planner.science.coverage_figures import Beam

BEAM_PX = 58.0  # height of the strip
RADIUS_PX = 22.0  # of the field of view
CORNERS = 48


def ellipse_px(beam: Beam, field_mas: float) -> np.ndarray:
    """Return the outline of the beam at half its height, pixels from the middle, x right and y up.

    Parameters
    ----------
    beam : Beam
        Whatever is longer than four fields of view is cut to that.
    field_mas : float

    Returns
    -------
    ndarray (corner, 2)

    Examples
    --------
    A beam of half the field whose long axis points east: its first corner lies to the left.

    >>> outline = ellipse_px(Beam(major_mas=5.0, minor_mas=2.0, position_angle_deg=90.0), 10.0)
    >>> outline[0].round(6).tolist()
    [-11.0, 0.0]
    """
    scale = 2.0 * RADIUS_PX / field_mas
    major, minor = (min(width, 4.0 * field_mas) * scale / 2.0 for width in (beam.major_mas, beam.minor_mas))
    angle = np.linspace(0.0, 2.0 * np.pi, CORNERS, endpoint=False)
    along, across = major * np.cos(angle), minor * np.sin(angle)
    north_through_east = np.deg2rad(beam.position_angle_deg)
    east = along * np.sin(north_through_east) + across * np.cos(north_through_east)
    north = along * np.cos(north_through_east) - across * np.sin(north_through_east)
    return np.column_stack([-east, north])


def paint_beam(axes: Axes, beam: Beam, field_mas: float, top_px: float) -> None:
    """Draw the beam in its field, and its size, below ``top_px``; the axes count pixels, y down."""
    x, y = RADIUS_PX + 6.0, top_px + BEAM_PX / 2.0
    field = Circle((x, y), RADIUS_PX, facecolor=PAPER, edgecolor=FAINT, linewidth=0.8)
    axes.add_artist(field)
    outline = np.array([x, y]) + ellipse_px(beam, field_mas) * np.array([1.0, -1.0])
    together(
        axes, [outline], closed=True, facecolor=SCIENCE, edgecolor=SCIENCE, linewidth=0.8, clip_path=field
    )
    for words, dx, dy in (("N", 0.0, -1.0), ("E", -1.0, 0.0)):
        style = {"fontsize": TINY_PX, "color": SOFT, "bbox": {**BEHIND, "pad": 0.3}}
        write(axes, x + dx * RADIUS_PX, y + dy * RADIUS_PX, words, **MIDDLE, **style)
    size = (
        f"{beam.minor_mas:.2f} mas across, longer than the field"
        if beam.major_mas > field_mas
        else f"{beam.major_mas:.2f} × {beam.minor_mas:.2f} mas, longest at {beam.position_angle_deg:.0f}°"
    )
    for row, words in enumerate(
        ("the beam they make, at half its height:", size, f"circle: the field, {field_mas:.4g} mas")
    ):
        write(axes, x + RADIUS_PX + 14.0, y + 13.0 * (row - 1), words, va="center", **SMALL)
