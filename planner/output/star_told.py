"""Who a star is, in words: place, brightness, size; for a calibrator how near and how little resolved."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from astropy import units as u
from astropy.coordinates import Latitude, Longitude

from planner.constraints.instrument import bracket_distance_deg, calibrator_visibility
from planner.constraints.tonight import NightLimits
from planner.output.tracks import VisitTrack
from planner.scenario.targets import Star


def places_told(star: Star) -> tuple[str, str]:
    """Return right ascension and declination, sexagesimal, at the catalogue's epoch."""
    ra, dec = Longitude(star.ra_deg, u.deg), Latitude(star.dec_deg, u.deg)
    right = ra.to_string(unit=u.hourangle, sep=":", pad=True, precision=2)
    up = dec.to_string(unit=u.deg, sep=":", pad=True, precision=1, alwayssign=True)
    return right, up.replace("-", "−")


def star_told(star: Star) -> str:
    """Return a star's place and brightness in a line.

    Examples
    --------
    >>> star_told(Star(name="x", ra_deg=185.0, dec_deg=-0.5, mag={"V": 6.5, "K": -0.25}))
    '12:20:00.00 −00:30:00.0 (ICRS, J2000), K −0.25, V 6.50'
    """
    right, up = places_told(star)
    bright = "".join(f", {band} {value:.2f}".replace("-", "−") for band, value in sorted(star.mag.items()))
    return f"{right} {up} (ICRS, J{star.epoch_yr:g}){bright}"


def calibrators_told(limits: NightLimits, tracks: Sequence[VisitTrack]) -> tuple[tuple[str, str], ...]:
    """Return every calibrator of some visits of one request as (name, words), in the order of use."""
    found: dict[int, list[VisitTrack]] = {}
    for track in tracks:
        for step in track.steps:
            if not step.science and track not in found.setdefault(step.star, []):
                found[step.star].append(track)
    return tuple(
        (limits.sky.stars[star].name, _calibrator(limits, star, used)) for star, used in found.items()
    )


def _calibrator(limits: NightLimits, star: int, used: Sequence[VisitTrack]) -> str:
    """Where it is, how bright, how far from the target, and its V squared on the longest baseline in use."""
    own = limits.sky.stars[star]
    middle = limits.sky.direction[:, len(limits.sky.times) // 2]
    apart = float(bracket_distance_deg(middle, used[0].request, np.array([star]))[0])
    vis2 = []
    for track in used:
        combiner = limits.scenario.array.combiner(track.visit.combiner, track.visit.spectral_setup)
        longest = limits.placement.longest_baseline_m(track.telescopes)
        vis2.append(float(calibrator_visibility([own], longest, combiner, 0.0).margin[0]))
    size = f"{own.diameter_mas:g} mas, " if own.diameter_mas is not None else ""
    keys = ", ".join(track.key for track in used)
    return f"{star_told(own)}; {size}V² {min(vis2):.2f} on the longest baseline; {apart:.1f}° away; {keys}"
