"""Every subarray that stations, telescope classes and telescopes allow.

A seat is a telescope class on a station; a subarray is a set of seats on
different stations, with no more seats of a class than there are telescopes.
Movable telescopes of one class are alike until one is chosen to move.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Sequence

import numpy as np

from planner.geometry.placement import Placement, placement_on
from planner.ranking.answers import Seat
from planner.scenario.array import Array


def seats_of(array: Array) -> tuple[Seat, ...]:
    """Return every seat of an array, in the order of its stations: a fixed telescope keeps its station."""
    fixed = {t.station: t.name for t in array.telescopes if t.station is not None}
    return tuple(
        Seat(station.name, own.name, fixed.get(station.name))
        for station in array.stations
        for own in array.classes_on(station.name)
    )


def seating(array: Array, seats: Sequence[Seat]) -> Placement:
    """Return the seats as a placement with a telescope on every one: what limits are evaluated for."""
    classes = {own.name: own for own in array.telescope_classes}
    return placement_on(
        array,
        tuple(seat.telescope or f"{seat.telescope_class} on {seat.station}" for seat in seats),
        tuple(seat.station for seat in seats),
        tuple(classes[seat.telescope_class] for seat in seats),
    )


def subarrays_of(array: Array, seats: Sequence[Seat], size: int, listed_only: bool) -> np.ndarray:
    """Return every subarray as indices of seats in rising order, (subarray, size).

    Parameters
    ----------
    array : Array
    seats : sequence of Seat
    size : int
    listed_only : bool
        Only subarrays that stand together in some listed configuration.
    """
    if listed_only:
        found: set[tuple[int, ...]] = set()
        for configuration in array.configurations:
            placed = {
                (station, array.class_of(telescope).name)
                for telescope, station in array.placed(configuration.name).items()
            }
            rows = [k for k, seat in enumerate(seats) if (seat.station, seat.telescope_class) in placed]
            found.update(itertools.combinations(rows, size))
        return np.array(sorted(found), dtype=np.intp).reshape(-1, size)
    every = np.array(list(itertools.combinations(range(len(seats)), size)), dtype=np.intp).reshape(-1, size)
    stations = {name: number for number, name in enumerate(dict.fromkeys(seat.station for seat in seats))}
    station = np.array([stations[seat.station] for seat in seats])[every]
    good = np.ones(len(every), dtype=bool)
    for i, j in itertools.combinations(range(size), 2):
        good &= station[:, i] != station[:, j]
    many = Counter(t.telescope_class for t in array.telescopes if t.movable)
    for name, count in many.items():
        of_class = np.array([seat.telescope is None and seat.telescope_class == name for seat in seats])
        good &= of_class[every].sum(axis=1) <= count
    return every[good]


def moves_of(array: Array, seats: Sequence[Seat], members: np.ndarray, configuration: str) -> np.ndarray:
    """Return how many telescopes move so that each subarray stands, from a configuration, (subarray,).

    For each movable class: the seats that have to be filled, or the telescopes
    that have to make room for another class, whichever is more, because those
    that make room can fill.
    """
    standing = {station: array.class_of(name).name for name, station in array.placed(configuration).items()}
    moves = np.zeros(len(members), dtype=int)
    for name in dict.fromkeys(t.telescope_class for t in array.telescopes if t.movable):
        movable = [seat.telescope is None for seat in seats]
        wanted = [seat.telescope_class == name for seat in seats]
        there = [standing.get(seat.station) == name for seat in seats]
        fill = np.array([m and w and not t for m, w, t in zip(movable, wanted, there, strict=True)])
        leave = np.array([m and t and not w for m, w, t in zip(movable, wanted, there, strict=True)])
        moves += np.maximum(fill[members].sum(axis=1), leave[members].sum(axis=1))
    return moves


def telescopes_for(array: Array, chosen: Sequence[Seat], configuration: str) -> tuple[str, ...]:
    """Return which telescope stands on each seat so that fewest have to move; in the order of the seats."""
    standing = {station: telescope for telescope, station in array.placed(configuration).items()}
    names: list[str | None] = []
    for seat in chosen:
        now = standing.get(seat.station)
        stays = now is not None and array.class_of(now).name == seat.telescope_class
        names.append(seat.telescope or (now if stays else None))
    stations = {seat.station for seat in chosen}
    free = [t for t in array.telescopes if t.movable and t.name not in names]
    # Who has to make room goes first, then those whose stations nobody wants, in the order of the array.
    leaving = {name for station, name in standing.items() if station in stations}
    free.sort(key=lambda t: t.name not in leaving)
    for place, seat in enumerate(chosen):
        if names[place] is None:
            own = next(t for t in free if t.telescope_class == seat.telescope_class)
            free.remove(own)
            names[place] = own.name
    return tuple(name for name in names if name is not None)
