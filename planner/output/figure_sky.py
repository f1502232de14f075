"""How high the stars are, and what stands in the way: altitude against time, and a chart of the sky.

The chart is drawn as the ground lies on a site plan: north up, east right,
zenith in the middle; altitude falls evenly to the horizon at the rim.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle

from planner.constraints.horizon import skyline_deg
from planner.constraints.shadowing import obstruction
from planner.constraints.tonight import NightLimits
from planner.output.figure_night import LEFT, PLOT, WIDTH, hours, twilight_edges, write_left
from planner.output.figure_places import free_place
from planner.output.figures import (
    CALIBRATOR,
    CLOSED_HATCH,
    FAINT,
    HAIR,
    INK,
    MIDDLE,
    MOON,
    PANEL,
    PAPER,
    REACH,
    SCIENCE,
    SMALL,
    SMALL_PX,
    SOFT,
    Drawn,
    draw,
    legend,
    panel,
    write,
)
from planner.output.svg import Picture, clean
from planner.output.tracks import StepTrack, Twilight, VisitTrack, tick_hours
from planner.sky.directions import altitude_deg, azimuth_deg

EVERY_TICKS = 8
LOWEST_DEG = 15.0  # of the altitude plot
ALTITUDE_TOP, ALTITUDE_HEIGHT = 30.0, 300.0
BEYOND: dict[str, Any] = {"facecolor": "none", "edgecolor": HAIR, "hatch": CLOSED_HATCH, "linewidth": 0}
LEGEND = (
    ("science star recorded", {"color": SCIENCE, "linewidth": 4.2}),
    ("calibrator recorded", {"color": CALIBRATOR, "linewidth": 2.0}),
    ("target all night", {"color": REACH, "linewidth": 1.0}),
    ("Moon", {"color": MOON, "linewidth": 1.2, "linestyle": (0, (6, 2, 1, 2))}),
)
CHART = 520.0
MARGIN = 26.0
SHADOW_AZIMUTHS, SHADOW_ALTITUDES = 240, 76
HALF = (CHART - 2 * MARGIN) / 2.0
BEHIND_WORDS: dict[str, Any] = {"facecolor": PAPER, "edgecolor": "none", "pad": 0.6}
RINGS_DEG = (30, 60)  # whose altitude is written on the chart
Marks = Sequence[tuple[float, float, float, float]]


def altitude_figure(
    limits: NightLimits, tracks: Sequence[VisitTrack], sky: Twilight, tips: dict[str, str]
) -> Drawn:
    """Return altitude against time as SVG, airmass on the right; visits are grouped as ``altitude-V01``."""
    height = ALTITUDE_TOP + ALTITUDE_HEIGHT + 46.0
    picture = Picture(
        name="altitude",
        width=WIDTH,
        height=height,
        title="Altitude of every planned science target through the night",
        description="Bold while a visit records the target; the table of pointings gives the numbers.",
        tips=tips,
    )

    def paint(figure: Figure) -> None:
        axes = panel(figure, LEFT, ALTITUDE_TOP, PLOT, ALTITUDE_HEIGHT)
        axes.set_xlim(*sky.span_h)
        axes.set_ylim(LOWEST_DEG, 90.0)
        _altitude_ground(axes, limits, tracks, sky)
        hour = tick_hours(limits)
        for request in sorted({track.request for track in tracks}):
            path = altitude_deg(limits.sky.direction[request][::EVERY_TICKS])
            axes.plot(hour[::EVERY_TICKS], path, color=REACH, linewidth=1.0)
        taken: list[tuple[float, float, float]] = []
        others = _altitude_marks(axes, limits, tracks)
        for track in tracks:
            _altitude_visit(axes, limits, track, picture, (taken, others))
        whole = panel(figure, LEFT, 0.0, PLOT, height)
        whole.set_xlim(*sky.span_h)
        whole.set_ylim(height, 0.0)
        hours(whole, sky, height - 44.0, ALTITUDE_TOP - 10.0)
        pixel_h = (sky.span_h[1] - sky.span_h[0]) / PLOT
        legend(
            whole,
            (sky.span_h[0], height - 10.0),
            pixel_h,
            (*LEGEND, ("beyond a limit of altitude", {"patch": BEYOND})),
        )

    return draw(picture, paint)


def _used_classes(limits: NightLimits, tracks: Sequence[VisitTrack]) -> list[tuple[float, float, str]]:
    """Altitude limits of the telescope classes in use, with the class's name."""
    used = sorted({int(i) for track in tracks for i in track.telescopes})
    classes = {limits.placement.classes[i].name: limits.placement.classes[i] for i in used}
    return [(own.altitude_min_deg, own.altitude_max_deg, name) for name, own in classes.items()]


