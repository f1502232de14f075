"""What all figures share: colours, sizes in pixels, words on axes, and the way from matplotlib to SVG.

Text stays text: it can be searched and read aloud, and a name in any script
shows. Layout is measured with a wide typeface (DejaVu Sans, which comes with
matplotlib), so that any other sans-serif leaves room. Names from files never
become an id; dollar signs and markup in them mean nothing. What artists draw
for one visit has one gid and becomes one group (``output.svg``).
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable, Sequence
from typing import Any

import matplotlib
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text

from planner.output.svg import Picture, clean, tidied

# Colours for a light ground, on paper and in saved files; the report exchanges them for its own variables.
# Orange against blue is told apart with every kind of colour vision, and shape or hatch tells as well.
PALETTE = {
    "ink": "#1c211f",
    "soft": "#59615d",
    "faint": "#98a09c",
    "hair": "#d5dad7",
    "panel": "#eef1ef",
    "paper": "#fdfdfc",
    "science": "#b2450c",
    "calibrator": "#22688f",
    "reach": "#bcc5c0",
    "filled": "#f3d3bb",
    "moon": "#7d6b1d",
    "civil": "#e3e8ea",
    "nautical": "#c3ced3",
    "astronomical": "#97a8b0",
    "night": "#3d4a50",
    "star": "#f7f4ea",
}
# The same names on a dark ground, dim enough for a control room at night.
DARK = {
    "ink": "#d8d4c7",
    "soft": "#a19e93",
    "faint": "#6e6d66",
    "hair": "#34352f",
    "panel": "#1c1d1a",
    "paper": "#121310",
    "science": "#ea9a52",
    "calibrator": "#7bb3d6",
    "reach": "#4b4d47",
    "filled": "#56391f",
    "moon": "#c9b45e",
    "civil": "#434e54",
    "nautical": "#303a3f",
    "astronomical": "#20282c",
    "night": "#080909",
    "star": "#b8b5a9",
}
INK, SOFT, FAINT, HAIR, PANEL, PAPER = (
    PALETTE[name] for name in ("ink", "soft", "faint", "hair", "panel", "paper")
)
SCIENCE, CALIBRATOR, REACH, FILLED, MOON = (
    PALETTE[name] for name in ("science", "calibrator", "reach", "filled", "moon")
)
CALIBRATOR_HATCH, CLOSED_HATCH = "///////", "xxxxx"
FONT_PX = 10.0
SMALL_PX = 8.5
SMALL: dict[str, Any] = {"fontsize": SMALL_PX, "color": SOFT}
TINY_PX = 7.5
MIDDLE: dict[str, Any] = {"ha": "center", "va": "center"}

STYLE: Any = {
    "svg.fonttype": "none",
    "font.family": ["DejaVu Sans"],
    "font.size": FONT_PX,
    "text.color": INK,
    "text.parse_math": False,
    "axes.unicode_minus": True,
    "axes.facecolor": "none",
    "axes.edgecolor": FAINT,
    "axes.linewidth": 0.8,
    "figure.facecolor": "none",
    "savefig.facecolor": "none",
    "hatch.linewidth": 0.7,
    "lines.solid_capstyle": "butt",
    "path.simplify": True,
}


def write(axes: Axes, x: float, y: float, text: str, **style: Any) -> Text:
    """Put plain text on axes: what looks like mathematics in a name is not read as such."""
    return axes.text(x, y, clean(text), **{"parse_math": False, "color": INK, **style})


def panel(figure: Figure, left: float, top: float, width: float, height: float) -> Axes:
    """Add axes without frame or ticks at a place in pixels, counted from the upper left corner."""
    whole_width, whole_height = figure.get_size_inches() * figure.dpi
    axes = figure.add_axes(
        (left / whole_width, 1.0 - (top + height) / whole_height, width / whole_width, height / whole_height)
    )
    axes.set_axis_off()
    return axes


def legend(axes: Axes, at: tuple[float, float], pixel: float, entries: Sequence[tuple[str, Any]]) -> None:
    """Write a line of (words, line style or None) from ``at``; ``pixel`` is one in data units."""
    x, y = at
    for words, style in entries:
        if style is not None:
            axes.plot([x, x + 20.0 * pixel], [y, y], **style)
            x += 26.0 * pixel
        write(axes, x, y, words, va="center", fontsize=SMALL_PX, color=SOFT)
        x += (18.0 + len(words) * 4.9) * pixel


def free_place(
    marks: tuple[float, float, float, float], width: float, taken: list[tuple[float, float, float]]
) -> tuple[float, float]:
    """Return the middle of a free place for words beside marks, all in pixels, and take it.

    Parameters
    ----------
    marks : (left, right, bottom, top)
    width : float
        Of the words.
    taken : list of (x, y, width)
        Words placed before; the new ones are added.
    """
    left, right, bottom, top = marks
    x, y = (left + right) / 2.0, (bottom + top) / 2.0
    for step in range(8):
        far = 8.0 + 10.0 * step
        side = width / 2.0 - 1.0 + far
        for place in (
            (x, top + far),
            (x, bottom - far),
            (right + side, y),
            (left - side, y),
            (right + side, top + far),
            (left - side, bottom - far),
        ):
            if all(abs(place[1] - b) >= 11.0 or abs(place[0] - a) >= (width + w) / 2.0 for a, b, w in taken):
                taken.append((*place, width))
                return place
    return x, top + 8.0


def draw(picture: Picture, paint: Callable[[Figure], None]) -> str:
    """Let ``paint`` fill a figure and return it as SVG; the same drawing gives the same text.

    No setting of the user's matplotlib takes part, and none is changed.
    """
    text = io.StringIO()
    with matplotlib.rc_context(), warnings.catch_warnings():
        # What the measuring typeface lacks is measured as boxes; the browser has the glyphs.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(STYLE)
        matplotlib.rcParams["svg.hashsalt"] = picture.name
        figure = Figure(figsize=(picture.width / 72.0, picture.height / 72.0), dpi=72)
        paint(figure)
        figure.savefig(text, format="svg", metadata={"Date": None})
    return tidied(text.getvalue(), picture)
