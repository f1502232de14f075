"""Places for words on a map: beside their mark, over no other words, crossed by few lines; all in pixels."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

Box = tuple[float, float, float, float]  # left, right, top, bottom
SAMPLES = 160  # along a line, to see what it runs through
# Where words may stand around their mark: directions, and how far from it.
AROUND = ((1, 0), (-1, 0), (0, -1), (0, 1), (0.8, -0.8), (-0.8, -0.8), (0.8, 0.8), (-0.8, 0.8))
FAR = (4.0, 10.0, 18.0, 30.0)


@dataclass
class Room:
    """What is taken on the map: boxes, and lines better not written on."""

    inside: Box
    taken: list[Box] = field(default_factory=list)
    lines: list[np.ndarray] = field(default_factory=list)

    def free(self, box: Box) -> bool:
        """Whether nothing taken lies under a box, and the box on the map."""
        edge = self.inside
        within = box[0] >= edge[0] and box[1] <= edge[1] and box[2] >= edge[2] and box[3] <= edge[3]
        return within and not any(
            box[0] < b[1] and b[0] < box[1] and box[2] < b[3] and b[2] < box[3] for b in self.taken
        )

    def crossed(self, box: Box) -> int:
        """How many lines run through a box."""
        return sum(
            bool(np.any((p[:, 0] > box[0]) & (p[:, 0] < box[1]) & (p[:, 1] > box[2]) & (p[:, 1] < box[3])))
            for p in self.lines
        )

    def take(self, middle: tuple[float, float], half: tuple[float, float]) -> None:
        """Mark a box as taken."""
        self.taken.append(box_around(middle, half))


def box_around(middle: tuple[float, float], half: tuple[float, float]) -> Box:
    """Return the box of this middle and half width and height."""
    return middle[0] - half[0], middle[0] + half[0], middle[1] - half[1], middle[1] + half[1]


def near(
    mark: tuple[float, float], half: tuple[float, float], room: Room, size: float, must: bool
) -> tuple[float, float] | None:
    """Return the middle of a free place for words beside a mark, and take it.

    Of free places, the one that fewest lines run through, then the nearest.

    Parameters
    ----------
    mark : (x, y)
    half : (width, height)
        Half the size of the words.
    room : Room
    size : float
        Half the size of the mark.
    must : bool
        Whether the words are written even where there is no room.

    Returns
    -------
    (x, y) or None
    """
    free: list[tuple[int, int, tuple[float, float]]] = []
    for far in FAR:
        for x, y in AROUND:
            middle = (
                mark[0] + x * (size + far) + np.sign(x) * half[0],
                mark[1] + y * (size + far) + np.sign(y) * half[1],
            )
            box = box_around(middle, half)
            if room.free(box):
                free.append((room.crossed(box), len(free), middle))
    if free:
        best = min(free)[2]
        room.take(best, half)
        return best
    if must:
        room.take((mark[0], mark[1] - 18.0), half)
        return mark[0], mark[1] - 18.0
    return None
