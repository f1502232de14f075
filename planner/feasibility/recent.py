"""What was worked out of an array for one star and serves the next one as well."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

from planner.scenario.array import Array

T = TypeVar("T")


class Same:
    """An array as a key: equal to itself only, which is quick to see.

    Parameters
    ----------
    array : Array
    """

    def __init__(self, array: Array) -> None:
        self.array = array

    def __hash__(self) -> int:
        return id(self.array)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Same) and other.array is self.array


class Recent(Generic[T]):
    """The last few results, by what they were worked out from.

    Parameters
    ----------
    size : int
        How many are kept.
    """

    def __init__(self, size: int) -> None:
        self.size = size
        self.known: OrderedDict[Hashable, T] = OrderedDict()

    def of(self, key: Hashable, make: Callable[[], T]) -> T:
        """Return the result for a key, made when it is not there."""
        if key not in self.known:
            self.known[key] = make()
            if len(self.known) > self.size:
                self.known.popitem(last=False)
        self.known.move_to_end(key)
        return self.known[key]