def _altitude_ground(axes: Axes, limits: NightLimits, tracks: Sequence[VisitTrack], sky: Twilight) -> None:
    start, end = sky.span_h
    for first, last in ((start, sky.dark_h[0]), (sky.dark_h[1], end)):
        axes.axvspan(first, last, color=PANEL, linewidth=0, zorder=0)
    for level in (20, 30, 40, 50, 60, 70, 80, 90):
        axes.axhline(level, color=HAIR, linewidth=0.6, zorder=0.5)
        words = f"altitude {level}°" if level == 90 else f"{level}°"
        write_left(axes, level, words, va="center", color=SOFT)
    right = {"transform": axes.get_yaxis_transform(), "clip_on": False, "va": "center", "color": SOFT}
    for value in (1.0, 1.1, 1.2, 1.4, 1.6, 2.0, 2.5):
        height = float(np.rad2deg(np.arcsin(1.0 / value)))
        axes.axhline(height, xmin=0.994, color=FAINT, linewidth=0.8)
        # Airmass stands inside the frame, where the morning is.
        words = f"airmass {value:g}" if value == 1.0 else f"{value:g}"
        write(axes, 0.991, height, words, ha="right", fontsize=SMALL_PX, **right)
    limit = limits.scenario.limits.airmass_max
    if limit is not None:
        height = float(np.rad2deg(np.arcsin(1.0 / limit)))
        axes.axhline(height, color=SOFT, linewidth=0.9, linestyle=(0, (6, 3)))
        write(axes, start, height, f" airmass {limit:g}", va="bottom", **SMALL)
    classes = _used_classes(limits, tracks)
    for low, high, _ in classes:
        for y, first, last in ((low, LOWEST_DEG, low), (high, high, 90.0)):
            axes.axhline(y, color=SOFT, linewidth=0.9)
            axes.axhspan(first, last, **BEYOND, zorder=0)
    if classes:
        words = "limits: " + ", ".join(
            f"{clean(name, 20)} {low:g}° to {high:g}°" for low, high, name in classes
        )
        y = min(low for low, _, _ in classes)
        write(
            axes,
            start,
            y - 1.0,
            f" {words}",
            va="top",
            fontsize=SMALL_PX,
            color=INK,
            bbox={"facecolor": PANEL, "edgecolor": "none", "pad": 1.0},
        )
    axes.plot(
        sky.hours,
        np.where(sky.bodies.moon_altitude_deg > LOWEST_DEG, sky.bodies.moon_altitude_deg, np.nan),
        color=MOON,
        linewidth=1.2,
        linestyle=(0, (6, 2, 1, 2)),
    )
    for hour in twilight_edges(sky, -12.0) + twilight_edges(sky, -6.0):
        axes.axvline(hour, color=HAIR, linewidth=0.8, zorder=0.5)


def _altitude_visit(
    axes: Axes,
    limits: NightLimits,
    track: VisitTrack,
    picture: Picture,
    ground: tuple[list[tuple[float, float, float]], Marks],
) -> None:
    gid = picture.visit_id(track.key)
    hour = tick_hours(limits)
    for step, keys in track.drawn:
        ticks = step.ticks(EVERY_TICKS)
        axes.plot(
            hour[ticks],
            altitude_deg(limits.sky.direction[step.star][ticks]),
            gid=picture.visit_id(*keys),
            color=SCIENCE if step.science else CALIBRATOR,
            linewidth=4.2 if step.science else 2.0,
        )
    step = track.science
    own = altitude_deg(limits.sky.direction[step.star][step.ticks()])
    words = f"{track.key} {clean(track.visit.target, 14)}"
    pixel_h, pixel_deg = _altitude_pixels(axes)
    marks = (step.start_h / pixel_h, step.end_h / pixel_h, own.min() / pixel_deg, own.max() / pixel_deg)
    x, y = free_place(marks, len(words) * 5.4, *ground)
    # On paper of its own: the ways of the targets run behind it.
    write(axes, x * pixel_h, y * pixel_deg, words, **MIDDLE, fontsize=SMALL_PX, gid=gid, bbox=BEHIND_WORDS)


def _altitude_pixels(axes: Axes) -> tuple[float, float]:
    """Hours and degrees to a pixel."""
    start, end = axes.get_xlim()
    return (end - start) / PLOT, (90.0 - LOWEST_DEG) / ALTITUDE_HEIGHT


