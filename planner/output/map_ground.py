"""The array from above in numbers: the map's scale, who will stand where, every baseline.

East to the right and north up, on one scale.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.geometry.baselines import azimuths_deg, baseline_vectors_m, lengths_m, pairs, pivots_m
from planner.ranking.answers import Ranked, Ranking

# Of the map in pixels: its width, greatest height, margin around the stations, and what stands above it.
MAP, TALLEST, EDGE, HEAD = 830.0, 760.0, 64.0, 46.0


@dataclass(frozen=True)
class Ground:
    """The map's scale: metres of the array to pixels of the figure.

    Attributes
    ----------
    west_m, north_m : float
        Of the upper left corner of the map.
    scale : float
        Pixels to a metre, the same in both directions.
    height : float
        Of the map, pixels.
    """

    west_m: float
    north_m: float
    scale: float
    height: float

    def at(self, east_m: float, north_m: float) -> tuple[float, float]:
        """Return pixels from the left and from the top."""
        return (east_m - self.west_m) * self.scale, HEAD + (self.north_m - north_m) * self.scale


def ground_of(ranking: Ranking) -> Ground:
    """Return the scale at which every station of the array fits into the map."""
    stations = ranking.scenario.array.stations
    east, north = (np.array([getattr(s, key) for s in stations]) for key in ("east_m", "north_m"))
    largest = max(own.enclosure_radius_m for own in ranking.scenario.array.telescope_classes)
    wide, tall = (max(float(np.ptp(axis)), 4.0 * largest) for axis in (east, north))
    scale = min((MAP - 2.0 * EDGE) / wide, (TALLEST - 2.0 * EDGE) / tall)
    height = max(tall * scale + 2.0 * EDGE, 380.0)
    west = (float(east.min()) + float(east.max())) / 2.0 - MAP / scale / 2.0
    top = (float(north.min()) + float(north.max())) / 2.0 + height / scale / 2.0
    return Ground(west, top, scale, height)


def baselines(ranking: Ranking, one: Ranked) -> list[tuple[str, float, float]]:
    """Return every baseline of a subarray: its name, length in metres and azimuth in degrees."""
    array = ranking.scenario.array
    ends = pivots_m(array, one.stations, [array.class_of(name) for name in one.telescopes])
    vectors = baseline_vectors_m(ends)
    names = [f"{one.stations[i]}–{one.stations[j]}" for i, j in pairs(len(one.seats))]
    return list(zip(names, lengths_m(vectors).tolist(), azimuths_deg(vectors).tolist(), strict=True))


def standing(ranking: Ranking, best: Ranked | None) -> dict[str, str]:
    """Return {station: telescope} once the subarray stands: its own telescopes, and those that stay."""
    scenario = ranking.scenario
    placed = dict(scenario.array.placed(scenario.night.configuration))
    if best is not None:
        chosen = dict(zip(best.telescopes, best.stations, strict=True))
        # A telescope in the way of a chosen one is not drawn: where it goes is not the ranking's to say.
        placed = {t: s for t, s in placed.items() if s not in best.stations or t in chosen} | chosen
    return {station: telescope for telescope, station in placed.items()}


def fixed_pads(ranking: Ranking) -> set[str]:
    """Return the stations on which a fixed telescope stands."""
    return {own.station for own in ranking.scenario.array.telescopes if own.station is not None}
