"""What the devices do all night: where the telescopes point, how near the carriages come to their ends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.constraints.tonight import NightLimits
from planner.output.sentences import joined
from planner.output.tracks import VisitTrack, delay_m


@dataclass(frozen=True)
class PointingRow:
    """Where the telescopes of a visit point while the science star is recorded."""

    key: str
    target: str
    azimuth: str
    altitude: str
    airmass: str
    moon: str


def pointing_rows(limits: NightLimits, tracks: Sequence[VisitTrack]) -> tuple[PointingRow, ...]:
    """Return azimuth (on the compass), altitude, airmass and distance from the Moon of every visit."""
    rows = []
    for track in tracks:
        beam = track.science.step.beams[0]
        lowest = min(beam.altitude_start_deg, beam.altitude_end_deg)
        ticks = track.science.ticks()
        rows.append(
            PointingRow(
                key=track.key,
                target=track.visit.target,
                azimuth=f"{beam.azimuth_start_deg % 360.0:.1f} → {beam.azimuth_end_deg % 360.0:.1f}",
                altitude=f"{beam.altitude_start_deg:.1f} → {beam.altitude_end_deg:.1f}",
                airmass=f"{1.0 / np.sin(np.deg2rad(max(lowest, 0.1))):.2f}",
                moon=f"{limits.moon_separation_deg[track.science.star][ticks].min():.0f}",
            )
        )
    return tuple(rows)


@dataclass(frozen=True)
class LineRow:
    """A delay line's night."""

    line: str
    visits: int
    lowest: str
    highest: str
    stroke: str
    spare: str
    tightest: str
    rail: str
    ratio: str
    pupil: str
    pupil_in: str


def line_rows(limits: NightLimits, tracks: Sequence[VisitTrack]) -> tuple[LineRow, ...]:
    """Return for each line in use how near it comes to an end stop, and how far its carriage runs."""
    array = limits.scenario.array
    found = []
    for line in sorted({line for track in tracks for line in track.lines}):
        own = array.delay_lines[line]
        paths: list[tuple[VisitTrack, np.ndarray]] = []
        for track in tracks:
            if line in track.lines:
                beam = track.lines.index(line)
                paths += [
                    (track, delay_m(limits, track, step, step.ticks())[:, beam])
                    for step in track.steps
                    if not step.step.shared
                ]
        (low, high), kept = own.stroke_m, own.pupil_stroke_m
        spare, tightest = _nearest(paths, own.stroke_m)
        relayed = [
            (track, path)
            for track, path in paths
            if array.combiner(track.visit.combiner, track.visit.spectral_setup).pupil_relay
        ]
        stroke, pupil, pupil_in = f"{low:g} to {high:g}", "", ""
        if kept is not None and relayed:
            stroke += f", pupil {kept[0]:g} to {kept[1]:g}"
            left, pupil_in = _nearest(relayed, kept)
            pupil = f"{left:.2f}"
        whole = np.concatenate([path for _, path in paths])
        rail = float(np.abs(np.diff(whole)).sum()) / own.path_per_travel
        found.append(
            LineRow(
                line=own.name,
                visits=len({track.key for track, _ in paths}),
                lowest=f"{whole.min():.2f}",
                highest=f"{whole.max():.2f}",
                stroke=stroke,
                spare=f"{spare:.2f}",
                tightest=tightest,
                rail=f"{rail:.0f}",
                ratio=f"{own.path_per_travel:g}",
                pupil=pupil,
                pupil_in=pupil_in,
            )
        )
    return tuple(found)


def _nearest(paths: Sequence[tuple[VisitTrack, np.ndarray]], ends: tuple[float, float]) -> tuple[float, str]:
    """How far paths stay inside two ends at least, and in which visit."""
    return min((float(min(path.min() - ends[0], ends[1] - path.max())), track.key) for track, path in paths)


def rails_told(lines: Sequence[LineRow]) -> str:
    """Say how many metres of light a metre of rail makes, by line where they differ.

    Examples
    --------
    >>> texts = ("lowest", "highest", "stroke", "spare", "tightest", "rail", "pupil", "pupil_in")
    >>> row = {"visits": 1, **dict.fromkeys(texts, "")}
    >>> rails_told([LineRow(line="D1", ratio="4", **row), LineRow(line="D2", ratio="2", **row)])
    '1 m of rail is 4 m of light on D1, 2 m on D2'
    """
    by_ratio: dict[str, list[str]] = {}
    for row in lines:
        by_ratio.setdefault(row.ratio, []).append(row.line)
    (first, own), *rest = by_ratio.items()
    where = f" on {joined(own)}" if rest else ""
    more = "".join(f", {ratio} m on {joined(names)}" for ratio, names in rest)
    return f"1 m of rail is {first} m of light{where}{more}"
