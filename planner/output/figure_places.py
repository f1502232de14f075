"""Where words stand in a figure: beside their marks, none over another."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from matplotlib.axes import Axes

from planner.output.figures import MIDDLE, write

FARTHEST = 16  # steps of ten pixels in which a place is looked for
WORDS_PX = 9.0  # height of small words, on the safe side


def free_place(
    marks: tuple[float, float, float, float],
    width: float,
    taken: list[tuple[float, float, float]],
    others: Sequence[tuple[float, float, float, float]] = (),
) -> tuple[float, float]:
    """Return the middle of a free place for words beside marks, all in pixels, and take it.

    Parameters
    ----------
    marks : (left, right, bottom, top)
    width : float
        Of the words.
    taken : list of (x, y, width)
        Words placed before; the new ones are added.
    others : sequence of (left, right, bottom, top)
        Other marks that words shall not cover, as far as there is room elsewhere.
    """
    for ground in (others, ()):
        place = _free_place(marks, width, taken, ground)
        if place is not None:
            taken.append((*place, width))
            return place
    place = (marks[0] + marks[1]) / 2.0, (marks[2] + marks[3]) / 2.0 + 8.0
    taken.append((*place, width))
    return place


def _free_place(
    marks: tuple[float, float, float, float],
    width: float,
    taken: list[tuple[float, float, float]],
    others: Sequence[tuple[float, float, float, float]],
) -> tuple[float, float] | None:
    """The nearest place around marks that is free of words and of other marks; None where there is none."""
    left, right, bottom, top = marks
    x, y = (left + right) / 2.0, (bottom + top) / 2.0
    for step in range(FARTHEST):
        far = 8.0 + 10.0 * step
        side = width / 2.0 - 1.0 + far
        for place in (
            (x, top + far),
            (x, bottom - far),
            (right + side, y),
            (left - side, y),
            (right + side, top + far),
            (left - side, bottom - far),
            (left - side, top + far),
            (right + side, bottom - far),
        ):
            px, py = place
            if all(abs(py - b) >= 11.0 or abs(px - a) >= (width + w) / 2.0 for a, b, w in taken) and all(
                abs(px - (a + b) / 2.0) >= (width + b - a) / 2.0
                or abs(py - (c + d) / 2.0) >= (WORDS_PX + d - c) / 2.0
                for a, b, c, d in others
            ):
                return place
    return None


def apart(
    axes: Axes,
    words: Sequence[tuple[str, float, float]],
    y: float,
    style: dict[str, Any],
    character: float = 7.4,
) -> None:
    """Write words (text, middle, room) in a row, those with most room first, none over another.

    Parameters
    ----------
    axes : Axes
        One unit is a pixel.
    words : sequence of (str, float, float)
    y : float
    style : dict
    character : float
        Width of a character in pixels, on the safe side.
    """
    taken: list[tuple[float, float]] = []
    for text, middle, _ in sorted(words, key=lambda entry: (-entry[2], entry[1])):
        half = len(text) * character / 2.0 + 3.0
        x = max(middle, half - 3.0)
        if all(x + half <= left or x - half >= right for left, right in taken):
            taken.append((x - half, x + half))
            write(axes, x, y, text, **{**MIDDLE, **style})