def _altitude_marks(axes: Axes, limits: NightLimits, tracks: Sequence[VisitTrack]) -> Marks:
    """Where steps are drawn, in pixels: names shall not cover them."""
    pixel_h, pixel_deg = _altitude_pixels(axes)
    found = []
    for track in tracks:
        for step, _ in track.drawn:
            own = altitude_deg(limits.sky.direction[step.star][step.ticks(EVERY_TICKS)])
            found.append(
                (step.start_h / pixel_h, step.end_h / pixel_h, own.min() / pixel_deg, own.max() / pixel_deg)
            )
    return found


def on_chart(azimuth: np.ndarray, altitude: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return x (east) and y (north) on the chart, the zenith at 0 and the horizon at radius 1."""
    radius = (90.0 - altitude) / 90.0
    return radius * np.sin(np.deg2rad(azimuth)), radius * np.cos(np.deg2rad(azimuth))


def sky_figure(limits: NightLimits, tracks: Sequence[VisitTrack], tips: dict[str, str]) -> Drawn:
    """Return the chart of the sky as SVG; visits are grouped as ``sky-V01``."""
    picture = Picture(
        name="sky",
        width=CHART,
        height=CHART + 20.0,
        title="Where the telescopes point, with skyline and shadows",
        description=(
            "Azimuth around, north up and east right, altitude from the rim to the zenith in the middle; "
            "the table of pointings gives the numbers."
        ),
        tips=tips,
    )

    def paint(figure: Figure) -> None:
        axes = panel(figure, MARGIN, MARGIN, CHART - 2 * MARGIN, CHART - 2 * MARGIN)
        axes.set_xlim(-1.0, 1.0)
        axes.set_ylim(-1.0, 1.0)
        _chart_ground(axes, limits, tracks)
        _moon_track(axes, limits)
        for request in sorted({track.request for track in tracks}):
            _path(axes, limits, request)
        taken = [(0.0, _ring_label(ring) * HALF, 24.0) for ring in RINGS_DEG]
        others = [_on_page(limits, step) for track in tracks for step, _ in track.drawn]
        for track in tracks:
            for step, keys in track.drawn:
                _chart_step(axes, limits, step, picture.visit_id(*keys))
            _chart_label(axes, limits, track, picture, (taken, others))
        foot = panel(figure, 0, CHART, CHART, 20)
        foot.set_xlim(0, CHART)
        words = (
            "hatched: skyline of the site; dashed: of a station; grey: shadow of a neighbour; "
            "rings: altitude limits"
        )
        write(foot, CHART / 2, 0.5, words, **MIDDLE, **SMALL)

    return draw(picture, paint)


def _chart_ground(axes: Axes, limits: NightLimits, tracks: Sequence[VisitTrack]) -> None:
    around = np.arange(0.0, 361.0, 2.0)
    _shadows(axes, limits, tracks)
    site = limits.scenario.array.site.horizon_deg
    ring_x, ring_y = on_chart(around, np.zeros_like(around))
    rim_x, rim_y = on_chart(around, skyline_deg(site, around))
    if site:
        axes.fill(
            np.append(ring_x, rim_x[::-1]),
            np.append(ring_y, rim_y[::-1]),
            facecolor="none",
            edgecolor=FAINT,
            hatch=CLOSED_HATCH,
            linewidth=0,
        )
        axes.plot(rim_x, rim_y, color=SOFT, linewidth=1.0)
    used = sorted({int(i) for track in tracks for i in track.telescopes})
    for mask in sorted({limits.placement.horizons[i] for i in used} - {()}):
        x, y = on_chart(around, skyline_deg(mask, around))
        axes.plot(x, y, color=SOFT, linewidth=0.9, linestyle=(0, (3, 2)))
    for altitude in (0, 30, 60):
        axes.add_patch(
            Circle(
                (0, 0), (90 - altitude) / 90, facecolor="none", edgecolor=HAIR, linewidth=0.8, clip_on=False
            )
        )
        if altitude in RINGS_DEG:
            write(axes, 0.0, _ring_label(altitude), f"{altitude}°", **MIDDLE, **SMALL)
    for low, high, _ in _used_classes(limits, tracks):
        for edge in {low, high} - {90.0}:
            axes.add_patch(Circle((0, 0), (90 - edge) / 90, facecolor="none", edgecolor=SOFT, linewidth=0.9))
    for azimuth, word in ((0, "N"), (90, "E"), (180, "S"), (270, "W")):
        axes.plot(*on_chart(np.array([azimuth, azimuth]), np.array([0.0, 90.0])), color=HAIR, linewidth=0.6)
        x, y = on_chart(np.array(azimuth), np.array(-4.5))
        write(axes, float(x), float(y), word, **MIDDLE, weight="bold", clip_on=False)


def _ring_label(altitude_deg: float) -> float:
    """Where the altitude of a ring is written, north of the zenith, as on the chart."""
    return (90 - altitude_deg) / 90 - 0.03


def _shadows(axes: Axes, limits: NightLimits, tracks: Sequence[VisitTrack]) -> None:
    """Where a neighbour hides more of some pupil in use than its class allows."""
    used = sorted({int(i) for track in tracks for i in track.telescopes})
    if not used:
        return
    azimuth = np.linspace(0.0, 360.0, SHADOW_AZIMUTHS + 1)
    altitude = np.linspace(1.0, 76.0, SHADOW_ALTITUDES)
    az, alt = np.meshgrid(np.deg2rad(azimuth), np.deg2rad(altitude))
    direction = np.stack([np.cos(alt) * np.sin(az), np.cos(alt) * np.cos(az), np.sin(alt)], axis=-1)
    hidden = obstruction(dataclasses.replace(limits.sky, direction=direction), limits.placement)
    allowed = np.array([own.obstruction_max for own in limits.placement.classes])
    worst = (hidden - allowed)[..., used].max(axis=-1)
    if worst.max() > 0.0:
        x, y = on_chart(np.rad2deg(az), np.rad2deg(alt))
        axes.contourf(x, y, worst, levels=[1e-9, 2.0], colors=[REACH])


def _moon_track(axes: Axes, limits: NightLimits) -> None:
    moon = limits.sky.sun_moon
    ticks = np.arange(0, len(moon.moon_altitude_deg), EVERY_TICKS)
    ticks = ticks[moon.moon_altitude_deg[ticks] > 0.0]
    if len(ticks):
        x, y = on_chart(azimuth_deg(moon.moon_direction[ticks]), moon.moon_altitude_deg[ticks])
        axes.plot(x, y, color=MOON, linewidth=1.2, linestyle=(0, (6, 2, 1, 2)))
        write(axes, float(x[0]), float(y[0]), " Moon", fontsize=SMALL_PX, color=MOON, va="center")


def _path(axes: Axes, limits: NightLimits, request: int) -> None:
    """A target's way through the night while it is up."""
    direction = limits.sky.direction[request][::EVERY_TICKS]
    x, y = on_chart(azimuth_deg(direction), altitude_deg(direction))
    up = altitude_deg(direction) > 0.0
    axes.plot(np.where(up, x, np.nan), np.where(up, y, np.nan), color=HAIR, linewidth=0.9)


def _chart_step(axes: Axes, limits: NightLimits, step: StepTrack, gid: str) -> None:
    direction = limits.sky.direction[step.star][step.ticks(EVERY_TICKS)]
    x, y = on_chart(azimuth_deg(direction), altitude_deg(direction))
    if step.science:
        axes.plot(x, y, color=SCIENCE, linewidth=4.2, gid=gid)
    else:
        axes.plot(
            x.mean(),
            y.mean(),
            "o",
            markersize=4.0,
            markerfacecolor=PAPER,
            markeredgecolor=CALIBRATOR,
            gid=gid,
        )


def _on_page(limits: NightLimits, step: StepTrack) -> tuple[float, float, float, float]:
    """Where a step is drawn on the chart, pixels from its middle: left, right, bottom, top."""
    direction = limits.sky.direction[step.star][step.ticks(EVERY_TICKS)]
    x, y = on_chart(azimuth_deg(direction), altitude_deg(direction))
    thick = 2.0
    return (
        float(x.min()) * HALF - thick,
        float(x.max()) * HALF + thick,
        float(y.min()) * HALF - thick,
        float(y.max()) * HALF + thick,
    )


def _chart_label(
    axes: Axes,
    limits: NightLimits,
    track: VisitTrack,
    picture: Picture,
    ground: tuple[list[tuple[float, float, float]], Marks],
) -> None:
    at = free_place(_on_page(limits, track.science), 24.0, *ground)
    write(
        axes,
        at[0] / HALF,
        at[1] / HALF,
        track.key,
        **MIDDLE,
        fontsize=SMALL_PX,
        color=INK,
        weight="bold",
        gid=picture.visit_id(track.key),
    )
