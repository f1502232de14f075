"""What cells are worth, counted again: weights, repeats, the least and the most that a request wants.

A filling is a cell filled by one visit, or by one observation of an earlier
night. The n-th filling of a cell is worth priority x weight x the n-th of
``cell_values``. Where an open edge leaves it open whether an earlier night
filled a cell, or a cell lies on the edge of a range of weights, the worth lies
between two numbers.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Set
from dataclasses import dataclass, field
from typing import NamedTuple

from planner.scenario.targets import Request
from planner.units import RAD_PER_MAS

Cell = tuple[int, int]
SAME_FREQUENCY = 1e-9  # of itself


class Range(NamedTuple):
    """The least and the most that a number can be."""

    least: int
    most: int


@dataclass(frozen=True)
class Earlier:
    """How often earlier nights have filled cells of one request, at least and at most.

    Attributes
    ----------
    least, most : Counter
        By cell; zero is left out.
    """

    least: Mapping[Cell, int] = field(default_factory=Counter)
    most: Mapping[Cell, int] = field(default_factory=Counter)

    @property
    def surely(self) -> Set[Cell]:
        """Cells that they hold for certain."""
        return self.least.keys()

    @property
    def perhaps(self) -> Set[Cell]:
        """Cells that they may hold."""
        return self.most.keys()


NONE = Earlier()


def weight(request: Request, cell: Cell) -> Range:
    """Return the weight of a cell: that of the first range that its spatial frequency lies in, or 1.

    Examples
    --------
    >>> from planner.scenario.night import RequestExtras
    >>> from planner.scenario.targets import Star
    >>> heavy = {"from_mega_lambda": 9.0, "to_mega_lambda": 12.0, "weight": 4}
    >>> own = RequestExtras.model_validate({"target": "s", "frequency_weights": [heavy]})
    >>> of = Request(star=Star(name="s", ra_deg=0, dec_deg=0), combiner="c", field_mas=100.0, extras=own)
    >>> weight(of, (3, 4)), weight(of, (3, 1))
    (Range(least=4, most=4), Range(least=1, most=1))
    """
    if not request.extras.frequency_weights:
        return Range(1, 1)
    mega_lambda = math.hypot(*cell) / (request.field_mas * RAD_PER_MAS) / 1e6
    found = {_weight_at(request, mega_lambda * side) for side in (1.0 - SAME_FREQUENCY, 1.0 + SAME_FREQUENCY)}
    return Range(min(found), max(found))


def _weight_at(request: Request, mega_lambda: float) -> int:
    for own in request.extras.frequency_weights:
        if own.from_mega_lambda <= mega_lambda < own.to_mega_lambda:
            return own.weight
    return 1


class Tally:
    """The fillings of one request, visit after visit.

    Parameters
    ----------
    request : Request
    earlier : Earlier
        What earlier nights filled.
    """

    def __init__(self, request: Request, earlier: Earlier) -> None:
        self.request = request
        self.earlier = earlier
        self.visits = 0
        self.tonight: Counter[Cell] = Counter()
        self.untouched: set[Cell] = set()  # cells that a visit found unfilled

    def before(self, cell: Cell) -> Range:
        """Return how often a cell has been filled by now, on all nights."""
        tonight = self.tonight[cell]
        if cell in self.untouched:
            return Range(tonight, tonight)
        most = self.earlier.most.get(cell, 0)
        # What was filled again tonight before it was new tonight had been filled by somebody.
        least = max(self.earlier.least.get(cell, 0), 1 if tonight and most else 0)
        return Range(least + tonight, most + tonight)

    def next_weight(self, cell: Cell, again: bool = False) -> Range:
        """Return the weight of a cell's next filling, 0 where it adds nothing; ``again``: not its first."""
        of_cell, filled = weight(self.request, cell), self.before(cell)
        levels = len(self.request.extras.cell_values)
        least = max(filled.least, int(again))
        return Range(of_cell.least if filled.most < levels else 0, of_cell.most if least < levels else 0)

    def add(self, new: Iterable[Cell], again: Iterable[Cell]) -> None:
        """Count a visit that fills these cells for the first time, and those once more."""
        self.visits += 1
        fresh = {cell for cell in new if not self.tonight[cell]}
        self.untouched |= fresh
        self.tonight.update(fresh | set(again))

    def worth(self) -> Range:
        """Return what the visits counted so far are worth together."""
        extras = self.request.extras
        if extras.all_or_nothing and self.visits < self.request.visits:
            return Range(0, 0)
        floor = self._distinct()
        least = self._value(low=True) if floor.least >= extras.cells_floor else 0
        most = self._value(low=False) if floor.most >= extras.cells_floor else 0
        return Range(least, most)

    def _distinct(self) -> Range:
        """Cells that count, filled on all nights together."""
        weights = {cell: weight(self.request, cell) for cell in self.earlier.perhaps | self.tonight.keys()}
        sure = self.earlier.surely | self.tonight.keys()
        return Range(
            sum(own.least > 0 and cell in sure for cell, own in weights.items()),
            sum(own.most > 0 for own in weights.values()),
        )

    def _value(self, low: bool) -> int:
        """Sum of the fillings of tonight, the most valuable first, up to the goal."""
        extras = self.request.extras
        values, had = extras.cell_values, 0
        found: list[int] = []
        for cell in self.earlier.perhaps | self.tonight.keys():
            of_cell, filled = weight(self.request, cell), self.before(cell)
            factor, by_now = (of_cell.least, filled.most) if low else (of_cell.most, filled.least)
            first = by_now - self.tonight[cell]
            found += [self.request.priority * factor * own for own in values[first:by_now] if factor]
            counted = of_cell.most if low else of_cell.least
            had += min(first, len(values)) if counted else 0
        if extras.cells_goal is None:
            return sum(found)
        return sum(sorted(found, reverse=True)[: max(0, extras.cells_goal - had)])
