"""What all figures share: colours, sizes in pixels, words on axes, and the way from matplotlib to SVG.

Text stays text: it can be searched and read aloud, and a name in any script
shows (in a PDF, if the typeface has it). Layout is measured with a wide
typeface (DejaVu Sans, which comes with matplotlib), so that any other
sans-serif leaves room. Names from files never become an id; dollar signs and
markup in them mean nothing. What artists draw for one visit has one gid and
becomes one group (``output.svg``).
"""

from __future__ import annotations

import contextlib
import functools
import io
import itertools
import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path
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
    "mist": "#c4d7e4",
    "slate": "#8ba3b5",
    "straw": "#ddd5ac",
    "plum": "#c3afc6",
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
    "mist": "#263c4b",
    "slate": "#486275",
    "straw": "#4c4628",
    "plum": "#4d3852",
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
# Of figures made for a proposal too: 180 mm wide on paper, 12 of 1180 px are 5.2 points.
PRINT_PX, PRINT_SMALL_PX = 13.0, 12.0
BEHIND: dict[str, Any] = {"facecolor": PAPER, "edgecolor": "none", "pad": 2.0}  # words on a line or a tone
PRINT_SMALL: dict[str, Any] = {"fontsize": PRINT_SMALL_PX, "color": SOFT}
MIDDLE: dict[str, Any] = {"ha": "center", "va": "center"}

STYLE: Any = {
    "svg.fonttype": "none",
    "pdf.fonttype": 42,
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


def heading(axes: Axes, ends: tuple[float, float], name: str, facts: str) -> None:
    """Write whose figure it is and what it is about, between two ends in data units."""
    write(axes, ends[0], 20.0, clean(name, 48), fontsize=16, weight="bold", va="center")
    write(axes, ends[1], 20.0, facts, va="center", ha="right", color=SOFT)


def legend_rows(
    entries: Sequence[tuple[str, Any]], width: float, used: float = 0.0
) -> list[list[tuple[str, Any]]]:
    """Return the entries of a legend in lines of a width in pixels, in order, on the safe side.

    So many pixels of the first line are ``used`` already.
    """
    rows: list[list[tuple[str, Any]]] = [[]]
    for words, style in entries:
        needs = _key_px(style) + _words_px(words)
        if (rows[-1] or used) and used + needs > width:
            rows.append([])
            used = 0.0
        rows[-1].append((words, style))
        used += needs
    return rows


def legend(axes: Axes, at: tuple[float, float], pixel: float, entries: Sequence[tuple[str, Any]]) -> None:
    """Write a line of (words, style) from ``at``; ``pixel`` is one in data units.

    A style is that of a line, or ``{"patch": style}`` of a small area, or None for words alone.
    """
    x, y = at
    for words, style in entries:
        if style is not None and "patch" in style:
            axes.add_patch(Rectangle((x, y - 4.5), 20.0 * pixel, 9.0, **style["patch"]))
        elif style is not None:
            axes.plot([x, x + 20.0 * pixel], [y, y], **style)
        x += _key_px(style) * pixel
        write(axes, x, y, words, va="center", fontsize=SMALL_PX, color=SOFT)
        x += _words_px(words) * pixel


def _key_px(style: Any) -> float:
    """Room for the sample of a legend's entry, with the gap behind it."""
    return 0.0 if style is None else 26.0


def _words_px(words: str) -> float:
    """Room for the words of a legend's entry, with the gap behind them."""
    return 18.0 + len(words) * 4.9


def outline(mask: np.ndarray) -> list[list[tuple[int, int]]]:
    """Return the edges of the True cells as closed rings of corners, holes turning the other way.

    Parameters
    ----------
    mask : ndarray of bool (x, y)

    Examples
    --------
    >>> outline(np.array([[True, True]]))
    [[(0, 0), (1, 0), (1, 2), (0, 2)]]
    """
    inside = np.pad(mask, 1).astype(int)
    level, upright = np.diff(inside, axis=1)[1:-1], np.diff(inside, axis=0)[:, 1:-1]
    steps: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for x, y in np.argwhere(level).tolist():
        ends = (x, y), (x + 1, y)
        start, end = ends if level[x, y] > 0 else ends[::-1]
        steps.setdefault(start, []).append(end)
    for x, y in np.argwhere(upright).tolist():
        ends = (x, y + 1), (x, y)
        start, end = ends if upright[x, y] > 0 else ends[::-1]
        steps.setdefault(start, []).append(end)
    rings = []
    for first in sorted(steps):
        while steps[first]:
            ring, at = [first], steps[first].pop()
            # Where two cells touch at a corner only, either way on closes rings around the same area.
            while at != first:
                ring.append(at)
                at = steps[at].pop()
            around = zip(ring[-1:] + ring[:-1], ring, ring[1:] + ring[:1], strict=True)
            rings.append([b for a, b, c in around if not (a[0] == b[0] == c[0] or a[1] == b[1] == c[1])])
    return rings


def region(mask: np.ndarray, origin_px: tuple[float, float], cell_px: tuple[float, float]) -> Path:
    """Return the True cells of a mask (x, y) as one path, in pixels."""
    vertices: list[tuple[float, float]] = []
    codes: list[Any] = []
    for ring in outline(mask):
        places = [(origin_px[0] + x * cell_px[0], origin_px[1] + y * cell_px[1]) for x, y in ring]
        vertices += [*places, places[0]]
        codes += [Path.MOVETO, *[Path.LINETO] * (len(places) - 1), Path.CLOSEPOLY]
    return Path(np.round(vertices, 2), codes)


def together(axes: Axes, pieces: Iterable[Any], closed: bool = False, **style: Any) -> None:
    """Draw many lines, or outlines to be filled, as one path: an artist for each costs most of the time.

    Parameters
    ----------
    axes : Axes
    pieces : iterable of array_like (point, 2)
        In data units.
    closed : bool
        Whether the pieces are outlines.
    style : dict
        Of a ``PathPatch``; lines take ``color``.
    """
    vertices: list[np.ndarray] = []
    codes: list[Any] = []
    for piece in pieces:
        points = np.asarray(piece, dtype=float)
        vertices += [points, points[:1]] if closed else [points]
        codes += [Path.MOVETO, *[Path.LINETO] * (len(points) - 1), *([Path.CLOSEPOLY] if closed else [])]
    if not vertices:
        return
    if not closed:
        style = {"fill": False, "edgecolor": style.pop("color"), "capstyle": "butt", **style}
    axes.add_artist(PathPatch(Path(np.concatenate(vertices), np.array(codes, dtype=np.uint8)), **style))


def box(left: float, bottom: float, width: float, height: float) -> tuple[tuple[float, float], ...]:
    """Return the corners of a rectangle."""
    right, top = left + width, bottom + height
    return (left, bottom), (right, bottom), (right, top), (left, top)


def runs(values: np.ndarray) -> list[tuple[int, int]]:
    """Return the first and one past the last place of each run of one value; zero and False are left out.

    Examples
    --------
    >>> runs(np.array([0, 2, 2, 3, 0]))
    [(1, 3), (3, 4)]
    """
    edges = [0, *(np.flatnonzero(values[1:] != values[:-1]) + 1).tolist(), len(values)]
    return [(first, last) for first, last in itertools.pairwise(edges) if values[first]]


def crossing(at: np.ndarray, values: np.ndarray, sample: int) -> float:
    """Return where values pass zero between a sample and the one before; the end of ``at`` at its ends.

    Examples
    --------
    >>> crossing(np.array([0.0, 10.0]), np.array([1.0, -3.0]), 1)
    2.5
    """
    if sample == 0 or sample == len(at):
        return float(at[min(sample, len(at) - 1)])
    before, after = values[sample - 1], values[sample]
    if not (np.isfinite(before) and np.isfinite(after)):
        return float(at[sample])
    return float(at[sample - 1] + (at[sample] - at[sample - 1]) * before / (before - after))


def minus(text: str) -> str:
    """Return a number as text with a minus sign instead of a hyphen.

    Examples
    --------
    >>> minus("-50"), minus("50")
    ('−50', '50')
    """
    return text.replace("-", "−")


def signed(value: float) -> str:
    """Return a margin in three figures with its sign.

    Examples
    --------
    >>> signed(3.14159), signed(-0.02), signed(0.0), signed(1234.6), signed(float("-inf"))
    ('+3.14', '−0.02', '0', '+1,235', 'no number')
    """
    if not np.isfinite(value):
        return "no number"
    size = abs(value)
    told = f"{size:,.0f}" if size >= 999.5 else f"{size:.3g}" if size >= 1e-4 else "0"
    return told if told == "0" else ("+" if value > 0 else "−") + told


@dataclass(frozen=True)
class Drawn:
    """One picture: SVG for the page, and PDF of one page for print, drawn only when it is asked for.

    Attributes
    ----------
    svg : str
    picture : Picture
        Its title becomes the title of the PDF.
    paint : callable
        Fills an empty figure.
    font_px : float
        Size of text that asks for none.
    """

    svg: str
    picture: Picture
    paint: Callable[[Figure], None]
    font_px: float

    @functools.cached_property
    def pdf(self) -> bytes:
        """The same drawing as PDF on white."""
        data = io.BytesIO()
        title, subject = clean(self.picture.title), clean(self.picture.description)
        metadata = {"Title": title, "Subject": subject, "CreationDate": None}
        with _own_style(self.picture, self.font_px):
            _painted(self.picture, self.paint).savefig(
                data, format="pdf", facecolor="white", metadata=metadata
            )
        return data.getvalue()


def draw(picture: Picture, paint: Callable[[Figure], None], font_px: float = FONT_PX) -> Drawn:
    """Let ``paint`` fill a figure; the same drawing gives the same bytes.

    No setting of the user's matplotlib takes part, and none is changed.

    Parameters
    ----------
    picture : Picture
    paint : callable
        Fills an empty figure; called once for each form.
    font_px : float
        Size of text that asks for none.
    """
    text = io.StringIO()
    with _own_style(picture, font_px):
        _painted(picture, paint).savefig(text, format="svg", metadata={"Date": None})
    return Drawn(tidied(text.getvalue(), picture), picture, paint, font_px)


@contextlib.contextmanager
def _own_style(picture: Picture, font_px: float) -> Iterator[None]:
    with matplotlib.rc_context(), warnings.catch_warnings():
        # What the measuring typeface lacks is measured as boxes; the browser has the glyphs.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(STYLE)
        matplotlib.rcParams.update({"svg.hashsalt": picture.name, "font.size": font_px})
        yield


def _painted(picture: Picture, paint: Callable[[Figure], None]) -> Figure:
    figure = Figure(figsize=(picture.width / 72.0, picture.height / 72.0), dpi=72)
    paint(figure)
    return figure
